"""By how much failures were raised above what was expected, where few of them may tell: shrunken ratios, and how they lie.

Both serve to put a fault that was found into the expectation, so that what is left is not laid at another's door.
"""

from __future__ import annotations

import numpy as np

_STEPS = 25  # of both iterations: enough for the third digit of a ratio or a share


def ratio_towards(observed: np.ndarray, expected: np.ndarray, towards: np.ndarray | float, sd: float) -> np.ndarray:
    """Observed over expected failures drawn towards ``towards``, same shape as the first two.

    The mode of a Poisson count under a ratio whose logarithm is N(ln towards, sd). On the log scale a sign that is all
    but unheard of and now shows twenty times is believed (20 of 0.01), where a prior worth a few expected failures would
    drown it; with nothing expected the ratio is ``towards``. ``expected`` at least 0, ``towards`` above 0.
    """
    centre = np.broadcast_to(np.log(towards), np.shape(observed)).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        plain = np.log(np.where(observed > 0, observed, np.nan) / expected)
    log_ratio = np.fmax(centre, np.where(np.isfinite(plain), plain, -np.inf))
    for _ in range(_STEPS):  # the slope falls and is concave: from above, Newton's steps cannot overshoot
        due = expected * np.exp(log_ratio)
        log_ratio = log_ratio + (observed - due - (log_ratio - centre) / sd**2) / (due + 1.0 / sd**2)
    return np.exp(log_ratio)


def even_share(
    failures: np.ndarray,
    expected: np.ndarray,
    trials: np.ndarray,
    all_expected: np.ndarray,
    all_trials: float,
    doubt: float = 2.0,
) -> np.ndarray:
    """Share of the failures that lies evenly over the parts, the rest lying as expected of them, (signs,).

    ``failures``, ``expected``: (cells, signs); ``trials``: (cells,), of the cells that lost something; ``all_expected``:
    (signs,), ``all_trials``: of every cell. Mode of a mixture of the two, by expectation and maximisation, with ``doubt``
    failures set against evenness, so that few failures, or parts all of one risk, give 0.
    """
    signs = failures.shape[1]
    cell, sign = np.nonzero(failures)  # most cells lost nothing of most signs
    y = failures[cell, sign]
    as_expected = expected[cell, sign] / np.maximum(all_expected, 1e-300)[sign]
    even = trials[cell] / max(all_trials, 1e-300)
    whole = np.bincount(sign, weights=y, minlength=signs) + doubt
    share = np.full(signs, 0.5)
    for _ in range(_STEPS):
        of_even = share[sign] * even
        told = y * (of_even / (of_even + (1.0 - share[sign]) * as_expected))
        share = np.bincount(sign, weights=told, minlength=signs) / whole
    return share
