"""CSV as RFC 4180 has it, in UTF-8 with or without a mark, with the true line number of every row.

Plain files (a record a line, every quote in its place) are read by Arrow at full speed. All others go through Python's
reader, record by record: a record that does not come apart is set aside by its first line alone and reading goes on
with the next one, so that a stray quote never swallows the rows below it.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from farmwatch.collect.raw import (
    COLUMN_LIMIT,
    FIELD_LIMIT,
    LINE_LIMIT,
    RawRows,
    Unreadable,
    check_header,
    check_rows,
    check_text,
    text_column,
)
from farmwatch.collect.rules import Fault

_STRAY_QUOTES = 100
_CHUNK = 50_000
_MARK = b"\xef\xbb\xbf"
_LINE_END = re.compile(rb"\r\n?|\n")
# a whole field in quotes, on one line
_QUOTED = re.compile(rb'(?<![^,\n])"[^"\r\n]*+(?:""[^"\r\n]*+)*+"(?![^,\r\n])')


def read_csv(data: bytes, table: str, max_rows: int) -> RawRows:
    """Rows of one CSV file, at most ``max_rows``. Raises :class:`Unreadable`."""
    check_text(data)
    data = data.removeprefix(_MARK)
    if not data or data.isspace():
        raise Unreadable("empty: not even a header")
    if _is_plain(data):
        check_rows(data.count(b"\n", 0, -1), max_rows)  # the header is one of the lines, the last end none
        rows = _read_plain(data, table)
        if rows is not None:
            return rows
    return _read_with_care(data, table, max_rows)


def read_sheet(data: bytes, table: str, separator: str, header_line: int, max_rows: int) -> RawRows:
    """Rows of somebody's own CSV file, whatever its columns are called. Raises :class:`Unreadable`."""
    above = header_line - 1
    ends = [end.end() for end in itertools.islice(_LINE_END.finditer(data), above)]
    body = data[ends[-1] :] if ends else data
    if len(ends) < above or not body.strip():
        raise Unreadable(f"no header on line {header_line}")
    raw = _read_with_care(body, table, max_rows, separator, _own_header)
    return replace(
        raw, lines=raw.lines + above, broken=[replace(fault, line=fault.line + above) for fault in raw.broken]
    )


def _own_header(names: Sequence[str], table: str) -> list[str]:
    """Column names as they are; one without a name, or with one that is not its own, is told by its place."""
    if len(names) > COLUMN_LIMIT:
        raise Unreadable(f"{len(names)} columns, more than the {COLUMN_LIMIT} that a file may have")
    names = [name.strip() for name in names]
    return [
        name if name and names.count(name) == 1 else f"{name} (column {place})".strip()
        for place, name in enumerate(names, 1)
    ]


def _is_plain(data: bytes) -> bool:
    """Whether every line is one record and none is blank."""
    ends = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == ord("\n"))  # three times as fast as looking for two
    return (
        (b'"' not in data or b'"' not in _QUOTED.sub(b"", data))
        and bool((np.diff(ends) > 1).all())
        and data[:1] not in b"\r\n"
        and (b"\r" not in data or (data.count(b"\r") == data.count(b"\r\n") and b"\n\r\n" not in data))
    )


def _read_plain(data: bytes, table: str) -> RawRows | None:
    """The rows of a plain file; None where Arrow stumbles and care is needed."""
    try:
        head = data.find(b"\n")
        if head < 0:
            return None
        names = check_header(next(csv.reader([data[:head].decode()], strict=True)), table)
        if len(data) == head + 1:
            return None
        columns = pa_csv.read_csv(
            pa.BufferReader(pa.py_buffer(data).slice(head + 1)),
            read_options=pa_csv.ReadOptions(column_names=names),
            parse_options=pa_csv.ParseOptions(ignore_empty_lines=False),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
            ),
        )
    except (pa.ArrowException, UnicodeDecodeError, csv.Error):
        return None
    if any((pc.max(pc.binary_length(column)).as_py() or 0) > FIELD_LIMIT for column in columns.columns):
        return None
    return RawRows(columns, np.arange(2, len(columns) + 2))


class _Lines:
    """Lines fed to the reader, counted, and those of the record in hand kept so that they can be fed again."""

    def __init__(self, data: bytes) -> None:
        self._stream = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8", errors="surrogateescape", newline="")
        self._again: deque[str] = deque()
        self.number = 0
        self.record: list[str] = []

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        line = self._again.popleft() if self._again else self._stream.readline(LINE_LIMIT)
        if not line:
            raise StopIteration
        if len(line) >= LINE_LIMIT and line[-1] not in "\r\n":
            raise Unreadable(f"line {self.number + 1} is longer than {LINE_LIMIT} characters")
        self.number += 1
        self.record.append(line)
        return line

    def keep_first(self) -> str:
        """The first line of the record in hand; the others will be fed again."""
        first, *others = self.record
        self._again.extendleft(reversed(others))
        self.number -= len(others)
        return first


def _read_with_care(
    data: bytes,
    table: str,
    max_rows: int,
    separator: str = ",",
    header: Callable[[Sequence[str], str], list[str]] = check_header,
) -> RawRows:
    lines = _Lines(data)
    reader = csv.reader(lines, strict=True, delimiter=separator)
    names: list[str] | None = None
    chunks: list[pa.Table] = []
    numbers: list[np.ndarray] = []
    broken: list[Fault] = []
    rows: list[list[str]] = []
    starts: list[int] = []
    strays = held = 0

    def close_chunk() -> None:
        if rows and names is not None:
            columns, kept = _columns(rows, names, starts, table, broken)
            chunks.append(columns)
            numbers.append(np.array(starts, dtype=np.int64)[kept])
        rows.clear()
        starts.clear()

    while True:
        start = lines.number + 1
        lines.record.clear()
        row: list[str] = []
        try:
            row = next(reader)
            words = ""
        except StopIteration:
            break
        except csv.Error as error:
            words = f"does not come apart into fields: {error}"
        if names is None:
            if words:
                raise Unreadable(f"line {start}: the header {words}")
            names = header(row, table) if row else None
            continue
        if not row and not words:
            continue
        held += 1
        check_rows(held, max_rows)
        if not words and len(row) == len(names):
            rows.append(row)
            starts.append(start)
            if len(rows) >= _CHUNK:
                close_chunk()
            continue
        several = len(lines.record) > 1
        strays += several
        if strays > _STRAY_QUOTES:
            raise Unreadable(f"line {start}: too many quotes that are never closed")
        words = words or f"has {len(row)} fields where the header has {len(names)}"
        column = names[len(row)] if len(row) < len(names) and not several else ""
        text = lines.keep_first()
        broken.append(Fault(start, column, "missing_value", words, text))
    if names is None:
        raise Unreadable("empty: not even a header")
    close_chunk()
    schema = pa.schema([(name, pa.string()) for name in names])
    found = np.concatenate([np.array([], dtype=np.int64), *numbers])
    return RawRows(pa.concat_tables([schema.empty_table(), *chunks]), found, broken)


def _columns(
    rows: list[list[str]], names: list[str], starts: list[int], table: str, broken: list[Fault]
) -> tuple[pa.Table, np.ndarray]:
    """``rows`` as columns, without those that hold bytes that are not UTF-8, which join ``broken``; and which stay."""
    bad: dict[int, Fault] = {}
    columns = {
        name: text_column(name, values, table, bad, starts)
        for name, values in zip(names, zip(*rows, strict=True), strict=True)
    }
    kept = np.ones(len(rows), dtype=bool)
    for place, fault in bad.items():
        kept[place] = False
        row: dict[str, Any] = dict(zip(names, rows[place], strict=True))
        broken.append(Fault(fault.line, fault.column, fault.reason, fault.words, row))
    whole = pa.table(columns)
    return (whole.filter(pa.array(kept)) if bad else whole), kept
