"""Did a measure step, in a stream that drifts by itself: a room through seasons and spells of weather.

A stream without peers has no norm but its own past, and that past moves: slowly with the season, for days with the
weather. A day's mean is taken as

    y = level + slope * day + season + weather + noise,

``season`` an integrated random walk (a slope that wanders, as under a smoothing spline), ``weather`` correlated from day
to day, rho^gap, ``noise`` of the day alone; level and slope have flat priors. How much of each a stream has is not known:
the evidence is averaged over LAWS, pairs of a weather and a wandering of the slope, and over the overall spread, in
closed form. With the squared spread out, the ratio of a step N(0, (w spread)^2) from a day on against none is, for one law,

    LR = sqrt(v / (v + w^2)) (1 - d^2 w^2 / (v (v + w^2) Q))^(-freedom / 2)

with d the step by generalised least squares, v its variance in squared spreads and Q the squares left without a step. It
has Student's tails, so that a short past proves little. Each law weighs by how well it foretells the stream; a step that the
stream's own wandering explains as well is none. Averaged over the prior the ratio has mean 1 without a step; the sum over
days is the Shiryaev-Roberts sum of :mod:`farmwatch.stats.mean_scan`.

Bad at: ramps of weeks, which are a season to it; steps smaller than what the stream does by itself within a week or two.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import logsumexp

from farmwatch.stats.mean_scan import LARGEST_LOG, LASTING_DAYS, LIKELY, StepScan
from farmwatch.stats.robust import spread

WEATHER = ((0.0, 0.0), (0.5, 0.1), (0.8, 0.1), (0.8, 0.5), (0.95, 0.1), (0.95, 0.5))  # rho, share of noise in a day
WANDERING = (0.0, 0.003, 0.01, 0.04)  # spread of the slope's change in a day, per spread of a day
BANK = np.array([1.0, 2.0, 4.0, 8.0])  # step sizes w, in spreads of a day
CLIP = 2.5  # spreads: wild days are drawn in, sound ones hardly ever get so far
FLAT = 2  # level and slope
DAYS_AT_LEAST = FLAT + 3


@dataclass(frozen=True)
class _Laws:
    """What each law makes of days: ``inside``: precision after level and slope, (laws, days, days); ``weight``: log of
    its determinants' part; ``alone``: precision of a day given all others, ``information``: of a step, (laws, days);
    ``freedom``: days left after level, slope and the like."""

    inside: np.ndarray
    weight: np.ndarray
    alone: np.ndarray
    information: np.ndarray
    freedom: int


def scan_drifting(
    values: np.ndarray, there: np.ndarray, candidates: np.ndarray, own_until: np.ndarray | None = None
) -> StepScan:
    """Evidence for a step at any day, stream by stream, all of shape (streams, days).

    ``values``: daily means, anything where not ``there``; ``candidates``: how many onset days each day stands for, 0 for
    none; ``own_until``: the day before which a stream may have a level of its own, 0 for none, (streams,). Streams of
    fewer than DAYS_AT_LEAST days, or without any spread, come back without evidence.
    """
    shape = values.shape
    out = StepScan(np.full(shape[0], -np.inf), *(np.full(shape, fill) for fill in (-np.inf, np.nan, np.nan)))
    own_days = np.zeros(shape[0], dtype=int)
    if own_until is not None:
        own_days = (there & (np.arange(shape[1]) < own_until[:, None])).sum(axis=1)
    patterns, which = np.unique(np.column_stack([own_days, there]), axis=0, return_inverse=True)
    for number, pattern in enumerate(patterns):
        days = np.flatnonzero(pattern[1:])
        if days.size < DAYS_AT_LEAST:
            continue
        laws = _laws_of(tuple((days - days[0]).tolist()), int(pattern[0]))
        for stream in np.flatnonzero(which.ravel() == number):
            if np.ptp(values[stream, days]) > 0:
                found = _scan_one(values[stream, days], candidates[stream, days], laws)
                out.log_evidence[stream] = found.log_evidence[0]
                for whole, part in (
                    (out.log_ratio, found.log_ratio),
                    (out.step, found.step),
                    (out.variance, found.variance),
                ):
                    whole[stream, days] = part[0]
    return out


@lru_cache(maxsize=4)
def _laws_of(numbers: tuple[int, ...], own_days: int = 0) -> _Laws:
    """The laws on whole day numbers, increasing. From night to night and measure to measure mostly the same.

    The first ``own_days`` of them have a level of their own, where that is not all.
    """
    days = np.array(numbers)
    gap = np.abs(days[:, None] - days[None, :]).astype(float)
    weather = np.stack([(1.0 - noise) * rho**gap if rho else np.eye(days.size) for rho, noise in WEATHER])
    weather[:, np.arange(days.size), np.arange(days.size)] = 1.0
    from_first = (days - days[0] + 1).astype(float)
    early, late = np.minimum.outer(from_first, from_first), np.maximum.outer(from_first, from_first)
    season = early**2 * (3.0 * late - early) / 6.0
    wander = np.square(WANDERING)[:, None, None, None] * season
    covariance = (wander + weather[None]).reshape(-1, days.size, days.size)
    flat = np.column_stack([np.ones(days.size), from_first / from_first[-1]])
    if 0 < own_days < days.size:
        flat = np.column_stack([flat, np.arange(days.size) < own_days])
    precision = np.linalg.inv(covariance)
    against = precision @ flat
    told = np.swapaxes(against, 1, 2) @ flat
    inside = precision - against @ np.linalg.solve(told, np.swapaxes(against, 1, 2))
    weight = -0.5 * (np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(told)[1])
    # a day that alone has a level of its own is foretold by nothing
    alone = np.maximum(np.diagonal(inside, axis1=1, axis2=2), 1e-9)
    # a step's information: the sum of the corner of ``inside`` from its day on
    edge = alone + 2.0 * np.triu(inside, 1).sum(axis=2)
    return _Laws(inside, weight, alone, np.cumsum(edge[:, ::-1], axis=1)[:, ::-1], days.size - flat.shape[1])


def _scan_one(values: np.ndarray, candidates: np.ndarray, laws: _Laws) -> StepScan:
    """The scan of one stream's days, (days,), wild ones drawn in."""
    scan = _scan_calm(_calm(values, laws), candidates, laws)
    best = int(np.argmax(scan.log_ratio[0]))
    if not scan.log_ratio[0, best] > LIKELY or values.size - best < LASTING_DAYS:
        return scan
    # days are drawn in to the course with that step, so that a large one counts in full; drawing in has blurred its day
    raw = _scan_calm(values, candidates, laws)
    near = slice(max(best - LASTING_DAYS, 0), best + LASTING_DAYS + 1)
    best = near.start + int(np.argmax(raw.log_ratio[0, near]))
    step = raw.step[0, best] * (np.arange(values.size) >= best)
    return _scan_calm(_calm(values - step, laws) + step, candidates, laws)


def _calm(values: np.ndarray, laws: _Laws) -> np.ndarray:
    """``values`` drawn in to CLIP spreads of what all other days foretell of each, under the law that fits best."""
    told = laws.inside @ values
    law = int(np.argmax(laws.weight - 0.5 * laws.freedom * np.log(np.maximum(told @ values, 1e-300))))
    off, sized = told[law] / laws.alone[law], told[law] / np.sqrt(laws.alone[law])
    reach = CLIP * spread(sized, 0.0) / np.sqrt(laws.alone[law])
    return np.asarray(values - off + np.clip(off, -reach, reach))


def _scan_calm(values: np.ndarray, candidates: np.ndarray, laws: _Laws) -> StepScan:
    """The scan proper, of one stream's days, (days,), without wild values."""
    told = laws.inside @ values
    left = told @ values
    freedom = laws.freedom
    fit = laws.weight - 0.5 * freedom * np.log(np.maximum(left, 1e-300))
    fit -= logsumexp(fit)
    onset = (laws.information > 1e-9 * laws.alone).all(axis=0) & (candidates > 0)
    v = 1.0 / np.where(onset, laws.information, np.nan)
    d = np.cumsum(told[:, ::-1], axis=1)[:, ::-1] * v
    prior = (BANK**2)[:, None, None]
    explained = d**2 * prior / (v * (v + prior) * left[:, None])
    ratio = 0.5 * np.log(v / (v + prior)) - 0.5 * freedom * np.log1p(-np.minimum(explained, 1.0 - 1e-12))
    ratio = logsumexp(ratio, axis=0) - np.log(len(BANK))
    by_law = np.where(onset, ratio + fit[:, None], -np.inf)
    log_ratio = np.minimum(logsumexp(by_law, axis=0), LARGEST_LOG)
    with np.errstate(divide="ignore", invalid="ignore"):
        total = logsumexp(log_ratio + np.log(candidates))
        share = np.exp(by_law - log_ratio)
    # given a step there, the squares left are fewer by what it explains
    squares = np.maximum(left[:, None] - d**2 / v, 0.0) * v / max(freedom - 1, 1)
    step = (share * d).sum(axis=0)
    variance = (share * (squares + (d - step) ** 2)).sum(axis=0)
    return StepScan(np.array([total]), log_ratio[None], step[None], variance[None])
