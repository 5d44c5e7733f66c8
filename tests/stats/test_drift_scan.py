"""Steps in streams that drift by themselves: the evidence against integrals, its size without a step, what it finds."""

from __future__ import annotations

import numpy as np
import pytest

from farmwatch.stats.drift_scan import BANK, DAYS_AT_LEAST, WANDERING, WEATHER, scan_drifting

CALM = np.array([0.3, -0.4, 0.2, np.nan, 0.1, 0.5, 0.4, np.nan, np.nan, 0.9, 0.2, 0.6])


def weather(rng: np.random.Generator, streams: int, days: int, rho: float) -> np.ndarray:
    """Rows of AR(1) weather of variance 1."""
    noise = rng.normal(size=(streams, days))
    noise[:, 1:] *= np.sqrt(1.0 - rho**2)
    for day in range(1, days):
        noise[:, day] += rho * noise[:, day - 1]
    return noise


def candidates_of(values: np.ndarray) -> np.ndarray:
    out = np.ones(values.shape)
    out[:, :10] = 0.0
    return out


def evidence(values: np.ndarray) -> np.ndarray:
    return scan_drifting(values, ~np.isnan(values), candidates_of(values)).log_evidence


@pytest.mark.parametrize(("own_until", "lost"), [(0, 2), (3, 3)])
def test_second_route_the_ratio_is_a_ratio_of_student_densities(own_until: int, lost: int) -> None:
    """Level, slope and step as wide normals written into the covariance of the days, law by law and width by width; and
    the level of the first days, where they have one of their own."""
    days = np.flatnonzero(~np.isnan(CALM))
    values, onset = CALM[days], 6
    scan = scan_drifting(CALM[None], ~np.isnan(CALM)[None], np.ones((1, CALM.size)), np.array([own_until]))
    gap = np.abs(days[:, None] - days).astype(float)
    early, late = np.minimum.outer(days, days) + 1.0, np.maximum.outer(days, days) + 1.0
    season = early**2 * (3 * late - early) / 6
    wide = 1e7 * (np.ones_like(gap) + np.outer(days, days) / 1e2 + np.outer(days < own_until, days < own_until))
    step = np.outer(days >= onset, days >= onset).astype(float)

    def log_law(covariance: np.ndarray) -> float:
        # squares to the power of half the freedom: less what is flat, not the n of a proper prior
        squares = values @ np.linalg.solve(covariance, values)
        return float(-0.5 * np.linalg.slogdet(covariance)[1] - 0.5 * (days.size - lost) * np.log(squares))

    with_step, without = [], []
    for rho, alone in WEATHER:
        for wandering in WANDERING:
            daily = (1 - alone) * (rho**gap if rho else np.eye(days.size)) + alone * np.eye(days.size)
            np.fill_diagonal(daily, 1.0)
            covariance = daily + wandering**2 * season + wide
            without.append(log_law(covariance))
            with_step += [log_law(covariance + width**2 * step) for width in BANK]
    expected = np.log(np.mean(np.exp(np.array(with_step) - max(without)))) - np.log(
        np.mean(np.exp(np.array(without) - max(without)))
    )
    assert scan.log_ratio[0, onset] == pytest.approx(expected, abs=2e-3)


def test_a_step_at_the_end_of_days_with_a_level_of_their_own_is_none() -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(size=(20, 60))
    values[:, :30] += 8.0
    there, candidates = np.ones(values.shape, dtype=bool), candidates_of(values)
    assert (scan_drifting(values, there, candidates).log_evidence > np.log(3000)).all()
    for own_until in (30, 1, 60):  # all but none, and one day alone
        found = scan_drifting(values, there, candidates, np.full(20, own_until)).log_evidence
        assert np.isfinite(found).all()
        assert (found < np.log(3000)).all() == (own_until == 30)
    again = values.copy()
    again[:, 50:] += 8.0
    found = scan_drifting(again, there, candidates, np.full(20, 30))
    assert (found.log_evidence > np.log(3000)).mean() > 0.9
    assert np.median(np.argmax(found.log_ratio, axis=1)) == 50


def test_second_route_the_spread_integrated_numerically_gives_the_squares_to_half_the_freedom() -> None:
    squares, freedom = np.array([2.3, 4.6]), 6
    spread = np.exp(np.linspace(-6, 6, 4001))
    density = spread**-freedom * np.exp(-0.5 * squares[:, None] / spread**2) / spread
    one, two = np.log(np.trapezoid(density, spread, axis=1))
    assert one - two == pytest.approx(0.5 * freedom * np.log(squares[1] / squares[0]), rel=1e-6)


@pytest.mark.parametrize(("rho", "season"), [(0.0, 0.0), (0.0, 4.0), (0.8, 5.0)])
def test_without_a_step_the_limit_is_passed_as_seldom_as_promised(rho: float, season: float) -> None:
    """Weather, and a season twice as steep as the year's: the share of streams beyond a limit is what the mean allows."""
    rng = np.random.default_rng(8)
    streams, days = 400, 120
    turn = 2 * np.pi * (np.arange(days) - rng.uniform(0, 180, (streams, 1))) / 180.0
    values = weather(rng, streams, days, rho) + season * np.cos(turn)
    found = np.exp(evidence(values) - np.log(days - 10))
    for limit in (5, 50):
        assert (found >= limit).mean() < 1.5 / limit


@pytest.mark.parametrize(("rho", "size", "days_after"), [(0.0, 6.0, 6), (0.8, 6.0, 6), (0.8, 5.0, 10)])
def test_a_heating_that_fails_is_found_and_dated_through_season_and_weather(
    rho: float, size: float, days_after: int
) -> None:
    rng = np.random.default_rng(3)
    days = 80 + days_after
    values = weather(rng, 60, days, rho) + 4.0 * np.cos(2 * np.pi * np.arange(days) / 365.0)
    values[:, 80:] -= size
    scan = scan_drifting(values, np.ones(values.shape, dtype=bool), candidates_of(values))
    assert (scan.log_evidence > np.log(6_000)).mean() > 0.9
    assert (np.abs(np.argmax(scan.log_ratio, axis=1) - 80) <= 1).mean() > 0.9
    error = np.sqrt(scan.variance[:, 80])
    assert (np.abs(scan.step[:, 80] + size) <= 1.96 * error).mean() > 0.85


def test_one_wild_day_is_no_step_wherever_it_stands() -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(size=(60, 80))
    values[np.arange(60), 10 + np.arange(60)] += 40.0
    assert (evidence(values) < np.log(6_000)).all()


def test_level_slope_and_unit_do_not_matter_and_gaps_are_days() -> None:
    rng = np.random.default_rng(6)
    values = weather(rng, 3, 60, 0.5)
    values[:, 40:] += 4.0
    values[:, 15:18] = np.nan
    other = 7.0 + 1.8 * values + 0.3 * np.arange(60)
    assert evidence(other) == pytest.approx(evidence(values), rel=1e-5)


def test_too_few_days_and_constant_streams_have_no_evidence() -> None:
    values = np.full((2, 40), 3.0)
    values[0, DAYS_AT_LEAST - 1 :] = np.nan
    found = scan_drifting(values, ~np.isnan(values), np.ones(values.shape))
    assert (found.log_evidence == -np.inf).all()
    assert (found.log_ratio == -np.inf).all()
