"""Steps in daily means: the e-values against integrals, their mean without a step, and what they find."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from farmwatch.stats.mean_scan import (
    BANK,
    DailyNoise,
    course_basis,
    daily_noise,
    scan_steps,
    step_size,
    whiten,
)
from farmwatch.stats.robust import bending, drawn_in_square, held_out_coefficients, huber_regression, spread


def correlated(rng: np.random.Generator, streams: int, days: int, rho: float) -> np.ndarray:
    """Rows of AR(1) noise with innovations of variance 1, stationary from the start."""
    noise = rng.normal(size=(streams, days))
    noise[:, 0] /= np.sqrt(1 - rho**2)
    for day in range(1, days):
        noise[:, day] += rho * noise[:, day - 1]
    return noise


@pytest.mark.parametrize("rho", [0.0, 0.6])
def test_second_route_the_ratio_is_a_ratio_of_integrals(rho: float) -> None:
    """Level and step integrated numerically over their priors, gaps in the days, the covariance written out."""
    values = np.array([0.3, -0.4, 0.2, np.nan, 0.1, 1.2, 0.9, np.nan, np.nan, 1.4])
    weight = np.where(np.isnan(values), 0.0, 1.0)
    days = np.flatnonzero(weight > 0)
    covariance = rho ** np.abs(days[:, None] - days[None, :]) / (1 - rho**2)
    law = multivariate_normal(np.zeros(days.size), covariance)
    scan = scan_steps(values[None], weight[None], course_basis(10, 0), weight[None], np.array([1.0]), np.array([rho]))

    level = np.linspace(-15, 15, 601)[None, :, None]
    ratios = []
    for width in BANK / (1.0 - rho):
        step = np.linspace(-6 * width, 6 * width, 401)
        both = law.pdf(values[days] - level - step[:, None, None] * (days >= 5)).sum(axis=1)
        prior = np.exp(-0.5 * (step / width) ** 2)
        ratios.append((both * prior).sum() / prior.sum() / law.pdf(values[days] - level[0]).sum())
    assert scan.log_ratio[0, 5] == pytest.approx(np.log(np.mean(ratios)), rel=1e-4)


@pytest.mark.parametrize(("rho", "degree"), [(0.0, 0), (0.5, 0), (0.8, 2)])
def test_without_a_step_the_mean_evidence_is_the_number_of_candidates(rho: float, degree: int) -> None:
    """Thousands of streams: the mean is heavy-tailed, so the bound is tested on its part below 50 and on the alarm share."""
    rng = np.random.default_rng(8)
    streams, days = (6_000 if degree == 0 else 3_000), 40
    values = correlated(rng, streams, days, rho) + rng.normal(0, 30, (streams, 1))
    weight, candidates = np.ones((streams, days)), np.zeros((streams, days))
    candidates[:, 10:] = 1.0
    scan = scan_steps(values, weight, course_basis(days, degree), candidates, np.ones(streams), np.full(streams, rho))
    evidence = np.exp(scan.log_evidence)
    assert np.minimum(evidence, 50 * 30).mean() < 30 * 1.15
    for limit in (10, 100):
        assert (evidence / 30 >= limit).mean() < 1.15 / limit


@pytest.mark.parametrize(("size", "days_after"), [(1.0, 45), (2.0, 12), (5.0, 6)])
def test_a_step_is_found_and_dated(size: float, days_after: int) -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(size=(200, 60 + days_after))
    values[:, 60:] += size
    shape = values.shape
    candidates = np.ones(shape)
    candidates[:, :10] = 0.0
    scan = scan_steps(values, np.ones(shape), course_basis(shape[1], 0), candidates, np.ones(200), np.zeros(200))
    assert (scan.log_evidence > np.log(20_000)).mean() > 0.6
    assert np.median(np.abs(np.argmax(scan.log_ratio, axis=1) - 60)) <= 3


def test_one_wild_day_is_no_step_wherever_it_stands() -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(size=(80, 80))
    values[np.arange(80), np.arange(80)] += 100.0
    candidates = np.ones((80, 80))
    candidates[:, :10] = 0.0
    scan = scan_steps(values, np.ones((80, 80)), course_basis(80, 0), candidates, np.ones(80), np.zeros(80))
    assert (scan.log_evidence < np.log(20_000)).all()


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.8])
def test_noise_is_recovered_or_thought_larger(rho: float) -> None:
    rng = np.random.default_rng(6)
    grid = correlated(rng, 24, 120, rho)
    grid[rng.random(grid.shape) < 0.2] = np.nan
    grid[:5, 60:] += 5.0
    noise = daily_noise(grid)
    assert noise.rho == pytest.approx(rho, abs=0.12)
    assert 0.9 < noise.scale / (1.0 - noise.rho) * (1.0 - rho) < 1.8
    assert np.isnan(daily_noise(np.full((3, 50), np.nan)).scale)
    assert np.isnan(drawn_in_square(np.ones(4)))


def test_days_with_a_level_of_their_own_say_nothing_of_the_level_after() -> None:
    """Second route: without correlation from day to day they may as well not be there; a step where they end is none."""
    values = np.random.default_rng(4).normal(size=(30, 40))
    own_until = 18
    later = np.tile(np.arange(40) >= own_until, (30, 1)).astype(float)
    high = values + 50.0 * (1.0 - later)
    rest = np.ones(values.shape), np.full(30, 9.0), np.zeros(30)  # so wide a spread that no day is drawn in
    own = scan_steps(high, np.ones(values.shape), course_basis(40, 0, own_until), *rest)
    without = scan_steps(values, later, course_basis(40, 0), *rest)
    after = slice(own_until + 1, None)
    assert own.log_ratio[:, after] == pytest.approx(without.log_ratio[:, after], abs=1e-9)
    assert own.step[:, after] == pytest.approx(without.step[:, after])
    assert np.isneginf(own.log_ratio[:, own_until]).all()
    # in a batch with streams that have no such days, these come out as they would alone
    courses = np.stack([course_basis(40, 0, own_until if number % 2 else 0) for number in range(30)])
    mixed = scan_steps(high, np.ones(values.shape), courses, *rest)
    plain = scan_steps(high, np.ones(values.shape), course_basis(40, 0), *rest)
    assert mixed.log_ratio[1::2] == pytest.approx(own.log_ratio[1::2])
    assert mixed.log_ratio[::2] == pytest.approx(plain.log_ratio[::2])
    assert mixed.log_evidence[::2].min() > 3.0 > mixed.log_evidence[1::2].max() - np.log(40)


def test_step_size_has_its_interval_and_days_without_runs_are_skipped() -> None:
    rng = np.random.default_rng(9)
    noise, weight = DailyNoise(1.0, 0.5), np.ones(120)
    weight[::7] = 0.0
    inside = 0
    for _ in range(200):
        values = correlated(rng, 1, 120, 0.5)[0] + 3.0 * (np.arange(120) >= 70)
        step, error = step_size(values, weight, course_basis(120, 0), noise, 70)
        inside += abs(step - 3.0) <= 1.96 * error
    assert 0.9 <= inside / 200 <= 1.0
    whitened, _, fresh, after = whiten(np.ones((1, 3)), np.array([[1.0, 0.0, 1.0]]), np.ones((3, 1)), np.array([0.5]))
    assert whitened[0, [0, 2]] == pytest.approx([1.0, 0.75])
    assert fresh[0, 2] == pytest.approx(0.75)
    assert after[0] == pytest.approx([0.75, 0.0, 0.75 / (1 - 0.25**2)])


def test_held_out_coefficients_equal_a_fit_without_the_group() -> None:
    rng = np.random.default_rng(10)
    design = np.column_stack([np.ones(3000), rng.normal(size=(3000, 2))])
    group = rng.integers(0, 6, 3000)
    response = design @ [1.0, 2.0, -1.0] + rng.standard_t(3, 3000) + 4.0 * (group == 2)
    fit = huber_regression(design, response)
    held_out = held_out_coefficients(design, response, group, fit)
    others = group != 2
    root = np.sqrt(fit.weights[others])
    without = np.linalg.lstsq(design[others] * root[:, None], response[others] * root, rcond=None)[0]
    assert held_out[2] == pytest.approx(without, abs=5e-3)
    assert np.abs(fit.coefficients - without).max() > 0.1  # the group's own level would have bent them
    assert held_out_coefficients(design, response, np.zeros(3000, dtype=int), fit)[0] == pytest.approx(fit.coefficients)


def test_robust_pieces() -> None:
    rng = np.random.default_rng(12)
    values = rng.normal(5, 2, 20_000)
    values[:2000] = 1e6
    assert spread(values[2000:]) == pytest.approx(2.0, rel=0.03)
    assert spread(np.append(values[2000:], np.nan)) == spread(values[2000:])
    assert np.isnan(spread(np.array([np.nan])))
    with pytest.raises(ValueError, match="cannot give"):
        huber_regression(np.ones((1, 2)), np.ones(1))


def test_size_of_a_step_is_that_of_weighted_least_squares() -> None:
    """Where no day is wild, and days weigh differently: the normal equations written out."""
    rng = np.random.default_rng(8)
    days, onset = 40, 25
    weight = rng.uniform(0.3, 1.0, days)
    weight[[3, 30]] = 0.0
    values = 2.0 + 0.7 * (np.arange(days) >= onset) + rng.uniform(-0.01, 0.01, days)
    there = weight > 0
    design = np.column_stack([np.ones(days), np.arange(days) >= onset])[there]
    gram = design.T @ (weight[there, None] * design)
    slopes = np.linalg.solve(gram, design.T @ (weight[there] * values[there]))
    step, error = step_size(values, weight, np.ones((days, 1)), DailyNoise(0.02, 0.3), onset)
    assert step == pytest.approx(slopes[-1], abs=2e-3)
    assert error == pytest.approx(0.02 / 0.7 * np.sqrt(np.linalg.inv(gram)[-1, -1]), rel=1e-9)


def test_few_days_leave_the_noise_in_doubt_and_it_is_taken_for_larger() -> None:
    rng = np.random.default_rng(4)
    short = np.mean([daily_noise(rng.normal(size=(1, 25))).scale for _ in range(200)])
    long = np.mean([daily_noise(rng.normal(size=(40, 25))).scale for _ in range(20)])
    assert 1.0 < long < 1.15
    assert 1.15 < short < 1.6


def test_as_many_rows_as_columns_are_fitted_exactly_and_every_coefficient_settles() -> None:
    square = np.array([[1.0, 0.0], [1.0, 2.0]])
    assert huber_regression(square, np.array([3.0, 7.0])).coefficients == pytest.approx([3.0, 2.0])
    # the estimating equations of Huber's regression: weighted residuals are orthogonal to every column
    rng = np.random.default_rng(3)
    design = np.column_stack([np.ones(80), rng.normal(size=(80, 3))])
    fit = huber_regression(design, design @ [1.0, -2.0, 0.5, 0.0] + rng.standard_t(2, 80))
    assert design.T @ (fit.weights * fit.residuals) == pytest.approx(np.zeros(4), abs=1e-6)


def test_who_bends_a_fit_is_told_by_leaving_each_out() -> None:
    """Second route: the fit repeated without each group, and how far that moves what is said of the other rows."""
    rng = np.random.default_rng(5)
    group = rng.integers(0, 8, 1600)
    x = np.where(group == 3, 4.0, 1.0) * rng.normal(0, 1, 1600)
    design = np.column_stack([np.ones(1600), x])
    response = 0.5 * x + rng.normal(0, 1, 1600) + np.where(group == 3, 0.4 * x, 0.0)
    fit = huber_regression(design, response)
    moved = bending(design, response, group, fit)
    for who in range(8):
        others = group != who
        root = np.sqrt(fit.weights[others])
        again = np.linalg.lstsq(design[others] * root[:, None], response[others] * root, rcond=None)[0]
        shift = (design[others] * root[:, None]) @ (again - fit.coefficients)
        assert moved[who] == pytest.approx(np.sqrt((shift**2).mean()) / fit.scale, rel=0.03)
    assert np.argmax(moved) == 3
    assert moved[3] > 3.0 * np.median(moved)
    assert moved[np.arange(8) != 3].max() < 3.0 * np.median(moved)
