"""Files that are whole or not there: written beside, synced, renamed over. Nothing else in the store writes."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

_counter = itertools.count()


class StoreError(Exception):
    """Something in the farm's folder cannot be read or written; the message says what and where in one line."""


def one_line(error: BaseException) -> str:
    """The text of ``error`` without line breaks."""
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return " ".join(str(text).split()) or type(error).__name__


def sync_folder(folder: Path) -> None:
    """Make renames and new names in ``folder`` survive a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """Make ``folder`` and its parents, each synced into the one above it. Raises :class:`StoreError`."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    try:
        folder.mkdir(exist_ok=True)
        sync_folder(folder.parent)
    except OSError as error:
        raise StoreError(f"{folder}: cannot be made: {one_line(error)}") from None


def replace_file(path: Path, beside: Path, write: Callable[[BinaryIO], object]) -> None:
    """Put what ``write`` writes in place of ``path``, in one step. Raises :class:`StoreError`, ``path`` untouched.

    The new file grows in the folder ``beside`` (on the same file system), where no reader of ``path`` looks.
    """
    draft = beside / f"{os.getpid()}-{next(_counter)}"
    try:
        make_folder(beside)
        make_folder(path.parent)
        with draft.open("wb") as stream:
            write(stream)
            stream.flush()
            os.fsync(stream.fileno())
        draft.replace(path)
        sync_folder(path.parent)
    except BaseException as error:
        with suppress(OSError):
            draft.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise StoreError(f"{path}: cannot be written: {one_line(error)}") from None
        raise


def remove_file(path: Path) -> None:
    """Take ``path`` away, if it is there. Raises :class:`StoreError`."""
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise StoreError(f"{path}: cannot be removed: {one_line(error)}") from None


def clear_drafts(beside: Path) -> None:
    """Remove what killed writers left behind. Call under the writer's lock only."""
    if beside.is_dir():
        for draft in beside.iterdir():
            remove_file(draft)
