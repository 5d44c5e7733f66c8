"""Which plates would tell two suspects apart, and how many.

A plate that carries one suspect without the other has raised failure odds if its suspect is to blame and the expected
ones if not. The log-likelihood ratio of the two, summed over such plates, is nearly normal; its mean and variance a
plate come from the beta-binomial model by adding up all outcomes. The number of plates is that after which the wrong
suspect is ruled out with a stated chance, whichever of the two it is.

Assumes that the trouble lasts while the plates are printed. Bad at: trouble that comes and goes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, ndtri

from farmwatch.stats.plate_correlation import beta_binomial_kernel, log_choose

_MOST_PLATES = 4096  # what takes more is as good as never


@dataclass(frozen=True)
class PlatesNeeded:
    """Plates until the wrong one of two suspects is ruled out, whichever it is; infinite where plates cannot tell.

    ``if_raised``: expected log-likelihood ratio a plate where the plate's risk is raised, ``if_not`` where it is not.
    """

    plates: np.ndarray
    if_raised: np.ndarray
    if_not: np.ndarray


def plates_to_separate(
    probability: np.ndarray | float,
    odds_ratio: float,
    parts_per_plate: np.ndarray | int,
    rho: float,
    target: float = 3.0,
    chance: float = 0.8,
    effect_information: float = np.inf,
    correlation_limit: float = 0.9,
) -> PlatesNeeded:
    """How many plates that carry one suspect without the other would tell them apart. Shape (arrangements,).

    On such a plate the failure odds are ``odds_ratio`` times the expected if its suspect is to blame, and as expected
    (``probability``) if the other is. The wrong suspect is ruled out when blaming it costs ``target`` in
    log-likelihood; the plates are those after which this has ``chance`` (0.5: on average). Where the suspect of these
    plates is innocent, its effect may still be put between nothing and ``odds_ratio``: ``effect_information``, one over
    the squared standard error of the log odds ratio, holds it to what the plates of both have shown. While the two
    effects are correlated beyond ``correlation_limit``, twice the target is asked, as it is of rivals.
    """
    expected, parts = np.broadcast_arrays(np.atleast_1d(np.asarray(probability, float)), np.asarray(parts_per_plate))
    full = float(np.log(odds_ratio))
    effects = full * np.linspace(0.0, 1.0, 41)[:, None]
    outcome = np.arange(int(parts.max(initial=0)) + 1.0)[:, None, None]
    inside = outcome <= parts
    failures = np.where(inside, outcome, 0.0)
    linear = np.log(expected) - np.log1p(-expected) + effects
    kernel = beta_binomial_kernel(failures, parts, expit(linear), rho)
    coefficient = log_choose(np.broadcast_to(parts, failures.shape).astype(float), failures)
    mass = np.where(inside, np.exp(kernel + coefficient), 0.0)
    # against the calm plate, for every effect that it might be given; and the raised plate against the calm one
    mean, spread = _moments(mass[:, :1], kernel[:, :1] - kernel)
    raised = _moments(mass[:, -1:], kernel[:, -1:] - kernel[:, :1])
    misfit = 0.5 * np.where(np.isinf(effect_information), 0.0, effect_information) * (effects - full) ** 2
    if np.isinf(effect_information):
        mean, spread, misfit = mean[-1:], spread[-1:], misfit[-1:]
    lucky = float(ndtri(chance))
    information = parts * expected * (1.0 - expected) / (1.0 + (parts - 1.0).clip(0.0) * rho)
    # the effects' correlation is the root of the shared plates' part in all information on the second effect
    entangled = 0.0 if np.isinf(effect_information) else effect_information * (correlation_limit**-2 - 1.0)

    def settled(plates: np.ndarray) -> np.ndarray:
        asked = np.where(plates * information < entangled, 2.0 * target, target)
        calm = np.min(plates * mean - lucky * np.sqrt(plates) * spread + misfit, axis=0)
        high = plates * raised[0][0] - lucky * np.sqrt(plates) * raised[1][0]
        return np.minimum(calm, high) >= asked

    low, high = np.zeros(len(expected)), np.full(len(expected), float(_MOST_PLATES))
    never = ~settled(high)
    while np.any(high - low > 1.0):
        middle = np.floor(0.5 * (low + high))
        done = settled(middle)
        low, high = np.where(done, low, middle), np.where(done, middle, high)
    return PlatesNeeded(np.where(never, np.inf, high), raised[0][0], mean[-1])


def _moments(mass: np.ndarray, ratio: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of a log-likelihood ratio over the outcomes, the first axis."""
    mean = np.sum(mass * ratio, axis=0)
    return np.maximum(mean, 0.0), np.sqrt(np.maximum(np.sum(mass * ratio**2, axis=0) - mean**2, 0.0))


def readings_to_separate(step: float, error_sd: float, target: float = 3.0, chance: float = 0.8) -> float:
    """How many readings that carry one suspect of a step without the other would tell them apart.

    Each adds step^2 / (2 error_sd^2) to the log-likelihood ratio in the mean, with a variance of twice that: the wrong suspect
    is ruled out (``target``) with that ``chance``. ``inf`` where there is no step.
    """
    if not abs(step) > 0.0 or not error_sd > 0.0:
        return float("inf")
    lucky = float(ndtri(chance))
    return float(np.ceil(((lucky + np.sqrt(lucky**2 + 2.0 * target)) * error_sd / step) ** 2))


@dataclass(frozen=True)
class Arrangement:
    """Plates to print: this level of the first factor with this of the second, so many of them."""

    one: int
    two: int
    plates: int


def separating_plates(
    probability: np.ndarray,
    suspects: tuple[int, int],
    odds_ratio: float,
    parts_per_plate: int,
    rho: float,
    target: float = 3.0,
    chance: float = 0.8,
    effect_information: float = np.inf,
) -> tuple[Arrangement, ...]:
    """Which plates would tell two suspects apart, fewest first; see :func:`plates_to_separate`.

    ``probability``: expected failure probability of a part, the suspects' own effects left out, for every level of the
    first factor with every level of the second; NaN where the two cannot be run together. Shape (levels, levels).
    ``suspects``: a level of each factor. Only plates of one suspect without the other are listed: the suspected lot on
    another printer, another lot on the suspected printer.
    """
    one, two = suspects
    cells = [(row, two) for row in range(probability.shape[0]) if row != one]
    cells += [(one, column) for column in range(probability.shape[1]) if column != two]
    cells = [cell for cell in cells if np.isfinite(probability[cell])]
    if not cells:
        return ()
    expected = np.array([probability[cell] for cell in cells])
    needed = plates_to_separate(expected, odds_ratio, parts_per_plate, rho, target, chance, effect_information)
    information = np.minimum(needed.if_raised, needed.if_not)
    order = np.lexsort((-information, needed.plates))
    return tuple(
        Arrangement(cells[at][0], cells[at][1], int(needed.plates[at]))
        for at in order
        if np.isfinite(needed.plates[at])
    )
