"""Records that lie elsewhere, read and never written: a copy of a farm's ``records/`` on an object store or a network drive.

A copy keeps the folder as it is: one object for each file, replaced whole, so that a reader finds the old one or the new.
Between one object and the next a copy that is being brought up to date is a mixture. Runs are therefore read first and
sent last (:mod:`farmwatch.store.mirror`): a run that is seen has its parts. Where the list of the mirror says that it is,
or was, under way, a row that a rebuild filed elsewhere may stand in both its files, and is taken once.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

import pandas as pd
import pyarrow as pa
import pyarrow.dataset as ds
from pyarrow import fs

from farmwatch.records import TABLES, Records, conform
from farmwatch.store.files import StoreError, one_line
from farmwatch.store.tables import CHECKED, FILE, RESERVED, declared_schema, fit, widen

LIST = "mirror.json"  # what farmwatch mirror put there, beside the tables
Read = TypeVar("Read")
_TRIES = 9  # a mirror sends the files of a table one after the other, and each may meet a reader
UNREADABLE = (pa.ArrowException, OSError, ValueError)  # what the stores raise


def records_at(uri: str, timezone: str) -> Records:
    """The tables in the folder at ``uri`` (``s3://bucket/records``, ``gs://...``, ``file:///...``), as frames.

    Who may read is told as the store's own tools are told: by the environment. Tables without a file are empty. Raises
    :class:`StoreError` where there is no table at all, or something cannot be read.
    """
    try:
        folder = folder_at(uri)
        if not any(_files(folder, table) for table in TABLES):
            raise StoreError(without_login(f"{uri}: no table of records there"))
        before = _list(folder)
        tables = sorted(TABLES, key=lambda table: table != "runs")
        frames = {table: _settled(partial(_files, folder, table), partial(_frame, folder, table)) for table in tables}
        if before is not None and (None in before.values() or _list(folder) != before):
            for table, frame in frames.items():
                frames[table] = frame.drop_duplicates(list(TABLES[table].key), ignore_index=True)
        return Records(**frames, timezone=timezone)
    except UNREADABLE as error:
        raise trouble_at(uri, "read", error) from None


def folder_at(uri: str) -> fs.SubTreeFileSystem:
    """The folder at ``uri``, with paths inside it. Raises what is in UNREADABLE."""
    system, folder = fs.FileSystem.from_uri(uri)
    return fs.SubTreeFileSystem(folder, system)


def trouble_at(uri: str, done: str, error: Exception) -> StoreError:
    """That what is at ``uri`` cannot be ``done`` (read, written), in one line; the first, where a store says many."""
    said = one_line(
        error if isinstance(error, OSError) and error.strerror else ValueError(str(error).partition("\n")[0])
    )
    return StoreError(without_login(f"{uri}: cannot be {done} ({said})"))


def without_login(text: str) -> str:
    """``text`` as it may be shown: an address in it may carry a key and its secret."""
    return re.sub(r"(?<=//)[^\s@]*:[^\s@]*@", "", text)


def listed_at(folder: fs.SubTreeFileSystem) -> dict[str, Any] | None:
    """What the list of a mirror says of each file, None for one on its way; None where there is no list."""
    if folder.get_file_info(LIST).type != fs.FileType.File:
        return None
    with folder.open_input_stream(LIST) as stream:
        document = json.loads(stream.readall())
    if not isinstance(document, dict) or not isinstance(document.get("files"), dict):
        raise ValueError(f"{LIST} there is not a list of farmwatch mirror")
    return document["files"]


def _list(folder: fs.SubTreeFileSystem) -> dict[str, Any] | None:
    return _settled(lambda: [folder.get_file_info(LIST)], partial(listed_at, folder))


def _settled(files: Callable[[], list[fs.FileInfo]], read: Callable[[], Read]) -> Read:
    """What ``read`` gives; once more where it failed and ``files`` are others now: a mirror replaced what was being read."""
    for _ in range(_TRIES):
        before = [(each.path, each.size, each.mtime_ns) for each in files()]
        try:
            return read()
        except UNREADABLE:
            if [(each.path, each.size, each.mtime_ns) for each in files()] == before:
                raise
    return read()


def _files(folder: fs.SubTreeFileSystem, table: str) -> list[fs.FileInfo]:
    """Every file of one table, in the order in which the farm itself reads them."""
    found = folder.get_file_info(fs.FileSelector(table, allow_not_found=True, recursive=True))
    files = [each for each in found if each.type == fs.FileType.File and each.base_name == FILE]
    return sorted(files, key=lambda each: each.path)


def _frame(folder: fs.SubTreeFileSystem, table: str) -> pd.DataFrame:
    paths = [each.path for each in _files(folder, table)]
    schema = declared_schema(table)
    if not paths:
        return conform(fit(pa.table({}), schema).to_pandas(), table)
    own = ds.dataset(paths[:1], filesystem=folder, format=CHECKED).schema.names
    schema = widen(schema, [name for name in own if name not in RESERVED])
    return conform(ds.dataset(paths, schema=schema, filesystem=folder, format=CHECKED).to_table().to_pandas(), table)
