"""The beta-binomial plate: sums to one, agrees with a second route, and finds the correlation that was put in."""

import time

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import betabinom, binom

from farmwatch.stats.plate_correlation import (
    RHO_MAX,
    beta_binomial_kernel,
    beta_binomial_log_likelihood,
    estimate_rho,
    moment_rho,
    plate_correlation,
)


def simulated(seed: int, plates: int, rho: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    trials = rng.integers(1, 25, plates)
    probability = rng.beta(2, 40, plates)
    share = (1 - rho) / rho if rho else np.inf
    fate = rng.beta(probability * share, (1 - probability) * share) if rho else probability
    return rng.binomial(trials, fate), trials, probability


@pytest.mark.parametrize("rho", [0.0, 1e-300, 1e-9, 1e-3, 0.0588, 0.0589, 0.3, 0.9, 0.999])
@pytest.mark.parametrize("probability", [0.001, 0.05, 0.5, 0.97])
def test_sums_to_one_over_all_outcomes(rho: float, probability: float) -> None:
    outcomes = np.arange(31)
    total = np.exp(beta_binomial_log_likelihood(outcomes, np.full(31, 30), probability, rho)).sum()
    assert total == pytest.approx(1.0, rel=1e-12)


def test_mean_and_variance_are_the_stated_ones() -> None:
    outcomes, trials, probability, rho = np.arange(13.0), 12, 0.08, 0.17
    mass = np.exp(beta_binomial_log_likelihood(outcomes, np.full(13, trials), probability, rho))
    mean = mass @ outcomes
    assert mean == pytest.approx(trials * probability, rel=1e-12)
    variance = trials * probability * (1 - probability) * (1 + (trials - 1) * rho)
    assert mass @ (outcomes - mean) ** 2 == pytest.approx(variance, rel=1e-12)


def test_agrees_with_scipy() -> None:
    failures, trials, probability = simulated(1, 2000, 0.2)
    for rho in (0.01, 0.2, 0.7):
        share = (1 - rho) / rho
        expected = betabinom.logpmf(failures, trials, probability * share, (1 - probability) * share)
        np.testing.assert_allclose(
            beta_binomial_log_likelihood(failures, trials, probability, rho), expected, rtol=1e-11, atol=1e-11
        )


@pytest.mark.parametrize("rho", [0.0, 1e-300, 1e-18])
def test_is_the_binomial_without_correlation(rho: float) -> None:
    failures, trials, probability = simulated(2, 500, 0.0)
    np.testing.assert_allclose(
        beta_binomial_log_likelihood(failures, trials, probability, rho),
        binom.logpmf(failures, trials, probability),
        rtol=1e-11,
        atol=1e-12,
    )


def test_approaches_the_binomial_smoothly() -> None:
    """The first-order term in rho is exact: sum of i/p, i/q and -i over the plate's parts."""
    failures, trials, probability = np.array([3.0]), np.array([8.0]), 0.1
    slope = 3 / 0.1 + 10 / 0.9 - 28
    base = beta_binomial_log_likelihood(failures, trials, probability, 0.0)[0]
    for rho in (1e-6, 1e-7):
        change = beta_binomial_log_likelihood(failures, trials, probability, rho)[0] - base
        assert change == pytest.approx(slope * rho, rel=1e-3)


def test_impossible_and_empty_plates() -> None:
    failures, trials = np.array([0, 1, 3, 0]), np.array([3, 3, 3, 0])
    result = beta_binomial_log_likelihood(failures, trials, np.array([0.0, 0.0, 1.0, 0.5]), 0.2)
    np.testing.assert_array_equal(result, [0.0, -np.inf, 0.0, 0.0])


def test_kernel_differs_by_the_coefficient_alone() -> None:
    failures, trials, probability = simulated(3, 300, 0.3)
    worse = np.minimum(3 * probability, 0.9)
    ratio = beta_binomial_kernel(failures, trials, worse, 0.3) - beta_binomial_kernel(
        failures, trials, probability, 0.3
    )
    full = beta_binomial_log_likelihood(failures, trials, worse, 0.3) - beta_binomial_log_likelihood(
        failures, trials, probability, 0.3
    )
    np.testing.assert_allclose(ratio, full, rtol=1e-10, atol=1e-10)


@pytest.mark.parametrize("rho", [0.02, 0.2, 0.5])
def test_finds_the_correlation_that_was_put_in(rho: float) -> None:
    found = plate_correlation(*simulated(4, 6000, rho))
    assert found.low < rho < found.high
    assert found.high - found.low < 0.06
    assert moment_rho(*simulated(4, 6000, rho)) == pytest.approx(rho, rel=0.25)


def test_is_the_maximum_of_the_likelihood() -> None:
    failures, trials, probability = simulated(5, 1500, 0.15)

    def loss(rho: float) -> float:
        return -beta_binomial_log_likelihood(failures, trials, probability, rho).sum()

    direct = minimize_scalar(loss, bounds=(1e-6, 0.9), method="bounded", options={"xatol": 1e-9})
    found = plate_correlation(failures, trials, probability)
    assert found.rho == pytest.approx(direct.x, rel=1e-5)
    assert found.deviance_gain == pytest.approx(2 * (loss(0.0) - direct.fun), rel=1e-8)
    # the profile interval stands where the log-likelihood has lost 1.92
    assert loss(found.low) - direct.fun == pytest.approx(1.9207, rel=1e-3)
    assert loss(found.high) - direct.fun == pytest.approx(1.9207, rel=1e-3)


def test_weights_are_replication() -> None:
    failures, trials, probability = simulated(6, 400, 0.2)
    weights = np.random.default_rng(0).integers(0, 4, 400)
    repeated = [np.repeat(column, weights) for column in (failures, trials, probability)]
    assert estimate_rho(failures, trials, probability, weights) == pytest.approx(estimate_rho(*repeated), rel=1e-9)


def test_interval_covers() -> None:
    inside = 0
    for seed in range(200):
        found = plate_correlation(*simulated(100 + seed, 300, 0.2))
        inside += found.low <= 0.2 <= found.high
    # 190 expected; 178 and 199 are three standard errors away
    assert 178 <= inside <= 199


def test_extremes() -> None:
    single = np.ones(5)
    assert estimate_rho(single, single, 0.1) == 0.0
    assert plate_correlation(single, single, 0.1).high == RHO_MAX
    assert np.isnan(moment_rho(single, single, 0.1))
    whole = np.repeat([0, 10], [90, 10])
    assert estimate_rho(whole, np.full(100, 10), 0.1) == RHO_MAX
    even = np.ones(50)
    assert estimate_rho(even, np.full(50, 10), 0.1) == 0.0


def test_is_fast_enough_for_every_night() -> None:
    failures, trials, probability = simulated(7, 15_000, 0.2)
    spent = []
    for _ in range(3):
        start = time.process_time()
        estimate_rho(failures, trials, probability)
        spent.append(time.process_time() - start)
    assert min(spent) < 0.2  # measured 0.015 s; the margin is for a busy machine


def test_the_gain_is_over_plates_whose_parts_fail_apart() -> None:
    failures, trials, probability = simulated(3, 300, 0.2)
    found = plate_correlation(failures, trials, probability)

    def total(rho: float) -> float:
        return float(beta_binomial_log_likelihood(failures, trials, probability, rho).sum())

    assert found.deviance_gain == pytest.approx(2.0 * (total(found.rho) - total(0.0)), rel=1e-6)
    # the ends of the interval are where twice the fall is the 95 % point of a chi-square, 3.8415
    for end in (found.low, found.high):
        assert 2.0 * (total(found.rho) - total(end)) == pytest.approx(3.8415, abs=1e-3)
