"""Parts of one plate fail together: the beta-binomial model of a plate and the correlation within it.

A plate of ``n`` parts, each failing with probability ``p`` on average, has ``y`` failures with

    P(y) = C(n, y) B(y + a, n - y + b) / B(a, b),    a = p (1 - rho) / rho,  b = (1 - p) (1 - rho) / rho,

so that any two parts of the plate have correlation ``rho`` and the variance of ``y`` is
``n p (1 - p) (1 + (n - 1) rho)``. ``rho = 0`` is the binomial distribution.

Bad at: plates on which parts fail together in small groups (the model shares one fate over the whole plate), and
correlation that differs between printers.

Source: Skellam, J. R. Statist. Soc. B 10 (1948); Griffiths, Biometrics 29 (1973).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, xlogy
from scipy.stats import chi2

RHO_MAX = 0.95  # nearer to 1 all parts of a plate are one, and the likelihood is flat
_ITERATIONS = 100  # of the search: far more than it takes


@dataclass(frozen=True)
class PlateCorrelation:
    """The maximum-likelihood correlation with its profile-likelihood interval, and twice the gain over ``rho = 0``."""

    rho: float
    low: float
    high: float
    deviance_gain: float
    plates: int


def beta_binomial_log_likelihood(
    failures: np.ndarray, trials: np.ndarray, probability: np.ndarray | float, rho: np.ndarray | float
) -> np.ndarray:
    """Log probability of ``failures`` out of ``trials``, binomial coefficient included; all arguments broadcast.

    ``trials = 0`` gives 0. ``rho`` in [0, 1). Accurate to about 1e-13 a part down to ``rho = 0``. NaN goes through.
    """
    y, n, p = np.asarray(failures, float), np.asarray(trials, float), np.asarray(probability, float)
    return log_choose(n, y) + beta_binomial_kernel(y, n, p, rho)


def beta_binomial_kernel(
    failures: np.ndarray, trials: np.ndarray, probability: np.ndarray | float, rho: np.ndarray | float
) -> np.ndarray:
    """As :func:`beta_binomial_log_likelihood` without the binomial coefficient: enough for likelihood ratios."""
    y, n, p = np.asarray(failures, float), np.asarray(trials, float), np.asarray(probability, float)
    theta = np.asarray(rho, float) / (1.0 - np.asarray(rho, float))
    return log_rising(p, theta, y) + log_rising(1.0 - p, theta, n - y) - log_rising(np.ones_like(p), theta, n)


def log_choose(trials: np.ndarray, failures: np.ndarray) -> np.ndarray:
    """Logarithm of the binomial coefficient."""
    return gammaln(trials + 1.0) - gammaln(failures + 1.0) - gammaln(trials - failures + 1.0)


def log_rising(base: np.ndarray, step: np.ndarray, count: np.ndarray) -> np.ndarray:
    """``sum(log(base + i step) for i < count)``, without loss as ``step`` goes to 0.

    The difference of two log-gamma values cancels when ``base / step`` is large; Stirling's series of the difference
    does not.
    """
    base, step, count = np.broadcast_arrays(base, step, count)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratio = base / step
        near = ratio < 16.0
        start = np.where(near, 16.0, ratio)
        end = start + count
        grown = xlogy(count, base) + (start - 0.5) * np.log1p(count / start) + count * np.log1p(count / start) - count
        grown = grown + _stirling(end) - _stirling(start)
        grown = np.where(step == 0.0, xlogy(count, base), grown)
        if np.any(near):
            short = gammaln(ratio[near] + count[near]) - gammaln(ratio[near]) + count[near] * np.log(step[near])
            grown[near] = np.where(ratio[near] > 0.0, short, -np.inf)
    return np.where(count == 0, 0.0, grown)


def _stirling(x: np.ndarray) -> np.ndarray:
    inverse = 1.0 / x
    square = inverse * inverse
    return inverse * (1 / 12 - square * (1 / 360 - square * (1 / 1260 - square * (1 / 1680 - square / 1188))))


def estimate_rho(
    failures: np.ndarray, trials: np.ndarray, probability: np.ndarray | float, weights: np.ndarray | None = None
) -> float:
    """Maximum-likelihood correlation within plates, in [0, 0.95], given each plate's expected failure ``probability``.

    ``failures``, ``trials``, ``probability``, ``weights``: shape (plates,). Plates of fewer than two parts say
    nothing. 0 where no plate can say anything.

    A reference: the nights take :func:`moment_rho`, or the mixture of ``stats.plate_model``; tests and
    ``benchmarks/crossed.py`` estimate by this.
    """
    terms = _Terms.of(failures, trials, probability, weights)
    return terms.best() if terms is not None else 0.0


def plate_correlation(
    failures: np.ndarray, trials: np.ndarray, probability: np.ndarray | float, level: float = 0.95
) -> PlateCorrelation:
    """:func:`estimate_rho` with a profile-likelihood interval at ``level``; a reference likewise."""
    terms = _Terms.of(failures, trials, probability, None)
    if terms is None:
        return PlateCorrelation(0.0, 0.0, RHO_MAX, 0.0, 0)
    rho = terms.best()
    top = terms.log_likelihood(rho)
    floor = top - 0.5 * float(chi2.ppf(level, 1))
    low = 0.0 if terms.log_likelihood(0.0) >= floor else _root(terms, 0.0, rho, floor)
    high = RHO_MAX if terms.log_likelihood(RHO_MAX) >= floor else _root(terms, RHO_MAX, rho, floor)
    plates = int(np.sum(np.asarray(trials) >= 2))
    return PlateCorrelation(rho, low, high, 2.0 * (top - terms.log_likelihood(0.0)), plates)


def moment_rho(failures: np.ndarray, trials: np.ndarray, probability: np.ndarray | float) -> float:
    """Moment estimate: excess of squared residuals over the binomial, over what full correlation adds. NaN: no pair."""
    y, n, p = np.asarray(failures, float), np.asarray(trials, float), np.asarray(probability, float)
    variance = n * p * (1.0 - p)
    pairs = float(np.sum((n - 1.0) * variance))
    if pairs <= 0.0:
        return float("nan")
    return float(np.clip(np.sum((y - n * p) ** 2 - variance) / pairs, 0.0, RHO_MAX))


@dataclass(frozen=True)
class _Terms:
    """The likelihood in ``theta = rho / (1 - rho)`` as sums of ``weight log(base + step theta)``, steps 1, 2, ..."""

    base: np.ndarray
    step: np.ndarray
    weight: np.ndarray
    start: float

    @staticmethod
    def of(
        failures: np.ndarray, trials: np.ndarray, probability: np.ndarray | float, weights: np.ndarray | None
    ) -> _Terms | None:
        y, n = np.asarray(failures, float), np.asarray(trials, float)
        p = np.clip(np.broadcast_to(np.asarray(probability, float), y.shape), 1e-9, 1.0 - 1e-9)
        w = np.ones_like(y) if weights is None else np.asarray(weights, float)
        keep = n >= 2
        if not keep.any():
            return None
        y, n, p, w = y[keep], n[keep], p[keep], w[keep]
        parts = [_expand(p, y, w), _expand(1.0 - p, n - y, w), _tail(n, w)]
        base, step, weight = (np.concatenate(columns) for columns in zip(*parts, strict=True))
        return _Terms(base, step, weight, moment_rho(y, n, p))

    def log_likelihood(self, rho: float) -> float:
        """Up to a constant: zero at ``rho = 0``."""
        theta = rho / (1.0 - rho)
        return float(np.sum(self.weight * np.log1p(self.step * theta / self.base)))

    def slope(self, theta: float) -> tuple[float, float]:
        share = self.step / (self.base + self.step * theta)
        return float(self.weight @ share), float(-(self.weight * share) @ share)

    def best(self) -> float:
        low, high = 0.0, RHO_MAX / (1.0 - RHO_MAX)
        if self.slope(low)[0] <= 0.0:
            return 0.0
        if self.slope(high)[0] >= 0.0:
            return RHO_MAX
        theta = self.start / (1.0 - self.start)
        if not low < theta < high:
            theta = 0.01
        for _ in range(_ITERATIONS):
            first, second = self.slope(theta)
            low, high = (theta, high) if first > 0.0 else (low, theta)
            step = theta - first / second if second < 0.0 else low
            following = step if low < step < high else 0.5 * (low + high)
            if abs(following - theta) <= 1e-10 * (1e-3 + theta):
                theta = following
                break
            theta = following
        return theta / (1.0 + theta)


def _expand(base: np.ndarray, count: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    extra = np.maximum(count - 1, 0).astype(np.int64)
    starts = np.cumsum(extra) - extra
    step = np.arange(int(extra.sum())) - np.repeat(starts, extra) + 1.0
    return np.repeat(base, extra), step, np.repeat(weight, extra)


def _tail(trials: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The denominator depends on the number of parts alone: one term a step for all larger plates."""
    by_size = np.bincount(trials.astype(np.int64), weights=weight)
    larger = np.cumsum(by_size[::-1])[::-1]
    step = np.arange(1, len(by_size) - 1, dtype=float)
    return np.ones_like(step), step, -larger[2:]


def _root(terms: _Terms, outside: float, inside: float, floor: float) -> float:
    for _ in range(60):
        middle = 0.5 * (outside + inside)
        if terms.log_likelihood(middle) >= floor:
            inside = middle
        else:
            outside = middle
    return inside
