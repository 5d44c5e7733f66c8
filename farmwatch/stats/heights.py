"""How high: height is survival time, and a part is at risk only up to its own height.

A part that failed with a recorded height failed in the base, in the transition layers, or at some height of the body. In
which, is told by the hazards of comparable parts: what is due in a band is the hazard there over the hazard of the whole
way up to the part's own height, so that a short part is never held against heights which it does not reach.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

# Edges of the body's hazard bins, mm above the last transition layer: fine where failures crowd, coarse where few reach.
BODY_EDGES_MM = np.array([0.0, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 1000.0])
BASE, TRANSITION, BODY = 0, 1, 2
BINS = 1 + len(BODY_EDGES_MM)  # base, transition, and between the edges


def band_of(height_mm: np.ndarray, base_mm: np.ndarray, low_mm: np.ndarray) -> np.ndarray:
    """Band of each failure height: base up to ``base_mm``, transition up to ``low_mm``, body above; NaN counts as body.

    Heights written to a tenth of a millimetre may be rounded up past the band's last layer: 0.05 mm are allowed. Where a
    run has no such layers, or none are known, nothing lies in the band.
    """
    in_base = (base_mm > 0) & (height_mm <= base_mm + 0.05)
    in_transition = (low_mm > base_mm) & (height_mm <= low_mm + 0.05)
    return np.where(in_base, BASE, np.where(in_transition, TRANSITION, BODY))


def exposure(part_height_mm: np.ndarray, base_mm: np.ndarray, low_mm: np.ndarray) -> np.ndarray:
    """How much of each bin every part goes through: shape (parts, 2 + body bins).

    Base and transition count one each (0 for a part without transition layers); body bins count millimetres.
    """
    body = np.clip((part_height_mm - low_mm)[:, None] - BODY_EDGES_MM[:-1], 0.0, np.diff(BODY_EDGES_MM))
    return np.column_stack([base_mm > 0, (low_mm > base_mm) & (part_height_mm > base_mm), np.nan_to_num(body)]).astype(
        float
    )


def hazard_bin(height_mm: np.ndarray, base_mm: np.ndarray, low_mm: np.ndarray) -> np.ndarray:
    """Column of :func:`exposure` in which each failure lies, shape (failures,)."""
    band = band_of(height_mm, base_mm, low_mm)
    body = np.searchsorted(BODY_EDGES_MM[1:-1], height_mm - low_mm, side="right")
    return np.where(band == BODY, 2 + body, band)


def pooled_hazards(failures: np.ndarray, exposed: np.ndarray, prior_failures: float = 2.0) -> np.ndarray:
    """Hazard per unit of exposure, shape (..., bins), each shrunk to the overall rate of its kind by ``prior_failures``.

    ``failures``, ``exposed``: sums over comparable parts, shape (..., bins). Body bins share one overall rate; base and
    transition are each their own, drawn to a twentieth of a failure only so that none is zero.
    """
    rate = np.empty_like(failures, dtype=float)
    body_failures, body_exposed = failures[..., 2:].sum(-1, keepdims=True), exposed[..., 2:].sum(-1, keepdims=True)
    overall = (body_failures + 0.5) / np.maximum(body_exposed, 1.0)
    rate[..., 2:] = (failures[..., 2:] + prior_failures) / (exposed[..., 2:] + prior_failures / overall)
    rate[..., :2] = (failures[..., :2] + 0.5) / (exposed[..., :2] + 1.0)
    return rate


@dataclass(frozen=True)
class BandShares:
    """Where each failure lay and where it was due; (failures, bands): base, transition, body, then windows of height."""

    observed: np.ndarray
    expected: np.ndarray


def window_edges(top_mm: float, widths: tuple[float, ...]) -> np.ndarray:
    """Windows of height above the plate, half overlapping: shape (windows, 2), up to ``top_mm``."""
    edges = [
        np.stack([start, start + width], axis=1)
        for width in widths
        for start in [np.arange(0.0, max(top_mm, width), width / 2.0)]
    ]
    return np.concatenate(edges) if edges else np.zeros((0, 2))


def seen_in_bands(height_mm: np.ndarray, base_mm: np.ndarray, low_mm: np.ndarray, windows: np.ndarray) -> np.ndarray:
    """Which bands each failure lies in, 0 or 1, shape (failures, bands); the first three of each failure, (failures,), mm;
    ``windows``: (windows, 2) mm, in which only the body counts."""
    place, bands = places(height_mm, base_mm, low_mm, windows)
    return np.asarray(bands[place])


def places(
    height_mm: np.ndarray, base_mm: np.ndarray, low_mm: np.ndarray, windows: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The same by places, of which no edge parts two failures: place of each failure, (failures,), and which bands it
    belongs to, 0 or 1, (places, bands)."""
    edges = np.append(-np.inf, np.unique(windows))  # each the beginning of a place in the body
    bands = np.zeros((2 + len(edges), 3 + len(windows)), np.float32)
    bands[BASE, BASE] = bands[TRANSITION, TRANSITION] = bands[BODY:, BODY] = 1.0
    bands[BODY:, 3:] = (edges[:, None] >= windows[:, 0]) & (edges[:, None] < windows[:, 1])
    band = band_of(height_mm, base_mm, low_mm)
    in_body = BODY - 1 + np.searchsorted(edges, height_mm, side="right")
    return np.where(band == BODY, in_body, band), bands


def due_in_bands(
    part_height_mm: np.ndarray,
    base_mm: np.ndarray,
    low_mm: np.ndarray,
    rates: np.ndarray,
    stream: np.ndarray,
    windows: np.ndarray,
) -> np.ndarray:
    """Share due in each band of a part that failed, shape (failures, bands). ``rates``: hazards of what each stream is compared
    with, (streams, bins); ``stream``: which stream a failure belongs to; the rest as of :func:`seen_in_bands`."""
    base = rates[stream, 0] * (base_mm > 0)
    transition = rates[stream, 1] * ((low_mm > base_mm) & (part_height_mm > base_mm))
    body = _body_hazard(part_height_mm - low_mm, rates, stream)
    total = base + transition + body
    due = np.empty((len(total), 3 + len(windows)), np.float32)
    due[:, :3] = (np.stack([base, transition, body]) / total).T
    if len(windows):
        # layer settings are few: the way to each edge is reckoned once for all parts of a stream that share them
        lows, setting = np.unique(low_mm, return_inverse=True)
        pairs, pair = np.unique(stream * len(lows) + setting, return_inverse=True)
        owner, low = (pairs // len(lows))[:, None], lows[pairs % len(lows)][:, None]
        start, end = (_body_hazard(edge - low, rates, owner) for edge in windows.T)
        # from its beginning to the top of the part, at most all of it: what is whole is no difference of long ways
        way = body.astype(np.float32)[:, None] - start.astype(np.float32)[pair]
        np.maximum(way, 0.0, out=way)
        np.minimum(way, (end - start).astype(np.float32)[pair], out=way)
        np.divide(way, total.astype(np.float32)[:, None], out=due[:, 3:])
    return due


def _body_hazard(way_mm: np.ndarray, rates: np.ndarray, stream: np.ndarray) -> np.ndarray:
    """Cumulative hazard of the body up to ``way_mm`` above its beginning; ``stream`` is broadcast to its shape."""
    way = np.clip(way_mm, 0.0, BODY_EDGES_MM[-1])
    place = np.searchsorted(BODY_EDGES_MM[1:-1], way, side="right")
    body = rates[:, 2:]
    below = np.cumsum(body * np.diff(BODY_EDGES_MM), axis=1) - body * np.diff(BODY_EDGES_MM)
    return np.asarray(below[stream, place] + body[stream, place] * (way - BODY_EDGES_MM[place]))


@dataclass(frozen=True)
class LogRank:
    """A weighted log-rank test of two groups: ``score`` (observed less expected in group 1), ``variance``, ``chi2`` on one
    degree of freedom, and ``log_p`` (natural logarithm of the two-sided p-value)."""

    score: float
    variance: float
    chi2: float
    log_p: float


def weighted_log_rank(
    time: np.ndarray, event: np.ndarray, group: np.ndarray, p: float = 0.0, q: float = 0.0, at_risk_power: float = 0.0
) -> LogRank:
    """Compare the hazards of two groups (``group``: bool) over time or height.

    Weights are S(t-)^p (1 - S(t-))^q (Fleming and Harrington) times the number at risk to ``at_risk_power``: 0 log-rank,
    1/2 Tarone and Ware, 1 Gehan. Klein and Moeschberger, Survival Analysis, 2nd ed. (2003), section 7.3.
    """
    times = np.unique(time[event > 0])
    at = np.searchsorted(times, time, side="right") - 1
    died = event > 0
    deaths = np.bincount(at[died], minlength=len(times)).astype(float)
    deaths_1 = np.bincount(at[died & group], minlength=len(times)).astype(float)
    risk = (len(time) - np.searchsorted(np.sort(time), times)).astype(float)
    risk_1 = (group.sum() - np.searchsorted(np.sort(time[group]), times)).astype(float)
    survival = np.concatenate([[1.0], np.cumprod(1.0 - deaths / risk)])[:-1]
    weight = survival**p * (1.0 - survival) ** q * risk**at_risk_power
    share = risk_1 / risk
    score = float((weight * (deaths_1 - deaths * share)).sum())
    spread = np.where(risk > 1, (risk - deaths) / np.maximum(risk - 1.0, 1.0), 0.0)
    variance = float((weight**2 * share * (1.0 - share) * spread * deaths).sum())
    chi2 = score**2 / variance if variance > 0 else float("nan")
    return LogRank(score, variance, chi2, float(np.log(2.0) + norm.logsf(np.sqrt(chi2))))
