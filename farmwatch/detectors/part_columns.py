"""Columns of the parts that grow piece by piece, each in the smallest type that holds it.

A list of pieces put together at the end stands twice, and small arrays that come and go between those that stay leave
holes which the system does not get back: on 11.7 million parts 800 MiB of them.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

FIRST_ROWS = 1 << 16  # room from the start, doubled when it is full
VALUES_AT_MOST = 1 << 15  # of a measure, from which a number of two bytes no longer names each


class Numbers:
    """Numbers of one column, added to at its end."""

    def __init__(self) -> None:
        self._rows, self._length = np.empty(0, np.bool_), 0

    def add(self, values: np.ndarray) -> None:
        """``values`` (n,) at the end; the column widens to the smallest type that holds all."""
        end = self._length + len(values)
        kind = np.result_type(self._rows, values) if self._length else values.dtype
        if end > len(self._rows) or kind != self._rows.dtype:
            # pages that nothing was written to take no memory
            larger = np.empty(max(2 * len(self._rows), end, FIRST_ROWS), kind)
            larger[: self._length] = self._rows[: self._length]
            self._rows = larger
        self._rows[self._length : end] = values
        self._length = end

    @property
    def values(self) -> np.ndarray:
        """What was added, (rows,); a view."""
        return self._rows[: self._length]

    def take(self, order: np.ndarray) -> np.ndarray:
        """The rows in this order; the column itself is empty afterwards."""
        rows, self._rows, self._length = self.values, np.empty(0, np.bool_), 0
        return rows[order]


class Words:
    """Texts of one column, each word kept once and a number for each row."""

    def __init__(self) -> None:
        self._codes = Numbers()
        self._number: dict[str, int] = {}

    def add(self, values: pd.Series) -> None:
        """Texts at the end, (n,); a missing one keeps none."""
        code, words = pd.factorize(values)
        numbers = [self._number.setdefault(word, len(self._number)) for word in words]
        self._codes.add(np.array([*numbers, -1], np.int16 if len(self._number) < 1 << 15 else np.int32)[code])

    def take(self, order: np.ndarray) -> pd.Categorical:
        """The rows in this order, the words sorted; the column itself is empty afterwards."""
        words = pd.Index(list(self._number), dtype="str")
        place = np.argsort(words.to_numpy())
        rank = np.empty(len(words) + 1, np.int64)
        rank[place], rank[-1] = np.arange(len(words)), -1
        codes = rank[self._codes.take(order)] if len(order) else np.zeros(0, np.int8)
        return pd.Categorical.from_codes(codes, categories=words[place])


class Measures:
    """Measures of one column: where the same values come again and again each is kept once, and two bytes a row for it.

    Heights and places do: they are those of the designs, written to a tenth of a millimetre.
    """

    def __init__(self) -> None:
        self._codes, self._rows = Numbers(), Numbers()
        self._number: dict[float, int] = {}
        self._few = True

    def add(self, values: np.ndarray) -> None:
        """``values`` (n,) at the end; NaN is missing."""
        if self._few:
            code, found = pd.factorize(values)
            numbers = [self._number.setdefault(value, len(self._number)) for value in found.tolist()]
            if len(self._number) <= VALUES_AT_MOST:
                self._codes.add(np.array([*numbers, -1], np.int16)[code])
                return
            self._few = False
            self._rows.add(self._table()[self._codes.values])
            self._codes, self._number = Numbers(), {}
        self._rows.add(values.astype(np.float64))

    def _table(self) -> np.ndarray:
        """The values by their numbers, NaN at the end for those without."""
        return np.array([*self._number, np.nan])

    def take(self, order: np.ndarray) -> pd.Categorical | np.ndarray:
        """The rows in this order, numbers in order of size; the column itself is empty afterwards."""
        if not self._few:
            return self._rows.take(order)
        values = self._table()[:-1]
        place = np.argsort(values)
        rank = np.empty(len(values) + 1, np.int16)
        rank[place], rank[-1] = np.arange(len(values)), -1
        codes = rank[self._codes.take(order)] if len(order) else np.zeros(0, np.int8)
        return pd.Categorical.from_codes(codes, categories=pd.Index(values[place], dtype="float64"))


def unfolded(column: pd.Series, rows: slice | np.ndarray = slice(None)) -> np.ndarray:
    """Some rows of a column that :class:`Measures` made, as numbers, NaN unknown; the rest is not unfolded."""
    return column.iloc[rows].to_numpy(dtype=float)
