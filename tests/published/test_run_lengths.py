"""Average run lengths of charts against printed tables; each expected value names its source."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import poisson

from farmwatch.stats.run_length import (
    bernoulli_run_length,
    cusum_run_length,
    cusum_run_length_under_drift,
    ewma_run_length,
    lattice_run_length,
    poisson_run_length,
    two_sided_run_length,
)


@pytest.mark.parametrize(
    ("shift", "printed"),
    [(0, 168), (0.25, 74.2), (0.5, 26.6), (0.75, 13.3), (1, 8.38), (1.5, 4.75), (2, 3.34), (3, 2.19)],
)
def test_two_sided_cusum(shift: float, printed: float) -> None:
    """Lucas and Crosier, Technometrics 24 (1982), k = 0.5, h = 4; printed to three figures."""
    assert two_sided_run_length(shift, 0.5, 4.0) == pytest.approx(printed, rel=3e-3)


def test_one_sided_cusum() -> None:
    """k = 0.5, h = 5 at shifts 0 and 1: recomputed by an independent route, no printed source."""
    assert cusum_run_length(0.0, 0.5, 5.0) == pytest.approx(930.89, rel=1e-5)
    assert cusum_run_length(1.0, 0.5, 5.0) == pytest.approx(10.376, rel=1e-4)


@pytest.mark.parametrize(("slope", "printed"), [(0.001, 187), (0.01, 52.0), (0.05, 21.4), (0.1, 15.0)])
def test_cusum_under_linear_drift(slope: float, printed: float) -> None:
    """Gan, CUSUM control charts under linear drift (1992), k = 0.25, h = 8; printed to three figures."""
    assert cusum_run_length_under_drift(slope, 0.25, 8.0) == pytest.approx(printed, rel=5e-3)


@pytest.mark.parametrize(("shift", "printed"), [(0.0, 500), (0.5, 88.8), (1.0, 17.5)])
def test_ewma(shift: float, printed: float) -> None:
    """Lucas and Saccucci, Technometrics 32 (1990), lambda = 0.5, L = 3.071; printed to three figures."""
    assert ewma_run_length(shift, 0.5, 3.071) == pytest.approx(printed, rel=3e-3)


def test_poisson_cusum_with_and_without_head_start() -> None:
    """Lucas, Technometrics 27 (1985), k = 0.25, h = 10, mean 0.25; head start is half of h."""
    assert poisson_run_length(0.25, 4, 1, 40) == pytest.approx(438, rel=2e-3)
    assert poisson_run_length(0.25, 4, 1, 40, 20) == pytest.approx(333, rel=2e-3)


def test_bernoulli_cusum() -> None:
    """0.05 to 0.15, m = 11, H = 54 (in units of 1/m): recomputed by an independent route, no printed source."""
    assert bernoulli_run_length(0.05, 11, 54) == pytest.approx(10_066, rel=1e-4)
    assert bernoulli_run_length(0.15, 11, 54) == pytest.approx(75.29, rel=1e-4)


def test_second_route_normal_cusum_as_a_markov_chain() -> None:
    """Brook and Evans: states of width w, moves by whole widths; the error falls with the square of the width."""
    from scipy.stats import norm

    def chain(states: int) -> float:
        width = 2 * 4.0 / (2 * states - 1)
        steps = np.arange(-60 * states // 4, 60 * states // 4)
        chances = np.diff(norm.cdf((np.append(steps, steps[-1] + 1) - 0.5) * width, loc=1.0 - 0.5))
        return lattice_run_length(steps, chances, states)

    coarse, fine = chain(50), chain(100)
    extrapolated = fine + (fine - coarse) / 3
    assert extrapolated == pytest.approx(cusum_run_length(1.0, 0.5, 4.0), rel=1e-3)


def test_second_route_simulated_charts() -> None:
    """4,000 simulated charts each; tolerance is four standard errors of a geometric run length."""
    rng = np.random.default_rng(11)
    values = rng.normal(0.5, 1.0, (4000, 400))
    state, first = np.zeros(4000), np.full(4000, 400.0)
    smooth, first_smooth = np.zeros(4000), np.full(4000, 400.0)
    for number in range(400):
        state = np.maximum(0.0, state + values[:, number] - 0.25)
        first = np.where((state >= 4.0) & (first == 400.0), number + 1.0, first)
        smooth = 0.8 * smooth + 0.2 * values[:, number]
        first_smooth = np.where((np.abs(smooth) > 2.5 / 3) & (first_smooth == 400.0), number + 1.0, first_smooth)
    tolerance = 4 / np.sqrt(4000)
    assert first.mean() == pytest.approx(cusum_run_length(0.5, 0.25, 4.0), rel=tolerance)
    assert first_smooth.mean() == pytest.approx(ewma_run_length(0.5, 0.2, 2.5), rel=tolerance)


def test_drift_without_slope_is_no_drift_and_a_chart_may_run_too_long() -> None:
    assert cusum_run_length_under_drift(0.0, 0.5, 3.0) == pytest.approx(cusum_run_length(0.0, 0.5, 3.0), rel=1e-9)
    with pytest.raises(ValueError, match="still running"):
        cusum_run_length_under_drift(0.0, 0.5, 5.0, longest=50)


@pytest.mark.parametrize(("mean", "per_unit", "reference", "limit"), [(2.0, 1, 3, 5), (1.5, 2, 5, 8), (0.4, 4, 3, 18)])
def test_second_route_poisson_cusum_state_by_state(mean: float, per_unit: int, reference: int, limit: int) -> None:
    """The chain written out for far more counts than can matter."""
    chain = np.zeros((limit, limit))
    for state in range(limit):
        for count, chance in enumerate(poisson.pmf(np.arange(80), mean)):
            after = max(0, state + per_unit * count - reference)
            if after < limit:
                chain[state, after] += chance
    length = np.linalg.solve(np.eye(limit) - chain, np.ones(limit))
    assert poisson_run_length(mean, per_unit, reference, limit) == pytest.approx(length[0], rel=1e-9)
