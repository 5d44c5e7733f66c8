"""Restart sums: their mean while nothing is wrong, by enumeration; suffix sums; dates of onset."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from farmwatch.stats.onsets import candidate_days, carrier, onset_posterior, restart_sums, shortest_window, suffix_sums


def test_mean_of_the_restart_sum_is_the_number_of_days() -> None:
    # e-values 3 with chance 1/4 and 1/3 with chance 3/4 have mean 1; all 2^7 histories of a plate on days 0, 1, 1, 4, 5, 5, 9
    day = np.array([0, 1, 1, 4, 5, 5, 9])
    start = np.array([0])
    weight = candidate_days(day, start, 0)
    assert weight.sum() == 10
    mean = 0.0
    for hits in product([False, True], repeat=len(day)):
        log_e = np.where(hits, np.log(3.0), np.log(1.0 / 3.0))[:, None]
        chance = np.prod(np.where(hits, 0.25, 0.75))
        mean += chance * np.exp(restart_sums(log_e, start, weight, np.ones(1))[0])
    assert mean == pytest.approx(10.0, rel=1e-10)


def test_streams_are_summed_apart_as_by_brute_force() -> None:
    rng = np.random.default_rng(2)
    log_e = rng.normal(-0.1, 0.7, (9, 3))
    start, day = np.array([0, 4]), np.array([2, 2, 3, 7, 1, 4, 4, 5, 9])
    weight = candidate_days(day, start, 1)
    columns = np.array([0.5, 0.3, 0.2])
    expected = []
    for first, last, begin in ((0, 4, 1), (4, 9, 1)):
        total = 0.0
        for onset in range(begin, day[last - 1] + 1):
            touched = [row for row in range(first, last) if day[row] >= onset]
            total += float(np.exp(log_e[touched].sum(axis=0)) @ columns)
        expected.append(np.log(total))
    assert restart_sums(log_e, start, weight, columns) == pytest.approx(expected, rel=1e-10)


def test_strong_evidence_does_not_overflow() -> None:
    log_e = np.full((2000, 1), 3.0, dtype=np.float32)
    weight = np.ones(2000, dtype=int)
    assert restart_sums(log_e, np.array([0]), weight, np.ones(1))[0] == pytest.approx(6000.0, rel=1e-4)


def test_suffix_sums_stop_at_the_stream() -> None:
    values = np.arange(6.0)[:, None]
    assert suffix_sums(values, np.array([0, 2]))[:, 0].tolist() == [1.0, 1.0, 14.0, 12.0, 9.0, 5.0]


def test_onset_lies_in_the_gap_until_clean_plates_rule_it_out() -> None:
    log_since = np.array([0.0, 0.0, 20.0, 15.0])
    day = np.array([0, 5, 40, 45])
    vague = onset_posterior(log_since, day, 0)
    assert vague.day == 40
    assert vague.low < 12
    clean = onset_posterior(log_since, day, 0, clean_day=np.arange(6, 40), hits=50, plates=100)
    assert clean.day == 40
    assert clean.low >= 35
    assert clean.high == 40
    few = onset_posterior(log_since, day, 0, clean_day=np.arange(6, 40, 5), hits=1, plates=2)
    assert few.low < 35  # one hit of two plates does not say that a clean plate is a miracle


def test_interval_of_onset_covers_as_often_as_it_says() -> None:
    rng = np.random.default_rng(8)
    covered = 0
    for _ in range(400):
        onset = int(rng.integers(20, 60))
        day = np.arange(80)
        share, faulty = 0.2, 0.6
        hit = rng.random(80) < np.where(day >= onset, faulty, share)
        log_e = np.where(hit, np.log(faulty / share), np.log((1 - faulty) / (1 - share)))[:, None]
        found = onset_posterior(suffix_sums(log_e, np.array([0]))[:, 0], day, 0)
        covered += found.low <= onset <= found.high
    assert 0.86 <= covered / 400 <= 0.96


def test_shortest_window_against_every_window() -> None:
    rng = np.random.default_rng(21)
    for places in (1, 2, 7, 30):
        for _ in range(50):
            mass = rng.gamma(0.3, size=places)
            first, last = shortest_window(mass, 0.9)
            held = {
                (i, j): mass[i : j + 1].sum() / mass.sum() for i in range(places) for j in range(i, places)
            }  # all of them
            enough = {window: share for window, share in held.items() if share >= 0.9 * (1.0 - 1e-9)}
            shortest = min(j - i for i, j in enough)
            assert (first, last) in enough
            assert last - first == shortest
            assert held[first, last] >= max(s for (i, j), s in enough.items() if j - i == shortest) - 1e-12


def test_a_carrier_brings_its_share_of_all_the_evidence() -> None:
    gain = np.array([4.0, 3.0, 1.0, 2.0])
    assert carrier(gain, np.array([5, 5, 2, 0]), 0.7) == 5
    assert carrier(gain, np.array([5, 5, 2, 0]), 0.71) is None
    # what nobody is known to have brought counts in the whole
    assert carrier(gain, np.array([5, -1, 2, 0]), 0.7) is None
    assert carrier(gain, np.full(4, -1), 0.1) is None
    assert carrier(-gain, np.zeros(4, dtype=int), 0.1) is None
    assert carrier(np.array([6.0, -5.0, 5.0]), np.array([0, 1, 2]), 0.9) == 0
