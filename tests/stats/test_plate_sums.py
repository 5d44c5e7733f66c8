"""Sums by plate, some parts at a time: against a plain count, wherever the pieces end."""

from __future__ import annotations

import numpy as np
import pytest

from farmwatch.stats import plate_sums
from farmwatch.stats.plate_sums import sums_by_plate


@pytest.mark.parametrize("at_once", [1, 7, 64, 1 << 20])
def test_pieces_end_anywhere(at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plate_sums, "PARTS_AT_ONCE", at_once)
    rng = np.random.default_rng(1)
    plate = np.sort(rng.integers(3, 40, 500)).astype(np.int32)  # the first three plates and the last have no parts
    values, counted = rng.random(500), rng.random(500) < 0.6
    counted[100:180] = False  # whole pieces in which none counts
    number, total = sums_by_plate(plate, values, counted, 42)
    assert number.tolist() == [int((counted & (plate == k)).sum()) for k in range(42)]
    np.testing.assert_allclose(total, [values[counted & (plate == k)].sum() for k in range(42)], rtol=1e-12)


def test_no_parts_at_all() -> None:
    number, total = sums_by_plate(np.array([], np.int32), np.array([]), np.array([], bool), 2)
    assert number.tolist() == total.tolist() == [0.0, 0.0]
