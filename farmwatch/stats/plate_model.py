"""How many of a plate's parts fail: parts share a plate's luck, and now and then an accident takes most of a plate.

    f(y | n, p) = (1 - q) BetaBinomial(y; n, p', rho) + q BetaBinomial(y; n, LOSS)

``accident_share`` is the share of all failures that accidents bring: q = accident_share p / m with m the mean of a lost
plate, and p' such that the mean stays p. Both parts rise with p, so one lost plate speaks for an odds ratio R by a
factor of at most about R, where a plain beta-binomial lets a single accident raise an alarm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betaln, gammaln

LOSS = (2.0, 0.5)  # beta parameters of the share of a plate that an accident takes: mean 0.8
LOSS_MEAN = LOSS[0] / sum(LOSS)
RHO_GRID = np.array([0.005, 0.02, 0.04, 0.07, 0.1, 0.15, 0.2, 0.3, 0.45, 0.6])
SHARE_GRID = np.array([0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.55, 0.7])


@dataclass(frozen=True)
class PlateModel:
    """``rho``: correlation of two parts of a plate that met no accident; ``accident_share`` of all failures."""

    rho: float
    accident_share: float

    def correlation(self, probability: float) -> float:
        """Correlation of two parts of one plate with everything in it, at failure probability ``probability``."""
        p = probability
        q = min(self.accident_share * p / LOSS_MEAN, 0.9)
        rest = (1.0 - self.accident_share) * p / (1.0 - q)
        both = (1.0 - q) * (rest * rest + self.rho * rest * (1.0 - rest))
        both += q * LOSS[0] * (LOSS[0] + 1.0) / (sum(LOSS) * (sum(LOSS) + 1.0))
        return float((both - p * p) / (p * (1.0 - p)))


def plate_log_likelihood(
    failures: np.ndarray, trials: np.ndarray, probability: np.ndarray, model: PlateModel
) -> np.ndarray:
    """ln f, broadcast over the shapes given, without the binomial coefficient; ``probability`` in (0, 1)."""
    share = model.accident_share
    q = np.minimum(share * probability / LOSS_MEAN, 0.9)
    rest = np.clip((1.0 - share) * probability / (1.0 - q), 1e-9, 1.0 - 1e-9)
    size = (1.0 - model.rho) / model.rho
    a, b = rest * size, (1.0 - rest) * size
    usual = gammaln(failures + a) - gammaln(a) + gammaln(trials - failures + b) - gammaln(b)
    usual += gammaln(size) - gammaln(trials + size)
    lost = betaln(failures + LOSS[0], trials - failures + LOSS[1]) - betaln(*LOSS)
    return np.logaddexp(np.log1p(-q) + usual, np.log(np.maximum(q, 1e-12)) + lost)


def fit_plate_model(failures: np.ndarray, trials: np.ndarray, probability: np.ndarray) -> PlateModel:
    """Maximum likelihood over a grid of both parameters, refined once between grid points; inputs (plates,).

    Plates of one part say nothing and are best left out. Probabilities are read to a tenth of their log odds, which
    makes a year of plates a few thousand different rows.
    """
    log_odds = np.round(np.log(probability / (1.0 - probability)) * 10.0)
    rows, count = np.unique(np.column_stack([failures, trials, log_odds]), axis=0, return_counts=True)
    y, n, p = rows[:, 0], rows[:, 1], 1.0 / (1.0 + np.exp(-rows[:, 2] / 10.0))

    def best(rhos: np.ndarray, shares: np.ndarray) -> tuple[float, float]:
        value = np.array(
            [[count @ plate_log_likelihood(y, n, p, PlateModel(rho, share)) for share in shares] for rho in rhos]
        )
        row, column = np.unravel_index(int(np.argmax(value)), value.shape)
        return float(rhos[row]), float(shares[column])

    rho, share = best(RHO_GRID, SHARE_GRID)
    fine_rho = rho * np.array([0.7, 0.85, 1.0, 1.2, 1.4])
    fine_share = share * np.array([0.7, 0.85, 1.0, 1.2, 1.4])
    return PlateModel(*best(np.minimum(fine_rho, 0.9), np.minimum(fine_share, 0.9)))
