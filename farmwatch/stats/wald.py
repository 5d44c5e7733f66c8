"""Wald's sequential test, plate by plate: is the rate back at what was expected, or as bad as before?

Each plate of n parts adds the log-likelihood ratio of y failures under "as bad as before" against "back to expected".
Where the sum first reaches log((1 - b) / a) the fault is said to be there still, where it first falls to
log(b / (1 - a)) to be gone; a bounds the chance of the first where it is gone, b of the second where it is there,
however often one looks (A. Wald, Annals of Mathematical Statistics 16, 1945, 117-186; Sequential Analysis, 1947).
Parts of a plate fail together: the counts are beta-binomial, and where a farm loses whole plates to accidents, the mixture
of ``stats.plate_model``, under which one lost plate says little. A fault may have a way of its own: one that takes some
plates whole and spares the others makes a good plate no wonder, and it says little. How bad it was before is known with an
error: the likelihood ratios are averaged over what it may have been (both errors then hold on average over that).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import betaln, expit, gammaln, logit, logsumexp

from farmwatch.stats.plate_model import PlateModel, plate_log_likelihood

Decision = Literal["open", "gone", "there"]


@dataclass(frozen=True)
class Sequential:
    """``decision`` at the first crossing, ``decided_at`` its place (-1 while open); ``path`` sums after each item.

    ``lower``, ``upper``: the limits of the sum, natural log.
    """

    decision: Decision
    decided_at: int
    path: np.ndarray
    lower: float
    upper: float


def limits(false_there: float, false_gone: float) -> tuple[float, float]:
    """Lower and upper limit of the sum, natural log. Both errors must lie above 0 and add up to less than 1."""
    if not (false_there > 0.0 and false_gone > 0.0 and false_there + false_gone < 1.0):
        raise ValueError("both errors must lie above 0 and add up to less than 1")
    return float(np.log(false_gone / (1.0 - false_there))), float(np.log((1.0 - false_gone) / false_there))


def log_beta_binomial(y: np.ndarray, n: np.ndarray, p: np.ndarray, rho: float) -> np.ndarray:
    """Log-probability of ``y`` failures of ``n`` at mean ``p`` and within-plate correlation ``rho`` (0: binomial)."""
    p = np.clip(p, 1e-9, 1.0 - 1e-9)
    choose = gammaln(n + 1.0) - gammaln(y + 1.0) - gammaln(n - y + 1.0)
    if rho < 1e-9:
        return np.asarray(choose + y * np.log(p) + (n - y) * np.log1p(-p))
    a, b = p * (1.0 - rho) / rho, (1.0 - p) * (1.0 - rho) / rho
    return np.asarray(choose + betaln(y + a, n - y + b) - betaln(a, b))


def log_ratios(y: np.ndarray, n: np.ndarray, p: np.ndarray, rho: float, log_odds_ratio: float) -> np.ndarray:
    """Log-likelihood ratio of each plate (plates,): odds raised by ``log_odds_ratio`` against ``p`` as expected.

    The plain beta-binomial case at one effect, a reference for the tests: the verdicts take :func:`averaged_path`.
    """
    worse = expit(logit(np.clip(p, 1e-9, 1.0 - 1e-9)) + log_odds_ratio)
    return log_beta_binomial(y, n, worse, rho) - log_beta_binomial(y, n, p, rho)


def averaged_path(
    y: np.ndarray,
    n: np.ndarray,
    p: np.ndarray,
    sound: PlateModel,
    fault: PlateModel,
    effects: np.ndarray,
    weights: np.ndarray,
) -> np.ndarray:
    """Log of the mean likelihood ratio of all plates so far, (plates,): odds raised by one of ``effects`` against ``p``.

    ``effects`` log odds ratios with their ``weights``, each (effects,), the weights adding up to 1. ``sound``, ``fault``: how
    parts of a plate fail together without and with the fault; without accidents they are beta-binomial.
    """
    odds = logit(np.clip(p, 1e-9, 1.0 - 1e-9))[:, None]
    there = _log_plates(y[:, None], n[:, None], expit(odds + np.asarray(effects)), fault)
    back = _log_plates(y[:, None], n[:, None], expit(odds), sound)
    return np.asarray(logsumexp(np.cumsum(there - back, axis=0) + np.log(weights), axis=1))


def mean_steps(
    n: np.ndarray, p: np.ndarray, sound: PlateModel, fault: PlateModel, log_odds_ratio: float
) -> tuple[float, float]:
    """Mean log-likelihood ratio of a plate if the rate is back, and if it is as bad as before, averaged over plates (n, p)."""
    size, risk = np.asarray(n, float)[:, None], np.clip(np.asarray(p, float), 1e-9, 1.0 - 1e-9)[:, None]
    y = np.arange(int(size.max()) + 1.0)[None, :]
    possible = y <= size
    y = np.where(possible, y, 0.0)
    choose = gammaln(size + 1.0) - gammaln(y + 1.0) - gammaln(size - y + 1.0)
    there = _log_plates(y, size, expit(logit(risk) + log_odds_ratio), fault)
    back = _log_plates(y, size, risk, sound)
    step = there - back
    means = [(np.where(possible, np.exp(choose + log), 0.0) * step).sum(axis=1).mean() for log in (back, there)]
    return float(means[0]), float(means[1])


def _log_plates(y: np.ndarray, n: np.ndarray, p: np.ndarray, model: PlateModel) -> np.ndarray:
    """Log-probability up to the binomial coefficient."""
    p = np.clip(p, 1e-9, 1.0 - 1e-9)
    if model.accident_share > 0.0:
        return plate_log_likelihood(y, n, p, model)
    return log_beta_binomial(y, n, p, model.rho) - log_beta_binomial(y, n, np.full_like(p, 0.5), 0.0) - n * np.log(2.0)


def sequential(steps: np.ndarray, lower: float, upper: float, first_look: int = 0) -> Sequential:
    """The first crossing of the running sum of ``steps`` over a limit decides; what comes after changes nothing.

    ``first_look``: number of items that were there before anybody looked; the sum is first asked after the last of them.
    Fewer looks keep both errors.
    """
    path = np.cumsum(steps)
    looked = np.arange(len(path)) >= min(first_look, len(path)) - 1
    crossed = np.flatnonzero(((path >= upper) | (path <= lower)) & looked)
    if not len(crossed):
        return Sequential("open", -1, path, lower, upper)
    first = int(crossed[0])
    return Sequential("there" if path[first] >= upper else "gone", first, path, lower, upper)


@dataclass(frozen=True)
class Characteristic:
    """Chance that the test says "gone", and mean number of items to a decision, at one true probability."""

    gone: float
    mean_items: float


def bernoulli_characteristic(p: float, p0: float, p1: float, lower: float, upper: float) -> Characteristic:
    """Wald's approximation for single items, which takes the sum to stop right on a limit. A reference for the tests.

    With h the root other than 0 of p (p1/p0)^h + (1-p) ((1-p1)/(1-p0))^h = 1, the chance of "gone" is
    (e^(h upper) - 1) / (e^(h upper) - e^(h lower)).
    """
    up, down = np.log(p1 / p0), np.log((1.0 - p1) / (1.0 - p0))
    drift = p * up + (1.0 - p) * down
    h = _root(p, up, down)
    if abs(h) < 1e-8:
        gone = upper / (upper - lower)
        return Characteristic(float(gone), float(-upper * lower / (p * up**2 + (1.0 - p) * down**2)))
    gone = np.expm1(h * upper) / (np.exp(h * upper) - np.exp(h * lower))
    return Characteristic(float(gone), float((gone * lower + (1.0 - gone) * upper) / drift))


def _root(p: float, up: float, down: float) -> float:
    from scipy.optimize import brentq

    drift = p * up + (1.0 - p) * down
    if abs(drift) < 1e-12:
        return 0.0

    def excess(h: float) -> float:
        return float(np.logaddexp(np.log(p) + h * up, np.log1p(-p) + h * down))

    side = -np.sign(drift)
    far = side
    while excess(far) < 0.0:
        far *= 2.0
    near = far
    while excess(near) >= 0.0:
        near /= 2.0
    return float(brentq(excess, near, far, xtol=1e-14))


def effect_since(
    y: np.ndarray, n: np.ndarray, p: np.ndarray, rho: float, prior_sd: float
) -> tuple[float, float, float]:
    """Log odds ratio of the plates against ``p``: posterior mean and 95 % interval under a normal prior around 0.

    ``y`` failures of ``n`` parts at expected risk ``p``: shape (plates,).
    """
    grid = np.linspace(-6.0, 8.0, 141)
    score = -0.5 * (grid / prior_sd) ** 2
    if len(y):
        odds = logit(np.clip(p, 1e-9, 1.0 - 1e-9))
        score = score + log_beta_binomial(y[:, None], n[:, None], expit(odds[:, None] + grid), rho).sum(axis=0)
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    below = np.cumsum(weight) - weight / 2.0
    low, high = (float(np.interp(q, below, grid)) for q in (0.025, 0.975))
    return float((weight * grid).sum()), low, high
