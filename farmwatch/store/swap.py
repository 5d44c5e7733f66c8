"""Records and quarantine made anew beside the old ones, then put in their place; rolled forward after a crash.

Where the system can exchange two folders in one step (Linux) there is no moment without records. Elsewhere the old
folder is moved away and the new one in, and a reader in between finds none.
"""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import sys
from pathlib import Path

from farmwatch.store.files import StoreError, make_folder, one_line, remove_file, sync_folder

_FILLING, _READY = ".rebuild", ".rebuilt"
_FOLDERS = ("records", "quarantine")
_NEW = ".new"  # in the folder that is to stand: tells it from the old one, on whichever side of an exchange it lies
_EXCHANGE, _HERE = 2, -100  # RENAME_EXCHANGE of linux/fs.h, AT_FDCWD of fcntl.h


def begin_swap(farm: Path) -> Path:
    """An empty folder to fill, with an empty folder for each that is to be replaced."""
    side = farm / _FILLING
    shutil.rmtree(side, ignore_errors=True)
    for name in _FOLDERS:
        make_folder(side / name)
        _take_for_old(farm / name)
    return side


def _take_for_old(folder: Path) -> None:
    """Take the mark of an earlier swap off ``folder``. It must not come back with a power cut after the exchange: the
    old folder would be taken for the one that is to stand.
    """
    if not folder.is_dir():
        return  # a back-up may have left it out
    remove_file(folder / _NEW)  # gone maybe, but not yet for good: what finished the earlier swap did not sync it
    try:
        sync_folder(folder)
    except OSError as error:
        raise StoreError(f"{folder}: cannot be written: {one_line(error)}") from None


def commit_swap(farm: Path) -> None:
    """From here on the new folders stand: whoever writes next finishes what a crash left."""
    try:
        for name in _FOLDERS:
            (farm / _FILLING / name / _NEW).touch()
            sync_folder(farm / _FILLING / name)
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
            if (ready / name / _NEW).exists():
                _exchange(ready / name, farm / name)
                sync_folder(ready)
                sync_folder(farm)
        shutil.rmtree(ready)
        sync_folder(farm)
        for name in _FOLDERS:
            remove_file(farm / name / _NEW)
    except OSError as error:
        raise StoreError(f"{farm}: the rebuilt records cannot be put in place: {one_line(error)}") from None


def _exchange(new: Path, old: Path) -> None:
    """Let ``new`` stand at the path of ``old``, in one step where the system can."""
    if old.exists():
        if _exchanged(new, old):
            return
        aside = new.with_name(f"old-{new.name}")
        shutil.rmtree(aside, ignore_errors=True)
        old.rename(aside)
    new.rename(old)


def _exchanged(one: Path, other: Path) -> bool:
    """Exchange two folders; False where the system or its file system cannot."""
    if sys.platform != "linux":
        return False
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if rename is None:
        return False
    if rename(_HERE, os.fsencode(one), _HERE, os.fsencode(other), _EXCHANGE) == 0:
        return True
    number = ctypes.get_errno()
    if number in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
        return False
    raise OSError(number, os.strerror(number))
