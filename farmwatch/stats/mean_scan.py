"""Did a measure move, and since when: e-values for a step in daily means after the stream's own course.

A stream's daily means y, with variances scale^2 / weight, follow its own course (a level, or a level with a slow bend
for seasons), which is unknown and integrated out with a flat prior; from an onset day on a step is added, drawn from
N(0, w^2). With the step's own regressor made orthogonal to the course, estimate d and variance v, the likelihood ratio

    LR(onset, w) = sqrt(v / (v + w^2)) exp(d^2 w^2 / (2 v (v + w^2)))

has mean 1 without a step, and no baseline has been estimated that could be wrong. Summed over onset days and averaged
over a bank of w it is a Shiryaev-Roberts statistic: without a step its mean is the number of candidate days. Serial
correlation enters through ``scale``, the long-run spread of a daily mean: too large for a stretch of few days, right
for a long one, so never too trusting. Wild days are drawn in to CLIP spreads beforehand, which keeps them harmless and
costs large steps little.

Bad at: steps much smaller than half a daily spread; slow ramps, which are found as late steps or not at all where the
course may bend.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.stats.robust import NORMAL_MAD, huber_weights

CLIP = 2.5
BANK = np.array([0.5, 1.0, 2.0, 4.0])  # step sizes w, in long-run spreads of a daily mean
LARGEST_LOG = 600.0
BLOCK_DAYS = 7
LARGEST_RHO = 0.9


@dataclass(frozen=True)
class StepScan:
    """``log_evidence``: ln of the summed likelihood ratios; ``log_ratio``: ln LR of each onset, averaged over the bank;
    ``step``, ``variance``: estimate and variance of the step at each onset; shape (days,), -inf or NaN where no onset."""

    log_evidence: float
    log_ratio: np.ndarray
    step: np.ndarray
    variance: np.ndarray


@dataclass(frozen=True)
class DailyNoise:
    """``scale``: long-run spread of a daily mean; ``day_scale``: its spread from day to day; ``rho``: at lag one."""

    scale: float
    day_scale: float
    rho: float


def course_basis(day: np.ndarray, degree: int) -> np.ndarray:
    """Polynomials in the day up to ``degree``, shape (days, degree + 1): the course a stream may take unharmed."""
    span = max(float(day[-1] - day[0]), 1.0)
    return np.asarray((2.0 * (day - day[0]) / span - 1.0)[:, None] ** np.arange(degree + 1))


def scan_step(
    values: np.ndarray, weight: np.ndarray, basis: np.ndarray, candidates: np.ndarray, scale: float
) -> StepScan:
    """Evidence for a step at any day of one stream.

    ``values``, ``weight``: daily means and relative weights, shape (days,); ``basis``: (days, q); ``candidates``: how
    many onset days each day stands for, 0 for none; ``scale``: long-run spread of a daily mean of weight 1.
    """
    root = np.sqrt(weight)
    orthonormal = np.linalg.qr(basis * root[:, None])[0]
    calm = calm_values(values, basis, scale)
    rest = calm * root - orthonormal @ (orthonormal.T @ (calm * root))
    ahead = _suffix(orthonormal * root[:, None])
    information = _suffix(weight[:, None])[:, 0] - (ahead**2).sum(axis=1)
    informed = information > 1e-6 * weight.max()
    safe = np.where(informed, information, 1.0)
    step = np.where(informed, _suffix((rest * root)[:, None])[:, 0] / safe, np.nan)
    variance = np.where(informed, scale**2 / safe, np.nan)
    width = (BANK * scale)[:, None] ** 2
    ratio = 0.5 * np.log(variance / (variance + width)) + step**2 * width / (2.0 * variance * (variance + width))
    ratio = np.where(informed & (candidates > 0), np.minimum(ratio, LARGEST_LOG), -np.inf)
    log_ratio = np.logaddexp.reduce(ratio, axis=0) - np.log(BANK.size)
    with np.errstate(divide="ignore"):
        total = float(np.logaddexp.reduce(log_ratio + np.log(candidates)))
    return StepScan(total, log_ratio, step, variance)


def calm_values(values: np.ndarray, basis: np.ndarray, scale: float) -> np.ndarray:
    """``values`` drawn in to CLIP scales of the stream's robust course (Huber's weights, three rounds)."""
    course = np.full(values.size, np.median(values))
    if basis.shape[1] > 1:
        for _ in range(3):
            trust = np.sqrt(huber_weights(values - course, scale))
            course = basis @ np.linalg.lstsq(basis * trust[:, None], values * trust, rcond=None)[0]
    return np.asarray(np.clip(values, course - CLIP * scale, course + CLIP * scale))


def _suffix(values: np.ndarray) -> np.ndarray:
    return np.cumsum(values[::-1], axis=0)[::-1]


def daily_noise(grid: np.ndarray) -> DailyNoise:
    """Noise of daily means pooled over streams, ``grid``: (streams, days), NaN where a stream has none.

    From differences, which changes of level touch seldom: lag one and two give spread and correlation (Chakar et al.,
    Bernoulli 2017), neighbouring weeks give the long-run spread directly; the larger of the two stands, enlarged by the
    uncertainty of a median of so few weeks.
    """
    one, two = (np.abs(grid[:, lag:] - grid[:, :-lag]) for lag in (1, 2))
    one, two = one[~np.isnan(one)], two[~np.isnan(two)]
    if one.size < 5 or two.size < 5 or not np.median(one) > 0:
        return DailyNoise(float("nan"), float("nan"), 0.0)
    first, second = float(np.median(one)), float(np.median(two))
    rho = float(np.clip((second / first) ** 2 - 1.0, 0.0, LARGEST_RHO))
    day_scale = first / NORMAL_MAD / np.sqrt(2.0 * (1.0 - rho))
    by_lags = day_scale * np.sqrt((1.0 + rho) / (1.0 - rho))
    return DailyNoise(max(by_lags, _by_weeks(grid)), day_scale, rho)


def _by_weeks(grid: np.ndarray) -> float:
    weeks = grid.shape[1] // BLOCK_DAYS
    if weeks < 2:
        return 0.0
    blocks = grid[:, grid.shape[1] - weeks * BLOCK_DAYS :].reshape(grid.shape[0], weeks, BLOCK_DAYS)
    known = (~np.isnan(blocks)).sum(axis=2)
    mean = np.nansum(blocks, axis=2) / np.maximum(known, 1)
    enough = known >= (BLOCK_DAYS + 1) // 2
    pairs = enough[:, 1:] & enough[:, :-1]
    if pairs.sum() < 8:
        return 0.0
    # variance of a difference of two weeks' means is the long-run variance times the sum of 1 / days
    days = 1.0 / np.maximum(known[:, 1:], 1) + 1.0 / np.maximum(known[:, :-1], 1)
    sized = np.abs(mean[:, 1:] - mean[:, :-1])[pairs] / np.sqrt(days[pairs])
    return float(np.median(sized) / NORMAL_MAD * (1.0 + 1.2 / np.sqrt(pairs.sum())))
