"""The risk-adjusted CUSUM that knows both rates: the reference beside which our own delay is measured.

Plate by plate, W = max(0, W + ln L(y | odds ratio) - ln L(y | 1)) (Steiner, Cook, Farewell and Treasure, Biostatistics
2000). With both rates known no other scheme has a shorter worst delay at the same false-alarm rate (Moustakides, Annals
of Statistics 1986).
"""

from __future__ import annotations

import numpy as np

from farmwatch.stats.plate_model import PlateModel
from farmwatch.stats.rate_scan import shift_log_likelihoods


def plate_weights(
    failures: np.ndarray, trials: np.ndarray, log_odds: np.ndarray, model: PlateModel | None, odds_ratio: float
) -> np.ndarray:
    """Log-likelihood ratio of each plate for ``odds_ratio`` against 1, shape (plates,); no model and n = 1 is Steiner's."""
    table = shift_log_likelihoods(failures, trials, log_odds, model, np.array([0.0, np.log(odds_ratio)]))
    return table[:, 1] - table[:, 0]


def cusum(weights: np.ndarray) -> np.ndarray:
    """Path of W over plates in time order, shape (plates,), by the running minimum of the cumulative sum."""
    walk = np.cumsum(weights)
    return walk - np.minimum(np.minimum.accumulate(walk), 0.0)
