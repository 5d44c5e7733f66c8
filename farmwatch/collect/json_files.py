"""JSON Lines: one object a line, in UTF-8."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pyarrow as pa

from farmwatch.collect.raw import COLUMN_LIMIT, RawRows, Unreadable, text_column
from farmwatch.collect.rules import Fault
from farmwatch.records import ID_LIMIT, TABLES

_MARK = b"\xef\xbb\xbf"
# text that no column takes: stands for a value of a kind that its column cannot hold
_WRONG_KIND = "\udcff"


def read_jsonl(data: bytes, table: str) -> RawRows:
    """Rows of one JSON Lines file; blank lines are no rows. Raises :class:`Unreadable`."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise Unreadable("not UTF-8 but UTF-16")
    objects: list[dict[str, Any]] = []
    numbers: list[int] = []
    broken: list[Fault] = []
    names: dict[str, None] = {}
    for number, line in enumerate(data.removeprefix(_MARK).split(b"\n"), 1):
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
        if not name or len(name) > ID_LIMIT or not name.isprintable():
            raise Unreadable("a column has no name that can be read")
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
