"""The conditional law of which parts fail, by exact enumeration on small plates; e-values; relabelling; odds ratios."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from farmwatch.stats.plate_scan import (
    conditional_inclusion,
    log_e_values,
    one_failure_each,
    poisson_llr,
    reference_odds,
    relabel,
    scan_p_value,
    steepest,
    tilt,
    zone_effect,
    zone_shares,
)

ODDS = np.array([0.02, 0.31, 0.05, 0.11, 1.7, 0.05])


def _enumerated(odds: np.ndarray, failures: int) -> tuple[np.ndarray, np.ndarray]:
    """All ways to place the failures (ways, parts) and their probabilities."""
    ways = np.array([np.isin(np.arange(len(odds)), c) for c in combinations(range(len(odds)), failures)])
    weight = np.where(ways, odds, 1.0).prod(axis=1)
    return ways, weight / weight.sum()


@pytest.mark.parametrize("failures", [1, 2, 3, 4, 5])
def test_inclusion_probabilities_equal_enumeration(failures: int) -> None:
    ways, chance = _enumerated(ODDS, failures)
    start = np.array([0, len(ODDS)])
    assert conditional_inclusion(ODDS, start, np.array([failures])) == pytest.approx(chance @ ways, rel=1e-10)


def test_plates_do_not_mix_and_equal_odds_give_equal_chances() -> None:
    odds = np.concatenate([ODDS, np.full(4, 0.3), ODDS])
    start = np.array([0, 6, 10, 16])
    together = conditional_inclusion(odds, start, np.array([2, 3, 5]))
    assert together[6:10] == pytest.approx(np.full(4, 0.75), rel=1e-12)
    assert together[:6] == pytest.approx(conditional_inclusion(ODDS, np.array([0, 6]), np.array([2])), rel=1e-12)
    assert together[10:].sum() == pytest.approx(5.0, rel=1e-12)


def test_relabelling_follows_the_conditional_law() -> None:
    ways, chance = _enumerated(ODDS, 2)
    drawn = relabel(ODDS, np.array([0, 6]), np.array([2]), 20000, np.random.default_rng(11))
    assert (drawn.sum(axis=1) == 2).all()
    seen = (drawn[:, None, :] == ways[None]).all(axis=2).mean(axis=0)
    error = np.sqrt(chance * (1 - chance) / 20000)
    assert (np.abs(seen - chance) < 4.5 * error + 1e-4).all()


@pytest.mark.parametrize("ratio", [2.0, 8.0])
@pytest.mark.parametrize("failures", [1, 2, 4])
def test_an_e_value_has_mean_one(ratio: float, failures: int) -> None:
    ways, chance = _enumerated(ODDS, failures)
    zone = np.array([1, 1, 0, 0, 0, 1.0])
    expected = float(chance @ (ways @ zone)) / failures
    observed = ways @ zone / failures
    mean = float(chance @ np.exp(log_e_values(observed, np.full_like(observed, expected), ratio)))
    assert mean == pytest.approx(1.0, rel=1e-10)


def test_an_e_value_keeps_mean_one_when_parts_pull_each_other_down() -> None:
    # a ring of eight parts; one goes, and takes the next two with it: each part lies among the failed with chance 3/8
    ways = np.array([np.isin(np.arange(8), [(i + step) % 8 for step in range(3)]) for i in range(8)])
    zone = (np.arange(8) < 3).astype(float)
    averaged = np.exp(log_e_values(ways @ zone / 3.0, np.full(8, 3.0 / 8.0), 8.0))
    assert averaged.mean() == pytest.approx(1.0, rel=1e-12)
    # the likelihood ratio of parts that fail independently would cry wolf here
    _, chance = _enumerated(np.ones(8), 3)
    independent = 8.0 ** (ways @ zone) / float(chance @ 8.0 ** (_enumerated(np.ones(8), 3)[0] @ zone))
    assert independent.mean() > 1.5


def test_shares_are_sums_over_each_plate() -> None:
    inside = np.array([[1, 0], [1, 1], [0, 1]], dtype=np.float32)
    shares = zone_shares(np.array([0.25, 0.75, 1.0]), np.array([0, 2, 3]), np.array([0, 1, 2]), inside)
    assert shares.tolist() == [[1.0, 0.75], [0.0, 1.0]]


def test_reference_leaves_the_subject_out_and_is_never_below_one() -> None:
    expected = np.full((60, 1), 0.2)
    observed = np.zeros((60, 1))
    observed[:20:2] = 1.0  # the first of three subjects fails in the zone half the time, the others never
    start = np.array([0, 20, 40])
    summed = [np.add.reduceat(share, start) for share in (observed, expected)]
    plates = np.diff(np.append(start, len(observed)))
    odds = reference_odds(*summed, plates, np.array([0]), 20.0)[:, 0]
    assert odds[0] == 1.0
    seen, plates = 10 + 20 * 0.2, 60.0
    by_hand = seen / (plates - seen) / (12.0 / 48.0)
    assert odds[1] == pytest.approx(by_hand, rel=1e-9)


def test_tilting_by_the_odds_ratio_is_undone_by_its_inverse() -> None:
    share = np.array([0.05, 0.4, 0.9])
    assert tilt(tilt(share, 3.0), 1.0 / 3.0) == pytest.approx(share, rel=1e-12)


def test_odds_ratio_is_recovered_and_its_interval_covers() -> None:
    rng = np.random.default_rng(3)
    covered, estimates = 0, []
    for _ in range(300):
        expected = rng.uniform(0.1, 0.4, 120)
        hits = (rng.random(120) < tilt(expected, 4.0)).astype(float)
        effect = zone_effect(hits, np.ones(120), expected)
        covered += effect.low < 4.0 < effect.high
        estimates.append(np.log(effect.ratio))
    assert np.exp(np.mean(estimates)) == pytest.approx(4.0, rel=0.05)
    assert 0.92 <= covered / 300 <= 0.985


def test_parts_that_fall_together_widen_the_interval() -> None:
    rng = np.random.default_rng(4)
    expected = np.full(80, 0.3)
    hits = (rng.random(80) < 0.5).astype(float)
    alone = zone_effect(hits, np.ones(80), expected)
    together = zone_effect(5 * hits, np.full(80, 5.0), expected)
    assert np.log(together.high / together.low) > 0.9 * np.log(alone.high / alone.low)


def test_p_value_is_uniform_without_a_pattern_and_small_with_one() -> None:
    rng = np.random.default_rng(9)
    plates, parts, count = 40, 8, 199
    start = np.arange(plates + 1) * parts
    share = np.full(plates * parts, 1.0 / parts)
    inside = (rng.random((plates * parts, 12)) < 0.25).astype(np.float32)

    def p_value(chance: np.ndarray) -> float:
        failed = np.zeros(plates * parts)
        rows = np.array([rng.choice(parts, p=c / c.sum()) for c in chance.reshape(plates, parts)]) + start[:-1]
        failed[rows] = 1.0
        drawn = one_failure_each(share, start, count, rng)
        labels = np.zeros((count, plates * parts))
        labels[np.arange(count)[:, None], drawn] = 1.0
        return scan_p_value(failed, share, start, inside, labels)

    quiet = np.array([p_value(np.ones(plates * parts)) for _ in range(120)])
    assert quiet.min() >= 1.0 / 200
    assert 0.4 < quiet.mean() < 0.62
    assert (quiet <= 0.1).mean() < 0.2
    assert p_value(1.0 + 9.0 * inside[:, 3].astype(float)) <= 0.01


def test_whole_counts_looked_up_give_the_ratios_reckoned_one_by_one() -> None:
    rng = np.random.default_rng(77)
    plates, parts, drawings = 9, 7, 150
    start = np.arange(plates + 1) * parts
    share = np.full(plates * parts, 1.0 / parts)
    inside = (rng.random((plates * parts, 12)) < 0.3).astype(np.float32)
    drawn = np.zeros((drawings, plates * parts), dtype=np.float32)
    drawn[np.arange(drawings)[:, None], one_failure_each(share, start, drawings, rng)] = 1.0
    for failed in drawn[:10]:
        best = np.zeros(drawings + 1)
        for first in (0, 4):  # all plates, then the later half; a third window would have fewer than four
            entry = start[first]
            due, total = share[entry:] @ inside[entry:], share[entry:].sum()
            for row, one in enumerate([failed, *drawn]):
                seen = np.minimum(one[entry:] @ inside[entry:], total)
                best[row] = max(best[row], poisson_llr(seen, due, total).max())
        expected = (1 + (best[1:] >= best[0] - 1e-6).sum()) / len(best)
        assert scan_p_value(failed, share, start, inside, drawn) == expected


@pytest.mark.parametrize("ratio", [2.5, 6.0])
def test_an_e_value_of_one_failed_part_is_its_likelihood_ratio(ratio: float) -> None:
    """Inside: R e / (1 + (R - 1) e) over e; outside: (1 - e) / (1 + (R - 1) e) over 1 - e."""
    e = np.array([0.05, 0.3])
    under = tilt(e, ratio)
    np.testing.assert_allclose(np.exp(log_e_values(np.ones(2), e, ratio)), under / e, rtol=1e-12)
    np.testing.assert_allclose(np.exp(log_e_values(np.zeros(2), e, ratio)), (1.0 - under) / (1.0 - e), rtol=1e-12)


@pytest.mark.parametrize("ratio", [1.5, 3.0, 8.0])
def test_the_steepest_fall_is_that_of_a_fine_grid_and_no_step_exceeds_it(ratio: float) -> None:
    log_odds = np.linspace(-9.0, 9.0, 18001)
    # what is taken from a log e-value where that much is due
    gained = np.log1p((ratio - 1.0) / (1.0 + np.exp(-log_odds)))
    slope = np.diff(gained) / np.diff(log_odds)
    assert steepest(ratio) == pytest.approx(slope.max(), rel=1e-6)
    assert (slope <= steepest(ratio) * (1.0 + 1e-9)).all()
