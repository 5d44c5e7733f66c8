"""A straight line through points, with Fieller's interval for where it crosses zero.

Source: Fieller, J. R. Statist. Soc. B 16 (1954), for the ratio of two normal estimates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution


@dataclass(frozen=True)
class Line:
    """``y = intercept + slope x``, least squares. Standard errors are NaN with two points. ``freedom``: points - 2."""

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    covariance: float
    residual_sd: float
    freedom: int


@dataclass(frozen=True)
class Ratio:
    """A ratio with its interval. The interval is (-inf, inf) where the denominator may be zero."""

    value: float
    low: float
    high: float


def fit_line(x: np.ndarray, y: np.ndarray) -> Line:
    """Least squares through shape (points,) arrays; raises ``ValueError`` unless two different ``x`` are there."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    if x.size < 2 or np.ptp(x) == 0.0:
        raise ValueError("a line needs two different x")
    centre, level = x.mean(), y.mean()
    spread = float(np.sum((x - centre) ** 2))
    slope = float(np.sum((x - centre) * (y - level)) / spread)
    intercept = float(level - slope * centre)
    # one step of refinement on the residuals brings back the digits that large centres cost
    rest = y - intercept - slope * x
    slope += float(np.sum((x - centre) * rest) / spread)
    intercept = float(level - slope * centre)
    rest = y - intercept - slope * x
    freedom = x.size - 2
    variance = float(rest @ rest) / freedom if freedom > 0 else float("nan")
    return Line(
        intercept,
        slope,
        float(np.sqrt(variance * (1.0 / x.size + centre**2 / spread))),
        float(np.sqrt(variance / spread)),
        -variance * centre / spread,
        float(np.sqrt(variance)),
        freedom,
    )


def fieller(
    top: float, bottom: float, top_var: float, bottom_var: float, covariance: float, freedom: float, level: float = 0.95
) -> Ratio:
    """Interval of ``top / bottom``, both estimated with the given (co)variances on ``freedom`` degrees of freedom."""
    t2 = float(t_distribution.ppf(0.5 + level / 2.0, freedom)) ** 2 if np.isfinite(freedom) else _normal_square(level)
    a = bottom**2 - t2 * bottom_var
    value = top / bottom if bottom != 0.0 else float("nan")
    if not a > 0.0:
        return Ratio(value, -np.inf, np.inf)
    b = top * bottom - t2 * covariance
    root = np.sqrt(max(b * b - a * (top**2 - t2 * top_var), 0.0))
    return Ratio(value, float((b - root) / a), float((b + root) / a))


def curvature_log_p(x: np.ndarray, y: np.ndarray) -> float:
    """Natural log of the p-value that a parabola fits no better than a line; NaN with fewer than four points or x."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    if x.size < 4 or np.unique(x).size < 3:
        return float("nan")
    z = x - x.mean()
    design = np.column_stack([np.ones_like(z), z, z * z])
    coefficients, *_ = np.linalg.lstsq(design, y, rcond=None)
    bent = float(np.sum((y - design @ coefficients) ** 2))
    straight = fit_line(x, y)
    rest = float(np.sum((y - straight.intercept - straight.slope * x) ** 2))
    freedom = x.size - 3
    if bent <= 1e-26 * max(float(y @ y), 1e-300):
        return 0.0 if rest <= 1e-24 * max(float(y @ y), 1e-300) else -np.inf
    return float(f_distribution.logsf((rest - bent) / (bent / freedom), 1, freedom))


def _normal_square(level: float) -> float:
    from scipy.stats import norm

    return float(norm.ppf(0.5 + level / 2.0)) ** 2
