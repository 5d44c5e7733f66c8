"""Is the farm's folder sound? What is not is named, with what to do about it. Nothing is changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from farmwatch.records import TABLES
from farmwatch.store.farm import Farm
from farmwatch.store.files import StoreError, one_line
from farmwatch.store.findings import SCHEMAS, nights
from farmwatch.store.jobs import LEDGER_FILE, load_jobs
from farmwatch.store.merge import key_codes
from farmwatch.store.tables import FILE, RESERVED, TableFolder, declared_schema, widen

REBUILD = "farmwatch rebuild makes the records anew from the kept deliveries"
_DELETE = "no command made it, and plain readers would read it: move it out of the farm's folder"


@dataclass(frozen=True)
class Trouble:
    """``where`` it is, ``what`` is wrong with it, what to ``do``."""

    where: str
    what: str
    do: str


def examine_tables(farm: Farm) -> list[Trouble]:
    """The tables of the records, each file read whole. Call under the writer's lock."""
    return [trouble for table in TABLES for trouble in _table(farm.folder(table))]


def examine_rest(farm: Farm) -> list[Trouble]:
    """Stray files, the findings of every night, the ledger of jobs. Call under the writer's lock."""
    return [*_stray(farm), *_findings(farm), *_jobs(farm)]


def _table(folder: TableFolder) -> Iterator[Trouble]:
    """Every file of one table: readable, of the declared types, its statistics true; every key there, and once."""
    files = folder.files()
    if not files:
        yield Trouble(str(folder.path), "the table has no file", REBUILD)
        return
    expected, keys, whole = None, [], True
    for path in files.values():
        rows, troubles = _file(path)
        yield from troubles
        if rows is None:
            whole = False
            continue
        if expected is None:
            own = [name for name in rows.column_names if name not in RESERVED]
            expected = widen(declared_schema(folder.name), own)
        if not rows.schema.equals(expected):
            whole = False
            yield Trouble(str(path), f"its columns are not those of {folder.name}", REBUILD)
        else:
            keys.append(rows.select(folder.key))
    if whole and keys:
        yield from _keys(folder, pa.concat_tables(keys))


def _file(path: Path) -> tuple[pa.Table | None, list[Trouble]]:
    """The rows of one file, and what is wrong with it. Pages are held against their checksums."""
    try:
        with pq.ParquetFile(path, page_checksum_verification=True) as file:
            rows = file.read()
            lies = _false_statistics(file)
    except (pa.ArrowException, OSError, ValueError) as error:
        return None, [Trouble(str(path), f"cannot be read ({one_line(error)})", REBUILD)]
    if lies:
        return rows, [Trouble(str(path), f"its statistics of {', '.join(lies)} are not those of its rows", REBUILD)]
    return rows, []


def _false_statistics(file: pq.ParquetFile) -> list[str]:
    """Columns whose smallest, largest or number of missing values is not what the file says: readers that filter
    would pass over rows. The footer that holds them has no checksum.
    """
    wrong = set()
    meta = file.metadata
    for group in range(meta.num_row_groups):
        rows = file.read_row_group(group)
        if len(rows) != meta.row_group(group).num_rows:
            wrong.add("the number of rows")
        for place, name in enumerate(rows.column_names):
            chunk = meta.row_group(group).column(place)
            # asked for statistics of a type that is not the column's, the library would end the whole process
            if chunk.physical_type != meta.schema.column(place).physical_type or not _true(
                chunk.statistics, rows[name]
            ):
                wrong.add(name)
    return sorted(wrong)


def _true(told: Any, column: pa.ChunkedArray) -> bool:
    """Whether the statistics ``told``, if any, are of ``column``: no value outside, as many missing."""
    if told is None:
        return True
    if told.has_null_count and told.null_count != column.null_count:
        return False
    if not told.has_min_max or column.null_count == len(column):
        return True
    try:
        bounds = pa.array([told.min, told.max], from_pandas=True).cast(column.type)
    except (pa.ArrowException, ValueError, OverflowError, TypeError):  # not even values of the column's type
        return False
    good = pc.and_(pc.greater_equal(column, bounds[0]), pc.less_equal(column, bounds[1]))
    return bool(pc.all(good, skip_nulls=True).as_py() is not False)


def _keys(folder: TableFolder, keys: pa.Table) -> Iterator[Trouble]:
    for name in folder.key:
        if keys[name].null_count:
            yield Trouble(str(folder.path), f"{keys[name].null_count} rows have no {name}", REBUILD)
            return
    twice = len(keys) - len(np.unique(key_codes(keys.combine_chunks(), folder.key)))
    if twice:
        yield Trouble(str(folder.path), f"{twice} rows have the key of another row ({', '.join(folder.key)})", REBUILD)


def _stray(farm: Farm) -> Iterator[Trouble]:
    """What lies in the records and is not theirs, and what killed processes left that nothing clears away."""
    known = {path for table in TABLES for path in farm.folder(table).files().values()}
    if farm.records_path.is_dir():
        for path in sorted(farm.records_path.rglob("*")):
            drafts = farm.drafts in path.parents
            if path.is_file() and path not in known and not drafts and not path.name.startswith("."):
                yield Trouble(str(path), f"a stray file; a table holds nothing but {FILE}", _DELETE)
    unfinished = list(farm.drafts.iterdir()) if farm.drafts.is_dir() else []
    if unfinished:
        yield Trouble(str(farm.drafts), f"{len(unfinished)} unfinished files of a killed process", "delete them")
    side = farm.path / ".rebuild"
    if side.exists():
        yield Trouble(str(side), "left by a rebuild that was killed", "farmwatch rebuild does it again, or delete it")


def _findings(farm: Farm) -> Iterator[Trouble]:
    """Every filed night: its three files readable and of their types, none later than now and all that is recorded."""
    latest = _latest_day(farm)
    for night in nights(farm):
        again = f"farmwatch nightly --as-of {night} files that night again"
        for kind, schema in SCHEMAS.items():
            path = farm.findings_path / kind / f"night={night.isoformat()}.parquet"
            try:
                with pq.ParquetFile(path) as file:
                    rows = file.read()
            except (pa.ArrowException, OSError, ValueError) as error:
                yield Trouble(str(path), f"cannot be read ({one_line(error)})", again)
                continue
            if not rows.schema.equals(schema):
                yield Trouble(str(path), "its columns are not those of this version", again)
        if latest is not None and night > latest:
            path = farm.findings_path / "ledger" / f"night={night.isoformat()}.parquet"
            yield Trouble(
                str(path),
                "a night that is yet to come, and every list of findings starts from the last one",
                "if the clock was wrong, delete the files of that night in findings/",
            )


def _latest_day(farm: Farm) -> dt.date | None:
    """A week from now, or from the last run: an invented farm may lie in the future. None where it cannot be said."""
    try:
        last = pc.max(farm.read_arrow("runs", ["started_at"])["started_at"]).as_py()
    except StoreError:  # named already
        return None
    day = dt.datetime.now(dt.UTC).date()
    return max(day, last.date() if last is not None else day) + dt.timedelta(days=7)


def _jobs(farm: Farm) -> Iterator[Trouble]:
    where = str(farm.path / LEDGER_FILE)
    try:
        _, bad = load_jobs(farm)
    except StoreError as error:
        yield Trouble(where, str(error), "move it away: the newest night and week then run again")
        return
    if bad:
        lines = ", ".join(map(str, bad[:8]))
        yield Trouble(where, f"lines that nobody can read: {lines}", "the next farmwatch due leaves them out")
