"""What farmwatch rests on is what it says: imports, declared dependencies, the lock file, what is installed."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
# what every environment of Python brings or builds with, and the project itself
OURS = {"farmwatch", "pip", "setuptools", "wheel"}
# data without code to import: time zones where the system has none
DATA = {"tzdata"}
# extras that the lock leaves out
UNLOCKED: set[str] = set()


def plain(name: str) -> str:
    """A distribution's name as package indexes compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def declared(*extras: str) -> set[str]:
    wanted = list(PROJECT["dependencies"])
    for extra in extras:
        wanted += PROJECT["optional-dependencies"][extra]
    return {plain(re.split(r"[<>=!~\[; ]", line, maxsplit=1)[0]) for line in wanted}


def locked() -> dict[str, str]:
    lines = (ROOT / "requirements.lock").read_text().split()
    return {plain(name): version for name, _, version in (line.partition("==") for line in lines)}


def imported(folder: Path) -> dict[str, Path]:
    """The packages that the modules in ``folder`` import, other than Python's own, each with one that does."""
    found: dict[str, Path] = {}
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
                names.append(node.module)
            found.update({name.partition(".")[0]: path for name in names})
    return {name: path for name, path in found.items() if name not in sys.stdlib_module_names and name != "farmwatch"}


def test_what_is_imported_is_declared_and_what_is_declared_is_imported() -> None:
    owners = metadata.packages_distributions()
    used = {name: {plain(owner) for owner in owners[name]} for name in imported(ROOT / "farmwatch")}
    allowed = declared("notebook", "dask")
    assert {name for name, who in used.items() if not who & allowed} == set()
    together = set().union(*used.values())
    assert declared() - together - DATA == set()


def needed_by(names: set[str]) -> set[str]:
    """``names`` and every installed distribution that they need, directly or not."""
    found: set[str] = set()
    left = set(names)
    while left:
        name = left.pop()
        found.add(name)
        try:
            lines = metadata.requires(name) or []
        except metadata.PackageNotFoundError:
            continue
        left |= {plain(re.split(r"[^A-Za-z0-9_.-]", line, maxsplit=1)[0]) for line in lines if "extra ==" not in line}
        left -= found
    return found


def test_everything_declared_is_locked() -> None:
    extras = set(PROJECT["optional-dependencies"]) - UNLOCKED
    assert declared(*extras) - locked().keys() == set()


def test_what_is_installed_is_what_is_locked() -> None:
    """Not one distribution less, none of another version; more only where an extra that the lock leaves out needs it."""
    installed = {plain(each.metadata["Name"]): each.version for each in metadata.distributions()}
    left_out = set().union(*(needed_by(declared(extra)) for extra in UNLOCKED))
    pins = locked()
    mine = {name: version for name, version in installed.items() if name not in OURS}
    assert {name: version for name, version in mine.items() if name in pins or name not in left_out} == pins


@pytest.mark.parametrize("line", (ROOT / "requirements.lock").read_text().splitlines())
def test_a_line_of_the_lock_names_no_place(line: str) -> None:
    """A package and its version: no address, no path, no option that would fetch it from elsewhere."""
    assert re.fullmatch(r"[A-Za-z0-9_.\[\]-]+==[^\s;@/]+", line)
