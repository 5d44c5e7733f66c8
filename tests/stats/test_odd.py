"""Habits, tails and conformal ranks: exact small cases, scipy and scikit-learn beside, shares among clean runs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import genpareto

from farmwatch.stats.odd import (
    departs,
    fit_odd_model,
    fit_tail,
    foretell,
    habit_of,
    is_course,
    isolation_p,
    rank_p,
    score_odd,
)


def test_a_habit_is_the_commonest_value() -> None:
    habit = habit_of(np.array([2.4] * 38 + [2.6, np.nan, 2.4000000001]))
    assert (habit.value, habit.runs, habit.broken) == (2.4, 40, 1)
    assert habit.chance_broken == pytest.approx(2 / 42)
    assert np.isnan(habit_of(np.array([np.nan])).value)


def test_departures_are_in_proportion_and_unknown_is_none() -> None:
    assert departs(np.array([1.0, 1.04, 1.06, 0.0, np.nan]), 1.0, 0.05).tolist() == [False, False, True, True, False]
    assert departs(np.array([0.0, 0.1]), 0.0, 0.05).tolist() == [False, True]


def test_a_course_is_kept_and_a_slip_is_not() -> None:
    assert is_course(np.array([1.0, 1.0, 2.0, 2.0, 2.0]), 2.0, 2, 0.6)
    assert not is_course(np.array([1.0, 2.0, 1.0, 1.0, 2.0]), 2.0, 2, 0.6)
    assert not is_course(np.array([1.0, 1.0, 2.0]), 2.0, 2, 0.6)
    assert not is_course(np.array([1.0]), 2.0, 1, 0.1)
    assert is_course(np.array([2.0, 2.0, 1.0, 1.0, 2.0]), 2.0, 3, 0.6)  # the stated share and count are enough


@pytest.mark.parametrize("shape", [0.0, 0.2, 0.4])
def test_the_tail_agrees_with_the_law_that_made_it(shape: float) -> None:
    """scipy's generalised Pareto law: chances far beyond the sample within a factor of its sampling error."""
    values = genpareto.rvs(shape, scale=2.0, size=40_000, random_state=np.random.default_rng(1))
    tail = fit_tail(values)
    assert tail.shape == pytest.approx(shape, abs=0.12)
    far = genpareto.isf(1e-4, shape, scale=2.0)
    assert np.log(tail.beyond(np.array([far]))[0]) == pytest.approx(np.log(1e-4), abs=0.5)
    assert tail.beyond(np.array([tail.start - 1.0]))[0] == pytest.approx(tail.share)


def test_ranks_count_the_new_one() -> None:
    assert rank_p(np.array([1.0, 2.0, 3.0]), np.array([0.0, 2.0, 9.0])) == pytest.approx([1.0, 3 / 4, 1 / 4])


@pytest.mark.parametrize("level", [0.2, 0.05, 0.01])
def test_the_stated_share_of_clean_runs_is_called_odd(level: float) -> None:
    shares = []
    for seed in range(4):
        rng = np.random.default_rng(seed)
        matrix = rng.standard_t(5, (2500, 4)) @ rng.normal(size=(4, 4))
        matrix[rng.random(matrix.shape) < 0.02] = np.nan
        scores = score_odd(fit_odd_model(matrix[:1500]), matrix[1500:], 0.2)
        shares.append(float((scores.p_value <= level).mean()))
    assert np.mean(shares) == pytest.approx(level, abs=4 * np.sqrt(level / 4000) + 0.003)


def test_a_far_run_is_odd_by_both_views_and_told_by_its_feature() -> None:
    """scikit-learn's local outlier factor, a third view, ranks the same run first."""
    from sklearn.neighbors import LocalOutlierFactor

    rng = np.random.default_rng(5)
    matrix = rng.normal(size=(1500, 4)) * [1.0, 0.1, 5.0, 2.0]
    odd = np.array([[0.0, 1.5, 0.0, 0.0]])
    model = fit_odd_model(matrix)
    scores = score_odd(model, odd, 0.2)
    assert scores.p_value[0] < 1e-6
    assert (scores.telling[0], scores.departure[0]) == (1, pytest.approx(15.0, rel=0.1))
    assert isolation_p(model, (odd - model.centre) / model.scale)[0] < 0.2
    other = LocalOutlierFactor().fit_predict(np.vstack([matrix, odd]) / model.scale)
    assert other[-1] == -1


def test_equal_input_gives_equal_output() -> None:
    matrix = np.random.default_rng(6).normal(size=(400, 3))
    one = score_odd(fit_odd_model(matrix), matrix + 3.0, 0.2)
    two = score_odd(fit_odd_model(matrix.copy()), matrix + 3.0, 0.2)
    assert (one.p_value == two.p_value).all()


def test_distances_are_to_the_five_nearest_and_what_is_unknown_is_ordinary() -> None:
    rng = np.random.default_rng(7)
    matrix = rng.normal(size=(300, 3)) * [1.0, 0.1, 5.0]
    model = fit_odd_model(matrix)
    runs = rng.normal(size=(20, 3)) * [2.0, 0.2, 10.0]
    runs[0] = np.nan
    scores = score_odd(model, runs, 0.2)
    spreads = np.where(np.isnan(runs), 0.0, (runs - np.median(matrix, axis=0)) / model.scale)
    apart = np.sqrt(((spreads[:, None, :] - ((matrix - model.centre) / model.scale)[None]) ** 2).sum(axis=2))
    assert scores.distance == pytest.approx(np.sort(apart, axis=1)[:, :5].mean(axis=1), rel=1e-9)
    assert scores.departure[0] == 0.0
    assert scores.p_value[0] > 0.5


def test_a_run_is_foretold_by_its_group_and_a_new_group_is_unknown_not_ordinary() -> None:
    """Second route: groups of known spreads; runs stand about what is foretold with just the spread that is said."""
    rng = np.random.default_rng(2)
    group = rng.integers(0, 400, 8000)
    group[6000:] = rng.integers(300, 700, 2000)  # most of them in groups that the learnt runs have not seen
    values = rng.normal(0, 0.5, 700)[group] + rng.normal(0, 0.1, 8000)
    found = foretell(values, group, np.arange(8000) < 6000)
    off = (values - found.level) / found.wider / 0.1
    for rows in (np.arange(6000), np.arange(6000, 8000), np.flatnonzero(found.wider > 4.0)):
        assert rows.size > 150
        assert off[rows].std() == pytest.approx(1.0, rel=0.12)
    # by hand, for one run: three before it of its group
    row = int(np.flatnonzero((np.arange(8000) > 6000) & (group == group[6500]))[3])
    before = np.flatnonzero(group[:row] == group[row])
    doubt = 1.0 / (found.wider[row] ** 2 - 1.0) - before.size
    assert doubt == pytest.approx(0.1**2 / 0.5**2, rel=0.25)
    assert found.level[row] == pytest.approx(values[before].sum() / (before.size + doubt), rel=0.02)


def test_nothing_is_foretold_without_groups_that_differ() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(0, 1, 600)
    for group in (np.full(600, -1), np.arange(600), np.zeros(600, int)):
        found = foretell(values, group, np.arange(600) < 500)
        assert found.level.tolist() == [0.0] * 600
        assert found.wider.tolist() == [1.0] * 600
    wild = np.where(np.arange(600) == 100, 40.0, values) + np.repeat([0.0, 3.0, -3.0, 1.0], 150)
    found = foretell(wild, np.repeat(np.arange(4), 150), np.arange(600) < 600)
    assert found.level[[5, 200, 400, 500]] == pytest.approx([0.0, 3.0, -3.0, 1.0], abs=0.35)
