"""What test pieces say of growth and scale, and pads of tilt and bow.

A bar's error is ``+2 g + s w`` and a slot's ``-2 g + s w``: ``g`` growth of one edge (mm), ``s`` scale error (1), ``w``
nominal width (mm). One bar and one slot of one width give ``g = (bar - slot) / 4`` and ``s w = (bar + slot) / 2``; more
pieces of one session are fitted by least squares, of which the pair is the smallest case.

Bad at: pieces that were all read with one slipped gauge; bars without slots, where scale and growth look the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

LARGEST_VARIANCE = 1.0  # of growth, in units of one piece's error variance, for growth to be told from scale


@dataclass(frozen=True)
class SessionGrowth:
    """Growth and scale of each session, arrays of shape (sessions,).

    ``growth_mm``, ``scale``: estimates (NaN in a session without pieces; ``scale`` NaN where not separable).
    ``variance``: of growth in units of the error variance of one piece. ``separable``: whether the session's own
    pieces tell growth from scale; otherwise the scale given was taken as known. ``residual_ss``, ``freedom``: what is
    left within the session.
    """

    growth_mm: np.ndarray
    scale: np.ndarray
    variance: np.ndarray
    separable: np.ndarray
    pieces: np.ndarray
    residual_ss: np.ndarray
    freedom: np.ndarray


def session_growth(
    session: np.ndarray, outside: np.ndarray, width_mm: np.ndarray, error_mm: np.ndarray, known_scale: float = 0.0
) -> SessionGrowth:
    """Growth and scale of each session from its pieces.

    ``session``: whole numbers from 0, shape (pieces,). ``outside``: True for a bar, False for a slot. ``width_mm``:
    nominal width. ``error_mm``: measured minus nominal. ``known_scale``: used where a session cannot tell its own.
    """
    d = np.where(outside, 2.0, -2.0)
    number = int(session.max()) + 1 if session.size else 0

    def total(values: np.ndarray) -> np.ndarray:
        return np.bincount(session, values, number)

    pieces = np.bincount(session, minlength=number)
    dd, dw, ww = total(d * d), total(d * width_mm), total(width_mm**2)
    de, we = total(d * error_mm), total(width_mm * error_mm)
    determinant = dd * ww - dw**2
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = np.where(determinant > 1e-9 * dd * ww, ww / determinant, np.inf)
        separable = variance <= LARGEST_VARIANCE
        growth = np.where(separable, (ww * de - dw * we) / determinant, (de - known_scale * dw) / dd)
        scale = np.where(separable, (dd * we - dw * de) / determinant, np.nan)
        variance = np.where(separable, variance, 1.0 / dd)
    used = np.where(separable, scale, known_scale)
    rest = error_mm - d * growth[session] - used[session] * width_mm
    freedom = np.maximum(pieces - np.where(separable, 2, 1), 0)
    return SessionGrowth(growth, scale, variance, separable, pieces, total(rest**2), freedom)


@dataclass(frozen=True)
class Planes:
    """One plane and bow for each printing of pads. ``values``: (printings, 3): rise of thickness over the whole width,
    over the whole depth, middle against the plane of the others, mm; NaN where a printing's pads cannot tell it.
    ``variance``: (printings, 3), in units of the error variance of one pad."""

    values: np.ndarray
    variance: np.ndarray


def session_planes(printing: np.ndarray, x_share: np.ndarray, y_share: np.ndarray, thickness_mm: np.ndarray) -> Planes:
    """Planes of many printings, each by itself, by least squares: level + tilt_x x + tilt_y y + bow [middle].

    ``printing``: whole numbers from 0, shape (pads,). ``x_share``, ``y_share``: place over the whole width and depth of
    the plate, -0.5 to 0.5. Pads within a quarter of the half-diagonal of the centre are the middle. Printings laid out
    alike are solved once.
    """
    count = int(printing.max()) + 1 if printing.size else 0
    values, variance = np.full((count, 3), np.nan), np.full((count, 3), np.nan)
    order = np.lexsort((y_share, x_share, printing))
    bounds = np.searchsorted(printing[order], np.arange(count + 1))
    solved: dict[bytes, tuple[np.ndarray, np.ndarray] | None] = {}
    for number, (first, last) in enumerate(pairwise(bounds)):
        rows = order[first:last]
        x, y = x_share[rows], y_share[rows]
        key = np.round(np.concatenate([x, y]), 6).tobytes()
        if key not in solved:
            near = np.hypot(x, y) < 0.25 * np.hypot(0.5, 0.5)
            design = np.column_stack([x, y, near, np.ones(len(rows))])
            enough = len(rows) >= 4 and np.linalg.matrix_rank(design) == 4
            inverse = np.linalg.inv(design.T @ design) if enough else None
            solved[key] = None if inverse is None else ((inverse @ design.T)[:3], np.diag(inverse)[:3])
        solution = solved[key]
        if solution is not None:
            values[number], variance[number] = solution[0] @ thickness_mm[rows], solution[1]
    return Planes(values, variance)
