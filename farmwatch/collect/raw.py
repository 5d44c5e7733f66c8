"""Rows as they were delivered: columns not yet understood, each row with its line."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa

from farmwatch.collect.rules import WORDS, Fault, reason_of
from farmwatch.records import ID_LIMIT, TABLES

COLUMN_LIMIT = 256
FIELD_LIMIT = 131_072
LINE_LIMIT = 1 << 20  # characters or bytes; before it is read no line can be told from a whole file without an end


# how what is no text begins: packed files, and others under a name that is not theirs
_NO_TEXT = (
    (rb"\xff\xfe|\xfe\xff", "not UTF-8 but UTF-16"),
    (rb"\x1f\x8b", "packed by gzip: unpack it first"),
    (rb"BZh[1-9]1AY&SY", "packed by bzip2: unpack it first"),
    (rb"\x28\xb5\x2f\xfd", "packed by Zstandard: unpack it first"),
    (rb"\xfd7zXZ\0", "packed by xz: unpack it first"),
    (rb"PK\x03\x04", "a workbook or an archive, not text: unpack it, or save the sheet as CSV"),
    (rb"PAR1", "Parquet, not text: its name must end in .parquet"),
)


class Unreadable(Exception):
    """A file that cannot be read at all; the message says why in one line."""


@dataclass(frozen=True)
class RawRows:
    """``columns``: one row a record, text where the format knows nothing else; ``lines``: shape (rows,), from 1.

    ``broken``: records that did not even come apart into columns. Of a spreadsheet that a map translated, ``delivered``
    holds the rows as they stood in the file, ``names`` what the file calls the columns, ``zone`` the map's own zone.
    """

    columns: pa.Table
    lines: np.ndarray
    broken: list[Fault] = field(default_factory=list)
    delivered: pa.Table | None = None
    names: Mapping[str, str] = field(default_factory=dict)
    zone: str | None = None


def check_text(data: bytes) -> None:
    """Refuse what no text begins with, by what it is."""
    for begin, words in _NO_TEXT:
        if re.match(begin, data):
            raise Unreadable(words)


def check_rows(count: int, max_rows: int) -> None:
    """Refuse a file of more rows than it may have. Asked before they become objects, which take many times their bytes."""
    if count > max_rows:
        raise Unreadable(f"more than the {max_rows} rows that a file may have")


def check_header(names: Sequence[str], table: str) -> list[str]:
    """The column names of a file, or :class:`Unreadable`."""
    names = [name.strip() for name in names]
    if len(names) > COLUMN_LIMIT:
        raise Unreadable(f"{len(names)} columns, more than the {COLUMN_LIMIT} that a file may have")
    for place, name in enumerate(names, 1):
        if not name or len(name) > ID_LIMIT or not name.isprintable():
            raise Unreadable(f"column {place} has no name that can be read")
        if name in names[: place - 1]:
            raise Unreadable(f"column {name} stands there twice")
    if not set(names) & set(TABLES[table].required):
        needed = ", ".join(TABLES[table].required)
        raise Unreadable(
            f"no header with the columns of {table}: its first line, between commas, names none of {needed}"
        )
    return names


def text_column(name: str, values: Sequence[Any], table: str, bad: dict[int, Fault], lines: Sequence[int]) -> pa.Array:
    """``values`` (text or None) as an Arrow column; rows whose text is not Unicode are noted in ``bad`` and emptied."""
    try:
        return pa.array(values, pa.string())
    except UnicodeEncodeError:
        clean = list(values)
        column = next((column for column in TABLES[table].columns if column.name == name), None)
        for place, value in enumerate(values):
            if value is not None and not _is_unicode(value):
                clean[place] = None
                words = WORDS["text"]
                bad.setdefault(place, Fault(int(lines[place]), name, reason_of(column), words, None))
        return pa.array(clean, pa.string())


def _is_unicode(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True
