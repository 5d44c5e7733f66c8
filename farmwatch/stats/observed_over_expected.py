"""Failures over expected failures, with an interval that allows for parts of one plate failing together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import chi2


@dataclass(frozen=True)
class Ratio:
    """Observed over expected with a two-sided interval. ``value`` is NaN where nothing was expected."""

    observed: float
    expected: float
    value: float
    low: float
    high: float
    chances: int = 0
    plates: int = 0


def dispersion(observed: ArrayLike, expected: ArrayLike) -> float:
    """Variance of plate totals over that of a Poisson count, at least 1.

    Pearson's statistic over the number of plates; both arrays have shape (plates,), in failures. Plates without
    expectation are left out; fewer than 20 plates give 1, for want of evidence.
    """
    seen, mean = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
    use = np.isfinite(seen) & (mean > 0.0)
    if use.sum() < 20:
        return 1.0
    scale = seen[use].sum() / mean[use].sum()
    if scale <= 0.0:
        return 1.0
    return max(1.0, float(np.mean((seen[use] - scale * mean[use]) ** 2 / (scale * mean[use]))))


def ratio_interval(
    observed: float,
    expected: float,
    spread: float = 1.0,
    level: float = 0.95,
    chances: int = 0,
    plates: int = 0,
) -> Ratio:
    """Observed over expected with Garwood's exact Poisson limits on the count of independent happenings.

    With ``spread`` above 1 the count is taken as observed / spread happenings of that size each. Nothing observed
    gives a low limit of 0; nothing expected gives NaN throughout.
    """
    if not expected > 0.0:
        return Ratio(observed, expected, np.nan, np.nan, np.nan, chances, plates)
    tail = (1.0 - level) / 2.0
    happenings = observed / spread
    low = chi2.ppf(tail, 2.0 * happenings) / 2.0 if happenings > 0.0 else 0.0
    high = chi2.ppf(1.0 - tail, 2.0 * happenings + 2.0) / 2.0
    scale = spread / expected
    return Ratio(observed, expected, observed / expected, float(low) * scale, float(high) * scale, chances, plates)
