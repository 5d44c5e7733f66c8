"""How deep and how wide resin cures with dose: the working curve, the slope of growth, the exposure that mends it.

Cure depth follows ``Cd = Dp ln(E / Ec)`` (Jacobs, Rapid Prototyping and Manufacturing, 1992). With the exposure time in
place of the energy, ``Ec`` is a time: the same lamp must have cured every film. Between laboratories ``Dp`` varied up to
7-fold and ``Ec`` up to 70-fold on one batch (Kolibaba et al., Additive Manufacturing 2024): curves of different lamps or
gauges are not to be compared.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import nct, norm
from scipy.stats import t as t_distribution

from farmwatch.stats.straight_line import curvature_log_p, fieller, fit_line

LEAST_FILMS = 4  # two make a line, a third shows a bend, a fourth says how well
LEAST_EFOLDS = 1.0  # on a shorter ladder the slope is noise
LEAST_DOSE_SPREAD = 0.05  # of ln exposure: closer exposures are one
CURVED_LOG_P = float(np.log(0.01))


@dataclass(frozen=True)
class WorkingCurve:
    """``dp_mm``: depth of penetration; ``ec_s``: exposure at which curing starts; each with an interval.

    ``efolds``: span of ln exposure. ``curvature_log_p``: natural log of the p-value of a straight curve (NaN: cannot
    be tested). ``refused``: why nothing is said (then the numbers are NaN), else empty.
    """

    efolds: float
    films: int
    curvature_log_p: float = float("nan")
    refused: str = ""
    dp_mm: float = float("nan")
    dp_low: float = float("nan")
    dp_high: float = float("nan")
    ec_s: float = float("nan")
    ec_low: float = float("nan")
    ec_high: float = float("nan")
    residual_sd_mm: float = float("nan")


@dataclass(frozen=True)
class DoseSlope:
    """mm of growth of one edge per unit of ln exposure, with its interval. ``refused``: why there is none."""

    pieces: int
    refused: str = ""
    slope: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    se: float = float("nan")
    freedom: float = 0.0


@dataclass(frozen=True)
class ExposureFactor:
    """Multiply the exposure by ``factor`` to bring growth to zero. ``refused``: why there is none (then NaN)."""

    refused: str = ""
    factor: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")


def fit_working_curve(exposure_s: np.ndarray, depth_mm: np.ndarray, level: float = 0.95) -> WorkingCurve:
    """Fit depth on ln exposure; both shape (films,), NaN left out. Refuses what the films cannot say."""
    exposure, depth = np.asarray(exposure_s, float), np.asarray(depth_mm, float)
    good = (exposure > 0.0) & (depth > 0.0)
    exposure, depth = exposure[good], depth[good]
    films = int(exposure.size)
    x = np.log(exposure)
    efolds = float(np.ptp(x)) if films else 0.0
    if films < LEAST_FILMS or np.unique(exposure).size < 3:
        why = f"{films} films: at least {LEAST_FILMS} at three exposures are needed"
        return WorkingCurve(efolds, films, refused=why)
    if efolds < LEAST_EFOLDS:
        why = f"the exposures span a factor of {np.exp(efolds):.2f}; at least {np.e:.2f} is needed"
        return WorkingCurve(efolds, films, refused=why)
    bent = curvature_log_p(x, depth)
    if bent < CURVED_LOG_P:
        return WorkingCurve(efolds, films, bent, "depth does not follow a straight line on ln exposure")
    line = fit_line(x, depth)
    if line.slope <= 0.0:
        return WorkingCurve(efolds, films, bent, "depth does not grow with exposure")
    t = float(t_distribution.ppf(0.5 + level / 2.0, line.freedom))
    start = fieller(
        -line.intercept, line.slope, line.intercept_se**2, line.slope_se**2, -line.covariance, line.freedom, level
    )
    return WorkingCurve(
        efolds,
        films,
        bent,
        "",
        line.slope,
        line.slope - t * line.slope_se,
        line.slope + t * line.slope_se,
        _exp(start.value),
        _exp(start.low),
        _exp(start.high),
        line.residual_sd,
    )


def dose_slope(
    group: np.ndarray, log_exposure: np.ndarray, growth_mm: np.ndarray, variance: np.ndarray, level: float = 0.95
) -> DoseSlope:
    """Common slope of growth on ln exposure within groups that share all else (a run's ladder, a printer and lot).

    All shape (points,); ``group`` whole numbers from 0; ``variance`` up to a factor. NaN exposures are left out.
    """
    keep = np.isfinite(log_exposure) & np.isfinite(growth_mm) & (variance > 0.0)
    group, x, y, w = group[keep], log_exposure[keep], growth_mm[keep], 1.0 / variance[keep]
    if x.size == 0:
        return DoseSlope(0, "no coupon has both growth and an exposure")
    _, group = np.unique(group, return_inverse=True)
    total = np.bincount(group, w)
    x = x - (np.bincount(group, w * x) / total)[group]
    y = y - (np.bincount(group, w * y) / total)[group]
    spread = float(w @ x**2)
    varied = int(np.sum(np.bincount(group, np.abs(x)) > 1e-9))
    freedom = int(np.sum(np.bincount(group) > 1) and x.size - total.size - 1)
    if varied == 0 or np.sqrt(spread / w.sum()) < 1e-9 or np.ptp(x) < LEAST_DOSE_SPREAD:
        return DoseSlope(int(x.size), "all coupons were cured with nearly one exposure")
    if freedom < 1:
        return DoseSlope(int(x.size), "too few coupons at different exposures")
    slope = float(w @ (x * y)) / spread
    rest = y - slope * x
    se = float(np.sqrt(float(w @ rest**2) / freedom / spread))
    t = float(t_distribution.ppf(0.5 + level / 2.0, freedom))
    return DoseSlope(int(x.size), "", slope, slope - t * se, slope + t * se, se, float(freedom))


def exposure_factor(
    growth_mm: float, growth_se: float, growth_freedom: float, slope: DoseSlope, level: float = 0.95
) -> ExposureFactor:
    """The factor ``exp(-growth / slope)`` with Fieller's interval; refused where the slope may be zero or negative."""
    if slope.refused:
        return ExposureFactor(slope.refused)
    freedom = min(growth_freedom, slope.freedom)
    ratio = fieller(-growth_mm, slope.slope, growth_se**2, slope.se**2, 0.0, freedom, level)
    if slope.slope <= 0.0 or not np.isfinite(ratio.low):
        return ExposureFactor("the slope of growth on exposure cannot be told from zero with these coupons")
    return ExposureFactor("", _exp(ratio.value), _exp(ratio.low), _exp(ratio.high))


def coupons_needed(change_mm: float, coupon_sd_mm: float, error: float = 0.05, power: float = 0.8) -> float:
    """Coupons (a bar and a slot each) to see ``change_mm`` of growth against a well-known norm, two-sided.

    The fewest, two at least, with which the t-test has that power; ``inf`` for no change, or no error to judge it by.
    """
    if not abs(change_mm) > 0.0 or not coupon_sd_mm > 0.0:
        return float("inf")
    ratio = abs(change_mm) / coupon_sd_mm
    normal = (norm.ppf(1.0 - error / 2.0) + norm.ppf(power)) ** 2 / ratio**2
    if normal > 1e4:
        return float(np.ceil(normal))  # Student's law is the normal law by then
    number = max(2.0, np.floor(normal))
    while _power_of_t_test(ratio, number, error) < power:
        number += 1.0
    return float(number)


def _power_of_t_test(ratio: float, number: float, error: float) -> float:
    apart = ratio * np.sqrt(number)
    if apart > 40.0:
        return 1.0  # further out the law of the t-test is not reckoned reliably, nor needed
    reach = t_distribution.ppf(1.0 - error / 2.0, number - 1.0)
    return float(nct.sf(reach, number - 1.0, apart) + nct.cdf(-reach, number - 1.0, apart))


def _exp(value: float) -> float:
    return float(np.exp(value)) if value < 700.0 else float("inf")
