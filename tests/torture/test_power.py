"""What a power cut may lose: whatever was not yet synced when something began to rely on it.

No disk is cut off here. Each write, sync, rename, making and removing of a name is noted in turn, and wherever a step relies
on earlier ones it is asked whether these were synced by then.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

import farmwatch.store.swap as swap
from farmwatch.collect.sources import Source
from torture.farms import OPERATIONS, make_farms, run

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="an open file's path is read from /proc")


class Disk:
    """``synced``: size of each file at its last sync; ``loose``: folders with names that a power cut may take back."""

    def __init__(self) -> None:
        self.synced: dict[str, int] = {}
        self.loose: dict[str, str] = {}
        self.renamed = 0

    def rely(self, step: str) -> None:
        """Everything named so far must be safe before ``step``."""
        assert not self.loose, f"{step} relies on names not yet synced: {self.loose}"


@contextmanager
def noted(farm: Path) -> Iterator[Disk]:
    """Note every step below ``farm`` while the block runs."""
    disk = Disk()
    plain = {name: getattr(Path, name) for name in ("replace", "rename", "mkdir", "touch", "unlink")}
    sync, exchange, leave = os.fsync, swap._exchange, Source.leave

    def fsync(handle: int) -> None:
        path = str(Path(f"/proc/self/fd/{handle}").readlink())
        disk.synced[path] = os.fstat(handle).st_size
        disk.loose.pop(path, None)
        sync(handle)

    def moved(name: str) -> Any:
        def step(self: Path, target: Path) -> Path:
            if self.is_file():
                assert disk.synced.get(str(self)) == self.stat().st_size, f"{self} is renamed before it is synced"
            else:
                disk.rely(f"renaming {self.name}")
            disk.renamed += 1
            disk.loose[str(Path(target).parent)] = f"{name} {target}"
            return plain[name](self, target)

        return step

    def made(name: str) -> Any:
        def step(self: Path, *args: Any, **options: Any) -> Any:
            # drafts, locks and inboxes are nothing that anybody relies on
            if farm in self.parents and ".drafts" not in self.parts and self.parent.name != "inbox":
                disk.loose[str(self.parent)] = f"{name} {self}"
            return plain[name](self, *args, **options)

        return step

    def exchanged(new: Path, old: Path) -> None:
        disk.rely(f"exchanging {old.name}")
        exchange(new, old)
        disk.loose |= dict.fromkeys((str(new.parent), str(old.parent)), f"exchange {old}")

    def left(self: Source, state: os.stat_result) -> None:
        disk.rely("taking a file out of the inbox")
        leave(self, state)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", fsync)
        for name in ("replace", "rename"):
            patch.setattr(Path, name, moved(name))
        for name in ("mkdir", "touch", "unlink"):
            patch.setattr(Path, name, made(name))
        patch.setattr(swap, "_exchange", exchanged)
        patch.setattr(Source, "leave", left)
        yield disk


@pytest.fixture(scope="module")
def farms(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return make_farms(tmp_path_factory.mktemp("farms"))


@pytest.mark.parametrize("operation", OPERATIONS)
def test_nothing_relies_on_what_is_not_synced(farms: dict[str, Path], tmp_path: Path, operation: str) -> None:
    path = Path(shutil.copytree(farms[operation], tmp_path / "farm"))
    with noted(path) as disk:
        run(operation, path)
    assert disk.renamed
    # the marks of a finished swap and of a finished recheck may come back: then it is only done, or taken off, again
    assert all(step.endswith(("/.new", "/.recheck")) for step in disk.loose.values()), disk.loose


def test_a_mark_left_by_an_earlier_swap_is_gone_for_good_before_the_exchange(
    farms: dict[str, Path], tmp_path: Path
) -> None:
    path = Path(shutil.copytree(farms["rebuild"], tmp_path / "farm"))
    (path / "records" / ".new").touch()
    with noted(path):
        run("rebuild", path)
