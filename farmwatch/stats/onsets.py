"""Since when: nightly sums of evidence over every candidate onset day, with a false-alarm rate that needs no tuning.

A stream is a row of plates in time order, each with an e-value: a likelihood ratio of a faulty model to the null, with
mean 1 (or less) while nothing is wrong. The sum over candidate onset days of the product of the e-values since that day
(the Shiryaev-Roberts sum) has, while nothing is wrong, a mean of at most the number of days looked back, so an alarm
raised when it passes A comes on average at most once in A nights of that stream, however often one looks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betaln


@dataclass(frozen=True)
class OnsetPosterior:
    """When it began. ``day``: the most probable onset; ``low``, ``high``: shortest interval; days as given."""

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


def onset_posterior(
    log_since: np.ndarray,
    day: np.ndarray,
    first_day: int,
    clean_day: np.ndarray | None = None,
    hits: int = 0,
    plates: int = 0,
    level: float = 0.9,
) -> OnsetPosterior:
    """Posterior over onset days, every calendar day from ``first_day`` being a candidate.

    ``log_since``: log evidence of an onset just before each telling plate, shape (plates,), with its ``day`` in order. A
    day between two of them is as good a candidate as the later one, but for the plates that came out clean in between
    (``clean_day``, any order): had it begun before them, they would be of those of which ``hits`` of ``plates`` have failed
    since. The chance of failing is integrated out, uniform before that count: a few hits do not tell it well.
    """
    days = np.arange(min(first_day, int(day[0])), int(day[-1]) + 1)
    following = np.searchsorted(day, days)
    weight = log_since[following].astype(float)
    if clean_day is not None and len(clean_day) and hits > 0:
        clean = np.sort(clean_day)
        passed = np.searchsorted(clean, day[following]) - np.searchsorted(clean, days)
        failed, sound = hits + 1, max(plates - hits, 0) + 1
        weight += betaln(failed, sound + passed) - betaln(failed, sound)
    mass = np.exp(weight - weight.max())
    first, last = shortest_window(mass, level)
    low, high = int(days[first]), int(days[last])
    # of equally good days the last: the day of the first plate that such an onset would have touched
    best = int(days[len(days) - 1 - int(np.argmax(weight[::-1]))])
    return OnsetPosterior(best, min(low, best), max(high, best))


def shortest_window(mass: np.ndarray, level: float) -> tuple[int, int]:
    """First and last place of the shortest run that holds ``level`` of ``mass``, (places,), the heaviest of equal ones.

    Masses stand in lumps, so it holds somewhat more than ``level``; an interval with equal tails would hold more still.
    """
    total = np.append(0.0, np.cumsum(mass))
    last = np.searchsorted(total[1:], total[:-1] + level * total[-1] * (1.0 - 1e-12))
    possible = np.flatnonzero(last < len(mass))
    length = last[possible] - possible
    held = total[last[possible] + 1] - total[possible]
    best = possible[np.lexsort((-held, length))[0]]
    return int(best), int(last[best])


def carrier(gain: np.ndarray, owner: np.ndarray, share: float) -> int | None:
    """Which one owner brings at least ``share`` of the evidence; None where no one does.

    ``gain``: log evidence of each plate, shape (plates,); ``owner``: who it belongs to, -1 unknown.
    """
    known = owner >= 0
    total = float(gain.sum())
    if total <= 0.0 or not known.any():
        return None
    by_owner = np.bincount(owner[known], weights=gain[known])
    top = int(np.argmax(by_owner))
    return top if by_owner[top] >= share * total else None
