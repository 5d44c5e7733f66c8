"""Which files a collect takes."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from farmwatch.collect.raw import Unreadable
from farmwatch.collect.rows import table_of
from farmwatch.collect.sheet_archive import MAP_NAME, SUFFIX, bundle
from farmwatch.collect.sheet_map import read_map
from farmwatch.records import TABLES
from farmwatch.store import Farm


@dataclass(frozen=True)
class Source:
    """A file to take. ``shown``: its name in summaries; ``moves``: whether it leaves the inbox once taken."""

    path: Path
    shown: str
    moves: bool

    @property
    def name(self) -> str:
        """The file's own name, in characters that can be printed and stored."""
        return os.fsencode(self.path.name).decode("utf-8", "backslashreplace")

    @property
    def table(self) -> str | None:
        return table_of(self.name)

    @property
    def why_no_table(self) -> str:
        """Why no table takes it: a path that does not exist has no name to complain of."""
        return (
            f"no table of that name; there are {', '.join(TABLES)}"
            if os.path.lexists(self.path)
            else os.strerror(errno.ENOENT)
        )

    def read(self, max_bytes: int) -> tuple[bytes, os.stat_result]:
        """Content, and the file's state as it was read. Raises :class:`Unreadable`."""
        if self.table is None:
            raise Unreadable(self.why_no_table)
        try:
            if self.moves and self.path.is_symlink():
                raise Unreadable("a link, not a file")
            if not stat.S_ISREG(self.path.stat().st_mode):
                raise Unreadable("not a file")
            with self.path.open("rb") as stream:
                state = os.fstat(stream.fileno())
                if state.st_size > max_bytes:
                    raise Unreadable(f"{state.st_size} bytes, more than the {max_bytes} that a file may have")
                data = stream.read(max_bytes + 1)
        except OSError as error:
            raise Unreadable(error.strerror or str(error)) from None
        if len(data) > max_bytes:
            raise Unreadable(f"more than the {max_bytes} bytes that a file may have")
        return data, state

    def leave(self, state: os.stat_result) -> None:
        """Take the file out of the inbox, unless it changed since it was read: then it is a new delivery."""
        if not self.moves:
            return
        try:
            now = self.path.stat()
            if (now.st_size, now.st_mtime_ns, now.st_ino) == (state.st_size, state.st_mtime_ns, state.st_ino):
                self.path.unlink()
        except OSError:
            return  # it stays and is taken again, which changes nothing


@dataclass(frozen=True)
class SheetSource(Source):
    """One table out of a spreadsheet that is taken with a map."""

    of_table: str = ""
    map_data: bytes = b""

    @property
    def name(self) -> str:
        own = os.fsencode(self.path.name).decode("utf-8", "backslashreplace")
        return f"{self.of_table}.{own}{SUFFIX}"

    def read(self, max_bytes: int) -> tuple[bytes, os.stat_result]:
        data, state = super().read(max_bytes)
        return bundle(self.shown, data, self.map_data), state


def sheet_sources(sources: Sequence[Source], map_data: bytes, order: Sequence[str]) -> list[Source]:
    """Each file once for each table of the map; it leaves the inbox with the last."""
    tables = [table for table in order if table in read_map(map_data, MAP_NAME).tables]
    return [
        SheetSource(source.path, source.shown, source.moves and table == tables[-1], table, map_data)
        for source in sources
        for table in tables
    ]


def find_sources(farm: Farm, paths: Sequence[Path] | None) -> list[Source]:
    """The files of the inbox, or those named and those in the folders named, in the order of their names."""
    inbox = farm.inbox.resolve()
    found: dict[Path, Source] = {}
    for given in [farm.inbox] if paths is None else map(Path, paths):
        inside = sorted(_files_in(given)) if given.is_dir() else [given]
        for path in inside:
            whole = Path(os.path.abspath(path))  # noqa: PTH100 - a link in the inbox must stay one
            moves = inbox in whole.parent.resolve().parents or inbox == whole.parent.resolve()
            shown = str(path.relative_to(given)) if given.is_dir() else path.name
            shown = os.fsencode(shown).decode("utf-8", "backslashreplace")
            found.setdefault(whole, Source(whole, shown, moves))
    return sorted(found.values(), key=lambda source: (source.name, str(source.path)))


def _files_in(folder: Path) -> list[Path]:
    """Every file under ``folder`` that is not hidden."""
    return [
        path
        for path in folder.rglob("*")
        if not path.is_dir() and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    ]
