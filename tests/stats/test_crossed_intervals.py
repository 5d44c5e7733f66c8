"""Intervals that allow for an unknown spread: exact integration on a small case, and coverage."""

import numpy as np
import pytest
from scipy.special import expit

from farmwatch.stats.crossed import Cells, fit_crossed, linear_predictor
from farmwatch.stats.crossed_intervals import effect_intervals
from farmwatch.stats.plate_correlation import estimate_rho


def test_exact_integration_over_effects_and_spread() -> None:
    """Second route: the posterior of each effect on a grid of effects by a grid of spreads, nothing approximated."""
    failures, trials = np.array([48.0, 120.0, 84.0, 192.0]), np.full(4, 400.0)
    offset = np.full(4, -1.2)
    cells = Cells.of(failures, trials, np.zeros((4, 0)), np.arange(4)[:, None], (4,), offset)
    fit = fit_crossed(failures, trials, np.zeros((4, 0)), np.arange(4)[:, None], (4,), offset)
    found = effect_intervals(cells, fit, 0, level=0.9, sd_prior_scale=1.0)

    effects = np.linspace(-4, 4, 4001)
    spreads = np.exp(np.linspace(np.log(0.02), np.log(3.0), 300))
    linear = offset[:, None] + effects
    data = failures[:, None] * linear - trials[:, None] * np.logaddexp(0, linear)
    data = np.exp(data - data.max(axis=1, keepdims=True))
    prior = np.exp(-0.5 * (effects / spreads[:, None]) ** 2) / spreads[:, None]
    within = prior[:, None, :] * data  # spreads, levels, effects
    each = within.sum(axis=2)
    weight = each.prod(axis=1) * spreads * np.exp(-0.5 * spreads**2)
    weight /= weight.sum()
    posterior = np.einsum("s,sle->le", weight, within / each[:, :, None])
    reached = np.cumsum(posterior, axis=1)
    low = [np.interp(0.05, row, effects) for row in reached]
    high = [np.interp(0.95, row, effects) for row in reached]
    np.testing.assert_allclose(found.mean, posterior @ effects, atol=0.02)
    np.testing.assert_allclose(found.low, low, atol=0.03)
    np.testing.assert_allclose(found.high, high, atol=0.03)
    assert found.sd_mean == pytest.approx(weight @ spreads, rel=0.03)


def test_intervals_cover_on_small_farms() -> None:
    """Three crossed factors of few levels on 300 plates: the plain normal interval is too narrow, this one is not."""
    levels, spreads = (5, 8, 16), (0.5, 0.5, 0.8)
    held, plain, number = 0, 0, 0
    for seed in range(16):
        rng = np.random.default_rng(9000 + seed)
        codes = np.column_stack([rng.integers(0, count, 300) for count in levels])
        truth = [rng.normal(0, spread, count) for spread, count in zip(spreads, levels, strict=True)]
        linear = -3.0 + sum(effects[codes[:, factor]] for factor, effects in enumerate(truth))
        trials = rng.integers(1, 12, 300)
        failures = rng.binomial(trials, expit(linear))
        fixed = np.ones((300, 1))
        fit = fit_crossed(failures, trials, fixed, codes, levels)
        cells = Cells.of(failures, trials, fixed, codes, levels)
        for factor, effects in enumerate(truth):
            found = effect_intervals(cells, fit, factor)
            held += int(((found.low < effects) & (effects < found.high)).sum())
            error = (effects - fit.effects[factor]) / np.sqrt(fit.effect_variances[factor])
            plain += int((np.abs(error) < 1.96).sum())
            number += len(effects)
    assert 0.92 < held / number < 0.985
    assert plain < held


def test_a_wider_level_is_wider_and_more_plates_are_narrower() -> None:
    rng = np.random.default_rng(3)
    widths, truth = [], rng.normal(0, 0.5, 10)
    for rows in (200, 2000):
        codes = rng.integers(0, 10, (rows, 1))
        failures = rng.binomial(8, expit(-2 + truth[codes[:, 0]]))
        arguments = (failures, np.full(rows, 8), np.zeros((rows, 0)), codes, (10,), np.full(rows, -2.0))
        fit, cells = fit_crossed(*arguments), Cells.of(*arguments)
        narrow, wide = effect_intervals(cells, fit, 0, 0.5), effect_intervals(cells, fit, 0, 0.95)
        assert (wide.low < narrow.low).all()
        assert (narrow.low < narrow.mean).all()
        assert (narrow.mean < narrow.high).all()
        assert (narrow.high < wide.high).all()
        widths.append((wide.high - wide.low).mean())
    assert widths[1] < 0.6 * widths[0]


def test_plates_weighted_for_shared_fate_keep_their_coverage() -> None:
    """Correlation within plates: parts taken as independent give intervals that are too narrow, weights mend it."""
    levels, spreads, rho = (12, 20), (0.5, 0.7), 0.25
    weighted, independent, number = 0, 0, 0
    for seed in range(25):
        rng = np.random.default_rng(11_000 + seed)
        codes = np.column_stack([rng.integers(0, count, 1000) for count in levels])
        truth = [rng.normal(0, spread, count) for spread, count in zip(spreads, levels, strict=True)]
        risk = expit(-2.5 + sum(effects[codes[:, factor]] for factor, effects in enumerate(truth)))
        trials, fixed = rng.integers(2, 14, 1000), np.ones((1000, 1))
        failures = rng.binomial(trials, rng.beta(risk * (1 - rho) / rho, (1 - risk) * (1 - rho) / rho))
        plain = fit = fit_crossed(failures, trials, fixed, codes, levels)
        for _ in range(2):
            found = estimate_rho(failures, trials, expit(linear_predictor(fit, fixed, codes)))
            fit = fit_crossed(failures, trials, fixed, codes, levels, weights=1 / (1 + (trials - 1) * found))
        for factor, effects in enumerate(truth):
            spread = np.abs(fit.effects[factor] - effects) / np.sqrt(fit.effect_variances[factor])
            weighted += int((spread < 1.96).sum())
            spread = np.abs(plain.effects[factor] - effects) / np.sqrt(plain.effect_variances[factor])
            independent += int((spread < 1.96).sum())
            number += len(effects)
    assert 0.90 < weighted / number < 0.98
    assert independent / number < 0.88
