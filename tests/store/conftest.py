"""A farm on disk."""

from __future__ import annotations

from pathlib import Path

import pytest

from farmwatch.store import Farm


@pytest.fixture
def farm(tmp_path: Path) -> Farm:
    return Farm.create(tmp_path / "farm", "Europe/Berlin")
