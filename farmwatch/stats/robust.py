"""Location, scale and regression that a few wild values cannot bend.

The regression is Huber's M-estimate (Annals of Mathematical Statistics 1964) by reweighted least squares with the
scale re-estimated from the residuals' median absolute deviation, as in Venables and Ripley's ``rlm``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

TUNING = 1.345  # 95 % efficient where errors are normal
NORMAL_MAD = 0.6744897501960817  # upper quartile of the standard normal: what the median of |z| estimates
REACH = 3.5  # spreads: noise hardly gets so far, a change of level does
DRAWN_IN_NORMAL = 0.9991253754  # mean of min(z^2, REACH^2) of a standard normal z
ROUNDS = 50  # of reweighting: far more than it takes


@dataclass(frozen=True)
class RobustFit:
    """Coefficients (columns,), residuals and weights in (0, 1] (rows,), and the residuals' robust scale."""

    coefficients: np.ndarray
    residuals: np.ndarray
    weights: np.ndarray
    scale: float


def spread(values: np.ndarray, centre: float | None = None) -> float:
    """Median absolute deviation, consistent for the normal; NaN ignored, NaN on no values. Any shape."""
    known = values[~np.isnan(values)]
    if known.size == 0:
        return float("nan")
    middle = float(np.median(known)) if centre is None else centre
    return float(np.median(np.abs(known - middle)) / NORMAL_MAD)


def drawn_in_square(differences: np.ndarray) -> float:
    """Mean square of ``differences`` drawn in to REACH spreads, consistent for the normal; NaN on fewer than five."""
    if differences.size < 5:
        return float("nan")
    size = spread(differences, 0.0)
    return float(np.minimum(differences**2, (REACH * size) ** 2).mean() / DRAWN_IN_NORMAL)


def huber_weights(residuals: np.ndarray, scale: float, tuning: float = TUNING) -> np.ndarray:
    """1 within ``tuning`` scales of zero, falling as 1/|residual| beyond. A zero scale keeps only exact fits whole."""
    size = np.abs(residuals) / max(scale, 1e-300)
    return np.asarray(np.where(size <= tuning, 1.0, tuning / np.maximum(size, tuning)))


def huber_regression(design: np.ndarray, response: np.ndarray, tolerance: float = 1e-8) -> RobustFit:
    """Regress ``response`` (rows,) on ``design`` (rows, columns), which carries its own constant. No NaN.

    Columns that others give are left at the least-norm solution. Raises ``ValueError`` on fewer rows than columns.
    """
    rows, columns = design.shape
    if rows < columns:
        raise ValueError(f"{rows} rows cannot give {columns} coefficients")
    coefficients = np.linalg.lstsq(design, response, rcond=None)[0]
    for _ in range(ROUNDS):
        residuals = response - design @ coefficients
        scale = spread(residuals, 0.0)
        weights = huber_weights(residuals, scale)
        weighted = design * weights[:, None]
        new = np.linalg.lstsq(weighted.T @ design, weighted.T @ response, rcond=None)[0]
        moved = float(np.max(np.abs(new - coefficients)) / max(float(np.max(np.abs(new))), 1e-12))
        coefficients = new
        if moved < tolerance:
            break
    residuals = response - design @ coefficients
    scale = spread(residuals, 0.0)
    return RobustFit(coefficients, residuals, huber_weights(residuals, scale), scale)


def held_out_coefficients(design: np.ndarray, response: np.ndarray, group: np.ndarray, fit: RobustFit) -> np.ndarray:
    """For each group of rows the coefficients that the other groups give, shape (groups, columns).

    ``group``: whole numbers from 0. The weights stay those of the pooled ``fit``, so that leaving a group out is one
    small solve. The pooled coefficients count as one more row of unit columns: what the others cannot tell, they say.
    """
    groups = int(group.max()) + 1 if group.size else 0
    if groups < 2:
        return np.tile(fit.coefficients, (groups, 1))
    gram, moment = _moments(design, response, group, fit)
    rest = gram.sum(axis=0) - gram + np.eye(design.shape[1])
    return np.asarray(np.linalg.solve(rest, (moment.sum(axis=0) - moment + fit.coefficients)[:, :, None])[:, :, 0])


def bending(design: np.ndarray, response: np.ndarray, group: np.ndarray, fit: RobustFit) -> np.ndarray:
    """By how much each group moves what the fit says of all other rows: root mean square, in spreads, (groups,).

    The distance of Cook (Technometrics 19 (1977) 15; from memory) for groups of rows, over the others' rows: 0 for a group
    that agrees with them or says nothing.
    """
    gram, _ = _moments(design, response, group, fit)
    moved = held_out_coefficients(design, response, group, fit) - fit.coefficients
    others = np.maximum(group.size - np.bincount(group, minlength=len(gram)), 1)
    square = np.einsum("gi,gij,gj->g", moved, gram.sum(axis=0) - gram, moved)
    return np.asarray(np.sqrt(np.maximum(square, 0.0) / others) / max(fit.scale, 1e-300))


def _moments(
    design: np.ndarray, response: np.ndarray, group: np.ndarray, fit: RobustFit
) -> tuple[np.ndarray, np.ndarray]:
    """Of each group's weighted rows X'X, (groups, columns, columns), and X'y, (groups, columns)."""
    order = np.argsort(group, kind="stable")
    starts = np.searchsorted(group[order], np.arange(int(group.max()) + 1))
    ends = np.append(starts[1:], len(order))
    sorted_design, weighted = design[order], (design * fit.weights[:, None])[order]
    pieces = list(zip(starts, ends, strict=True))
    gram = np.stack([weighted[low:high].T @ sorted_design[low:high] for low, high in pieces])
    moment = np.stack([weighted[low:high].T @ response[order[low:high]] for low, high in pieces])
    return gram, moment
