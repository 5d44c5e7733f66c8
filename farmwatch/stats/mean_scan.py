"""Did a measure move, and since when: e-values for a step in daily means after the stream's own course.

A stream's daily means follow its own course (a level, or a level with a slow bend for seasons), which is unknown and
integrated out with a flat prior, and noise that is correlated from day to day: rho at one day, rho^g over a gap of g,
taken out by differences y_d - rho^g y_before (Cochrane and Orcutt 1949). From an onset day on a step is added, drawn
from N(0, w^2). With the step's own regressor made orthogonal to the course, estimate d and variance v, the likelihood
ratio

    LR(onset, w) = sqrt(v / (v + w^2)) exp(d^2 w^2 / (2 v (v + w^2)))

has mean 1 without a step, and no baseline has been estimated that could be wrong. Summed over onset days and averaged
over a bank of w it is a Shiryaev-Roberts statistic: without a step its mean is the number of candidate days. Wild days
are drawn in to CLIP spreads beforehand, which keeps them harmless and costs large steps little.

Bad at: steps much smaller than half a daily spread; slow ramps, which are found as late steps or not at all where the
course may bend.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.stats.robust import drawn_in_square, huber_regression, huber_weights

CLIP = 2.5  # spreads: wild days are drawn in, sound ones hardly ever get so far
BANK = np.array([0.5, 1.0, 2.0, 4.0])  # step sizes w, in long-run spreads of a daily mean
LARGEST_LOG = 600.0  # well inside what a float can hold, also when summed
LIKELY = 3.0  # ln of the likelihood ratio of the best onset
LASTING_DAYS = 5  # days after a step from which it is believed enough to draw days in around it
ROUNDS = 5  # of drawing in and fitting anew, after which nothing moves that matters
BLOCK_DAYS = 7  # a week: what moves from week to week is not noise from day to day
LARGEST_RHO = 0.9  # beyond it a wandering level and correlated noise cannot be told apart
PAIRS_AT_LEAST = 40  # of neighbouring weeks
DOUBT = 1.5  # of the daily spread itself, per root of independent days


@dataclass(frozen=True)
class StepScan:
    """``log_evidence``: ln of the summed likelihood ratios, (streams,); ``log_ratio``: ln LR of each onset, averaged over
    the bank, -inf where no onset; ``step``, ``variance``: its estimate and variance, NaN there; (streams, days)."""

    log_evidence: np.ndarray
    log_ratio: np.ndarray
    step: np.ndarray
    variance: np.ndarray


@dataclass(frozen=True)
class DailyNoise:
    """``scale``: spread of what a day brings that the day before did not tell; ``rho``: correlation at one day."""

    scale: float
    rho: float


def course_basis(days: int, degree: int, own_until: int = 0) -> np.ndarray:
    """Polynomials in the day up to ``degree``: the course a stream may take unharmed, shape (days, degree + 2).

    The last column is 1 on the days before ``own_until``, which may have a level of their own.
    """
    course = np.linspace(-1.0, 1.0, days)[:, None] ** np.arange(degree + 1)
    return np.column_stack([course, np.arange(days) < own_until])


def scan_steps(
    values: np.ndarray,
    weight: np.ndarray,
    basis: np.ndarray,
    candidates: np.ndarray,
    scale: np.ndarray,
    rho: np.ndarray,
) -> StepScan:
    """Evidence for a step at any day, stream by stream.

    ``values``, ``weight``: daily means and their relative weights, (streams, days), weight 0 on days without; ``basis``:
    (days, q), or (streams, days, q) where courses differ, columns of zeros for what a stream has not; ``candidates``: how
    many onset days each day stands for, 0 for none, (streams, days); ``scale``, ``rho``: noise of each stream's daily means
    of weight 1 (see :class:`DailyNoise`), (streams,).
    """
    whitened, columns, fresh, weight = whiten(values, weight, basis, rho)
    width = BANK[:, None] * scale / (1.0 - rho)
    scan = _scan_calm(calm_values(whitened, weight, columns, scale), columns, fresh, weight, candidates, scale, width)
    # where a step is likely, days are drawn in to the course with that step, so that a large one counts in full
    likely, best = scan.log_ratio.max(axis=1) > LIKELY, np.argmax(scan.log_ratio, axis=1)
    lasting = ((weight > 0) & (np.arange(values.shape[1]) >= best[:, None])).sum(axis=1) >= LASTING_DAYS
    again = np.flatnonzero(likely & lasting)
    if again.size == 0:
        return scan
    number = np.arange(values.shape[1])
    step = (number >= best[again, None]) * np.where(number == best[again, None], 1.0, fresh[again])
    with_step = np.concatenate([columns[again], step[:, :, None]], axis=2)
    calm = calm_values(whitened[again], weight[again], with_step, scale[again])
    redone = _scan_calm(
        calm, columns[again], fresh[again], weight[again], candidates[again], scale[again], width[:, again]
    )
    for old, new in zip(
        (scan.log_evidence, scan.log_ratio, scan.step, scan.variance),
        (redone.log_evidence, redone.log_ratio, redone.step, redone.variance),
        strict=True,
    ):
        old[again] = new
    return scan


def _scan_calm(
    calm: np.ndarray,
    columns: np.ndarray,
    fresh: np.ndarray,
    weight: np.ndarray,
    candidates: np.ndarray,
    scale: np.ndarray,
    width: np.ndarray,
) -> StepScan:
    """The scan proper, of whitened days without wild values. ``width``: step sizes, (bank, streams)."""
    root = np.sqrt(weight)
    orthonormal = _orthonormal(columns * root[:, :, None])
    calm = calm * root
    rest = calm - (orthonormal @ (np.swapaxes(orthonormal, 1, 2) @ calm[:, :, None]))[:, :, 0]
    # the step's regressor is 1 on the onset day and ``fresh`` on every day after it
    with_course = _from_onset(orthonormal * root[:, :, None], fresh[:, :, None])
    information = _from_onset(weight, fresh**2) - (with_course**2).sum(axis=2)
    onset = (information > 1e-6 * weight.max(axis=1, keepdims=True)) & (candidates > 0)
    safe = np.where(onset, information, np.nan)
    step, variance = _from_onset(rest * root, fresh) / safe, scale[:, None] ** 2 / safe
    prior = width[:, :, None] ** 2
    ratio = 0.5 * np.log(variance / (variance + prior)) + step**2 * prior / (2.0 * variance * (variance + prior))
    ratio = np.exp(np.minimum(ratio, LARGEST_LOG)).mean(axis=0)
    with np.errstate(divide="ignore"):
        log_ratio = np.log(np.where(onset, ratio, 0.0))
        total = np.log(np.where(onset, ratio * candidates, 0.0).sum(axis=1))
    return StepScan(total, log_ratio, step, variance)


def _orthonormal(columns: np.ndarray) -> np.ndarray:
    """What each stream's columns span, (streams, days, q); zero for a column that the others give."""
    sides, size, _ = np.linalg.svd(columns, full_matrices=False)
    return np.asarray(sides * (size > 1e-9 * size[:, :1])[:, None, :])


def whiten(
    values: np.ndarray, weight: np.ndarray, basis: np.ndarray, rho: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Values and course with what the day before foretold taken out, shapes (streams, days) and (streams, days, q).

    Then ``fresh``, 1 - rho^gap (the share of a standing step that is left), and the weights after whitening.
    """
    there = weight > 0
    number = np.arange(values.shape[1])
    last = np.maximum.accumulate(np.where(there, number, -1), axis=1)
    before = np.concatenate([np.full((len(values), 1), -1), last[:, :-1]], axis=1)
    kept = np.where(before >= 0, rho[:, None] ** (number - before), 0.0)
    from_day = np.maximum(before, 0)
    solid = np.where(there, values, 0.0)
    whitened = solid - kept * np.take_along_axis(solid, from_day, axis=1)
    basis = np.broadcast_to(basis, (len(values), *basis.shape[-2:]))
    columns = basis - kept[:, :, None] * np.take_along_axis(basis, from_day[:, :, None], axis=1)
    return whitened, columns, 1.0 - kept, weight * (1.0 - rho[:, None] ** 2) / (1.0 - kept**2)


def step_size(
    values: np.ndarray, weight: np.ndarray, basis: np.ndarray, noise: DailyNoise, onset: int
) -> tuple[float, float]:
    """The step at day ``onset`` of one stream, (days,), and its standard error, by robust regression on the days.

    Not on the whitened ones: there a step is mostly one jump, which a robust fit takes for a wild day. The standard
    error has the long-run spread, scale / (1 - rho).
    """
    there = weight > 0
    root = np.sqrt(weight[there])
    design = np.column_stack([basis, np.arange(values.size) >= onset])[there] * root[:, None]
    fit = huber_regression(design, values[there] * root)
    error = noise.scale / (1.0 - noise.rho) * np.sqrt(np.linalg.pinv(design.T @ design)[-1, -1])
    return float(fit.coefficients[-1]), float(error)


def _from_onset(values: np.ndarray, later: np.ndarray) -> np.ndarray:
    """For each day its own value plus the sum over all later days of value times ``later``."""
    sums = np.cumsum((values * later)[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(values + sums - values * later)


def calm_values(values: np.ndarray, weight: np.ndarray, columns: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """``values`` drawn in to CLIP scales of each stream's robust course, 0 on days without. Shapes as from whiten."""
    there = weight > 0
    course = np.zeros(values.shape)
    for number, known in enumerate(there):
        own, shape = values[number, known], columns[number, known]
        shape = shape[:, np.append(True, shape[:, 1:].any(axis=0))]
        fitted = shape[:, 0] * (np.median(own / shape[:, 0]) if own.size else 0.0)
        for _ in range(ROUNDS if shape.shape[1] > 1 else 0):
            trust = np.sqrt(huber_weights(own - fitted, float(scale[number])))
            fitted = shape @ np.linalg.lstsq(shape * trust[:, None], own * trust, rcond=None)[0]
        course[number, known] = fitted
    reach = CLIP * scale[:, None] / np.sqrt(np.where(there, weight, 1.0))
    return np.where(there, np.clip(values, course - reach, course + reach), 0.0)


def daily_noise(grid: np.ndarray) -> DailyNoise:
    """Noise of daily means pooled over streams, ``grid``: (streams, days), NaN where a stream has none.

    From differences, which changes of level touch seldom (Chakar et al., Bernoulli 2017, with drawn-in squares for their
    medians): at lags one and two they give spread and correlation, between neighbouring weeks the long-run spread
    directly. The larger stands, enlarged by what so few independent days leave open.
    """
    one, two = (np.abs(grid[:, lag:] - grid[:, :-lag]) for lag in (1, 2))
    first, second = drawn_in_square(one[~np.isnan(one)]), drawn_in_square(two[~np.isnan(two)])
    if not first > 0 or not second > 0:
        return DailyNoise(float("nan"), 0.0)
    rho = float(np.clip(second / first - 1.0, 0.0, LARGEST_RHO))
    by_lags = float(np.sqrt(0.5 * first * (1.0 + rho)))
    doubt = 1.0 + DOUBT / np.sqrt((~np.isnan(one)).sum() * (1.0 - rho) / (1.0 + rho))
    return DailyNoise(max(by_lags * doubt, _by_weeks(grid) * (1.0 - rho)), rho)


def _by_weeks(grid: np.ndarray) -> float:
    weeks = grid.shape[1] // BLOCK_DAYS
    if weeks < 2:
        return 0.0
    blocks = grid[:, grid.shape[1] - weeks * BLOCK_DAYS :].reshape(grid.shape[0], weeks, BLOCK_DAYS)
    known = (~np.isnan(blocks)).sum(axis=2)
    mean = np.nansum(blocks, axis=2) / np.maximum(known, 1)
    enough = known >= (BLOCK_DAYS + 1) // 2
    pairs = enough[:, 1:] & enough[:, :-1]
    if pairs.sum() < PAIRS_AT_LEAST:
        return 0.0
    # variance of a difference of two weeks' means is the long-run variance times the sum of 1 / days
    days = 1.0 / np.maximum(known[:, 1:], 1) + 1.0 / np.maximum(known[:, :-1], 1)
    sized = np.abs(mean[:, 1:] - mean[:, :-1])[pairs] / np.sqrt(days[pairs])
    return float(np.sqrt(drawn_in_square(sized)))
