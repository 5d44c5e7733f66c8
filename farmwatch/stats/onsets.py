"""Since when: nightly sums of evidence over every candidate onset day, with a false-alarm rate that needs no tuning.

A stream is a row of plates in time order, each with an e-value: a likelihood ratio of a faulty model to the null, with
mean 1 (or less) while nothing is wrong. The sum over candidate onset days of the product of the e-values since that day
(the Shiryaev-Roberts sum) has, while nothing is wrong, a mean of at most the number of days looked back, so an alarm
raised when it passes A comes on average at most once in A nights of that stream, however often one looks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class OnsetPosterior:
    """When it began. ``day``: the most probable onset; ``low``, ``high``: equal-tailed interval; days as given."""

    day: int
    low: int
    high: int


def restart_sums(
    log_e: np.ndarray, stream_start: np.ndarray, day_weight: np.ndarray, column_weight: np.ndarray
) -> np.ndarray:
    """The restart sum of every stream tonight, natural logarithm, shape (streams,).

    ``log_e``: shape (plates, columns), plates sorted by stream, then time; columns are alternatives (zone, effect size).
    ``stream_start``: row at which each stream begins, shape (streams,), none empty. ``day_weight``: how many candidate
    onset days a plate stands for: 0 unless it is the first of its day, else the days since the stream's plate before.
    ``column_weight``: weights of the alternatives, summing to at most 1, shape (columns,).
    """
    since = suffix_sums(log_e, stream_start)
    # each stream is scaled by its own largest term, so that strong evidence does not overflow
    top = np.maximum.reduceat(since.max(axis=1), stream_start)
    since -= np.repeat(top, np.diff(np.append(stream_start, len(since))))[:, None]
    np.exp(since, out=since)
    per_plate = (since @ column_weight.astype(since.dtype)) * day_weight
    with np.errstate(divide="ignore"):
        return np.log(np.add.reduceat(per_plate.astype(float), stream_start)) + top


def suffix_sums(values: np.ndarray, stream_start: np.ndarray) -> np.ndarray:
    """Sums from each row to the end of its stream, same shape and type as ``values``."""
    total = np.cumsum(values, axis=0, dtype=values.dtype)
    ends = np.append(stream_start[1:], len(values)) - 1
    length = np.diff(np.append(stream_start, len(values)))
    return np.repeat(total[ends], length, axis=0) - total + values


def candidate_days(day: np.ndarray, stream_start: np.ndarray, first_day: int) -> np.ndarray:
    """How many candidate onset days each plate stands for, shape (plates,): see :func:`restart_sums`.

    ``day``: whole days in time order within each stream; a stream's first plate stands for all days from ``first_day``.
    """
    before = np.empty_like(day)
    before[1:] = day[:-1]
    before[stream_start] = first_day - 1
    return np.maximum(day - before, 0)


def onset_posterior(log_since: np.ndarray, day: np.ndarray, weight: np.ndarray, level: float = 0.9) -> OnsetPosterior:
    """Posterior over onset days from the log evidence of each candidate.

    ``log_since``: log evidence of an onset at each plate, shape (plates,). ``day``: its day. ``weight``: candidate days
    it stands for; the days between two plates are equally good candidates, so the mass spreads evenly over them and the
    most probable onset is reported as the first plate that such an onset would have touched.
    """
    mass = np.where(weight > 0, weight * np.exp(log_since - log_since.max()), 0.0)
    share = np.cumsum(mass) / mass.sum()
    tail = (1.0 - level) / 2.0
    low, high = (int(np.searchsorted(share, q)) for q in (tail, 1.0 - tail))
    best = int(np.argmax(np.where(weight > 0, log_since, -np.inf)))
    before = share[low - 1] if low else 0.0
    into = (tail - before) / max(share[low] - before, 1e-300)
    low_day = int(day[low] - weight[low] + 1 + np.floor(into * weight[low]))
    return OnsetPosterior(int(day[best]), min(low_day, int(day[best])), max(int(day[high]), int(day[best])))
