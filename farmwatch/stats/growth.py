"""What test pieces say of growth and scale, tilt and bow.

A bar's error is ``+2 g + s w`` and a slot's ``-2 g + s w``: ``g`` growth of one edge (mm), ``s`` scale error (1), ``w``
nominal width (mm). One bar and one slot of one width give ``g = (bar - slot) / 4`` and ``s w = (bar + slot) / 2``; more
pieces of one session are fitted by least squares, of which the pair is the smallest case.

Bad at: pieces that were all read with one slipped gauge; bars without slots, where scale and growth look the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.stats import t as t_distribution

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


@dataclass(frozen=True)
class PadPlane:
    """Thickness of pads over the plate. ``tilt_*_mm``: rise of thickness over the whole width and depth (NaN: refused).

    ``tilt_mm``: rise from the lowest to the highest edge of the plate. ``thin_side``: where the plate comes closest
    to the film, in degrees from +x towards +y. ``bow_mm``: centre pads minus the plane through the outer pads (positive:
    thicker in the centre, the plate hollow or the screen low there). Intervals are NaN where nothing is left over.
    """

    pads: int
    freedom: int = 0
    refused: str = ""
    mean_mm: float = float("nan")
    tilt_x_mm: float = float("nan")
    tilt_x_low: float = float("nan")
    tilt_x_high: float = float("nan")
    tilt_y_mm: float = float("nan")
    tilt_y_low: float = float("nan")
    tilt_y_high: float = float("nan")
    tilt_mm: float = float("nan")
    tilt_log_p: float = float("nan")
    thin_side: float = float("nan")
    bow_mm: float = float("nan")
    bow_low: float = float("nan")
    bow_high: float = float("nan")


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


def pad_plane(
    x_mm: np.ndarray,
    y_mm: np.ndarray,
    thickness_mm: np.ndarray,
    plate_width_mm: float,
    plate_depth_mm: float,
    repeat: np.ndarray | None = None,
    level: float = 0.95,
) -> PadPlane:
    """Tilt and bow from pads, all shape (pads,). ``repeat``: which printing a pad belongs to (each has its own level).

    The pads nearer than a quarter of the half-diagonal to the plate's centre count as centre pads. The model is
    thickness = level of its printing + tilt_x x/width + tilt_y y/depth + bow [centre].
    """
    x, y, z = (np.asarray(a, float) for a in (x_mm, y_mm, thickness_mm))
    keep = np.isfinite(x) & np.isfinite(y) & np.isfinite(z)
    x, y, z = x[keep], y[keep], z[keep]
    group = np.zeros(x.size, int) if repeat is None else np.unique(np.asarray(repeat)[keep], return_inverse=True)[1]
    near = np.hypot(x, y) < 0.125 * np.hypot(plate_width_mm, plate_depth_mm)
    columns = [x / plate_width_mm, y / plate_depth_mm, near.astype(float)]
    levels = [(group == g).astype(float) for g in np.unique(group)]
    has_bow = bool(near.any() and (~near).sum() >= 3)
    design = np.column_stack([*(columns if has_bow else columns[:2]), *levels]) if x.size else np.empty((0, 3))
    if x.size < 3 or np.linalg.matrix_rank(design) < design.shape[1]:
        why = f"{x.size} pads: at least three that do not stand in line are needed"
        return PadPlane(int(x.size), refused=why)
    inverse = np.linalg.inv(design.T @ design)
    fitted = np.linalg.lstsq(design, z, rcond=None)[0]
    freedom = int(x.size - design.shape[1])
    rest = z - design @ fitted
    variance = float(rest @ rest) / freedom if freedom > 0 else float("nan")
    reach = float(t_distribution.ppf(0.5 + level / 2.0, freedom)) if freedom > 0 else float("nan")
    half = reach * np.sqrt(variance * np.diag(inverse))
    tx, ty = float(fitted[0]), float(fitted[1])
    bow = (float(fitted[2]), float(half[2])) if has_bow else (float("nan"), float("nan"))
    steep = np.arctan2(-ty / plate_depth_mm, -tx / plate_width_mm)
    return PadPlane(
        int(x.size),
        freedom,
        "",
        float(z.mean()),
        tx,
        tx - float(half[0]),
        tx + float(half[0]),
        ty,
        ty - float(half[1]),
        ty + float(half[1]),
        abs(tx) + abs(ty),
        _tilt_log_p(fitted[:2], inverse[:2, :2], variance, freedom),
        float(np.degrees(steep)),
        bow[0],
        bow[0] - bow[1],
        bow[0] + bow[1],
    )


@dataclass(frozen=True)
class Planes:
    """One plane and bow for each printing of pads. ``values``: (printings, 3): rise of thickness over the whole width,
    over the whole depth, middle against the plane of the others, mm; NaN where a printing's pads cannot tell it.
    ``variance``: (printings, 3), in units of the error variance of one pad."""

    values: np.ndarray
    variance: np.ndarray


def session_planes(printing: np.ndarray, x_share: np.ndarray, y_share: np.ndarray, thickness_mm: np.ndarray) -> Planes:
    """Planes of many printings, each by itself, by least squares as :func:`pad_plane`.

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


def _tilt_log_p(tilt: np.ndarray, inverse: np.ndarray, variance: float, freedom: int) -> float:
    from scipy.stats import f as f_distribution

    if freedom < 1:
        return float("nan")
    if variance == 0.0:
        return -np.inf if np.any(tilt) else 0.0
    return float(f_distribution.logsf(float(tilt @ np.linalg.solve(inverse, tilt)) / 2.0 / variance, 2, freedom))
