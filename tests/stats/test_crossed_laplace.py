"""Laplace likelihood: exact slope, quadrature on a small case, dense algebra, and its edges."""

import numpy as np
import pytest
from scipy.optimize import approx_fprime, minimize
from scipy.special import expit, gammaln, logsumexp

from farmwatch.stats.crossed import Cells, fit_cells, fit_crossed
from farmwatch.stats.crossed_design import Design
from farmwatch.stats.crossed_laplace import SD_LEAST, _Search, fit_laplace

LEVELS = (8, 20)


def cells(seed: int, rows: int = 500, sd: tuple[float, ...] = (0.6, 0.9)) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    fixed = np.column_stack([np.ones(rows), rng.normal(size=rows)])
    codes = np.column_stack([rng.integers(-1 if factor == 0 else 0, LEVELS[factor], rows) for factor in range(2)])
    linear = fixed @ np.array([-1.5, 0.4])
    for factor in range(2):
        linear = linear + np.append(rng.normal(0, sd[factor], LEVELS[factor]), 0.0)[codes[:, factor]]
    trials = rng.integers(1, 5, rows)
    return {"failures": rng.binomial(trials, expit(linear)), "trials": trials, "fixed": fixed, "codes": codes}


def test_slope_is_the_likelihoods_own() -> None:
    data = cells(1)
    known, scale = np.full(2, np.nan), np.array([1.0, 0.7])
    parts = Cells.of(levels=LEVELS, weights=np.linspace(0.5, 1, 500), fixed_prior_sd=2.0, **data)
    design = Design.of(data["fixed"], data["codes"], LEVELS, None)
    search = _Search(parts, design, fit_cells(parts, known, scale, 3.0), known, scale)
    for place in (np.zeros(4), np.array([0.5, -1.0, 1.0, -2.0]), np.array([-2.0, 1.0, -3.0, 1.5])):
        _, slope = search(place)
        numeric = approx_fprime(place, lambda at: search(at)[0], 1e-5)
        np.testing.assert_allclose(slope, numeric, rtol=1e-3, atol=2e-3)


def test_numerical_integration_agrees_on_one_factor() -> None:
    """With many trials a level, Laplace's method and integration on a fine grid find one maximum."""
    rng = np.random.default_rng(2)
    level = np.repeat(np.arange(12), 3)
    trials = np.full(36, 400)
    failures = rng.binomial(trials, expit(-1.0 + rng.normal(0, 0.8, 12)[level]))
    nodes = np.linspace(-6, 6, 6001)
    masses = np.exp(-0.5 * nodes**2) * 0.002
    choose = (gammaln(trials + 1) - gammaln(failures + 1) - gammaln(trials - failures + 1)).sum()

    def loss(at: np.ndarray) -> float:
        linear = at[0] + np.exp(at[1]) * nodes
        each = failures[:, None] * linear - trials[:, None] * np.logaddexp(0, linear)
        inside = np.zeros((12, 6001))
        np.add.at(inside, level, each)
        return -float((logsumexp(inside, axis=1, b=masses) - 0.5 * np.log(2 * np.pi)).sum()) - choose

    exact = minimize(loss, [-1.0, np.log(0.8)], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9})
    fit = fit_laplace(failures, trials, np.ones((36, 1)), level[:, None], (12,))
    assert fit.log_likelihood == pytest.approx(-exact.fun, abs=0.005)
    assert fit.fixed_effects[0] == pytest.approx(exact.x[0], abs=2e-3)
    assert fit.sd[0] == pytest.approx(np.exp(exact.x[1]), rel=2e-3)


def test_is_the_maximum_over_a_search_without_slopes() -> None:
    """Brute force: the quick fit's Laplace value at many held deviations never beats the maximum found."""
    data = cells(3)
    fit = fit_laplace(levels=LEVELS, **data)
    assert fit.converged
    around = [
        fit_laplace(levels=LEVELS, sd=fit.sd * np.array(factor), **data).log_likelihood
        for factor in ((0.9, 1), (1.1, 1), (1, 0.9), (1, 1.1), (1.0, 1.0))
    ]
    assert max(around[:4]) < fit.log_likelihood
    assert around[4] == pytest.approx(fit.log_likelihood, rel=1e-9)
    assert fit_crossed(levels=LEVELS, **data).log_likelihood <= fit.log_likelihood


def test_the_quick_fit_understates_on_few_trials_and_laplace_less() -> None:
    """Binary outcomes, few a level: known weakness of the fixed point, stated in its description."""
    quick, better = [], []
    for seed in range(12):
        rng = np.random.default_rng(40 + seed)
        level = np.repeat(np.arange(100), 6)
        outcome = rng.binomial(1, expit(-1.0 + rng.normal(0, 1.2, 100)[level]))
        arguments = (outcome, np.ones(600), np.ones((600, 1)), level[:, None], (100,))
        quick.append(fit_crossed(*arguments).sd[0])
        better.append(fit_laplace(*arguments).sd[0])
    assert np.mean(quick) < np.mean(better)
    assert np.mean(better) == pytest.approx(1.2, rel=0.1)


def test_a_factor_that_does_nothing_goes_to_the_floor() -> None:
    rng = np.random.default_rng(5)
    codes = rng.integers(0, 30, (2000, 1))
    failures = np.tile([0, 1, 0, 0], 500)
    # one of four in every level exactly: less spread than chance
    codes[:, 0] = np.repeat(np.arange(20), 100)
    fit = fit_laplace(failures, np.ones(2000), np.ones((2000, 1)), codes, (20,))
    assert fit.sd[0] <= 2 * SD_LEAST
    assert fit.converged
    assert np.abs(fit.effects[0]).max() < 1e-3


def test_prior_scale_pulls_small_factors_in() -> None:
    data = cells(6)
    free = fit_laplace(levels=LEVELS, **data)
    pulled = fit_laplace(levels=LEVELS, sd_prior_scale=np.array([0.1, np.inf]), **data)
    assert pulled.sd[0] < 0.8 * free.sd[0]
    assert pulled.sd[1] == pytest.approx(free.sd[1], rel=0.1)


def test_same_answer_from_any_order() -> None:
    data = cells(7)
    shuffle = np.random.default_rng(0).permutation(500)
    one = fit_laplace(levels=LEVELS, **data)
    two = fit_laplace(levels=LEVELS, **{name: column[shuffle] for name, column in data.items()})
    np.testing.assert_allclose(one.sd, two.sd, rtol=1e-5)
    three = fit_laplace(levels=LEVELS, start=one.start, **data)
    np.testing.assert_allclose(one.sd, three.sd, rtol=1e-4)
