"""Delivered rows to rows of the records: those that can be understood, and why the others cannot."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from farmwatch.collect.columns import read_column, read_own, truth
from farmwatch.collect.csv_files import read_csv
from farmwatch.collect.json_files import read_jsonl
from farmwatch.collect.parquet_files import read_parquet
from farmwatch.collect.plates import Plates
from farmwatch.collect.raw import RawRows, Unreadable, check_rows
from farmwatch.collect.rules import ROW_RULES, WORDS, Fault, reason_of, too_low
from farmwatch.collect.sheets import read_mapped
from farmwatch.records import TABLES, Table
from farmwatch.store.merge import key_codes, recorded, same_rows
from farmwatch.store.tables import RESERVED

UNFOLDED_BYTES = 4 << 30  # for whoever sets no limit
FORMATS = {".csv": "csv", ".jsonl": "jsonl", ".ndjson": "jsonl", ".parquet": "parquet", ".zip": "mapped"}


@dataclass(frozen=True)
class Understood:
    """One file's rows. ``rows``: typed, in the order of the file; ``lines``: shape (rows,); ``total``: rows it held."""

    rows: pa.Table
    lines: np.ndarray
    faults: list[Fault]
    total: int
    unknown_codes: dict[str, Counter[str]] = field(default_factory=dict)


def table_of(name: str) -> str | None:
    """The table that a file's name tells: what stands before its first dot or dash."""
    stem = name.replace("-", ".").split(".", 1)[0].strip().lower()
    return stem if stem in TABLES else None


def understand(
    data: bytes,
    name: str,
    table: str,
    zone: str,
    plates: Plates,
    max_rows: int,
    max_unfolded: int = UNFOLDED_BYTES,
) -> Understood:
    """The rows of the file called ``name`` with content ``data``. Raises :class:`Unreadable`."""
    raw = _read(data, name, table, max_rows, max_unfolded)
    check_rows(len(raw.lines) + len(raw.broken), max_rows)
    faulty = _Faults(len(raw.lines))
    rows = _typed(raw, TABLES[table], raw.zone or zone, faulty)
    for rule in ROW_RULES.get(table, ()):
        faulty.note(truth(rule.broken(rows)), rule.column, rule.reason, rule.words)
    faulty.note(_undecided(rows, faulty.free(), TABLES[table].key), TABLES[table].key[0], "duplicate_key")
    # last, as it alone depends on what else is known
    for column, off in plates.off_plate(table, rows).items():
        faulty.note(off, column, "off_plate", WORDS["off_plate"])
    free = faulty.free()
    good = rows if free.all() else rows.filter(pa.array(free))
    return Understood(
        good,
        raw.lines[free],
        raw.broken + faulty.listed(raw, rows, TABLES[table].key),
        len(raw.lines) + len(raw.broken),
        _unknown_codes(good, TABLES[table]),
    )


def _read(data: bytes, name: str, table: str, max_rows: int, max_unfolded: int) -> RawRows:
    kind = FORMATS.get(PurePath(name).suffix.lower())
    if kind == "csv":
        return read_csv(data, table, max_rows)
    if kind == "jsonl":
        return read_jsonl(data, table, max_rows)
    if kind == "parquet":
        return read_parquet(data, table, max_rows, max_unfolded)
    if kind == "mapped":
        return read_mapped(data, table, max_rows, max_unfolded)
    raise Unreadable("none of the formats .csv, .jsonl, .parquet")


class _Faults:
    """The first fault of each row."""

    def __init__(self, rows: int) -> None:
        self._which = np.full(rows, -1, dtype=np.int32)
        self._kinds: list[tuple[str, str, str]] = []

    def note(self, where: np.ndarray, column: str, reason: str, words: str = "") -> None:
        where = where & (self._which < 0)
        if where.any():
            self._which[where] = len(self._kinds)
            self._kinds.append((column, reason, words or WORDS[reason]))

    def free(self) -> np.ndarray:
        """Which rows have no fault, shape (rows,)."""
        return self._which < 0

    def listed(self, raw: RawRows, rows: pa.Table, key: tuple[str, ...]) -> list[Fault]:
        places = np.flatnonzero(~self.free())
        if not len(places):
            return []
        as_delivered = (raw.columns if raw.delivered is None else raw.delivered).take(pa.array(places)).to_pylist()
        keys = rows.select(key).take(pa.array(places)).to_pylist()
        faults = []
        for place, row, its_key in zip(places, as_delivered, keys, strict=True):
            column, reason, words = self._kinds[self._which[place]]
            column = raw.names.get(column, column)
            faults.append(Fault(int(raw.lines[place]), column, reason, words, row, tuple(its_key.values())))
        return faults


def _typed(raw: RawRows, table: Table, zone: str, faulty: _Faults) -> pa.Table:
    columns: dict[str, pa.Array] = {}
    second_end: np.ndarray | None = None
    for column in table.columns:
        if column.name not in raw.columns.column_names:
            delivered: pa.ChunkedArray = pa.chunked_array([pa.nulls(len(raw.lines), pa.string())])
        else:
            delivered = raw.columns[column.name]
        typed = read_column(delivered, column, zone)
        mapped = column.kind == "time" and raw.delivered is not None
        faulty.note(typed.bad, column.name, reason_of(column), WORDS["mapped_time" if mapped else column.kind])
        low = too_low(column.name, typed.values)
        if low is not None:
            faulty.note(truth(low), column.name, "bad_number", WORDS["low"])
        if column.required:
            faulty.note(typed.values.is_null().to_numpy(zero_copy_only=False), column.name, "missing_value")
        columns[column.name] = typed.values
        if column.name == "ended_at":
            second_end = typed.second
    if second_end is not None:
        columns["ended_at"] = _end_after_start(columns["started_at"], columns["ended_at"], second_end)
    for name in raw.columns.column_names:
        if name not in table.names:
            columns[name + "_" if name in RESERVED else name] = read_own(raw.columns[name])
    return pa.table(columns)


def _end_after_start(starts: pa.Array, ends: pa.Array, second: np.ndarray) -> pa.Array:
    """Ends in an hour that came twice: those that would precede their start are of the second pass."""
    plain = pa.timestamp("us")
    start = starts.cast(plain).to_numpy(zero_copy_only=False)
    end = ends.cast(plain).to_numpy(zero_copy_only=False)
    return pa.array(np.where((end < start) & (second >= start), second, end)).cast(ends.type)


def _undecided(rows: pa.Table, free: np.ndarray, key: tuple[str, ...]) -> np.ndarray:
    """Rows that share their key with others of the file, where content differs and ``recorded_at`` cannot order them."""
    undecided = np.zeros(len(rows), dtype=bool)
    places = np.flatnonzero(free)
    codes = key_codes(rows.select(key).take(pa.array(places)) if len(places) < len(rows) else rows.select(key), key)
    several = np.bincount(codes)[codes] > 1 if len(codes) else np.zeros(0, dtype=bool)
    if not several.any():
        return undecided
    places, codes = places[several], codes[several]
    there = rows.take(pa.array(places))
    frame = pd.DataFrame({"code": codes, "time": recorded(there), "place": np.arange(len(places))})
    newest = frame.groupby("code")["time"].transform("max")
    dated = frame.groupby("code")["time"].transform("count") == frame.groupby("code")["time"].transform("size")
    # where all have a time only the newest must agree; else all must
    asked = frame[~dated | (frame["time"] == newest)]
    first = asked.groupby("code")["place"].transform("first")
    agree = same_rows(there, first.to_numpy(), asked["place"].to_numpy())
    undecided[places[np.isin(codes, asked["code"].to_numpy()[~agree])]] = True
    return undecided


def _unknown_codes(rows: pa.Table, table: Table) -> dict[str, Counter[str]]:
    found: dict[str, Counter[str]] = {}
    for column in table.columns:
        if column.choices and not column.strict:
            counts: dict[Any, int] = {
                pair["values"]: pair["counts"] for pair in rows[column.name].value_counts().to_pylist()
            }
            unknown = {code: n for code, n in counts.items() if code is not None and code not in column.choices}
            if unknown:
                found[column.name] = Counter(unknown)
    return found
