"""A copy of the farm's ``records/`` on an object store, brought up to date: the farm's folder is written, the copy is read.

One object is one file and is replaced whole; between objects a reader finds a mixture of two states. So that it never sees
a run without its parts, runs are sent last. Nothing is removed before all is sent, and runs first: rows that a rebuild
filed elsewhere stand in both files for a while, which :mod:`farmwatch.store.remote` knows, rather than in none.

The list of what was put there (``mirror.json``) is written twice: before anything changes, with nothing said of the files
that are about to, so that a mirror cut off anywhere leaves no file that is not listed and none that is taken for sent; and
when all is done. Files are told apart by what is in them, for a rebuild writes every file anew and changes hardly any.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import pyarrow as pa
from pyarrow import fs

from farmwatch.records import TABLES
from farmwatch.store.farm import Farm
from farmwatch.store.files import StoreError, one_line, remove_file, replace_file
from farmwatch.store.remote import LIST, UNREADABLE, folder_at, listed_at, trouble_at, without_login
from farmwatch.store.tables import FILE

# nothing else that a list may name is ever removed
_NAME = re.compile(rf"({'|'.join(TABLES)})(/filed=[^/]+)?/{re.escape(FILE)}")
_DRAFT = ".mirror-draft"
_WHOLE_AT_CLOSE = ("s3", "gcs")  # here an object appears when it is closed; elsewhere it grows, so it does so beside
_LIST_EVERY_BYTES = 64 * 2**20  # after so much a list is written, from which a mirror cut off is taken up


@dataclass(frozen=True)
class Mirrored:
    """How many files were sent, stood there already as they are, and were removed."""

    sent: int
    unchanged: int
    removed: int


def mirror(farm: Farm, uri: str, progress: Callable[[int, int, str], None] | None = None) -> Mirrored:
    """Bring the folder at ``uri`` to what ``records/`` holds; nobody else writes to the farm meanwhile.

    ``progress`` is told bytes done, bytes in all, and the file. Raises :class:`StoreError` where something cannot be read or
    written, or the folder holds other things and no list; what was sent by then is whole, and the next mirror goes on.
    """
    try:
        folder = folder_at(uri)
        with farm.writer():
            return _Mirror(farm, folder, uri).bring(progress or (lambda done, total, name: None))
    except UNREADABLE as error:
        raise trouble_at(uri, "written", error) from None


class _Mirror:
    """One pass: ``own`` tells what stands here, ``told`` what the list there says, by file, in the order of sending."""

    def __init__(self, farm: Farm, folder: fs.SubTreeFileSystem, uri: str) -> None:
        self.farm, self.folder = farm, folder
        self.paths = {
            path.relative_to(farm.records_path).as_posix(): path
            for table in sorted(TABLES, key=lambda table: table == "runs")
            for path in farm.folder(table).files().values()
        }
        self.own = {name: _identity(path) for name, path in self.paths.items()}
        listed = listed_at(folder)
        if listed is None:
            self._refuse_strangers(uri)
        self.told = {name: identity for name, identity in (listed or {}).items() if _NAME.fullmatch(name)}
        lost = {_table(name) for name in self.told} - {_table(name) for name in self.own}
        if lost:  # no table is ever without a file, and what is there may be the last copy
            path = farm.records_path / min(lost)
            raise StoreError(f"{path}: no file there any more; farmwatch rebuild makes it anew")

    def _refuse_strangers(self, uri: str) -> None:
        found = self.folder.get_file_info(fs.FileSelector("", allow_not_found=True))
        others = sorted(each.base_name for each in found if each.base_name != _DRAFT)
        if others:
            text = f"{uri}: holds other things ({others[0]}) and no {LIST}; a mirror needs a folder of its own"
            raise StoreError(without_login(text))

    def bring(self, progress: Callable[[int, int, str], None]) -> Mirrored:
        found = self.folder.get_file_info(fs.FileSelector("", allow_not_found=True, recursive=True))
        there = {each.path: each.size for each in found if each.type == fs.FileType.File}
        send = [
            name
            for name, identity in self.own.items()
            if self.told.get(name) != identity or there.get(name) != identity["size"]
        ]
        gone = sorted(self.told.keys() - self.own.keys(), key=lambda name: (_table(name) != "runs", name))
        if send or gone:
            self.told.update(dict.fromkeys([*send, *gone]))
            self._list()
            self._send(send, progress)
            for name in gone:
                if name in there:
                    self.folder.delete_file(name)
                del self.told[name]
            self._list()
        return Mirrored(len(send), len(self.own) - len(send), len(set(gone) & there.keys()))

    def _send(self, names: list[str], progress: Callable[[int, int, str], None]) -> None:
        total, done, listed = sum(self.own[name]["size"] for name in names), 0, 0
        for name in names:
            progress(done, total, name)
            self._put(self.paths[name], name)
            self.told[name] = self.own[name]
            done += self.own[name]["size"]
            if done - listed >= _LIST_EVERY_BYTES:
                self._list()
                listed = done
        progress(total, total, "")

    def _list(self) -> None:
        document = {"written_by": "farmwatch mirror", "files": self.told}
        text = json.dumps(document, indent=1, sort_keys=True).encode()
        path = self.farm.drafts / LIST
        replace_file(path, self.farm.drafts, lambda stream: stream.write(text))
        try:
            self._put(path, LIST)
        finally:
            remove_file(path)

    def _put(self, path: Path, name: str) -> None:
        whole = self.folder.base_fs.type_name in _WHOLE_AT_CLOSE
        if not whole:
            self.folder.create_dir(str(PurePosixPath(name).parent), recursive=True)
        with ThreadPoolExecutor(1) as beside:
            # a stream that is left half-way is closed, and half an object published: no Ctrl-C reaches another thread
            beside.submit(self._write, pa.memory_map(str(path)).read_buffer(), name if whole else _DRAFT).result()
        if not whole:
            self.folder.move(_DRAFT, name)

    def _write(self, content: pa.Buffer, name: str) -> None:
        with self.folder.open_output_stream(name) as stream:
            stream.write(content)


def _table(name: str) -> str:
    return name.partition("/")[0]


def _identity(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as stream:
            return {"size": path.stat().st_size, "sha256": hashlib.file_digest(stream, "sha256").hexdigest()}
    except OSError as error:
        raise StoreError(f"{path}: cannot be read: {one_line(error)}") from None
