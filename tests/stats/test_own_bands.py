"""Bands with an own level: against sums written out, the plain restart sum, and the bound that its mean is one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp

from farmwatch.stats.onsets import restart_sums
from farmwatch.stats.own_bands import FAULTY_SD, LEVELS, band_log_likelihood, band_sums, level_prior
from farmwatch.stats.plate_scan import log_e_values

RNG = np.random.default_rng(11)
NO_SPREAD = 1e-3  # of the prior: the smallest spread is all that is left


def drawn(plates: int, level: np.ndarray, due: float, rng: np.random.Generator) -> np.ndarray:
    """One band; each plate fails in it with the odds of ``due`` times exp(level): shape (streams, plates)."""
    odds = due / (1.0 - due) * np.exp(level)
    return (rng.random((len(level), plates)) < (odds / (1.0 + odds))[:, None]).astype(float)


def test_the_sums_are_those_written_out() -> None:
    observed, expected = RNG.random((7, 2)), RNG.uniform(0.05, 0.6, (7, 2))
    start, day_weight = np.array([0, 3]), np.array([2.0, 0.0, 1.0, 4.0, 1.0, 0.0, 2.0])
    band_weight, ratios, reference_sd = np.array([0.7, 0.3]), (2.0, 6.0), np.full((2, 2), 0.2)
    total = np.stack(
        [
            band_log_likelihood(observed[a:b, :, None], expected[a:b, :, None], LEVELS).sum(0)
            for a, b in ((0, 3), (3, 7))
        ]
    )
    prior = level_prior(total, reference_sd, 0.4)
    for stream, (first, last) in enumerate(((0, 3), (3, 7))):
        terms = []
        for onset in range(first, last):
            for band in range(2):
                for ratio in ratios:

                    def likelihood(plates: range, level: float, band: int = band) -> float:
                        odds = np.exp(level)
                        return float(
                            sum(
                                observed[i, band] * level - np.log(1.0 - expected[i, band] + odds * expected[i, band])
                                for i in plates
                            )
                        )

                    log_r = float(np.log(ratio))
                    shifted = [
                        p + likelihood(range(first, onset), u) + likelihood(range(onset, last), u + log_r)
                        for p, u in zip(prior[stream, band], LEVELS, strict=True)
                    ]
                    null = [
                        p + likelihood(range(first, last), u) for p, u in zip(prior[stream, band], LEVELS, strict=True)
                    ]
                    own = float(logsumexp(shifted) - logsumexp(null))
                    beyond = likelihood(range(onset, last), log_r)
                    terms.append(day_weight[onset] * band_weight[band] / 2.0 * np.exp(min(own, beyond)))
        ours = band_sums(observed, expected, start, day_weight, band_weight, ratios, reference_sd, 0.4)
        assert ours[stream] == pytest.approx(np.log(sum(terms)), rel=1e-9)


def test_without_a_spread_it_is_the_plain_restart_sum() -> None:
    level = np.zeros(40)
    observed = drawn(12, level, 0.3, RNG).reshape(-1, 1)
    expected = np.full_like(observed, 0.3)
    start, day_weight = np.arange(0, 480, 12), np.ones(480)
    ours = band_sums(observed, expected, start, day_weight, np.ones(1), (3.0,), np.zeros((40, 1)), NO_SPREAD)
    plain = restart_sums(log_e_values(observed, expected, 3.0), start, day_weight, np.ones(1))
    assert ours == pytest.approx(plain, rel=1e-3)


def test_natural_levels_do_not_raise_its_mean_above_one() -> None:
    streams, plates, sd, due = 4000, 60, 0.5, 0.25
    observed = drawn(plates, RNG.normal(0.0, sd, streams), due, RNG).reshape(-1, 1)
    expected, start = np.full_like(observed, due), np.arange(0, streams * plates, plates)
    day_weight = np.zeros(streams * plates)
    day_weight[start + plates // 2] = 1.0  # one onset, halfway
    known_sd = np.full((streams, 1), sd)
    ours = np.exp(band_sums(observed, expected, start, day_weight, np.ones(1), (4.0,), known_sd, NO_SPREAD))
    plain = np.exp(restart_sums(log_e_values(observed, expected, 4.0), start, day_weight, np.ones(1)))
    assert ours.mean() < 1.0 + 3.0 * ours.std() / np.sqrt(streams)
    # what it is for: the fixed reference promises the same and does not keep it
    assert plain.mean() > 5.0
    assert (ours > 100.0).mean() <= 0.01
    assert (plain > 100.0).mean() > (ours > 100.0).mean()


def test_a_shift_beyond_the_own_level_is_seen_and_one_below_what_is_due_is_not() -> None:
    before, after = np.full(40, -0.5), np.full(30, -0.5 + np.log(8.0))
    due = np.full(70, 0.2)
    odds = due / (1 - due) * np.exp(np.concatenate([before, after]))
    observed = np.tile((RNG.random((20, 70)) < odds / (1 + odds)).astype(float)[:, :, None], 1).reshape(-1, 1)
    expected, start = np.tile(due, 20)[:, None], np.arange(0, 1400, 70)
    seen = band_sums(observed, expected, start, np.ones(1400), np.ones(1), (4.0,), np.full((20, 1), 0.3), NO_SPREAD)
    assert np.median(seen) > 10.0
    # a stream far below what is due that comes back to it has only stopped failing elsewhere
    odds = due / (1 - due) * np.exp(np.concatenate([np.full(40, -3.0), np.zeros(30)]))
    observed = (RNG.random((20, 70)) < odds / (1 + odds)).astype(float).reshape(-1, 1)
    back = band_sums(observed, expected, start, np.ones(1400), np.ones(1), (4.0,), np.full((20, 1), 0.3), NO_SPREAD)
    assert np.quantile(back, 0.9) < np.log(70.0) + 3.0


@pytest.mark.parametrize(("spread", "low", "high"), [(0.0, 0.0, 0.3), (0.9, 0.6, 1.3)])
def test_the_peers_spread_is_learnt_from_the_others(spread: float, low: float, high: float) -> None:
    levels = RNG.normal(0.0, spread, 30)
    levels[0] = FAULTY_SD  # one faulty stream must not widen it
    observed = drawn(300, levels, 0.3, RNG)
    total = np.stack(
        [band_log_likelihood(row[:, None, None], np.full((300, 1, 1), 0.3), LEVELS).sum(axis=0) for row in observed]
    )
    weight = np.exp(level_prior(total, np.zeros((30, 1)), 0.4))
    assert weight.sum(axis=-1) == pytest.approx(1.0)
    learnt = np.sqrt((weight * LEVELS**2).sum(axis=-1))
    assert low <= float(np.median(learnt)) <= high
    # among three streams one faulty one makes the others shun the band; there the usual spread stands
    few = level_prior(total[:3], np.zeros((3, 1)), 0.4)
    assert few[1] == pytest.approx(few[2])
