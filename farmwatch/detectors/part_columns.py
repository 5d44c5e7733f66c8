"""Columns of the parts that grow piece by piece, each in the smallest type that holds it.

A list of pieces put together at the end stands twice, and small arrays that come and go between those that stay leave
holes which the system does not get back: on 11.7 million parts 800 MiB of them.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

FIRST_ROWS = 1 << 16  # room from the start, doubled when it is full


class Numbers:
    """Numbers of one column, added to at its end."""

    def __init__(self) -> None:
        self._rows, self._length = np.empty(0, np.bool_), 0

    def add(self, values: np.ndarray) -> None:
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
