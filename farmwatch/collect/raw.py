"""Rows as they were delivered: columns not yet understood, each row with its line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa

from farmwatch.collect.rules import WORDS, Fault, reason_of
from farmwatch.records import ID_LIMIT, TABLES

COLUMN_LIMIT = 256
FIELD_LIMIT = 131_072


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
        raise Unreadable(f"no header with the columns of {table}")
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
