"""Intervals of crossed effects that allow for not knowing how far printers, lots or designs differ.

A factor of few levels says little of its standard deviation, and an interval that takes the estimate for the truth is
too narrow: with five levels and 300 plates, 95 % intervals held the truth 84 times in 100. Here the factor's standard
deviation runs over a grid, each value weighs by its Laplace likelihood (fixed effects integrated out as well) times a
half-normal prior, and the interval is that of the mixture of normals. Other factors keep their estimates.

Costs some twenty refits a factor: for a finding or a report, not for every night. Source: the grid of Rue, Martino and
Chopin, J. R. Statist. Soc. B 71 (2009), in one dimension.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp, ndtr, ndtri

from farmwatch.stats.crossed import Cells, CrossedFit, fit_cells

SD_LOWEST, SD_HIGHEST = 0.02, 3.0
_COARSE, _FINE = 8, 9
_DROP = 7.0  # log-likelihood under the best beyond which a spread weighs less than a thousandth


@dataclass(frozen=True)
class EffectIntervals:
    """Of one factor's effects, shape (levels,), and the posterior mean of its standard deviation."""

    mean: np.ndarray
    low: np.ndarray
    high: np.ndarray
    sd_mean: float


def effect_intervals(
    cells: Cells, fit: CrossedFit, factor: int, level: float = 0.95, sd_prior_scale: float = 1.0
) -> EffectIntervals:
    """Posterior mean and equal-tailed interval of every level of ``factor``, on the log-odds scale."""
    looks: dict[float, tuple[float, np.ndarray, np.ndarray]] = {}

    def look(log_sd: float) -> float:
        if log_sd not in looks:
            sd = fit.sd.copy()
            sd[factor] = np.exp(log_sd)
            held = fit_cells(cells, sd, np.full(len(sd), np.inf), SD_HIGHEST, fit.start)
            weight = held.log_likelihood - 0.5 * held.precision.log_determinants()[1]
            weight += log_sd - 0.5 * (sd[factor] / sd_prior_scale) ** 2
            looks[log_sd] = weight, held.effects[factor], held.effect_variances[factor]
        return looks[log_sd][0]

    coarse = np.linspace(np.log(SD_LOWEST), np.log(SD_HIGHEST), _COARSE)
    weights = np.array([look(value) for value in coarse])
    alive = np.flatnonzero(weights > weights.max() - _DROP)
    low, high = coarse[max(alive[0] - 1, 0)], coarse[min(alive[-1] + 1, _COARSE - 1)]
    for value in np.linspace(low, high, _FINE):
        look(value)
    places = np.sort(np.array(list(looks)))
    logs = np.array([looks[place][0] for place in places]) + np.log(np.gradient(places))
    shares = np.exp(logs - logsumexp(logs))
    means = np.array([looks[place][1] for place in places])
    spreads = np.sqrt(np.array([looks[place][2] for place in places]))
    tail = 0.5 * (1.0 - level)
    return EffectIntervals(
        mean=shares @ means,
        low=_quantile(shares, means, spreads, tail),
        high=_quantile(shares, means, spreads, 1.0 - tail),
        sd_mean=float(shares @ np.exp(places)),
    )


def _quantile(shares: np.ndarray, means: np.ndarray, spreads: np.ndarray, probability: float) -> np.ndarray:
    """Quantile of a mixture of normals, one a column, by halving."""
    reach = ndtri(probability) * spreads + means
    low, high = reach.min(axis=0), reach.max(axis=0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = shares @ ndtr((middle - means) / spreads) < probability
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)
