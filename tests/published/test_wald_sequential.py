"""Wald's sequential test for single items, against worked examples of acceptance sampling."""

from __future__ import annotations

import numpy as np
import pytest

from farmwatch.stats.wald import bernoulli_characteristic, limits, log_ratios, sequential


def _lines(p0: float, p1: float, alpha: float, beta: float) -> tuple[float, float, float]:
    """Intercepts and slope of the lines failures = -h0 + s n (accept) and h1 + s n (reject)."""
    lower, upper = limits(alpha, beta)
    up, down = np.log(p1 / p0), np.log((1 - p1) / (1 - p0))
    return -lower / (up - down), upper / (up - down), -down / (up - down)


def test_items_until_a_batch_is_rejected() -> None:
    # Documentation of the Python package `reliability`, "Sequential sampling chart": p1 = .01, p2 = .10, alpha = .05,
    # beta = .10; the test data fail on items 14, 32 and 38, and "after our 3rd failure, the test should be stopped as
    # the batch can be rejected".
    item = np.zeros(38)
    item[[13, 31, 37]] = 1.0
    steps = log_ratios(item, np.ones(38), np.full(38, 0.01), 0.0, float(np.log(0.1 / 0.9) - np.log(0.01 / 0.99)))
    test = sequential(steps, *limits(0.05, 0.10))
    assert test.decision == "there"
    assert test.decided_at == 37


def test_lines_of_the_engineering_statistics_handbook() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 6.2.6, the same example: -0.939 + 0.0397 n and 1.205 + 0.0397 n;
    # from memory
    accept, reject, slope = _lines(0.01, 0.10, 0.05, 0.10)
    assert accept == pytest.approx(0.939, rel=1e-3)
    assert reject == pytest.approx(1.205, rel=1e-3)
    assert slope == pytest.approx(0.0397, rel=2e-3)


def test_lines_of_a_textbook() -> None:
    # Montgomery, Introduction to Statistical Quality Control, sequential-sampling plan for p1 = .01, alpha = .05,
    # p2 = .06, beta = .10: -1.22 + .028 n and 1.57 + .028 n; from memory
    accept, reject, slope = _lines(0.01, 0.06, 0.05, 0.10)
    assert accept == pytest.approx(1.22, rel=5e-3)
    assert reject == pytest.approx(1.57, rel=5e-3)
    assert slope == pytest.approx(0.028, rel=1e-2)


def test_characteristic_at_the_five_known_points() -> None:
    # A. Wald, Sequential Analysis (1947), 5.3: accepted with probability 1 at p = 0, 1 - alpha at p0, b / (a + b) at the
    # slope s, beta at p1, 0 at p = 1; a, b the distances of the two limits. From memory.
    p0, p1, alpha, beta = 0.1, 0.3, 0.02, 0.03
    lower, upper = limits(alpha, beta)
    slope = _lines(p0, p1, alpha, beta)[2]
    for p, gone in ((1e-9, 1.0), (p0, 1 - alpha), (slope, upper / (upper - lower)), (p1, beta), (1 - 1e-9, 0.0)):
        assert bernoulli_characteristic(p, p0, p1, lower, upper).gone == pytest.approx(gone, abs=1e-6)
