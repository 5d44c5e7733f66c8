"""The scripts of ``benchmarks/`` as modules, for tests that run a small piece of one."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

FOLDER = Path(__file__).parents[1] / "benchmarks"


def benchmark(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"benchmark_{name}", FOLDER / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
