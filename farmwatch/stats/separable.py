"""Can the records tell two suspects apart, and if not, which plates would?

A suspect is a level of a factor (a printer, a lot). Given each plate's expected log-odds with the suspects' own
effects left out, the excess of failures is put to one suspect, to the other, or to both:

    logit P(failure) = offset + d1 [plate of the first] + d2 [plate of the second],    d1, d2 ~ N(0, prior_sd^2)

Another level is a rival where it explains at least half of the excess by itself and one of these holds: both stand on
the same plates (aliased); the posterior correlation of d1 and d2 is beyond a limit; or leaving the suspect out once
the rival is in costs little log-likelihood. Plates weigh ``1 / (1 + (n - 1) rho)``, as parts of one plate fail together.

Bad at: three or more that share the blame, each pair of which looks separable.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.special import expit, ndtri

from farmwatch.stats.crossed import CrossedFit, effect_covariance
from farmwatch.stats.plate_correlation import beta_binomial_kernel, log_choose

Reason = Literal["aliased", "correlated", "cheap"]
_STEPS = 30
_MOST_PLATES = 4096


@dataclass(frozen=True)
class Rival:
    """A level that the records cannot tell from the suspect.

    ``cost_without_suspect``, ``cost_without_rival``: log-likelihood lost by leaving one out of the pair.
    ``shared``: plates of both; ``only_suspect``, ``only_rival``: plates of one alone, which tell them apart.
    """

    factor: int
    level: int
    reason: Reason
    correlation: float
    cost_without_suspect: float
    cost_without_rival: float
    shared: int
    only_suspect: int
    only_rival: int


def rivals(
    failures: np.ndarray,
    trials: np.ndarray,
    offset: np.ndarray,
    codes: np.ndarray,
    suspect: tuple[int, int],
    weights: np.ndarray | None = None,
    cost_limit: float = 3.0,
    correlation_limit: float = 0.9,
    prior_sd: float = 1.5,
) -> tuple[Rival, ...]:
    """Every level of another factor that could be to blame instead of ``suspect``; empty where it stands alone.

    ``failures``, ``trials``, ``offset``, ``weights``: shape (plates,), the plates since the trouble began. ``codes``:
    integers (plates, factors), -1 for no level. ``suspect``: factor and level. Closest rival first.
    """
    rows = np.ones(len(failures)) if weights is None else np.asarray(weights, float)
    plates = _Plates(np.asarray(failures, float), np.asarray(trials, float), np.asarray(offset, float), rows, prior_sd)
    mine = codes[:, suspect[0]] == suspect[1]
    found: list[Rival] = []
    if not mine.any():
        return ()
    alone = plates.gain(mine[:, None])[0]
    score = plates.score_gain(mine)
    for factor in range(codes.shape[1]):
        if factor == suspect[0]:
            continue
        for level in np.unique(codes[mine, factor]):
            other = codes[:, factor] == level
            # a first look by the score is cheap, and a level that fails it by far cannot pass the fit
            if level < 0 or plates.score_gain(other) < 0.2 * score:
                continue
            pair = _compare(plates, mine, other, alone, cost_limit, correlation_limit)
            if pair is not None:
                found.append(Rival(factor, int(level), *pair))
    return tuple(sorted(found, key=lambda rival: (rival.cost_without_suspect, rival.factor, rival.level)))


def _compare(
    plates: _Plates, mine: np.ndarray, other: np.ndarray, alone: float, cost_limit: float, correlation_limit: float
) -> tuple[Reason, float, float, float, int, int, int] | None:
    instead = plates.gain(other[:, None])[0]
    if instead < 0.5 * alone:
        return None
    both, covariance = plates.gain(np.column_stack([mine, other]))
    correlation = float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]))
    cost_suspect, cost_rival = both - instead, both - alone
    shared, only_mine, only_other = int((mine & other).sum()), int((mine & ~other).sum()), int((~mine & other).sum())
    reason: Reason
    if only_mine == 0 and only_other == 0:
        reason = "aliased"
    elif abs(correlation) > correlation_limit:
        reason = "correlated"
    elif cost_suspect < cost_limit:
        reason = "cheap"
    else:
        return None
    return reason, correlation, cost_suspect, cost_rival, shared, only_mine, only_other


@dataclass(frozen=True)
class _Plates:
    failures: np.ndarray
    trials: np.ndarray
    offset: np.ndarray
    weights: np.ndarray
    prior_sd: float

    def score_gain(self, member: np.ndarray) -> float:
        """What one effect would gain in log-likelihood, by its slope and curvature at zero."""
        failures, trials, weights = self.failures[member], self.trials[member], self.weights[member]
        probability = expit(self.offset[member])
        slope = float(weights @ (failures - trials * probability))
        curvature = float(weights @ (trials * probability * (1.0 - probability))) + self.prior_sd**-2
        return 0.5 * slope**2 / curvature

    def gain(self, members: np.ndarray) -> tuple[float, np.ndarray]:
        """Penalised log-likelihood gained by one effect a column of ``members``, and the effects' covariance."""
        keep = members.any(axis=1)
        design = members[keep].astype(float)
        failures, trials, weights = self.failures[keep], self.trials[keep], self.weights[keep]
        offset = self.offset[keep]
        penalty = np.full(design.shape[1], self.prior_sd**-2)

        def value(effects: np.ndarray) -> float:
            linear = offset + design @ effects
            inside = weights @ (failures * linear - trials * np.logaddexp(0.0, linear))
            return float(inside - 0.5 * penalty @ effects**2)

        effects = np.zeros(design.shape[1])
        start = best = value(effects)
        for _ in range(_STEPS):
            probability = expit(offset + design @ effects)
            slope = design.T @ (weights * (failures - trials * probability)) - penalty * effects
            curvature = (design.T * (weights * trials * probability * (1.0 - probability))) @ design + np.diag(penalty)
            step = np.linalg.solve(curvature, slope)
            following = value(effects + step)
            while following < best - 1e-12 * abs(best) and np.max(np.abs(step)) > 1e-10:
                step = 0.5 * step
                following = value(effects + step)
            effects, best = effects + step, following
            if np.max(np.abs(step)) < 1e-8:
                break
        return best - start, np.linalg.inv(curvature)


def posterior_correlation(fit: CrossedFit, one: tuple[int, int], two: tuple[int, int]) -> float:
    """Posterior correlation of two effects of a crossed fit, each named by (factor, level)."""
    covariance = effect_covariance(fit, one, two)
    return float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]))


def components(one: np.ndarray, two: np.ndarray, levels_one: int, levels_two: int) -> tuple[np.ndarray, np.ndarray]:
    """Parts of the record that no plate connects: the part of each level of the first and of the second factor.

    ``one``, ``two``: codes, shape (plates,), -1 for no level. Levels without a plate are parts by themselves.
    """
    both = (one >= 0) & (two >= 0)
    size = levels_one + levels_two
    links = coo_array((np.ones(int(both.sum())), (one[both], two[both] + levels_one)), shape=(size, size))
    _, labels = connected_components(links, directed=False)
    return labels[:levels_one], labels[levels_one:]


def has_peers(one: np.ndarray, two: np.ndarray, levels_one: int, levels_two: int) -> np.ndarray:
    """Whether each level of the first factor shares levels of the second, directly or through others, with a peer.

    Without a peer a level cannot be told from the levels of the second factor that it alone has. Shape (levels_one,).
    """
    labels, _ = components(one, two, levels_one, levels_two)
    return np.bincount(labels, minlength=levels_one + levels_two)[labels] > 1


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
) -> PlatesNeeded:
    """How many plates that carry one suspect without the other would tell them apart. Shape (arrangements,).

    On such a plate the failure odds are ``odds_ratio`` times the expected if its suspect is to blame, and as expected
    (``probability``) if the other is. The wrong suspect is ruled out when blaming it costs ``target`` in
    log-likelihood; the plates are those after which this has ``chance`` (0.5: on average). Where the suspect of these
    plates is innocent, its effect may still be put between nothing and ``odds_ratio``: ``effect_information``, one over
    the squared standard error of the log odds ratio, holds it to what the plates of both have shown.
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

    def settled(plates: np.ndarray) -> np.ndarray:
        calm = np.min(plates * mean - lucky * np.sqrt(plates) * spread + misfit, axis=0)
        high = plates * raised[0][0] - lucky * np.sqrt(plates) * raised[1][0]
        return np.minimum(calm, high) >= target

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
    return tuple(Arrangement(*cells[at], int(needed.plates[at])) for at in order if np.isfinite(needed.plates[at]))
