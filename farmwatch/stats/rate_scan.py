"""Did a failure rate move, and since when: many streams at once, every candidate onset, odds ratios up and down.

Each stream (one printer, one lot, ...) has plates in time order with failures ``y`` of ``n`` parts and an expected log
odds. A stream's own level ``b`` is unknown, drawn from its peers' spread N(0, sd); from an onset day on its level is
``b + shift``. With ``l(g)`` the plate model's log-likelihood of a day at offset ``g`` of the log odds, the evidence for
an onset is the ratio of marginal likelihoods

    LR(onset, shift) = sum_b w_b exp(before(b) + after(b + shift)) / sum_b w_b exp(before(b) + after(b)),

whose mean without a shift is 1. Its sum over onsets, averaged over the bank of shifts, is a Shiryaev-Roberts statistic
R: without a shift its mean is the number of candidate onsets so far, so that alarming at R >= A gives at most one false
alarm in A days of a stream, however often one looks (Pollak, Annals of Statistics 1985; the same bound serves sums of
streams). The baseline's uncertainty is in the ratio, since ``b`` is integrated out rather than estimated.

Bad at: shifts below an odds ratio of about 1.5; a slow ramp is found later than a step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.interpolate import CubicSpline

from farmwatch.stats.onsets import shortest_window
from farmwatch.stats.plate_model import PlateModel, plate_log_likelihood

STEP = 0.2  # of the grid of log odds offsets; every shift of the bank is a whole number of steps
OFFSETS = np.arange(-22, 29) * STEP
UP_STEPS = np.array([2, 3, 4, 5, 6, 8, 10, 13, 16])  # odds ratios 1.5 to 25
DOWN_STEPS = np.array([-3, -5, -7, -10])  # odds ratios 0.55 to 0.14
_FINER, _PAIR, _LOWEST, _HIGHEST = 5, 1 << 20, -9.0, 4.0  # grid of the look-up table and the log odds it serves
_SPAN = _FINER * (len(OFFSETS) - 1)
_GRID = _LOWEST + OFFSETS[0] + np.arange(round((_HIGHEST - _LOWEST) * _FINER / STEP) + _SPAN + 1) * STEP / _FINER
_STEPS = -(-len(_GRID) // _FINER)  # whole steps on the grid
LEVEL_REACH = 12  # steps; with the widest shift still on the grid
ZERO = int(np.flatnonzero(np.abs(OFFSETS) < 1e-9)[0])


@dataclass(frozen=True)
class ShiftScan:
    """``log_evidence``: ln R of each stream, shape (streams,); ``onset_log_weight``: ln of the summed likelihood ratio of
    each candidate onset, shape (streams, days), -inf on days without a plate of the stream."""

    log_evidence: np.ndarray
    onset_log_weight: np.ndarray


@dataclass(frozen=True)
class ShiftPosterior:
    """Log odds ratio of a shift with a 95 % interval, its standard error, and the stream's own level before it."""

    log_odds_ratio: float
    low: float
    high: float
    standard_error: float
    own_level: float


@dataclass(frozen=True)
class Onset:
    """Day numbers: the most probable onset and the ends of its interval; ``first_mass``: probability of the first days."""

    day: int
    low: int
    high: int
    first_mass: float


def shift_log_likelihoods(
    failures: np.ndarray,
    trials: np.ndarray,
    log_odds: np.ndarray,
    model: PlateModel | None,
    offsets: np.ndarray = OFFSETS,
) -> np.ndarray:
    """Log-likelihood of each plate at each offset of its log odds, shape (plates, offsets).

    ``model``: how parts of a plate fail together; None takes them as independent (binomial). Terms that do not depend on
    the offset may be left out. Equal rows are computed once, the log odds being read to a fiftieth.
    """
    rounded = np.round(log_odds * 50.0)
    _, first, inverse = np.unique(
        (rounded * 4096.0 + trials) * 4096.0 + failures, return_index=True, return_inverse=True
    )
    y, n, eta = failures[first, None], trials[first, None], rounded[first, None] / 50.0 + offsets
    if model is None:
        table = y * eta - n * np.logaddexp(0.0, eta)
    else:
        table = plate_log_likelihood(y, n, 1.0 / (1.0 + np.exp(-eta)), model)
    return table[inverse]


class ShiftTable:
    """The likelihoods of :func:`shift_log_likelihoods` by look-up, for many streams under one plate model.

    Each pair of failures and trials is computed once on a grid of log odds of a fifth of STEP, to which log odds are
    rounded: an error of at most 2 % of the odds, either way alike.
    """

    def __init__(self, model: PlateModel) -> None:
        self.model = model
        self._risk = 1.0 / (1.0 + np.exp(-_GRID))
        self._pairs = np.empty(0, np.int64)  # in order, with the row of each in ``_values``
        self._row = np.empty(0, np.int64)
        self._values = np.empty((0, _FINER, _STEPS))  # offsets of one log odds side by side: read in one go

    def __call__(self, failures: np.ndarray, trials: np.ndarray, log_odds: np.ndarray) -> np.ndarray:
        """Shape (plates, OFFSETS)."""
        pairs = trials.astype(np.int64) * _PAIR + failures.astype(np.int64)
        at = np.searchsorted(self._pairs, pairs)
        known = np.append(self._pairs, -1)[at] == pairs  # -1 is no pair: what lies beyond the last one is unknown
        if not known.all():
            self._learn(np.unique(pairs[~known]))
            at = np.searchsorted(self._pairs, pairs)
        first = np.clip(np.round((log_odds - _LOWEST) * _FINER / STEP), 0, len(_GRID) - 1 - _SPAN).astype(np.int64)
        return sliding_window_view(self._values, len(OFFSETS), axis=2)[self._row[at], first % _FINER, first // _FINER]

    def _learn(self, pairs: np.ndarray) -> None:
        y, n = (pairs % _PAIR).astype(float)[:, None], (pairs // _PAIR).astype(float)[:, None]
        every = np.append(self._pairs, pairs)
        order = np.argsort(every)
        self._pairs = every[order]
        self._row = np.append(self._row, len(self._values) + np.arange(len(pairs)))[order]
        self._values = np.concatenate([self._values, _by_phase(plate_log_likelihood(y, n, self._risk, self.model))])


def _by_phase(on_grid: np.ndarray) -> np.ndarray:
    """Rows on the finer grid, (pairs, grid), as one row for each fifth of a step, (pairs, _FINER, _STEPS)."""
    padded = np.pad(on_grid, ((0, 0), (0, _FINER * _STEPS - on_grid.shape[1])))
    return np.ascontiguousarray(padded.reshape(-1, _STEPS, _FINER).transpose(0, 2, 1))


def own_levels(sd: float) -> tuple[np.ndarray, np.ndarray]:
    """Grid steps (levels,) and log weights (levels,) of a stream's own level, N(0, sd) cut at three sd."""
    reach = min(int(np.ceil(3.0 * sd / STEP)), LEVEL_REACH)
    steps = np.arange(-reach, reach + 1)
    log_weight = -0.5 * (steps * STEP / max(sd, 1e-6)) ** 2
    return steps, log_weight - _log_sum(log_weight)


def scan_shifts(
    day_log_likelihood: np.ndarray,
    active: np.ndarray,
    sd: float,
    shift_steps: np.ndarray,
    guard: bool,
    without: np.ndarray | None = None,
) -> ShiftScan:
    """Evidence of every stream for a shift at any onset.

    ``day_log_likelihood``: (streams, days, offsets), summed over the plates of a day; ``active``: (streams, days), days
    on which a stream has a plate; ``shift_steps``: bank of shifts in grid steps; ``guard``: count only what also stands
    apart from the stream's peers, not merely from its own past (for shifts down, so that a fault which ends is none).
    ``without``: (streams,) ln of the marginal likelihood without a shift where that stands on another expectation.
    """
    steps, log_weight = own_levels(sd)
    total = day_log_likelihood.sum(axis=1)
    after = total[:, None, :] - np.cumsum(day_log_likelihood, axis=1) + day_log_likelihood
    base = ZERO + steps
    null = log_weight + total[:, base]
    log_posterior = null - (_log_sum(null) if without is None else without)[:, None]
    after_base = after[:, :, base]
    after_null = _log_sum(log_weight + after_base) if guard else None
    onset = np.full(active.shape, -np.inf)
    for shift in shift_steps:
        shifted = after[:, :, base + shift]
        ratio = _log_sum(log_posterior[:, None, :] + shifted - after_base)
        if after_null is not None:
            ratio = np.minimum(ratio, _log_sum(log_weight + shifted) - after_null)
        onset = np.logaddexp(onset, ratio - np.log(len(shift_steps)))
    onset = np.where(active, onset, -np.inf)
    top = onset.max(axis=1, initial=-np.inf, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        evidence = np.log(np.exp(onset - safe).sum(axis=1)) + safe[:, 0]
    return ShiftScan(evidence, onset)


def marginal(day_log_likelihood: np.ndarray, sd: float) -> np.ndarray:
    """ln of each stream's marginal likelihood without a shift, (streams,), own level integrated out."""
    steps, log_weight = own_levels(sd)
    return _log_sum(log_weight + day_log_likelihood.sum(axis=1)[:, ZERO + steps])


def _log_sum(terms: np.ndarray) -> np.ndarray:
    top = terms.max(axis=-1)
    return np.log(np.exp(terms - top[..., None]).sum(axis=-1)) + top


def onset_interval(onset_log_weight: np.ndarray, coverage: float = 0.9) -> Onset:
    """Most probable onset day of one stream and the shortest interval of its posterior, shape in: (days,).

    A change between two plates shows at the later one, so the interval reaches down to the day after the plate before.
    """
    active = np.flatnonzero(np.isfinite(onset_log_weight))
    weight = np.exp(onset_log_weight[active] - onset_log_weight[active].max())
    weight /= weight.sum()
    best = int(np.argmax(weight))
    low, high = shortest_window(weight, coverage)
    low, high = min(low, best), max(high, best)
    low_day = int(active[low - 1]) + 1 if low > 0 else int(active[0])
    return Onset(int(active[best]), low_day, int(active[high]), float(weight[:2].sum()))


def shift_posterior(before: np.ndarray, after: np.ndarray, sd: float) -> ShiftPosterior:
    """Posterior of a shift with a flat prior, own level integrated out. ``before``, ``after``: (offsets,) on OFFSETS.

    With nothing before (a stream that was bad from its first plate) the own level is its peers' alone, so that the
    shift is measured against the peers' centre.
    """
    fine = np.arange(OFFSETS[0], OFFSETS[-1] + 1e-9, 0.05)
    before_fine, after_fine = CubicSpline(OFFSETS, before)(fine), CubicSpline(OFFSETS, after)(fine)
    level = -0.5 * (fine / max(sd, 0.05)) ** 2 + before_fine
    keep = level > level.max() - 12.0
    shift = np.arange(-4.0, 4.5 + 1e-9, 0.05)
    at = np.clip(np.round((fine[keep][:, None] + shift[None, :] - fine[0]) / 0.05).astype(int), 0, len(fine) - 1)
    joint = level[keep][:, None] + after_fine[at]
    joint = np.exp(joint - joint.max())
    own = float((joint.sum(axis=1) * fine[keep]).sum() / joint.sum())
    weight = joint.sum(axis=0) / joint.sum()
    mass = np.cumsum(weight)
    mean = float((weight * shift).sum())
    spread = float(np.sqrt((weight * (shift - mean) ** 2).sum()))
    quantile = np.interp([0.025, 0.5, 0.975], mass, shift)
    return ShiftPosterior(float(quantile[1]), float(quantile[0]), float(quantile[2]), spread, own)
