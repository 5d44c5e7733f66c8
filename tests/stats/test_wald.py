"""The sequential test on plates: against exact enumeration, and its errors in simulation under nightly looks."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.special import expit, logit
from scipy.stats import betabinom, binom

from farmwatch.stats.plate_model import PlateModel
from farmwatch.stats.wald import (
    averaged_path,
    bernoulli_characteristic,
    effect_since,
    limits,
    log_beta_binomial,
    log_ratios,
    mean_steps,
    sequential,
)


def test_limits_need_errors_that_make_sense() -> None:
    assert limits(0.05, 0.05) == pytest.approx((np.log(0.05 / 0.95), np.log(0.95 / 0.05)))
    for errors in ((0.0, 0.1), (0.6, 0.5), (0.1, 0.0)):
        with pytest.raises(ValueError, match="errors"):
            limits(*errors)


@pytest.mark.parametrize("rho", [0.0, 0.02, 0.3])
def test_plate_probabilities_are_the_beta_binomial(rho: float) -> None:
    y, n, p = np.arange(9.0), np.full(9, 8.0), np.full(9, 0.2)
    a, b = 0.2 * (1 - rho) / max(rho, 1e-9), 0.8 * (1 - rho) / max(rho, 1e-9)
    expected = betabinom.logpmf(np.arange(9), 8, a, b) if rho else binom.logpmf(np.arange(9), 8, 0.2)
    np.testing.assert_allclose(log_beta_binomial(y, n, p, rho), expected, rtol=1e-9)


def test_mean_step_by_enumeration() -> None:
    step = log_ratios(np.arange(5.0), np.full(5, 4.0), np.full(5, 0.1), 0.1, 1.2)
    worse = expit(logit(0.1) + 1.2)
    back = (betabinom.pmf(np.arange(5), 4, 0.1 * 9, 0.9 * 9) * step).sum()
    bad = (betabinom.pmf(np.arange(5), 4, worse * 9, (1 - worse) * 9) * step).sum()
    model = PlateModel(0.1, 0.0)
    assert mean_steps(np.array([4.0]), np.array([0.1]), model, model, 1.2) == pytest.approx((back, bad))
    assert back < 0.0 < bad


def test_a_sum_on_the_limit_decides() -> None:
    there, gone = sequential(np.array([1.0, 1.0, -9.0]), -2.0, 2.0), sequential(np.array([-1.0, -1.0, 9.0]), -2.0, 2.0)
    assert (there.decision, there.decided_at) == ("there", 1)
    assert (gone.decision, gone.decided_at) == ("gone", 1)


def test_nobody_looks_before_the_first_look() -> None:
    steps = np.array([-2.0, -2.0, 3.0, 3.0, 3.0])
    assert sequential(steps, -3.0, 3.0).decided_at == 1
    assert sequential(steps, -3.0, 3.0, first_look=2).decided_at == 1
    later = sequential(steps, -3.0, 3.0, first_look=3)
    assert (later.decision, later.decided_at) == ("there", 4)
    assert sequential(steps[:2], -3.0, 3.0, first_look=9).decision == "gone"


def test_a_small_case_by_exhaustion() -> None:
    """All 2^12 sequences of twelve items: chances of each decision against those of the sequences that make it."""
    p0, p1 = 0.2, 0.6
    lower, upper = limits(0.1, 0.15)
    chance = {"there": 0.0, "gone": 0.0, "open": 0.0}
    for items in itertools.product((0.0, 1.0), repeat=12):
        y = np.array(items)
        test = sequential(log_ratios(y, np.ones(12), np.full(12, p0), 0.0, logit(p1) - logit(p0)), lower, upper)
        chance[test.decision] += float(np.prod(np.where(y > 0, p0, 1 - p0)))
    # second route: walk the lattice of (items, failures) with its two boundaries
    alive, walked = {0: 1.0}, {"there": 0.0, "gone": 0.0}
    up, down = np.log(p1 / p0), np.log((1 - p1) / (1 - p0))
    for items_seen in range(1, 13):
        moved: dict[int, float] = {}
        for k, mass in alive.items():
            for k_next, share in ((k + 1, p0), (k, 1 - p0)):
                total = k_next * up + (items_seen - k_next) * down
                if total >= upper or total <= lower:
                    walked["there" if total >= upper else "gone"] += mass * share
                else:
                    moved[k_next] = moved.get(k_next, 0.0) + mass * share
        alive = moved
    assert chance["there"] == pytest.approx(walked["there"])
    assert chance["gone"] == pytest.approx(walked["gone"])
    assert sum(chance.values()) == pytest.approx(1.0)
    assert walked["there"] <= 0.1


def test_walds_approximation_against_the_exact_chain() -> None:
    """Small steps overshoot little: chance of "gone" within .02, mean number of items within 6 %."""
    p0, p1 = 0.05, 0.08
    lower, upper = limits(0.05, 0.05)
    up, down = np.log(p1 / p0), np.log((1 - p1) / (1 - p0))
    for p in (0.05, 0.063, 0.08):
        states = np.zeros(1)
        states[0] = 1.0
        gone = items = 0.0
        for n in range(1, 4000):
            moved = np.append(states * (1 - p), 0.0)
            moved[1:] += states * p
            total = np.arange(len(moved)) * up + (n - np.arange(len(moved))) * down
            gone += moved[total <= lower].sum()
            out = (total <= lower) | (total >= upper)
            items += n * moved[out].sum()
            moved[out] = 0.0
            states = moved
        guess = bernoulli_characteristic(p, p0, p1, lower, upper)
        assert guess.gone == pytest.approx(gone, abs=0.02)
        assert guess.mean_items == pytest.approx(items, rel=0.06)


@pytest.mark.parametrize("rho", [0.0, 0.15])
def test_errors_hold_when_one_looks_after_every_plate(rho: float) -> None:
    """2,000 repairs of each kind, up to 400 plates of 8 parts at 6 % expected, odds fourfold before."""
    rng = np.random.default_rng(11)
    lower, upper = limits(0.05, 0.05)
    size, p, b = 8, 0.06, np.log(4.0)
    n, risk = np.full(400, float(size)), np.full(400, p)
    for truth, wrong in ((p, "there"), (expit(logit(p) + b), "gone")):
        chance = rng.beta(truth * (1 - rho) / rho, (1 - truth) * (1 - rho) / rho, (2000, 400)) if rho else truth
        y = rng.binomial(size, chance, (2000, 400)).astype(float)
        decisions = [sequential(log_ratios(row, n, risk, rho, b), lower, upper).decision for row in y]
        # at most 5 %, with three standard errors of 2,000 tries
        assert np.mean([d == wrong for d in decisions]) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)
        assert np.mean([d == "open" for d in decisions]) < 0.01


def test_the_correlation_matters() -> None:
    """Plates lost whole now and then, read as independent parts, would call far more sound mends bad."""
    rng = np.random.default_rng(5)
    lower, upper = limits(0.05, 0.05)
    size, p, b, rho = 8, 0.06, np.log(4.0), 0.3
    n, risk = np.full(300, float(size)), np.full(300, p)
    y = rng.binomial(size, rng.beta(p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho, (600, 300))).astype(float)
    naive = np.mean([sequential(log_ratios(row, n, risk, 0.0, b), lower, upper).decision == "there" for row in y])
    right = np.mean([sequential(log_ratios(row, n, risk, rho, b), lower, upper).decision == "there" for row in y])
    assert right < 0.075
    assert naive > 2 * right + 0.05


def test_the_effect_since_covers_the_truth() -> None:
    rng = np.random.default_rng(8)
    n, p, rho, truth = np.full(60, 8.0), np.full(60, 0.08), 0.1, np.log(2.0)
    worse = expit(logit(0.08) + truth)
    inside = 0
    for _ in range(300):
        y = rng.binomial(8, rng.beta(worse * 9, (1 - worse) * 9, 60)).astype(float)
        _, low, high = effect_since(y, n, p, rho, 2.0)
        inside += low <= truth <= high
    assert 0.91 < inside / 300 < 0.985


def test_the_effect_of_no_plates_is_the_prior() -> None:
    none = np.array([])
    mean, low, high = effect_since(none, none, none, 0.1, 1.0)
    assert mean == pytest.approx(0.0, abs=1e-6)
    assert (low, high) == pytest.approx((-1.96, 1.96), abs=0.03)


def test_one_effect_without_accidents_is_the_plain_sum() -> None:
    rng = np.random.default_rng(3)
    n, p = rng.integers(2, 12, 30).astype(float), rng.uniform(0.02, 0.3, 30)
    y = rng.binomial(n.astype(int), 0.2).astype(float)
    model = PlateModel(0.12, 0.0)
    path = averaged_path(y, n, p, model, model, np.array([1.1]), np.ones(1))
    np.testing.assert_allclose(path, np.cumsum(log_ratios(y, n, p, 0.12, 1.1)), rtol=1e-9, atol=1e-9)


def test_effects_are_averaged_as_likelihoods_by_hand() -> None:
    n, y, p = np.array([5.0, 5.0]), np.array([0.0, 2.0]), np.array([0.1, 0.1])
    sound, fault, effects, weights = (
        PlateModel(0.1, 0.0),
        PlateModel(0.5, 0.0),
        np.array([0.5, 2.0]),
        np.array([0.3, 0.7]),
    )

    def chance(seen: float, mean: float, rho: float) -> float:
        return float(betabinom.pmf(seen, 5, mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho))

    worse = expit(logit(0.1) + effects)
    first = sum(w * chance(0, m, 0.5) for w, m in zip(weights, worse, strict=True)) / chance(0, 0.1, 0.1)
    both = sum(w * chance(0, m, 0.5) * chance(2, m, 0.5) for w, m in zip(weights, worse, strict=True))
    both /= chance(0, 0.1, 0.1) * chance(2, 0.1, 0.1)
    np.testing.assert_allclose(averaged_path(y, n, p, sound, fault, effects, weights), np.log([first, both]), rtol=1e-9)


def test_one_lost_plate_speaks_by_no_more_than_the_odds_ratio() -> None:
    n, y, p, effect = np.array([10.0]), np.array([10.0]), np.array([0.04]), np.log(4.0)
    plain, farm = PlateModel(0.05, 0.0), PlateModel(0.05, 0.25)
    by_accident = averaged_path(y, n, p, farm, farm, np.array([effect]), np.ones(1))[0]
    assert by_accident < effect + 0.1
    assert averaged_path(y, n, p, plain, plain, np.array([effect]), np.ones(1))[0] > 2.0 * by_accident


def test_errors_hold_for_a_fault_that_takes_plates_whole() -> None:
    """It is there still and takes one plate in eight whole: how often is it called gone?"""
    n, p, rho, b = 6, 0.03, 0.05, np.log(5.0)
    lower, upper = limits(0.05, 0.05)
    rng = np.random.default_rng(8)
    even, own = PlateModel(rho, 0.0), PlateModel(rho, 0.8)
    mean = float(expit(logit(p) + b))
    lost = 0.8 * mean / 0.8
    wrong = {"even": 0, "own": 0}
    for _ in range(400):
        rest = 0.2 * mean / (1.0 - lost)
        seen = rng.binomial(n, rng.beta(rest * (1 - rho) / rho, (1 - rest) * (1 - rho) / rho, 200))
        seen = np.where(rng.random(200) < lost, rng.binomial(n, rng.beta(2.0, 0.5, 200)), seen).astype(float)
        for name, fault in (("even", even), ("own", own)):
            path = averaged_path(seen, np.full(200, float(n)), np.full(200, p), even, fault, np.array([b]), np.ones(1))
            wrong[name] += sequential(np.diff(path, prepend=0.0), lower, upper).decision == "gone"
    assert wrong["own"] / 400 < 0.07
    assert wrong["even"] > 2 * wrong["own"]
