"""Sums over the parts of each plate, some parts at a time: a year of a large farm has tens of millions."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np

PARTS_AT_ONCE = 1 << 20  # whose rows and values stand beside the sums: of all they take 24 bytes a part


class OfParts(Protocol):
    """A number of each part, (parts,), asked for by rows: an array, or what keeps it once for many parts."""

    def __getitem__(self, rows: Any, /) -> np.ndarray: ...


def sums_by_plate(
    plate: np.ndarray, values: OfParts, counted: np.ndarray, plates: int
) -> tuple[np.ndarray, np.ndarray]:
    """How many parts of each plate are ``counted``, and the sum of their ``values``; both (plates,).

    ``plate``: the plate of each part, whole numbers in ascending order; ``counted``: bool; all (parts,).
    """
    number, total = np.zeros(plates), np.zeros(plates)
    for start in range(0, len(plate), PARTS_AT_ONCE):
        rows = start + np.flatnonzero(counted[start : start + PARTS_AT_ONCE])
        if len(rows):
            first, last = plate[rows[0]], plate[rows[-1]] + 1
            number[first:last] += np.bincount(plate[rows] - first)
            total[first:last] += np.bincount(plate[rows] - first, values[rows])
    return number, total
