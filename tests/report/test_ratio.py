"""Failures over expected, with intervals that allow for parts of a plate failing together."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import poisson

from farmwatch.stats.observed_over_expected import dispersion, ratio_interval


@pytest.mark.parametrize(("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.390)])
def test_exact_limits_of_a_poisson_mean(count: int, low: float, high: float) -> None:
    """Garwood, Biometrika 1936: 95 % limits of a Poisson mean. The values are from memory of the usual tables."""
    found = ratio_interval(count, 1.0)
    assert found.low == pytest.approx(low, rel=2e-3)
    assert found.high == pytest.approx(high, rel=1e-3)


@pytest.mark.parametrize("count", [1, 4, 37])
def test_limits_by_turning_the_tails(count: int) -> None:
    """Second route: the means at which the count lies in a tail of 2.5 %."""
    found = ratio_interval(count, 8.0)
    low = brentq(lambda mean: poisson.sf(count - 1, mean) - 0.025, 1e-9, 200.0)
    high = brentq(lambda mean: poisson.cdf(count, mean) - 0.025, 1e-9, 400.0)
    assert found.low == pytest.approx(low / 8.0, rel=1e-6)
    assert found.high == pytest.approx(high / 8.0, rel=1e-6)


def test_nothing_expected_says_nothing() -> None:
    assert all(math.isnan(value) for value in (ratio_interval(3, 0.0).value, ratio_interval(3, 0.0).high))


def test_intervals_cover_when_parts_of_a_plate_fail_together(rng: np.random.Generator) -> None:
    """400 simulated quarters of one printer: 95 % intervals hold the truth about 95 times in 100."""
    plates, parts, rate, spread = 80, 10, 0.05, 0.10
    alpha = rate * (1 - spread) / spread
    beta = (1 - rate) * (1 - spread) / spread
    farm = rng.binomial(parts, rng.beta(alpha, beta, size=4000))
    scatter = dispersion(farm, np.full(4000, parts * rate))
    # beta-binomial totals against a Poisson mean: variance over mean (1 - rate) (1 + (parts - 1) spread)
    assert scatter == pytest.approx((1 - rate) * (1 + (parts - 1) * spread), rel=0.15)
    covered = naive = 0
    for _ in range(400):
        failed = float(rng.binomial(parts, rng.beta(alpha, beta, size=plates)).sum())
        together = ratio_interval(failed, plates * parts * rate, scatter)
        alone = ratio_interval(failed, plates * parts * rate)
        covered += together.low <= 1.0 <= together.high
        naive += alone.low <= 1.0 <= alone.high
    assert 0.92 <= covered / 400 <= 0.99
    assert naive / 400 < 0.90


def test_too_few_plates_say_nothing_of_their_scatter() -> None:
    assert dispersion([5.0, 0.0], [1.0, 1.0]) == 1.0
    assert dispersion(np.zeros(50), np.ones(50)) == 1.0
    assert dispersion(np.full(50, np.nan), np.ones(50)) == 1.0


def test_a_ratio_is_observed_over_expected_and_the_size_of_a_happening_scales_its_interval() -> None:
    found = ratio_interval(12.0, 8.0, spread=3.0)
    assert found.value == 1.5
    alone = ratio_interval(4.0, 1.0)
    assert (found.low, found.high) == (pytest.approx(3.0 / 8.0 * alone.low), pytest.approx(3.0 / 8.0 * alone.high))


def test_dispersion_is_pearsons_over_plates_that_expect_something() -> None:
    rng = np.random.default_rng(2)
    mean = rng.uniform(0.2, 2.0, 30)
    seen = 1.3 * mean * rng.gamma(0.5, 2.0, 30)
    scale = seen.sum() / mean.sum()
    by_hand = max(1.0, float(np.mean((seen - scale * mean) ** 2 / (scale * mean))))
    assert dispersion(seen, mean) == pytest.approx(by_hand)
    assert by_hand > 1.0
    # plates without expectation, or not seen, say nothing
    assert dispersion([*seen, 5.0, np.nan], [*mean, 0.0, 1.0]) == pytest.approx(by_hand)
    assert dispersion(seen[:20], mean[:20]) > 1.0
    assert dispersion(seen[:19], mean[:19]) == 1.0
