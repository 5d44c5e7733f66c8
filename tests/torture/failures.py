"""A failure at every step of an operation in turn, and a disk that is full at every moment in turn."""

from __future__ import annotations

import errno
import io
import itertools
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

import click

from farmwatch.doctor import examine
from farmwatch.store import Farm, StoreError
from torture.farms import end_of, listening, plain_reads, run, seen, states_passed

WAYS = ("alone", "lasting", "cut off")
PAGE = 4096  # a tmpfs gives out whole pages


class Killed(BaseException):
    """Stands for the end of the process: nothing in the code may catch it and go on."""


@dataclass(frozen=True)
class Failures:
    """``steps``: what can fail in one run, or how many free pages suffice; ``tried``: how many of them were; ``failed``:
    runs that said so; ``bad``: what was wrong, a line each.
    """

    operation: str
    steps: int
    tried: int
    failed: int
    bad: tuple[str, ...]


def fail_everywhere(operation: str, start: Path, room: Path, stride: int = 1, first: int = 1) -> Failures:
    """Let every ``stride``-th opening, write, sync, rename, making and removing from the ``first`` on fail: that one
    alone; that one and all after it, as on a dead disk; or end the process there. Only errors of the farm's own kind come
    out, readers find a state of an undisturbed run, and done again it comes to the same end.
    """
    clean = Path(shutil.copytree(start, room / "clean"))
    passed, end = states_passed(operation, clean, ("inbox",)), end_of(clean)
    steps = _steps(operation, Path(shutil.copytree(start, room / "counted")))
    failed, bad = 0, []
    places = range(first, steps + 1, stride)
    for place, way in itertools.product(places, WAYS):
        path = Path(shutil.copytree(start, room / "farm"))
        error = Killed() if way == "cut off" else OSError(errno.EIO, os.strerror(errno.EIO))
        with _failing(path, error, _from(place, lasting=way != "alone")):
            said, wrong = _tried(operation, path)
        failed += said
        wrong += wrong_after(operation, path, passed, end)
        bad += [f"{operation}, step {place} of {steps}, {way}: {words}" for words in wrong]
        shutil.rmtree(path)
    return Failures(operation, steps, len(places), failed, tuple(bad))


def _from(place: int, lasting: bool) -> Callable[[int], bool]:
    return lambda number: number == place or (lasting and number > place)


def _steps(operation: str, path: Path) -> int:
    count = 0

    def noted(number: int) -> bool:
        nonlocal count
        count = number
        return False

    with _failing(path, Killed(), noted):
        run(operation, path)
    return count


@contextmanager
def _failing(path: Path, error: BaseException, fails: Callable[[int], bool]) -> Iterator[None]:
    """Ask ``fails`` of the number of each step in the folder, and raise ``error`` where it says so."""
    numbers = itertools.count(1)

    def step(what: object = None) -> None:
        # a delivery that cannot be read is no failure of the operation: it is refused and left where it is
        if not str(what).startswith(f"open {path / 'inbox'}") and fails(next(numbers)):
            raise error

    class Stream(io.FileIO):
        def write(self, data: Any, /) -> int:
            step()
            return super().write(data)

    plain_open = Path.open

    def opened(self: Path, mode: str = "r", *args: Any, **options: Any) -> Any:
        if mode == "wb" and path in self.parents:
            return io.BufferedWriter(Stream(self, "wb"))
        return plain_open(self, mode, *args, **options)

    with ExitStack() as stack:
        stack.enter_context(mock.patch.object(Path, "open", opened))
        stack.enter_context(mock.patch.object(os, "fsync", step))
        stack.enter_context(listening(path, step))
        yield


def _tried(operation: str, path: Path) -> tuple[bool, list[str]]:
    """Whether the operation said that it failed, and what came out that must not."""
    try:
        run(operation, path)
    except (StoreError, click.ClickException) as error:
        return True, [] if "\n" not in str(error) else ["an error of several lines"]
    except Killed:
        return True, []
    except Exception as error:
        return True, [f"{type(error).__name__}: {error}"]
    return False, []


def wrong_after(operation: str, path: Path, passed: list[str], end: str) -> list[str]:
    """What is wrong with the folder after a failure or a power cut, and once the operation is done again."""
    bad = []
    try:
        plain_reads(path)
    except Exception as error:
        bad.append(f"cannot be read: {type(error).__name__}: {error}")
    if seen(path, ("inbox",)) not in passed:
        bad.append("a state that no undisturbed run passes through")
    try:
        run(operation, path)
    except Exception as error:
        return [*bad, f"cannot be done again: {type(error).__name__}: {error}"]
    if end_of(path) != end:
        bad.append("done again, not the same end")
    return bad + [f"{trouble.where}: {trouble.what}" for trouble in examine(Farm.open(path))]


def full_disk(operation: str, start: Path, room: Path, stride: int = 1, fewest: int = 0) -> Failures | None:
    """Do the operation on a real file system with ``fewest`` pages free, then ``stride`` more, and so on until there is
    room for all; after each failure give it room and do it again. None where this user may not mount one.
    """
    clean = Path(shutil.copytree(start, room / "clean"))
    passed, end = states_passed(operation, clean, ("inbox",)), end_of(clean)
    disk = room / "disk"
    disk.mkdir()
    tried, failed, bad, pages = 0, 0, [], fewest
    while True:
        if _mount(disk, "size=64m"):
            return None
        try:
            path = Path(shutil.copytree(start, disk / "farm"))
            used = os.statvfs(disk)
            size = (used.f_blocks - used.f_bfree) * used.f_frsize + pages * PAGE
            _mount(disk, f"remount,size={size}")
            said, wrong = _tried(operation, path)
            _mount(disk, "remount,size=64m")
            wrong += wrong_after(operation, path, passed, end)
        finally:
            subprocess.run(["umount", disk], check=True)
        tried += 1
        failed += said
        bad += [f"{operation}, {pages} pages free: {words}" for words in wrong]
        if not said:
            return Failures(operation, pages, tried, failed, tuple(bad))
        pages += stride


def _mount(disk: Path, options: str) -> int:
    return subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", disk], capture_output=True).returncode
