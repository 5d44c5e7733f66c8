"""Does risk climb with a counter since service: a slope, a count at which risk doubles, a service interval.

    logit P(part fails) = logit(expected) + level of its holder + slope * counter,

parts of a plate weighing as ``n / (1 + (n - 1) rho)`` independent ones (``rho``: correlation within plates) where a slope or
a count is estimated; the evidence knows plates better (:mod:`farmwatch.stats.plate_model`): parts share their plate's luck, and
an accident that takes most of a plate speaks for a higher risk as one event, not as a dozen.

The nightly evidence of one holder sets the average over wear of many shapes against the best that any constant level
can do: as the other side is allowed its best fit, the ratio exceeds A with probability at most 1/A however often one
looks. Beside it stands how much better the best wear fits than the best single step at any date: a step is not wear.
The evidence of all holders together is self-normalised by spells between services: it needs no model of what else
differs between them.

Bad at: a counter that runs with the calendar (one spell only); wear that sets in late and suddenly looks like a step.

Sources: Wasserman, Ramdas and Balakrishnan, PNAS 117 (2020), for the likelihood ratio against a maximum; de la Pena,
Annals of Probability 27 (1999), for self-normalised sums.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from farmwatch.stats.plate_model import PlateModel, plate_log_likelihood

LEVELS = np.linspace(-1.6, 2.4, 21)  # log odds ratio of a constant or a step
OWN_LEVELS = np.array([-0.8, -0.25, 0.3])  # level of a holder with fresh film, lamp or bath
KINKS = np.array([0.0, 0.5, 1.0])  # wear sets in at this share of the usual life
DOUBLINGS = np.array([0.1, 0.2, 0.4, 0.8])  # share of the usual life in which the odds then double
CAPS = np.array([1.5, 3.0])  # log odds ratio at which it goes no further
TABLE_STEP = 0.1  # of log odds
PLATES_AT_ONCE = 4_096  # that are held against every shape at a time, 93 shapes and levels each
FINE_COUNTS = np.geomspace(0.04, 4.0, 40)  # counts of doubling that are tried, in usual lives
FINE_KINKS = np.array([0.0, 0.2, 0.4, 0.6, 0.8])  # wear sets in at this share of that count
OWN_LEVEL_STEPS = 6  # of Newton, from no level of its own
OWN_LEVEL_NEAR = 1e-7  # a step so small is followed by none that a number could hold
FINE_BEYOND = np.array([0.15, 1.0, 2.5])  # log odds ratio by which it climbs beyond the doubling


@dataclass(frozen=True)
class HazardSlope:
    """Slope of log odds per unit of the counter, with its interval and one-sided log p-value (of no climb).

    ``refused``: why there is none, else empty.
    """

    plates: int
    failures: float
    refused: str = ""
    slope: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    se: float = float("nan")
    log_p: float = float("nan")


@dataclass(frozen=True)
class CountAt:
    """A count of the counter with its interval; ``inf`` where the slope may be zero."""

    count: float
    low: float
    high: float


@dataclass(frozen=True)
class WearEvidence:
    """``log_e``: ln of the evidence for wear over the best constant level. ``log_wear``, ``log_step``, ``log_constant``:
    largest log-likelihoods of each kind, 0 being the expectation itself."""

    log_e: float
    log_wear: float
    log_step: float
    log_constant: float


@dataclass(frozen=True)
class WearShape:
    """The shape that fits best: wear sets in at ``kink``, from there the odds double every ``doubling``, up to ``cap``
    (log odds ratio). ``counts``: the counts at which the odds are as many times those when fresh as was asked, each with a
    profile-likelihood interval (``inf``: they may never be)."""

    kink: float
    doubling: float
    cap: float
    counts: tuple[CountAt, ...]


def shift_terms(
    failures: np.ndarray, parts: np.ndarray, probability: np.ndarray, rho: float, shift: np.ndarray
) -> np.ndarray:
    """Log-likelihood of a shift of log odds over none; ``shift`` broadcasts against shape (plates,)."""
    weight = 1.0 / (1.0 + np.maximum(parts - 1.0, 0.0) * rho)
    return np.asarray(weight * (failures * shift - parts * np.log1p(probability * np.expm1(shift))))


def plate_terms(
    failures: np.ndarray,
    parts: np.ndarray,
    probability: np.ndarray,
    model: PlateModel,
    shifts: np.ndarray,
    span: tuple[float, float] | None = None,
) -> np.ndarray:
    """Log-likelihood of plates at shifts of log odds over none, shape of ``shifts``, (plates, any).

    Read off a table of the shifts from the least to the largest (``span``, where ``shifts`` are not all), TABLE_STEP apart,
    by a straight line in between.
    """
    least, largest = (float(shifts.min()), float(shifts.max())) if span is None else span
    low = min(least, 0.0)
    steps = int(np.ceil((max(largest, 0.0) - low) / TABLE_STEP)) + 1
    grid = low + TABLE_STEP * np.arange(steps + 1)
    odds = (probability / (1.0 - probability))[:, None] * np.exp(grid)
    risk = np.clip(odds / (1.0 + odds), 1e-9, 1.0 - 1e-9)
    table = plate_log_likelihood(failures[:, None], parts[:, None], risk, model)
    table -= plate_log_likelihood(failures, parts, np.clip(probability, 1e-9, 1.0 - 1e-9), model)[:, None]
    place = (shifts - low) / TABLE_STEP
    cell = np.minimum(place.astype(int), steps - 1)
    before, after = (np.take_along_axis(table, cell + one, axis=1) for one in (0, 1))
    return np.asarray(before + (place - cell) * (after - before))


def fit_slope(
    counter: np.ndarray,
    failures: np.ndarray,
    parts: np.ndarray,
    probability: np.ndarray,
    holder: np.ndarray,
    rho: float = 0.0,
    level: float = 0.95,
) -> HazardSlope:
    """Logistic slope on the counter with a level of its own for every holder, expected risk as the offset.

    All shape (plates,); ``holder`` whole numbers; NaN counters and plates without parts are left out. Newton with the
    levels eliminated; holders without any failure, or nothing but failures, say nothing and drop out.
    """
    keep = np.isfinite(counter) & (parts > 0.0) & (probability > 0.0) & (probability < 1.0)
    c, y, n, p, h = counter[keep], failures[keep], parts[keep], probability[keep], holder[keep]
    _, h = np.unique(h, return_inverse=True)
    failed, total = np.bincount(h, y), np.bincount(h, n)
    informative = ((failed > 0.0) & (failed < total))[h] if h.size else np.zeros(0, bool)
    c, y, n, p, h = c[informative], y[informative], n[informative], p[informative], h[informative]
    if c.size == 0 or np.ptp(c) == 0.0:
        return HazardSlope(int(c.size), float(y.sum()), "no failures at different counts")
    _, h = np.unique(h, return_inverse=True)
    unit = float(np.ptp(c))
    x, offset, w = c / unit, np.log(p) - np.log1p(-p), 1.0 / (1.0 + (n - 1.0) * rho)
    levels, slope = np.zeros(int(h.max()) + 1), 0.0
    information = 0.0
    for _ in range(60):
        mu = 1.0 / (1.0 + np.exp(-np.clip(offset + levels[h] + slope * x, -35.0, 35.0)))
        score, curve = w * (y - n * mu), w * n * mu * (1.0 - mu)
        own, cross = np.bincount(h, curve), np.bincount(h, curve * x)
        information = float(curve @ x**2 - np.sum(cross**2 / own))
        by_holder = np.bincount(h, score)
        step = (float(score @ x) - float(np.sum(cross / own * by_holder))) / max(information, 1e-300)
        step = float(np.clip(step, -5.0, 5.0))
        move = np.clip((by_holder - cross * step) / own, -5.0, 5.0)
        slope, levels = slope + step, levels + move
        if abs(step) < 1e-11 * (1.0 + abs(slope)) and np.max(np.abs(move)) < 1e-11:
            break
    if not information > 1e-12 or abs(slope) > 200.0:
        return HazardSlope(int(c.size), float(y.sum()), "all failures stand at one end of the counts")
    se = 1.0 / np.sqrt(information)
    reach = float(norm.ppf(0.5 + level / 2.0)) * se
    return HazardSlope(
        int(c.size),
        float(y.sum()),
        "",
        float(slope / unit),
        float((slope - reach) / unit),
        float((slope + reach) / unit),
        float(se / unit),
        float(norm.logsf(slope / se)),
    )


def count_at_risk(slope: HazardSlope, times: float = 2.0) -> CountAt:
    """From which count the odds are ``times`` those when fresh, with the interval that the slope's gives."""
    rise = float(np.log(times))
    if slope.refused:
        return CountAt(float("nan"), float("nan"), float("nan"))
    counts = [rise / b if b > 0.0 else float("inf") for b in (slope.slope, slope.high, slope.low)]
    return CountAt(*counts)


def wear_evidence(
    counter: np.ndarray,
    failures: np.ndarray,
    parts: np.ndarray,
    probability: np.ndarray,
    model: PlateModel,
    life: float,
    starts: np.ndarray,
) -> list[WearEvidence]:
    """Evidence of one holder since each of ``starts`` (rows); its plates in time order, shape (plates,), counts known.

    ``life``: usual count between services, which sets the shapes that are looked for.
    """
    wear, level = _summed_terms(counter / life, failures, parts, probability, model, starts)
    before = np.where(starts > 0, level[:, starts - 1], 0.0)
    total = level[:, -1:] - before
    # the best step after any plate: whatever the level before it, the level after it is at its best
    best_after = (level[:, -1:] - level).max(axis=0)
    ahead = np.maximum.accumulate((level + best_after)[:, ::-1], axis=1)[:, ::-1]
    step, constant = (np.maximum(each.max(axis=0), 0.0) for each in (ahead[:, starts] - before, total))
    since = wear[-1] - wear[:-1]
    top = since.max(axis=1)
    mean = top + np.log(np.exp(since - top[:, None]).mean(axis=1))
    return [WearEvidence(*row) for row in np.stack([mean - constant, top, step, constant], axis=1).tolist()]


def _summed_terms(
    x: np.ndarray,
    failures: np.ndarray,
    parts: np.ndarray,
    probability: np.ndarray,
    model: PlateModel,
    starts: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Log-likelihoods summed over the plates: of every shape before each of ``starts`` and, last, of all plates, (starts + 1,
    shapes); of every constant level up to each plate, (levels, plates). ``x``: counts in usual lives."""
    ends = _shapes(np.array([x.min(), x.max()]), KINKS, DOUBLINGS, CAPS)[0]  # shapes only rise, so these are their ends
    span = min(ends.min() + OWN_LEVELS.min(), LEVELS.min()), max(ends.max() + OWN_LEVELS.max(), LEVELS.max())
    shapes = ends.shape[1] * OWN_LEVELS.size
    asked = np.append(starts, len(x)) - 1  # the last plate that counts; none before the first
    wear, level = np.zeros((len(asked), shapes)), np.empty((LEVELS.size, len(x)))
    carried = np.zeros(shapes + LEVELS.size)
    for first in range(0, len(x), PLATES_AT_ONCE):
        some = slice(first, first + PLATES_AT_ONCE)
        rises = _shapes(x[some], KINKS, DOUBLINGS, CAPS)[0][:, :, None] + OWN_LEVELS
        shifts = np.concatenate(
            [rises.reshape(len(rises), -1), np.broadcast_to(LEVELS, (len(rises), LEVELS.size))], axis=1
        )
        terms = plate_terms(failures[some], parts[some], probability[some], model, shifts, span)
        terms[0] += carried
        np.cumsum(terms, axis=0, out=terms)
        carried = terms[-1].copy()
        here = (asked >= first) & (asked < first + len(terms))
        wear[here], level[:, some] = terms[asked[here] - first, :shapes], terms[:, shapes:].T
    return wear, level


def fit_shape(
    counter: np.ndarray,
    failures: np.ndarray,
    parts: np.ndarray,
    probability: np.ndarray,
    rho: float,
    life: float,
    times: tuple[float, ...] = (2.0,),
    level: float = 0.95,
) -> WearShape:
    """The best shape of one holder on a fine grid, the holder's own level profiled out; all shape (plates,).

    ``times``: odds ratios to the fresh state whose counts are wanted.
    """
    x, fits = counter / life, []
    flat = float(_own_level_fit(np.zeros((x.size, 1)), failures, parts, probability, rho)[0])
    drop = 0.5 * float(norm.ppf(0.5 + level / 2.0)) ** 2
    for ratio in times:
        kink, cap = (grid.ravel() for grid in np.meshgrid(FINE_KINKS, np.log(ratio) + FINE_BEYOND, indexing="ij"))
        fit = np.empty((FINE_COUNTS.size, kink.size))
        for row, count in enumerate(FINE_COUNTS):
            doubling = count * (1.0 - kink) / np.log2(ratio)
            rises = np.minimum(np.log(2.0) * np.maximum(x[:, None] - kink * count, 0.0) / doubling, cap)
            fit[row] = _own_level_fit(rises, failures, parts, probability, rho)
        fits.append((fit, kink, cap, ratio))
    fit, kink, cap, ratio = fits[0]
    row, column = divmod(int(np.argmax(fit)), kink.size)
    doubling = FINE_COUNTS[row] * (1.0 - kink[column]) / np.log2(ratio)
    counts = tuple(_crossings(one[0].max(axis=1), flat, drop, life) for one in fits)
    return WearShape(float(kink[column] * FINE_COUNTS[row] * life), float(doubling * life), float(cap[column]), counts)


def _crossings(profile: np.ndarray, flat: float, drop: float, life: float) -> CountAt:
    """Best count and where the profile falls by ``drop``, between the points of the grid by a straight line."""
    top = int(np.argmax(profile))
    floor = max(float(profile[top]), flat) - drop
    logs = np.log(FINE_COUNTS)
    inside = np.flatnonzero(profile >= floor)
    ends = [FINE_COUNTS[0], FINE_COUNTS[-1]]
    if inside.size and inside[0] > 0:
        ends[0] = np.exp(np.interp(floor, profile[inside[0] - 1 : inside[0] + 1], logs[inside[0] - 1 : inside[0] + 1]))
    if inside.size and inside[-1] < profile.size - 1:
        pair = slice(inside[-1], inside[-1] + 2)
        ends[1] = np.exp(np.interp(floor, profile[pair][::-1], logs[pair][::-1]))
    # no climb at all within the interval, or no count large enough to be outside it: it may never come to that
    never = flat >= floor or not inside.size or inside[-1] == profile.size - 1
    low = ends[0] if inside.size and inside[0] > 0 else 0.0
    return CountAt(float(FINE_COUNTS[top] * life), float(low * life), float("inf") if never else float(ends[1] * life))


def _own_level_fit(
    rises: np.ndarray, failures: np.ndarray, parts: np.ndarray, probability: np.ndarray, rho: float
) -> np.ndarray:
    """Log-likelihood of every rise (plates, shapes), the holder's own level at its best by Newton's steps."""
    weight = 1.0 / (1.0 + np.maximum(parts - 1.0, 0.0) * rho)
    seen, weighted = weight * failures, weight * parts
    base = np.exp(rises) * (probability / (1.0 - probability))[:, None]
    own, odds, mu = np.zeros(rises.shape[1]), np.empty_like(base), np.empty_like(base)
    for _ in range(OWN_LEVEL_STEPS):  # without new arrays, sums as products of matrices: four times as fast
        np.multiply(base, np.exp(own), out=odds)
        np.divide(odds, np.add(1.0, odds, out=mu), out=mu)
        due = weighted @ mu
        curve = due - weighted @ np.multiply(mu, mu, out=mu)
        step = np.clip((seen.sum() - due) / np.maximum(curve, 1e-9), -1.5, 1.5)
        own = np.clip(own + step, -4.0, 4.0)
        if np.abs(step).max() < OWN_LEVEL_NEAR:
            break
    # of a shift s: w (y s - n ln(1 + p (e^s - 1))), where the logarithm is that of (1 - p) (1 + odds)
    np.log1p(np.multiply(base, np.exp(own), out=odds), out=odds)
    return np.asarray(seen @ rises + seen.sum() * own - weighted @ odds - weighted @ np.log1p(-probability))


def _shapes(
    x: np.ndarray, kinks: np.ndarray, doublings: np.ndarray, caps: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Rise of log odds at counts ``x`` (in usual lives), shape (plates, shapes), and the shapes."""
    k, d, c = (grid.ravel() for grid in np.meshgrid(kinks, doublings, caps, indexing="ij"))
    return np.minimum(np.log(2.0) * np.maximum(x[:, None] - k, 0.0) / d, c), k, d, c


def pooled_evidence(scores: np.ndarray, information: float, effect_sd: float) -> float:
    """Log evidence that scores of independent spells are positive on average, shape (spells,).

    Each score is symmetric about zero if nothing wears; then ``exp(b S - b^2 V / 2)`` with ``V`` the sum of squares has
    mean at most 1 for every b, and so has its average over positive b ~ |N(0, effect_sd^2)|. ``information``: what V
    would be if the model were right; the larger of the two counts.
    """
    total = float(scores.sum())
    variance = max(float(scores @ scores), information)
    precision = variance + effect_sd**-2
    at = total / np.sqrt(precision)
    return float(np.log(2.0) - np.log(effect_sd) - 0.5 * np.log(precision) + 0.5 * at**2 + norm.logcdf(at))


def trend_scores(
    counter: np.ndarray,
    failures: np.ndarray,
    parts: np.ndarray,
    probability: np.ndarray,
    holder: np.ndarray,
    spell: np.ndarray,
    rho: float,
) -> tuple[np.ndarray, float, np.ndarray]:
    """Score of a slope at zero, per spell, each holder's level fitted: (scores, information, z of every holder).

    ``holder``, ``spell``: whole numbers from 0, shape (plates,); counters known and in units of the usual life.
    """
    w = 1.0 / (1.0 + np.maximum(parts - 1.0, 0.0) * rho)
    observed, expected = np.bincount(holder, w * failures), np.bincount(holder, w * parts * probability)
    ratio = ((observed + 2.0) / (expected + 2.0))[holder]
    mu = np.minimum(probability * ratio, 0.95)
    curve = w * parts * mu * (1.0 - mu)
    middle = np.bincount(holder, curve * counter) / np.maximum(np.bincount(holder, curve), 1e-300)
    apart = counter - middle[holder]
    score = w * (failures - parts * mu) * apart
    by_holder = np.bincount(holder, score)
    own = np.bincount(holder, curve * apart**2)
    z = by_holder / np.sqrt(np.maximum(own, 1e-300))
    return np.bincount(spell, score), float(own.sum()), z
