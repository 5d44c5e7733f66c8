"""The tables as Parquet: declared types, one file a drawer, replaced whole.

A table is a folder under ``records/``. Runs and parts are filed in one drawer a month, layers in one a day
(``filed=2031-04/rows.parquet``), the small tables in a single file. A row stays in the drawer in which it was first
filed, so that a later correction of its time never moves it between files: every replacement is one file, and no crash
can leave a row twice or not at all. Every file of a table carries the same columns, so that a plain read of the folder
by any program sees all of them. A table without rows is a file without rows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq

from farmwatch.records import TABLES
from farmwatch.store.files import StoreError, make_folder, one_line, replace_file

FILE = "rows.parquet"
UNKNOWN = "unknown"
GROUP_ROWS = 131_072  # rows that are packed together in a file
RESERVED = ("filed",)
_UNITS = {"runs": "M", "parts": "M", "layers": "D"}
_SORTED_BY = {"runs": ("printer_id", "started_at", "run_id"), "coupons": ("printer_id", "measured_at", "coupon_id")}
_TYPES = {
    "id": pa.string(),
    "text": pa.string(),
    "code": pa.string(),
    "number": pa.float64(),
    "count": pa.int64(),
    "time": pa.timestamp("us", tz="UTC"),
}

# pages carry checksums: a flipped bit is an error, not another number
CHECKED = ds.ParquetFileFormat(
    default_fragment_scan_options=ds.ParquetFragmentScanOptions(page_checksum_verification=True)
)


def declared_schema(table: str) -> pa.Schema:
    """The Arrow schema of the declared columns of ``table``."""
    return pa.schema([pa.field(column.name, _TYPES[column.kind]) for column in TABLES[table].columns])


def widen(schema: pa.Schema, names: Sequence[str]) -> pa.Schema:
    """``schema`` with a text column for every name that it lacks."""
    return pa.schema([*schema, *(pa.field(name, pa.string()) for name in names if name not in schema.names)])


def fit(rows: pa.Table, schema: pa.Schema) -> pa.Table:
    """``rows`` with exactly the columns of ``schema``, those that it lacks filled with null. Casts are safe ones."""
    return pa.table(
        [
            rows[field.name].cast(field.type) if field.name in rows.column_names else pa.nulls(len(rows), field.type)
            for field in schema
        ],
        schema=schema,
    )


class TableFolder:
    """One table in one ``records/`` folder."""

    def __init__(self, records: Path, table: str) -> None:
        self.name = table
        self.path = records / table
        self.beside = records / ".drafts"
        self.key = TABLES[table].key
        self.unit = _UNITS.get(table)

    def file_of(self, drawer: str) -> Path:
        """The file of one drawer; tables without drawers have the one drawer ``""``."""
        return self.path / f"filed={drawer}" / FILE if self.unit else self.path / FILE

    def files(self) -> dict[str, Path]:
        """Every file by its drawer, in the order in which a plain read of the folder meets them."""
        if not self.unit:
            return {"": self.path / FILE} if (self.path / FILE).exists() else {}
        found = sorted(self.path.glob(f"filed=*/{FILE}"))
        return {path.parent.name.removeprefix("filed="): path for path in found}

    def schema(self) -> pa.Schema:
        """The columns of the table: declared ones, then the farm's own."""
        files = self.files()
        own = _schema_of(next(iter(files.values()))).names if files else []
        return widen(declared_schema(self.name), [name for name in own if name not in RESERVED])

    def read(
        self,
        columns: Sequence[str] | None = None,
        where: pc.Expression | None = None,
        drawers: Sequence[str] | None = None,
    ) -> pa.Table:
        """Rows as an Arrow table, drawer by drawer. Raises :class:`StoreError` naming the file that cannot be read."""
        files = self.files()
        try:
            return self._read(files, columns, where, drawers)
        except StoreError:
            now = self.files()
            if now == files:
                raise
            return self._read(now, columns, where, drawers)  # rebuilt records took their place meanwhile

    def rows(self) -> int:
        """How many rows there are. Raises :class:`StoreError`."""
        return sum(_read_from(pq.read_metadata, path).num_rows for path in self.files().values())

    def batches(self, columns: Sequence[str]) -> Iterator[pa.Table]:
        """What :meth:`read` gives, drawer by drawer, in pieces of at most GROUP_ROWS; an empty table is one piece."""
        for drawer in self.files() or ("",):
            rows = self.read(columns, drawers=[drawer])
            for start in range(0, max(len(rows), 1), GROUP_ROWS):
                yield rows.slice(start, GROUP_ROWS)

    def _read(
        self,
        files: dict[str, Path],
        columns: Sequence[str] | None,
        where: pc.Expression | None,
        drawers: Sequence[str] | None,
    ) -> pa.Table:
        wanted = [path for drawer, path in files.items() if drawers is None or drawer in drawers]
        schema = self.schema()
        names = [name for name in schema.names if columns is None or name in columns]
        if not wanted:
            return fit(pa.table({}), schema).select(names)
        try:
            return ds.dataset([str(path) for path in wanted], schema=schema, format=CHECKED).to_table(
                columns=names, filter=where
            )
        except (pa.ArrowException, OSError, ValueError) as error:
            broken = next((path for path in wanted if not _readable(path)), self.path)
            raise StoreError(f"{broken}: cannot be read ({one_line(error)}); farmwatch rebuild makes it anew") from None

    def write(self, drawer: str, rows: pa.Table) -> None:
        """Put ``rows`` in place of all that stands in ``drawer``."""
        rows = rows.sort_by([(name, "ascending") for name in _SORTED_BY.get(self.name, self.key)])
        rows = rows.replace_schema_metadata(None)
        replace_file(
            self.file_of(drawer),
            self.beside,
            lambda stream: pq.write_table(
                rows, stream, compression="zstd", row_group_size=GROUP_ROWS, write_page_checksum=True
            ),
        )

    def create(self) -> None:
        """Make the table without rows, unless it is there."""
        make_folder(self.path)
        if not self.files():
            self.write(UNKNOWN if self.unit else "", fit(pa.table({}), declared_schema(self.name)))

    def drawer_names(self, times: pa.ChunkedArray) -> np.ndarray:
        """The drawer of each row by its time (UTC), shape (rows,), text; rows without a time go to ``unknown``."""
        if not self.unit:
            return np.full(len(times), "", dtype=object)
        instants = times.cast(pa.timestamp("us")).to_pandas().to_numpy().astype(f"datetime64[{self.unit}]")
        codes, units = pd.factorize(instants)
        return np.append(units.astype(str).astype(object), UNKNOWN)[codes]


def _schema_of(path: Path) -> pa.Schema:
    return _read_from(pq.read_schema, path)


def _read_from(reader: Callable[[Path], Any], path: Path) -> Any:
    try:
        return reader(path)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise StoreError(f"{path}: cannot be read ({one_line(error)}); farmwatch rebuild makes it anew") from None


def _readable(path: Path) -> bool:
    try:
        pq.read_table(path, partitioning=None, page_checksum_verification=True)
    except (pa.ArrowException, OSError, ValueError):
        return False
    return True
