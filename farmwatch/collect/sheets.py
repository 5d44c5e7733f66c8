"""Spreadsheets of somebody's own, read by a map. A row's fault names the file's own line and column."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.collect.csv_files import read_sheet
from farmwatch.collect.raw import RawRows, Unreadable, check_rows, check_text
from farmwatch.collect.rules import WORDS, Fault
from farmwatch.collect.sheet_archive import MAP_NAME, unbundled
from farmwatch.collect.sheet_map import Counts, FileSection, From, MapError, SheetMap, TableMap, read_map, whole_number
from farmwatch.records import TABLES, Column

PARTS_OF_A_PLATE = 10_000
_PLAIN_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA_NUMBER = re.compile(r"[+-]?(\d{1,3}([.\u00a0\u202f ]\d{3})+|\d+)(,\d+)?")
_NO_NUMBER = "?"  # what stands in a number's place where it is written in another way than the map says
# a part that came out well has none of these, whatever stands beside the counts
_OF_FAILED = ("sign", "failure_height_mm", "note")


def read_mapped(data: bytes, table: str, max_rows: int, max_unfolded: int) -> RawRows:
    """Rows of ``table`` out of an archive of file and map: at most ``max_rows``, of at most ``max_unfolded`` bytes where
    one line stands for many parts. Raises :class:`Unreadable`.
    """
    own, map_data = unbundled(data)
    try:
        sheet = read_map(map_data, MAP_NAME)
    except MapError as error:
        raise Unreadable(str(error)) from None
    if table not in sheet.tables:
        raise Unreadable(f"its map names no {table}")
    raw = read_sheet(_decoded(own, sheet.file), table, sheet.file.separator, sheet.file.header_line, max_rows)
    return _mapped(raw, sheet, table, max_rows, max_unfolded)


def _decoded(data: bytes, file: FileSection) -> bytes:
    if file.encoding != "utf-16":
        check_text(data)
    if file.encoding == "utf-8":
        return data.removeprefix(b"\xef\xbb\xbf")  # bytes that are none are faults of their rows
    try:
        return data.decode(file.encoding).encode()
    except UnicodeDecodeError as error:
        raise Unreadable(f"not {file.encoding}: {error.reason}") from None


def _mapped(raw: RawRows, sheet: SheetMap, table: str, max_rows: int, max_unfolded: int) -> RawRows:
    mapped = sheet.tables[table]
    for heading in mapped.headings:
        if heading not in raw.columns.column_names:
            raise Unreadable(f"the map names the column {heading!r}, which the file has not, or not just once")
    nothing = {"", *sheet.file.empty}
    named = mapped.headings
    cells = {
        name: ["" if (text := value.strip()) in nothing else text for value in raw.columns[name].to_pylist()]
        for name in named
    }
    # a line whose cells are all empty is a tail that spreadsheets leave, not a row
    filled = np.zeros(len(raw.lines), dtype=bool)
    for column in raw.columns.columns:
        filled |= np.array([bool(value.strip()) for value in column.to_pylist()], dtype=bool)
    places = np.flatnonzero(filled)
    broken = list(raw.broken)
    counts = mapped.columns["outcome"].counts if "outcome" in mapped.columns else None
    told, good = _counted(counts, cells, places, raw, broken) if counts is not None else ({}, places)
    columns = {
        column.name: _column(mapped.columns[column.name], column, cells, good, sheet.file, told)
        for column in TABLES[table].columns
        if column.name in mapped.columns
    }
    columns |= {name: [cells[name][place] for place in good] for name in mapped.keep}
    rows = np.arange(len(good))
    if counts is not None and table == "parts":
        counted = [told[int(place)] for place in good]
        parts = np.array([all_parts for all_parts, _ in counted], dtype=np.int64)
        check_rows(int(parts.sum()), max_rows)
        if int(parts @ _line_bytes(raw.columns)[good]) > max_unfolded:
            raise Unreadable("its lines, once for each part, are more than the memory that a file may take")
        rows, columns = _parts(columns, counted)
    return replace(
        raw,
        columns=pa.table({name: pa.array(values, pa.string()) for name, values in columns.items()}),
        lines=raw.lines[good][rows],
        broken=broken,
        delivered=raw.columns.take(pa.array(good[rows])),
        names=_names(mapped),
        zone=sheet.file.timezone,
    )


def _names(mapped: TableMap) -> dict[str, str]:
    """What the file calls the columns of the contract; a constant stands in no column of it."""
    names = {name: " + ".join(source.headings) for name, source in mapped.columns.items()}
    return {name: own for name, own in names.items() if own}


def _column(
    source: From,
    column: Column,
    cells: dict[str, list[str]],
    places: np.ndarray,
    file: FileSection,
    told: dict[int, tuple[int, int]],
) -> list[str]:
    if source.constant is not None:
        text = source.constant if isinstance(source.constant, str) else repr(source.constant)
        return [text] * len(places)
    if source.counts is not None:
        return [_outcome(*told[place]) for place in places]
    parts = [cells[name] for name in source.headings]
    texts = [source.join.join(text for part in parts if (text := part[place])) for place in places]
    known = {cell.strip().casefold(): value for cell, value in source.values.items()}
    seen: dict[str, str] = {}
    for text in set(texts):
        folded = text.casefold()
        seen[text] = known[folded] if folded in known else _read(text, source, column, file)
    return [seen[text] for text in texts]


def _read(text: str, source: From, column: Column, file: FileSection) -> str:
    """One cell in the contract's way of writing; what cannot be read so is left for the door to refuse."""
    if not text:
        return ""
    if column.kind == "time" and source.format is not None:
        try:
            return dt.datetime.strptime(text, source.format).isoformat()
        except ValueError:
            return text
    if column.kind not in ("number", "count"):
        return text
    if file.decimal_comma:
        plain = re.sub("[.\u00a0\u202f ]", "", text).replace(",", ".")
        text = plain if _COMMA_NUMBER.fullmatch(text) else _NO_NUMBER
    if not source.scaled:
        return text
    return repr(float(text) * source.factor + source.plus) if _PLAIN_NUMBER.fullmatch(text) else _NO_NUMBER


def _counted(
    counts: Counts, cells: dict[str, list[str]], places: np.ndarray, raw: RawRows, broken: list[Fault]
) -> tuple[dict[int, tuple[int, int]], np.ndarray]:
    """Parts and failed parts of each place, and the places where they can be told; the others join ``broken``."""
    told: dict[int, tuple[int, int]] = {}
    rows = raw.columns
    for place in places:
        numbers, fault = {}, None
        for name, heading in counts.headings.items():
            text = cells[heading][place]
            number = whole_number(text)
            if number is None:
                reason = "bad_number" if text else "missing_value"
                fault = fault or (heading, reason, WORDS["count" if text else "missing_value"])
            else:
                numbers[name] = number
        if fault is None:
            failed = numbers["failed"] if "failed" in numbers else numbers["parts"] - numbers["good"]
            parts = numbers["parts"] if "parts" in numbers else numbers["good"] + numbers["failed"]
            heading = list(counts.headings.values())[-1]
            if not 0 <= failed <= parts:
                fault = (heading, "bad_number", "counts more than there are parts")
            elif parts > PARTS_OF_A_PLATE:
                fault = (heading, "bad_number", f"more than the {PARTS_OF_A_PLATE} parts that a plate may have")
            else:
                told[int(place)] = (parts, failed)
        if fault is not None:
            row = rows.slice(int(place), 1).to_pylist()[0]
            broken.append(Fault(int(raw.lines[place]), *fault, row))
    return told, np.array(sorted(told), dtype=np.int64)


def _outcome(parts: int, failed: int) -> str:
    return "good" if failed == 0 else "failed" if failed == parts else "partial"


def _line_bytes(columns: pa.Table) -> np.ndarray:
    """The bytes of each line's cells, shape (rows,)."""
    lengths = np.zeros(len(columns), dtype=np.int64)
    for column in columns.columns:
        lengths += pc.binary_length(column).to_numpy()
    return lengths


def _parts(columns: dict[str, list[str]], told: Sequence[tuple[int, int]]) -> tuple[np.ndarray, dict[str, list[str]]]:
    """A row for each counted part, failed ones first; and which row of the file each comes from."""
    rows = [place for place, (parts, _) in enumerate(told) for _ in range(parts)]
    numbers = [number for parts, _ in told for number in range(1, parts + 1)]
    failed = [number <= told[row][1] for row, number in zip(rows, numbers, strict=True)]
    out = {name: [values[row] for row in rows] for name, values in columns.items()}
    for name in _OF_FAILED:
        if name in out:
            out[name] = [value if bad else "" for value, bad in zip(out[name], failed, strict=True)]
    out["part_no"] = [str(number) for number in numbers]
    out["outcome"] = ["failed" if bad else "good" for bad in failed]
    return np.array(rows, dtype=np.int64), out
