"""JSON Lines: one object a line, in UTF-8.

Files whose every line is an object of plain values, each of the kind of its column, are read by Arrow at full speed;
all others line by line, and a line that is no object is set aside alone.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.json as pa_json

from farmwatch.collect.raw import COLUMN_LIMIT, RawRows, Unreadable, text_column
from farmwatch.collect.rules import Fault
from farmwatch.records import ID_LIMIT, TABLES

_MARK = b"\xef\xbb\xbf"
_BLOCK = 4 << 20
# text that no column takes: stands for a value of a kind that its column cannot hold
_WRONG_KIND = "\udcff"


def read_jsonl(data: bytes, table: str) -> RawRows:
    """Rows of one JSON Lines file; blank lines are no rows. Raises :class:`Unreadable`."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise Unreadable("not UTF-8 but UTF-16")
    data = data.removeprefix(_MARK)
    rows = _read_plain(data, table)
    return _read_with_care(data, table) if rows is None else rows


def _read_plain(data: bytes, table: str) -> RawRows | None:
    """The rows of a file that holds nothing odd; None where care is needed."""
    whole = data.removesuffix(b"\n").replace(b"\r\n", b"\n")
    lines = whole.count(b"\n") + 1
    # each line opens and closes an object, so that no object can run over two lines unseen
    if whole[:1] != b"{" or whole[-1:] != b"}" or whole.count(b"}\n{") != lines - 1:
        return None
    kinds = {column.name: column.kind for column in TABLES[table].columns}
    try:
        data.decode()
        own = [name for name in json.loads(whole.partition(b"\n")[0]) if name not in kinds]
        schema = pa.schema(
            [(name, pa.float64() if kind in ("number", "count") else pa.string()) for name, kind in kinds.items()]
            + [(_checked_name(name), pa.string()) for name in own]
        )
        columns = pa_json.read_json(
            pa.BufferReader(pa.py_buffer(whole)),
            read_options=pa_json.ReadOptions(block_size=_BLOCK),
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


def _read_with_care(data: bytes, table: str) -> RawRows:
    objects: list[dict[str, Any]] = []
    numbers: list[int] = []
    broken: list[Fault] = []
    names: dict[str, None] = {}
    for number, line in enumerate(data.split(b"\n"), 1):
        if not line or line.isspace():
            continue
        words = ""
        try:
            row = json.loads(line.decode())
        except (ValueError, RecursionError) as error:
            words = "nested too deep" if isinstance(error, RecursionError) else f"not JSON: {error}"
        if not words and not isinstance(row, dict):
            words = "not a JSON object"
        if words:
            broken.append(Fault(number, "", "missing_value", words, line.decode(errors="backslashreplace")))
            continue
        objects.append(row)
        numbers.append(number)
        names.update(dict.fromkeys(row))
        if len(names) > COLUMN_LIMIT:
            raise Unreadable(f"line {number}: more than the {COLUMN_LIMIT} columns that a file may have")
    for name in names:
        _checked_name(name)
    if broken and not objects:
        raise Unreadable(f"no line is a JSON object; line {broken[0].line}: {broken[0].words}")
    return _columns(objects, list(names), numbers, table, broken)


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
        return pa.array(values, wanted)
    except (pa.ArrowException, UnicodeEncodeError, OverflowError, TypeError, ValueError):
        return text_column(name, [_text(value, kind) for value in values], table, bad, numbers)


def _text(value: Any, kind: str | None) -> str | None:
    if value is None or isinstance(value, str):
        return value
    if kind is None:
        return json.dumps(value)
    if isinstance(value, (bool, list, dict)):
        return _WRONG_KIND
    return repr(value)
