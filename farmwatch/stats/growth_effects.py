"""Whose growth: crossed effects of lot, printer, profile, ... on growth, and the evidence that one of them is off.

    y = X b + d + e,   b_k ~ N(0, s2 r_k),   d_day ~ N(0, s2 q),   e_j ~ N(0, s2 / w_j),   s2 ~ scaled inverse chi-square,

``d`` is what all sessions of one day of measuring share (the gauge's zero, the hand, the room),

with the spreads ``r`` of the healthy effects on a grid and everything else in closed form, so that the evidence of a
further column (a lot's coupons; a printer's coupons since some day) is a ratio of two marginal likelihoods in which the
unknown gauge noise and the unknown natural spread are averaged over: small samples have heavy tails by themselves.

Source: the normal-inverse-gamma linear model, e.g. Gelman et al., Bayesian Data Analysis, chapter 14.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize


@dataclass(frozen=True)
class CrossedFit:
    """Posterior at every grid point (h). ``inverse``: (h, p, p); ``mean``: (h, p); ``residual``: (h,), the posterior
    sum of squares; ``freedom``: its degrees of freedom; ``log_weight``: (h,), prior times marginal likelihood."""

    design: np.ndarray
    weight: np.ndarray
    y: np.ndarray
    inverse: np.ndarray
    mean: np.ndarray
    residual: np.ndarray
    freedom: float
    log_weight: np.ndarray

    @property
    def share(self) -> np.ndarray:
        """Posterior probability of each grid point, shape (h,)."""
        return np.exp(self.log_weight - log_sum(self.log_weight))

    @property
    def noise_sd(self) -> float:
        """Posterior mean of the residual standard deviation of an observation of weight 1."""
        return float(np.sqrt(self.share @ self.residual / self.freedom))


@dataclass(frozen=True)
class Contrast:
    """A combination of effects: its posterior mean, standard deviation (of its t) and degrees of freedom."""

    mean: float
    sd: float
    freedom: float


def fit_crossed(
    y: np.ndarray,
    design: np.ndarray,
    weight: np.ndarray,
    ratios: np.ndarray,
    prior_sd: float,
    prior_freedom: float,
) -> CrossedFit:
    """Fit at every grid point.

    ``y``: shape (n,). ``design``: (n, p). ``weight``: (n,), 1 for an ordinary observation. ``ratios``: (h, p), variance
    of each coefficient in units of the residual variance. ``prior_sd``, ``prior_freedom``: what is known of the
    residual before, as if from that many earlier observations.
    """
    weighted = design * weight[:, None]
    gram, right, square = weighted.T @ design, weighted.T @ y, float(weight @ y**2)
    precision = gram[None] + np.eye(design.shape[1])[None] / ratios[:, None, :]
    inverse = np.linalg.inv(precision)
    mean = inverse @ right
    explained = mean @ right
    residual = prior_freedom * prior_sd**2 + np.maximum(square - explained, 0.0)
    freedom = prior_freedom + y.size
    log_det = np.linalg.slogdet(precision)[1] + np.log(ratios).sum(axis=1)
    log_weight = -0.5 * log_det - 0.5 * freedom * np.log(residual)
    return CrossedFit(design, weight, y, inverse, mean, residual, float(freedom), log_weight)


def whiten(values: np.ndarray, weight: np.ndarray, day: np.ndarray, shared: float) -> np.ndarray:
    """Make rows independent with unit variance: from ``diag(1/weight) + shared`` within a day, nothing across days.

    ``values``: (n,) or (n, m). ``weight``: (n,). ``day``: whole numbers from 0, (n,). ``shared``: variance of a day's
    common error in units of the residual variance.
    """
    matrix = values[:, None] if values.ndim == 1 else values
    root = np.sqrt(weight)
    rows = matrix * root[:, None]
    if shared > 0.0:
        total = np.bincount(day, weight)
        order = np.argsort(day, kind="stable")
        first = np.flatnonzero(np.diff(day[order], prepend=-1) != 0)
        sums = np.add.reduceat((rows * root[:, None])[order], first, axis=0)
        shrink = (1.0 - 1.0 / np.sqrt(1.0 + shared * total)) / total
        rows = rows - root[:, None] * (shrink[:, None] * sums)[day]
    return rows[:, 0] if values.ndim == 1 else rows


def column_evidence(fit: CrossedFit, columns: np.ndarray, widths: np.ndarray) -> np.ndarray:
    """Log ratio of the marginal likelihoods with and without each further column, shape (m,).

    ``columns``: (n, m). ``widths``: prior standard deviations of the column's effect in units of the residual's,
    equally likely, shape (k,).
    """
    weighted = columns * fit.weight[:, None]
    overlap = fit.design.T @ weighted
    own = np.einsum("nm,nm->m", weighted, columns)
    explained = ((fit.inverse @ overlap) * overlap).sum(axis=1)
    left = np.maximum(own - explained, 0.0)
    pull = weighted.T @ fit.y - fit.mean @ overlap
    freedom, count = fit.freedom, fit.residual.size * len(widths)
    terms = np.empty((count, columns.shape[1]))
    for k, width in enumerate(widths):
        gain = pull**2 / (1.0 / width**2 + left)
        log_ratio = np.log(np.maximum(1.0 - gain / fit.residual[:, None], 1e-12))
        at = slice(k * fit.residual.size, (k + 1) * fit.residual.size)
        terms[at] = fit.log_weight[:, None] - 0.5 * np.log1p(width**2 * left) - 0.5 * freedom * log_ratio
    top = terms.max(axis=0)
    total = top + np.log(np.exp(terms - top).sum(axis=0)) - np.log(len(widths))
    return np.asarray(total - log_sum(fit.log_weight))


def contrast(fit: CrossedFit, combination: np.ndarray) -> Contrast:
    """Posterior of ``combination @ b``, shape (p,), averaged over the grid."""
    share = fit.share
    means = fit.mean @ combination
    variances = np.einsum("p,hpq,q->h", combination, fit.inverse, combination) * fit.residual / fit.freedom
    mean = float(share @ means)
    return Contrast(mean, float(np.sqrt(share @ (variances + (means - mean) ** 2))), fit.freedom)


def level_evidence(value: Contrast, tolerance: float, widths: np.ndarray) -> float:
    """Log evidence that a level lies off zero by more than ``tolerance`` (standard deviation) allows.

    ``widths``: further standard deviations if it is off, equally likely, in the unit of the value.
    """
    inside = value.sd**2 + tolerance**2
    outside = inside + np.asarray(widths, float) ** 2
    log_ratio = -0.5 * np.log(outside / inside) + 0.5 * value.mean**2 * (1.0 / inside - 1.0 / outside)
    return float(log_sum(log_ratio) - np.log(len(widths)))


def log_sum(logs: np.ndarray) -> float:
    """Logarithm of the sum of exponentials, shape (n,)."""
    top = float(logs.max())
    return top + float(np.log(np.exp(logs - top).sum()))


@dataclass(frozen=True)
class Spreads:
    """Standard deviations of the effects of each factor, of the residual, and the mean, by restricted likelihood."""

    factor_sd: np.ndarray
    residual_sd: float
    mean: float


def reml_spreads(y: np.ndarray, factors: np.ndarray, weight: np.ndarray | None = None) -> Spreads:
    """Spreads of crossed (or nested) factors, y ~ 1 + (1|factor) + ...

    ``y``: shape (n,). ``factors``: (n, k), whole numbers from 0. In a balanced design this is the analysis of variance
    (where that gives no negative variance). A reference: the detectors average over spreads; this ties the marginal
    likelihood that they average by to published values.
    """
    columns = [np.ones((y.size, 1))]
    sizes = []
    for factor in factors.T:
        columns.append((factor[:, None] == np.unique(factor)[None, :]).astype(float))
        sizes.append(columns[-1].shape[1])
    design, w = np.concatenate(columns, axis=1), np.ones(y.size) if weight is None else weight
    shift = float(y.mean())

    def fit(logs: np.ndarray) -> CrossedFit:
        ratios = np.concatenate([[1e8], np.repeat(np.exp(np.clip(logs, -25.0, 15.0)), sizes)])
        # flat mean and one degree of freedom less: the marginal likelihood is then the restricted one
        return fit_crossed(y - shift, design, w, ratios[None], 0.0, -1.0)

    best = minimize(
        lambda logs: -float(fit(logs).log_weight[0]),
        np.zeros(len(sizes)),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000},
    )
    final = fit(best.x)
    residual_sd = float(np.sqrt(final.residual[0] / final.freedom))
    return Spreads(residual_sd * np.exp(best.x / 2.0), residual_sd, shift + float(final.mean[0, 0]))
