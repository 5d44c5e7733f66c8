"""The scan for shifts of a failure rate: a second route, and how it behaves when nothing and when something happens."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats
from scipy.special import logsumexp

from farmwatch.stats import rate_scan
from farmwatch.stats.plate_model import PlateModel, fit_plate_model, plate_log_likelihood
from farmwatch.stats.rate_scan import (
    OFFSETS,
    UP_STEPS,
    ZERO,
    ShiftTable,
    onset_interval,
    own_levels,
    scan_shifts,
    shift_log_likelihoods,
    shift_posterior,
)
from farmwatch.stats.risk_cusum import cusum

MODEL = PlateModel(rho=0.05, accident_share=0.2)


def draw_plates(rng: np.random.Generator, p: np.ndarray, n: int, model: PlateModel) -> np.ndarray:
    """Failures of plates of ``n`` parts under the plate model, by its own two ways."""
    q = model.accident_share * p / 0.8
    rest = (1.0 - model.accident_share) * p / (1.0 - q)
    size = (1.0 - model.rho) / model.rho
    usual = rng.beta(rest * size, (1.0 - rest) * size)
    lost = rng.beta(2.0, 0.5, len(p))
    return rng.binomial(n, np.where(rng.random(len(p)) < q, lost, usual)).astype(float)


def test_plate_model_is_a_distribution_with_the_mean_it_is_given() -> None:
    y = np.arange(10.0)
    coefficient = stats.binom(9, 0.5).logpmf(y) - 9 * np.log(0.5)
    for p in (0.01, 0.1, 0.6):
        mass = np.exp(plate_log_likelihood(y, np.full(10, 9.0), np.full(10, p), MODEL) + coefficient)
        assert mass.sum() == pytest.approx(1.0, rel=1e-10)
        assert mass @ y == pytest.approx(9 * p, rel=1e-9)
        second = (mass @ (y * (y - 1))) / (9 * 8)
        assert MODEL.correlation(p) == pytest.approx((second - p * p) / (p * (1 - p)), rel=1e-8)


def test_plate_model_without_accidents_is_the_beta_binomial() -> None:
    y, n, p, rho = np.arange(8.0), np.full(8, 7.0), np.full(8, 0.2), 0.1
    size = (1 - rho) / rho
    reference = stats.betabinom(7, 0.2 * size, 0.8 * size).logpmf(y)
    coefficient = stats.binom(7, 0.5).logpmf(y) - 7 * np.log(0.5)
    mine = plate_log_likelihood(y, n, p, PlateModel(rho, 0.0)) + coefficient
    np.testing.assert_allclose(mine, reference, rtol=1e-8)


def test_plate_model_finds_its_own_parameters() -> None:
    rng = np.random.default_rng(5)
    p = rng.uniform(0.02, 0.06, 20_000)
    model = fit_plate_model(draw_plates(rng, p, 9, MODEL), np.full(len(p), 9.0), p)
    assert model.accident_share == pytest.approx(0.2, abs=0.06)
    assert model.rho == pytest.approx(0.05, abs=0.025)


def test_one_lost_plate_speaks_for_no_more_than_the_odds_ratio() -> None:
    table = shift_log_likelihoods(np.array([9.0]), np.array([9.0]), np.array([-3.2]), MODEL)
    ten = int(np.argmin(np.abs(OFFSETS - np.log(10))))
    assert 1.0 < table[0, ten] - table[0, ZERO] < np.log(12.0)


def test_scan_agrees_with_the_sum_written_out() -> None:
    rng = np.random.default_rng(1)
    days, sd = 12, 0.3
    y = draw_plates(rng, np.full(days, 0.1), 9, MODEL)
    table = shift_log_likelihoods(y, np.full(days, 9.0), np.full(days, np.log(0.1 / 0.9)), MODEL)
    scan = scan_shifts(table[None], np.ones((1, days), bool), sd, UP_STEPS, guard=False)
    steps, log_weight = own_levels(sd)
    null = logsumexp([w + table[:, ZERO + b].sum() for b, w in zip(steps, log_weight, strict=True)])
    for onset in range(days):
        terms = [
            w + table[:onset, ZERO + b].sum() + table[onset:, ZERO + b + shift].sum() - np.log(len(UP_STEPS))
            for b, w in zip(steps, log_weight, strict=True)
            for shift in UP_STEPS
        ]
        assert scan.onset_log_weight[0, onset] == pytest.approx(logsumexp(terms) - null, rel=1e-9, abs=1e-9)
    assert scan.log_evidence[0] == pytest.approx(logsumexp(scan.onset_log_weight[0]), rel=1e-12)


def test_without_a_shift_the_evidence_has_mean_the_number_of_onsets() -> None:
    """The promise behind the alarm budget, and its consequence: the chance that R ever reaches A in T days is below T/A."""
    rng = np.random.default_rng(2)
    days, streams, sd = 30, 2000, 0.3
    level = rng.normal(0.0, sd, streams)
    p = 1.0 / (1.0 + np.exp(-(np.log(0.05 / 0.95) + np.repeat(level, days))))
    y = draw_plates(rng, p, 9, MODEL)
    eta = np.full(len(y), np.log(0.05 / 0.95))
    table = shift_log_likelihoods(y, np.full(len(y), 9.0), eta, MODEL).reshape(streams, days, -1)
    active = np.ones((streams, days), bool)
    # small shifts only: with large ones the mean sits in a tail that no simulation of this size reaches
    scan = scan_shifts(table, active, sd, np.array([2, 3]), guard=False)
    assert np.exp(scan.log_evidence).mean() == pytest.approx(days, rel=0.25)
    limit = 300.0
    crossed = np.zeros(streams, bool)
    for day in range(3, days + 1, 3):
        seen = scan_shifts(table[:, :day], active[:, :day], sd, UP_STEPS, guard=False)
        crossed |= seen.log_evidence >= np.log(limit)
    assert 0.001 < crossed.mean() <= days / limit


def test_onset_interval_covers_and_effect_interval_covers() -> None:
    rng = np.random.default_rng(3)
    days, change, sd, shift = 60, 35, 0.25, np.log(5.0)
    covered = dated = found = 0
    for _ in range(120):
        own = rng.normal(0.0, sd)
        eta = np.log(0.05 / 0.95) + own + np.where(np.arange(days) >= change, shift, 0.0)
        y = draw_plates(rng, 1 / (1 + np.exp(-eta)), 12, MODEL)
        table = shift_log_likelihoods(y, np.full(days, 12.0), np.full(days, np.log(0.05 / 0.95)), MODEL)
        scan = scan_shifts(table[None], np.ones((1, days), bool), sd, UP_STEPS, guard=False)
        if scan.log_evidence[0] < np.log(1000.0):
            continue
        found += 1
        onset = onset_interval(scan.onset_log_weight[0])
        dated += onset.low <= change <= onset.high
        posterior = shift_posterior(table[:change].sum(axis=0), table[change:].sum(axis=0), sd)
        covered += posterior.low <= shift <= posterior.high
    assert found >= 100
    assert 0.82 <= dated / found <= 0.99
    assert 0.90 <= covered / found <= 0.99


def test_effect_with_much_data_is_the_odds_ratio() -> None:
    n = np.full(400, 50.0)
    eta = np.full(400, np.log(0.1 / 0.9))
    after = np.arange(400) >= 200
    y = np.where(after, 15.0, 5.0)
    table = shift_log_likelihoods(y, n, eta, None)
    posterior = shift_posterior(table[~after].sum(axis=0), table[after].sum(axis=0), 0.5)
    assert posterior.log_odds_ratio == pytest.approx(np.log((0.3 / 0.7) / (0.1 / 0.9)), abs=0.03)
    assert posterior.own_level == pytest.approx(0.0, abs=0.02)
    assert posterior.low < posterior.log_odds_ratio < posterior.high
    wald = np.sqrt(1 / (0.3 * 0.7 * 1e4) + 1 / (0.1 * 0.9 * 1e4))
    assert posterior.standard_error == pytest.approx(wald, rel=0.25)


def test_cusum_is_the_recursion() -> None:
    rng = np.random.default_rng(4)
    weights = rng.normal(-0.1, 1.0, 200)
    level, path = 0.0, []
    for weight in weights:
        level = max(0.0, level + weight)
        path.append(level)
    np.testing.assert_allclose(cusum(weights), path, atol=1e-12)


def test_streams_better_than_their_own_past_alone_are_no_improvement() -> None:
    """A fault that ends is not filed as getting better: down has to stand apart from the peers as well."""
    days = 80
    eta = np.full(days, np.log(0.05 / 0.95))
    y = np.where(np.arange(days) < 40, 3.0, 0.6).round()
    y[40:] = np.tile([1.0, 0.0, 1.0, 0.0], 10)
    table = shift_log_likelihoods(y, np.full(days, 10.0), eta, PlateModel(0.02, 0.1))[None]
    active = np.ones((1, days), bool)
    down = np.array([-3, -5, -7])
    free = scan_shifts(table, active, 0.3, down, guard=False).log_evidence[0]
    guarded = scan_shifts(table, active, 0.3, down, guard=True).log_evidence[0]
    assert free > np.log(1000.0)
    assert guarded < np.log(100.0)


def test_table_of_likelihoods_agrees_with_the_likelihood() -> None:
    rng = np.random.default_rng(6)
    n = rng.integers(1, 16, 300).astype(float)
    y = np.minimum(rng.poisson(0.8, 300), n).astype(float)
    log_odds = np.round(rng.normal(-3.0, 0.8, 300) / 0.04) * 0.04
    table = ShiftTable(MODEL)
    exact = shift_log_likelihoods(y, n, np.round(log_odds, 2), MODEL)
    for _ in range(2):  # the second time from what is kept
        np.testing.assert_allclose(table(y, n, log_odds), exact, atol=0.1)
    on_grid = np.full(300, -3.0)
    np.testing.assert_allclose(table(y, n, on_grid), shift_log_likelihoods(y, n, on_grid, MODEL), rtol=1e-9, atol=1e-9)


def test_an_onset_interval_by_hand() -> None:
    weight = np.full(12, -np.inf)
    weight[[2, 5, 9]] = np.log([0.9, 0.06, 0.04])
    first = onset_interval(weight)
    assert (first.day, first.low, first.high) == (2, 2, 2)  # nothing before the first plate, which holds nine tenths
    assert first.first_mass == pytest.approx(0.96, rel=1e-12)
    weight[[2, 5, 9]] = np.log([0.04, 0.06, 0.9])
    last = onset_interval(weight)
    assert (last.day, last.low, last.high) == (9, 6, 9)  # after the plate of day 5
    weight[[2, 5, 9]] = np.log([0.03, 0.94, 0.03])
    assert (onset_interval(weight).low, onset_interval(weight).high) == (3, 5)
    weight[[2, 5, 9]] = np.log([0.06, 0.5, 0.44])
    assert (onset_interval(weight).low, onset_interval(weight).high) == (3, 9)


@pytest.mark.parametrize(("rho", "share"), [(0.02, 0.05), (0.05, 0.2), (0.25, 0.45)])
def test_the_grid_of_the_plate_model_misses_little_of_the_greatest_likelihood(rho: float, share: float) -> None:
    rng = np.random.default_rng(8)
    p = np.round(rng.uniform(-3.5, -1.5, 6000) * 10.0) / 10.0
    p = 1.0 / (1.0 + np.exp(-p))
    y, n = draw_plates(rng, p, 9, PlateModel(rho, share)), np.full(len(p), 9.0)

    def loss(logits: np.ndarray) -> float:
        return -float(plate_log_likelihood(y, n, p, PlateModel(*(1.0 / (1.0 + np.exp(-logits))))).sum())

    start = np.log(np.array([rho, share]) / (1.0 - np.array([rho, share])))
    best = optimize.minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-3, "fatol": 1e-3})
    found = fit_plate_model(y, n, p)
    missed = float(-best.fun - plate_log_likelihood(y, n, p, found).sum())
    assert -1e-2 <= missed <= 0.6


def test_the_table_of_likelihoods_holds_to_both_ends_of_its_grid() -> None:
    table, one = ShiftTable(MODEL), np.ones(1)
    lowest, highest = rate_scan._LOWEST, float(rate_scan._GRID[-1 - rate_scan._SPAN])
    for log_odds in (lowest, highest):
        at = np.array([log_odds])
        exact = shift_log_likelihoods(one, 9.0 * one, at, MODEL)
        np.testing.assert_allclose(table(one, 9.0 * one, at), exact, rtol=1e-9, atol=1e-9)
    beyond = table(one, 9.0 * one, np.array([lowest - 3.0]))
    np.testing.assert_array_equal(beyond, table(one, 9.0 * one, np.array([lowest])))
