"""Where a measured series changed its level: one fixed setting, serial correlation allowed for.

Penalty, not algorithm, decides what a segmentation finds, so there is one penalty and no knob. The segmentation is the
exact minimum over all segmentations of

    sum of squares within segments / long-run variance + penalty * (number of changes),
    penalty = 2 (1 + margin) ln n,

by dynamic programming (Jackson et al., IEEE Signal Processing Letters 2005). The correlation at lag one and the spread
come from differences, which a change of level touches only once (Chakar, Lebarbier, Levy-Leduc and Robin, Bernoulli
2017): with D1, D2 the mean squares of differences at lags one and two, large ones drawn in, rho = D2 / D1 - 1. The
long-run variance is the variance times (1 + rho) / (1 - rho), its root enlarged by DOUBT over the root of the number of
independent values that are left. Spikes are drawn in beforehand, so that one wild value is no segment.

Bad at: changes nearer together than MIN_LENGTH; slow ramps, which come out as stairs; series of fewer than 20 values,
whose correlation cannot be told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.stats.robust import drawn_in_square

MARGIN = 0.5  # of the penalty over its bare 2 ln n, for the spread is estimated too
MIN_LENGTH = 3  # values in a segment: one or two are spikes
LARGEST_RHO = 0.9  # beyond it a wandering level and correlated noise cannot be told apart
CLIP = 3.0  # spreads: a spike is no segment, and noise hardly gets so far
DOUBT = 1.0  # of the long-run spread itself, per root of independent values


@dataclass(frozen=True)
class SerialNoise:
    """Spread of single values and their correlation at lag one, changes of level left out, from how many values."""

    scale: float
    rho: float
    values: int

    @property
    def long_run_scale(self) -> float:
        """Spread of a mean of many values, times the root of their number; enlarged by what so few leave open."""
        inflation = (1.0 + self.rho) / (1.0 - self.rho)
        return float(self.scale * np.sqrt(inflation) * (1.0 + DOUBT / np.sqrt(max(self.values / inflation, 1.0))))


@dataclass(frozen=True)
class Segmentation:
    """``starts``: first index of each segment, the first 0, shape (segments,); ``levels``: mean of each."""

    starts: np.ndarray
    levels: np.ndarray
    noise: SerialNoise
    penalty: float

    @property
    def changes(self) -> np.ndarray:
        """Index of the first value after each change, shape (segments - 1,)."""
        return self.starts[1:]


def serial_noise(values: np.ndarray) -> SerialNoise:
    """Spread and correlation of one series, shape (n,), from differences. NaN leaves out the differences it touches.

    Negative correlation counts as none; correlation is cut at 0.9, beyond which a level has no meaning.
    """
    first, second = values[1:] - values[:-1], values[2:] - values[:-2]
    one, two = drawn_in_square(first[~np.isnan(first)]), drawn_in_square(second[~np.isnan(second)])
    if np.isnan(one) or np.isnan(two):
        return SerialNoise(float("nan"), 0.0, values.size)
    rho = float(np.clip(two / one - 1.0, 0.0, LARGEST_RHO)) if one > 0 else 0.0
    return SerialNoise(float(np.sqrt(0.5 * one / (1.0 - rho))), rho, values.size)


def penalty_for(count: int) -> float:
    """Cost of one change in a series of ``count`` values, in units of the long-run variance."""
    return 2.0 * (1.0 + MARGIN) * float(np.log(max(count, 2)))


def segment(values: np.ndarray, noise: SerialNoise | None = None) -> Segmentation:
    """Split ``values``, shape (n,), no NaN, into stretches of one level. ``noise`` is estimated if not given."""
    noise = serial_noise(values) if noise is None else noise
    penalty = penalty_for(values.size)
    if values.size < 2 * MIN_LENGTH or not noise.long_run_scale > 0:
        return Segmentation(np.array([0]), np.array([values.mean() if values.size else np.nan]), noise, penalty)
    calm = _clip_spikes(values, noise.scale)
    starts = optimal_starts(calm / noise.long_run_scale, penalty, MIN_LENGTH)
    levels = np.add.reduceat(calm, starts) / np.diff(np.append(starts, values.size))
    return Segmentation(starts, levels, noise, penalty)


def _clip_spikes(values: np.ndarray, scale: float) -> np.ndarray:
    """Values drawn in to CLIP spreads of the median of the five around them: spikes shrink, steps stay."""
    padded = np.pad(values, 2, mode="reflect")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return np.clip(values, middle - CLIP * scale, middle + CLIP * scale)


def optimal_starts(values: np.ndarray, penalty: float, shortest: int) -> np.ndarray:
    """Exact minimum of squares within segments plus ``penalty`` a change; segments of at least ``shortest`` values.

    ``values``: shape (n,). First index of each segment, the first 0, shape (segments,).
    """
    count = values.size
    total = np.concatenate([[0.0], np.cumsum(values - values.mean())])
    square = np.concatenate([[0.0], np.cumsum((values - values.mean()) ** 2)])
    best = np.full(count + 1, np.inf)
    best[0] = -penalty
    came_from = np.zeros(count + 1, dtype=int)
    for end in range(shortest, count + 1):
        start = np.arange(0, end - shortest + 1)
        within = square[end] - square[start] - (total[end] - total[start]) ** 2 / (end - start)
        cost = best[start] + within + penalty
        choice = int(np.argmin(cost))
        best[end], came_from[end] = cost[choice], choice
    starts, end = [], count
    while end > 0:
        end = int(came_from[end])
        starts.append(end)
    return np.array(starts[::-1])
