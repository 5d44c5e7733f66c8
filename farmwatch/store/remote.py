"""Records that lie elsewhere, read and never written: a copy of a farm's ``records/`` on an object store or a network drive.

A copy keeps the folder as it is: one object for each file, replaced whole, so that a reader finds the old one or the new.
"""

from __future__ import annotations

from collections.abc import Iterator

import pyarrow as pa
import pyarrow.dataset as ds
from pyarrow import fs

from farmwatch.records import TABLES, Records, conform
from farmwatch.store.files import StoreError, one_line
from farmwatch.store.tables import CHECKED, FILE, RESERVED, declared_schema, fit, widen


def records_at(uri: str, timezone: str) -> Records:
    """The tables in the folder at ``uri`` (``s3://bucket/records``, ``gs://...``, ``file:///...``), as frames.

    Who may read is told as the store's own tools are told: by the environment. Tables without a file are empty. Raises
    :class:`StoreError` where there is no table at all, or something cannot be read.
    """
    try:
        system, folder = fs.FileSystem.from_uri(uri)
        tables = {table: list(_files(system, f"{folder.rstrip('/')}/{table}")) for table in TABLES}
        if not any(tables.values()):
            raise StoreError(f"{uri}: no table of records there")
        return Records(
            **{table: conform(_read(system, table, files).to_pandas(), table) for table, files in tables.items()},
            timezone=timezone,
        )
    except (pa.ArrowException, OSError, ValueError) as error:
        raise StoreError(f"{uri}: cannot be read ({one_line(error)})") from None


def _files(system: fs.FileSystem, folder: str) -> Iterator[str]:
    """Every file of one table, in the order in which the farm itself reads them."""
    found = system.get_file_info(fs.FileSelector(folder, allow_not_found=True, recursive=True))
    yield from sorted(each.path for each in found if each.type == fs.FileType.File and each.base_name == FILE)


def _read(system: fs.FileSystem, table: str, files: list[str]) -> pa.Table:
    declared = declared_schema(table)
    if not files:
        return fit(pa.table({}), declared)
    own = ds.dataset(files[:1], filesystem=system, format=CHECKED).schema.names
    schema = widen(declared, [name for name in own if name not in RESERVED])
    return ds.dataset(files, schema=schema, filesystem=system, format=CHECKED).to_table()
