"""Records and quarantine made anew beside the old ones, then put in their place; rolled forward after a crash."""

from __future__ import annotations

import shutil
from pathlib import Path

from farmwatch.store.files import StoreError, make_folder, one_line, sync_folder

_FILLING, _READY = ".rebuild", ".rebuilt"
_FOLDERS = ("records", "quarantine")


def begin_swap(farm: Path) -> Path:
    """An empty folder to fill, with an empty folder for each that is to be replaced."""
    side = farm / _FILLING
    shutil.rmtree(side, ignore_errors=True)
    for name in _FOLDERS:
        make_folder(side / name)
    return side


def commit_swap(farm: Path) -> None:
    """From here on the new folders stand: whoever writes next finishes what a crash left."""
    try:
        (farm / _FILLING).rename(farm / _READY)
        sync_folder(farm)
    except OSError as error:
        raise StoreError(f"{farm / _READY}: cannot be written: {one_line(error)}") from None


def swap_is_pending(farm: Path) -> bool:
    """Whether a swap was committed and not finished."""
    return (farm / _READY).exists()


def finish_swap(farm: Path) -> None:
    """Put committed folders in place of the old ones. Call under the writer's lock only."""
    ready = farm / _READY
    if not ready.exists():
        return
    try:
        for name in _FOLDERS:
            if not (ready / name).exists():
                continue
            if (farm / name).exists():
                old = ready / f"old-{name}"
                shutil.rmtree(old, ignore_errors=True)
                (farm / name).rename(old)
            (ready / name).rename(farm / name)
            sync_folder(farm)
        shutil.rmtree(ready)
        sync_folder(farm)
    except OSError as error:
        raise StoreError(f"{farm}: the rebuilt records cannot be put in place: {one_line(error)}") from None
