"""JSON Lines: one object a line, in UTF-8.

Files whose every line is an object of plain values, each of the kind of its column, are read by Arrow at full speed;
all others line by line, and a line that is no object is set aside alone.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.json as pa_json

from farmwatch.collect.raw import COLUMN_LIMIT, LINE_LIMIT, RawRows, Unreadable, check_rows, check_text, text_column
from farmwatch.collect.rules import Fault
from farmwatch.records import ID_LIMIT, TABLES

_MARK = b"\xef\xbb\xbf"
# text that no column takes: stands for a value of a kind that its column cannot hold
_WRONG_KIND = "\udcff"


class _Nested(str):
    """The text of a list or an object: as text it takes a twentieth of the memory."""


def read_jsonl(data: bytes, table: str, max_rows: int) -> RawRows:
    """Rows of one JSON Lines file, at most ``max_rows``; blank lines are no rows. Raises :class:`Unreadable`."""
    check_text(data)
    data = data.removeprefix(_MARK)
    rows = _read_plain(data, table, max_rows)
    return _read_with_care(data, table, max_rows) if rows is None else rows


def _read_plain(data: bytes, table: str, max_rows: int) -> RawRows | None:
    """The rows of a file that holds nothing odd; None where care is needed."""
    whole = data.removesuffix(b"\n").replace(b"\r\n", b"\n")
    lines = whole.count(b"\n") + 1
    # each line opens and closes an object, so that no object can run over two lines unseen
    if whole[:1] != b"{" or whole[-1:] != b"}" or whole.count(b"}\n{") != lines - 1:
        return None
    check_rows(lines, max_rows)
    first = whole.partition(b"\n")[0]
    if len(first) > LINE_LIMIT:
        return None
    kinds = {column.name: column.kind for column in TABLES[table].columns}
    try:
        data.decode()
        own = [name for name in json.loads(first) if name not in kinds]
        schema = pa.schema(
            [(name, pa.float64() if kind in ("number", "count") else pa.string()) for name, kind in kinds.items()]
            + [(_checked_name(name), pa.string()) for name in own]
        )
        columns = pa_json.read_json(
            pa.BufferReader(pa.py_buffer(whole)),
            read_options=pa_json.ReadOptions(block_size=LINE_LIMIT),
            parse_options=pa_json.ParseOptions(
                explicit_schema=schema, newlines_in_values=False, unexpected_field_behavior="error"
            ),
        )
    except (pa.ArrowException, ValueError, RecursionError):
        return None
    return RawRows(columns, np.arange(1, lines + 1)) if len(columns) == lines else None


def _checked_name(name: str) -> str:
    if not name or len(name) > ID_LIMIT or not name.isprintable():
        raise Unreadable("a column has no name that can be read")
    return name


def _read_with_care(data: bytes, table: str, max_rows: int) -> RawRows:
    objects: list[dict[str, Any]] = []
    numbers: list[int] = []
    broken: list[Fault] = []
    names: dict[str, None] = {}
    for number, line in enumerate(_lines(data), 1):
        if line.isspace():
            continue
        check_rows(len(objects) + len(broken) + 1, max_rows)
        words = ""
        try:
            row = json.loads(line.decode())
        except (ValueError, RecursionError) as error:
            words = "nested too deep" if isinstance(error, RecursionError) else f"not JSON: {error}"
        if not words and not isinstance(row, dict):
            words = "not a JSON object"
        if words:
            text = line.removesuffix(b"\n").decode(errors="backslashreplace")
            broken.append(Fault(number, "", "missing_value", words, text))
            continue
        objects.append({name: _held(value) for name, value in row.items()})
        numbers.append(number)
        names.update(dict.fromkeys(row))
        if len(names) > COLUMN_LIMIT:
            raise Unreadable(f"line {number}: more than the {COLUMN_LIMIT} columns that a file may have")
    for name in names:
        _checked_name(name)
    if broken and not objects:
        raise Unreadable(f"no line is a JSON object; line {broken[0].line}: {broken[0].words}")
    return _columns(objects, list(names), numbers, table, broken)


def _lines(data: bytes) -> Iterator[bytes]:
    stream = io.BytesIO(data)
    number = 0
    while line := stream.readline(LINE_LIMIT + 1):
        number += 1
        if len(line) > LINE_LIMIT:
            raise Unreadable(f"line {number} is longer than {LINE_LIMIT} bytes")
        yield line


def _held(value: Any) -> Any:
    return _Nested(json.dumps(value)) if isinstance(value, (list, dict)) else value


def _columns(
    objects: list[dict[str, Any]], names: list[str], numbers: list[int], table: str, broken: list[Fault]
) -> RawRows:
    kinds = {column.name: column.kind for column in TABLES[table].columns}
    bad: dict[int, Fault] = {}
    columns = {}
    for name in names:
        values = [row.get(name) for row in objects]
        columns[name] = _column(name, values, kinds.get(name), table, bad, numbers)
    kept = np.ones(len(objects), dtype=bool)
    for place, fault in bad.items():
        kept[place] = False
        broken.append(Fault(fault.line, fault.column, fault.reason, fault.words, objects[place]))
    whole = pa.table(columns) if columns else pa.table({"run_id": pa.nulls(len(objects), pa.string())})
    lines = np.array(numbers, dtype=np.int64)
    return RawRows(whole.filter(pa.array(kept)), lines[kept], broken)


def _column(
    name: str, values: list[Any], kind: str | None, table: str, bad: dict[int, Fault], numbers: list[int]
) -> pa.Array:
    wanted = pa.float64() if kind in ("number", "count") else pa.string()
    try:
        if kind is not None and any(isinstance(value, _Nested) for value in values):
            raise TypeError
        return pa.array(values, wanted)
    except (pa.ArrowException, UnicodeEncodeError, OverflowError, TypeError, ValueError):
        return text_column(name, [_text(value, kind) for value in values], table, bad, numbers)


def _text(value: Any, kind: str | None) -> str | None:
    if isinstance(value, _Nested):
        return value if kind is None else _WRONG_KIND
    if value is None or isinstance(value, str):
        return value
    if kind is None:
        return json.dumps(value)
    if isinstance(value, bool):
        return _WRONG_KIND
    return repr(value)
