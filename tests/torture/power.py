"""Power cuts: what was not synced may be lost, in part, and in any order."""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from unittest import mock

from torture.failures import wrong_after
from torture.farms import end_of, listening, run, seen, states_passed

Change = tuple[int, str]  # a folder's inode and a name in it
Written = Literal["not", "half", "whole"]  # how much of a file that was not synced reached the disk
# neither data nor part of what is done next: states that differ in these alone are one
_ALIKE = (".lock", ".drafts", ".jobs")


@dataclass(frozen=True)
class Cuts:
    """``moments`` at which the power could fail; ``disks``: the different contents of the disk that it could leave;
    ``tried``: how many of these were; ``bad``: what was wrong with them, a line each.
    """

    operation: str
    moments: int
    disks: int
    tried: int
    bad: tuple[str, ...]


class Disk:
    """A folder as it is, and what of it is sure to be there after a power cut.

    A file's content is sure once it was synced, a name in a folder once the folder was; before, each may be there or
    not whatever else is. Only a folder that is moved, or exchanged with another, is never in two places nor in none.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.names: dict[int, dict[str, int]] = {}  # of every folder, as they are
        self.sure_names: dict[int, dict[str, int]] = {}
        self.sure_bytes: dict[int, bytes] = {}
        self._open: dict[int, int] = {}  # a handle on every inode ever met: none is given out anew
        self.look()
        self.sure_names = {folder: dict(names) for folder, names in self.names.items()}
        self.sure_bytes = {inode: self._bytes(inode) for inode in self._open if inode not in self.names}

    def close(self) -> None:
        for handle in self._open.values():
            os.close(handle)

    def look(self) -> None:
        """Note every name that there is now."""
        self.names = {folder: {} for folder in self.names}  # folders that are gone hold nothing
        waiting = [self.root]
        while waiting:
            folder = waiting.pop()
            self._hold(folder)
            entries = list(os.scandir(folder))
            self.names[folder.stat().st_ino] = {entry.name: entry.inode() for entry in entries}
            for entry in entries:
                self._hold(Path(entry.path))
                if entry.is_dir(follow_symlinks=False):
                    waiting.append(Path(entry.path))

    def _hold(self, path: Path) -> None:
        inode = path.stat().st_ino
        if inode not in self._open:
            self._open[inode] = os.open(path, os.O_RDONLY)

    def _bytes(self, inode: int) -> bytes:
        handle = self._open[inode]
        return os.pread(handle, os.fstat(handle).st_size, 0)

    def sync(self, handle: int) -> None:
        """What a sync of an open file or folder makes sure."""
        told = os.fstat(handle)
        self.look()
        if not stat.S_ISDIR(told.st_mode):
            if told.st_ino in self._open:
                self.sure_bytes[told.st_ino] = self._bytes(told.st_ino)
            return
        moved = [group for group in self.changes() if any(folder == told.st_ino for folder, _ in group)]
        for folder, name in (change for group in moved for change in group):
            names = self.sure_names.setdefault(folder, {})
            names.pop(name, None)
            if name in self.names.get(folder, {}):
                names[name] = self.names[folder][name]
        self.sure_names.setdefault(told.st_ino, {})

    def changes(self) -> list[frozenset[Change]]:
        """The names that are not sure, those of one moved folder together."""
        single, of_folder = [], {}
        for folder in self.names.keys() | self.sure_names.keys():
            now, sure = self.names.get(folder, {}), self.sure_names.get(folder, {})
            for name in now.keys() | sure.keys():
                if now.get(name) == sure.get(name):
                    continue
                inodes = {now.get(name), sure.get(name)} & self.names.keys()
                group = {(folder, name)}.union(*(of_folder.get(inode, set()) for inode in inodes))
                of_folder |= dict.fromkeys({*inodes, *self._folders_of(group)}, group)
                if not inodes:
                    single.append(frozenset(group))
        return sorted({*single, *map(frozenset, of_folder.values())}, key=sorted)

    def _folders_of(self, group: set[Change]) -> set[int]:
        told = (
            (self.names.get(folder, {}).get(name), self.sure_names.get(folder, {}).get(name)) for folder, name in group
        )
        return {inode for pair in told for inode in pair if inode in self.names}

    def cuts(self) -> Iterator[dict[str, bytes | None]]:
        """What a cut now may leave: contents by path, None for a folder. Of the changes that are not sure none, all, one
        alone, or all but one; of contents that are not sure nothing, half, or all.
        """
        self.look()
        groups = self.changes()
        every = frozenset().union(*groups)
        kept = {frozenset(), every, *groups, *(every - group for group in groups)}
        for written in ("not", "half", "whole"):
            for those in kept:
                yield dict(self._tree(self.root.stat().st_ino, "", those, written))

    def _tree(
        self, folder: int, path: str, kept: frozenset[Change], written: Written
    ) -> Iterator[tuple[str, bytes | None]]:
        now, sure = self.names.get(folder, {}), self.sure_names.get(folder, {})
        for name in sorted(now.keys() | sure.keys()):
            inode = (now if (folder, name) in kept else sure).get(name)
            if inode is None:
                continue
            if inode in self.names:
                yield f"{path}{name}", None
                yield from self._tree(inode, f"{path}{name}/", kept, written)
            else:
                yield f"{path}{name}", self._left(inode, written)

    def _left(self, inode: int, written: Written) -> bytes:
        whole, sure = self._bytes(inode), self.sure_bytes.get(inode, b"")
        if written == "whole" or whole == sure:
            return whole
        return sure if written == "not" else whole[: (len(sure) + len(whole)) // 2]


@dataclass
class _Moments:
    """Every different disk that a cut could have left so far, by its digest; ``last``: those of the last moment."""

    disk: Disk
    count: int = 0
    disks: dict[str, dict[str, bytes | None]] = field(default_factory=dict)
    last: set[str] = field(default_factory=set)

    def note(self, step: str = "") -> None:
        self.count += 1
        self.last = set()
        for tree in self.disk.cuts():
            digest = _digest(tree)
            self.disks.setdefault(digest, tree)
            self.last.add(digest)


def _digest(tree: dict[str, bytes | None]) -> str:
    whole = hashlib.sha256()
    for path, data in sorted(tree.items()):
        if not set(path.split("/")) & set(_ALIKE):
            whole.update(f"{path}\0{data is None}".encode() + hashlib.sha256(data or b"").digest())
    return whole.hexdigest()


@contextmanager
def _watched(path: Path) -> Iterator[_Moments]:
    disk = Disk(path)
    moments = _Moments(disk)

    def synced(handle: int) -> None:
        moments.note()
        disk.sync(handle)

    try:
        with mock.patch.object(os, "fsync", synced), listening(path, moments.note):
            yield moments
    finally:
        disk.close()


def cut_power(operation: str, start: Path, room: Path, stride: int = 1, first: int = 1) -> Cuts:
    """Do an operation, and again at once, so that what the first left unsure may still be lost in the second. Of every
    ``stride``-th different disk that a power cut could leave, from the ``first`` on: readers find a state of an undisturbed
    run, done again it comes to the same end, and the doctor finds nothing. What was done is never lost afterwards.
    """
    clean = Path(shutil.copytree(start, room / "clean"))
    passed, end = states_passed(operation, clean, ("inbox",)), end_of(clean)
    path = Path(shutil.copytree(start, room / "farm"))
    done: set[str] = set()
    with _watched(path) as moments:
        for _ in range(2):
            run(operation, path)
            moments.note()
            done |= moments.last
    tried, bad = 0, []
    for number, (digest, tree) in enumerate(moments.disks.items(), 1):
        if (number - first) % stride and digest not in done:
            continue
        tried += 1
        left = _laid_out(tree, room / "left")
        wrong = wrong_after(operation, left, passed, end)
        if digest in done and seen(left, ("inbox", ".recheck")) != passed[-1]:
            wrong.append("done, and lost afterwards")
        bad += [f"{operation}, disk {number} of {len(moments.disks)}: {words}" for words in wrong]
        shutil.rmtree(left)
    return Cuts(operation, moments.count, len(moments.disks), tried, tuple(bad))


def _laid_out(tree: dict[str, bytes | None], folder: Path) -> Path:
    folder.mkdir()
    for name, data in tree.items():
        if data is None:
            (folder / name).mkdir()
        else:
            (folder / name).write_bytes(data)
    return folder
