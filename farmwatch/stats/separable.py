"""Can the records tell two suspects apart?

A suspect is a level of a factor (a printer, a lot). Given each plate's expected log-odds with the suspects' own
effects left out, the excess of failures is put to one suspect, to the other, or to both:

    logit P(failure) = offset + d1 [plate of the first] + d2 [plate of the second],    d1, d2 ~ N(0, prior_sd^2)

Another level is a rival where it explains at least half of the excess by itself and one of these holds: both stand on
the same plates (aliased); leaving the suspect out once the rival is in costs little log-likelihood; or the posterior
correlation of d1 and d2 is beyond a limit and leaving the suspect out costs less than twice as much. Plates weigh
``1 / (1 + (n - 1) rho)``, as parts of one plate fail together.

A measure that stepped is asked about in the same way (``reading_rivals``), readings with normal errors in place of plates:

    reading = level of its group + d1 [suspect's, since the step] + d2 [the other's, since the step] + error

Bad at: three or more that share the blame, each pair of which looks separable.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.special import expit

Reason = Literal["aliased", "correlated", "cheap"]
_STEPS = 30  # of Newton: far more than it takes


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
    """Every level of another factor that could be to blame instead of ``suspect``; empty where it stands alone
    or there is no excess to explain.

    ``failures``, ``trials``, ``offset``, ``weights``: shape (plates,), the plates since the trouble began. ``codes``:
    integers (plates, factors), -1 for no level. ``suspect``: factor and level. Closest rival first.
    """
    rows = np.ones(len(failures)) if weights is None else np.asarray(weights, float)
    plates = _Plates(np.asarray(failures, float), np.asarray(trials, float), np.asarray(offset, float), rows, prior_sd)
    return _rivals(plates, codes, suspect, cost_limit, correlation_limit)


def reading_rivals(
    values: np.ndarray,
    level: np.ndarray,
    late: np.ndarray,
    codes: np.ndarray,
    suspect: tuple[int, int],
    error_sd: float,
    cost_limit: float = 3.0,
    correlation_limit: float = 0.9,
) -> tuple[Rival, ...]:
    """Every level of another factor that could have moved the readings instead of ``suspect``, as in :func:`rivals`.

    ``values``: shape (readings,). ``level``: whole numbers from 0, readings that share an unknown level. ``late``: True
    since the step. ``codes``: integers (readings, factors), -1 for no level. ``error_sd``: of one reading, its correlation
    with others included. Effects are drawn towards none by one reading's worth of doubt.
    """
    readings = _Readings(np.asarray(values, float), level, late, error_sd)
    return _rivals(readings, np.where(late[:, None], codes, -1), suspect, cost_limit, correlation_limit)


def _rivals(
    plates: _Plates | _Readings,
    codes: np.ndarray,
    suspect: tuple[int, int],
    cost_limit: float,
    correlation_limit: float,
) -> tuple[Rival, ...]:
    mine = codes[:, suspect[0]] == suspect[1]
    found: list[Rival] = []
    if not mine.any():
        return ()
    alone = plates.gain(mine)[0]
    if alone < cost_limit:
        return ()  # no excess to share out: every other name would do as well
    least = 0.2 * plates.score_gains(mine.astype(np.intp), np.array([1]))[0]
    for factor in range(codes.shape[1]):
        if factor == suspect[0]:
            continue
        column = codes[:, factor]
        beside = np.unique(column[mine])
        beside = beside[beside >= 0]
        # a first look by the score is cheap, and a level that fails it by far cannot pass the fit
        for level in beside[plates.score_gains(column, beside) >= least]:
            pair = _compare(plates, mine, column == level, alone, cost_limit, correlation_limit)
            if pair is not None:
                found.append(Rival(factor, int(level), *pair))
    return tuple(sorted(found, key=lambda rival: (rival.cost_without_suspect, rival.factor, rival.level)))


def _compare(
    plates: _Plates | _Readings,
    mine: np.ndarray,
    other: np.ndarray,
    alone: float,
    cost_limit: float,
    correlation_limit: float,
) -> tuple[Reason, float, float, float, int, int, int] | None:
    instead = plates.gain(other)[0]
    if instead < 0.5 * alone:
        return None
    both, covariance = plates.gain(mine, other)
    correlation = float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]))
    cost_suspect, cost_rival = both - instead, both - alone
    shared, only_mine, only_other = int((mine & other).sum()), int((mine & ~other).sum()), int((~mine & other).sum())
    reason: Reason
    if only_mine == 0 and only_other == 0:
        reason = "aliased"
    elif abs(correlation) > correlation_limit and cost_suspect < 2.0 * cost_limit:
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

    def score_gains(self, level: np.ndarray, asked: np.ndarray) -> np.ndarray:
        """What an effect of each level ``asked`` about would gain in log-likelihood, by its slope and curvature at zero, same
        shape; ``level``: of each plate, -1 for none."""
        slope, curvature = (np.bincount(level + 1, weights=values)[asked + 1] for values in self._at_zero)
        return np.asarray(0.5 * slope**2 / (curvature + self.prior_sd**-2))

    @cached_property
    def _at_zero(self) -> tuple[np.ndarray, np.ndarray]:
        """Slope and curvature of each plate's log-likelihood without an effect, (plates,)."""
        probability = expit(self.offset)
        slope = self.weights * (self.failures - self.trials * probability)
        return slope, self.weights * self.trials * probability * (1.0 - probability)

    def gain(self, *members: np.ndarray) -> tuple[float, np.ndarray]:
        """Penalised log-likelihood gained by one effect for each of one or two sets ``members``, bool (plates,), and the
        effects' covariance."""
        rows = np.flatnonzero(members[0] | members[-1])
        # a plate is in the first set, in the second, or in both: sums over these three say all
        kind = sum((2**place * member[rows] for place, member in enumerate(members)), np.zeros(len(rows), np.int8))
        sets = np.array([[number >> place & 1 for number in range(4)] for place in range(len(members))], float)
        failures, trials = (self.weights[rows] * values[rows] for values in (self.failures, self.trials))
        offset, penalty = self.offset[rows], self.prior_sd**-2

        def look(effects: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
            """Penalised log-likelihood, its slope and its curvature."""
            linear = offset + (effects @ sets)[kind]
            small = np.exp(-np.abs(linear))  # of which both the logarithm and the probability are made
            value = failures @ linear - trials @ (np.maximum(linear, 0.0) + np.log1p(small))
            probability = np.where(linear >= 0.0, 1.0, small) / (1.0 + small)
            slope = np.bincount(kind, weights=failures - trials * probability, minlength=4)
            curvature = np.bincount(kind, weights=trials * probability * (1.0 - probability), minlength=4)
            return (
                float(value - 0.5 * penalty * effects @ effects),
                sets @ slope - penalty * effects,
                (sets * curvature) @ sets.T + penalty * np.eye(len(sets)),
            )

        effects = np.zeros(len(sets))
        best, slope, curvature = look(effects)
        start = best
        for _ in range(_STEPS):
            step, before = np.linalg.solve(curvature, slope), curvature
            following = look(effects + step)
            while following[0] < best - 1e-12 * abs(best) and np.max(np.abs(step)) > 1e-10:
                step = 0.5 * step
                following = look(effects + step)
            effects = effects + step
            best, slope, curvature = following
            if np.max(np.abs(step)) < 1e-8:
                break
        return best - start, np.linalg.inv(before)


@dataclass(frozen=True)
class _Readings:
    values: np.ndarray
    level: np.ndarray
    late: np.ndarray
    error_sd: float

    def score_gains(self, level: np.ndarray, asked: np.ndarray) -> np.ndarray:
        """What an effect of each level ``asked`` about gains in log-likelihood, same shape; quick enough to be exact."""
        return np.array([self.gain(level == number)[0] for number in asked])

    def gain(self, *members: np.ndarray) -> tuple[float, np.ndarray]:
        """Log-likelihood gained by one effect for each of the sets ``members``, bool (readings,), and their covariance."""
        design = self._within(np.column_stack(members) & self.late[:, None])
        curvature = (design.T @ design + np.eye(design.shape[1])) / self.error_sd**2
        covariance = np.linalg.inv(curvature)
        slope = design.T @ self.values / self.error_sd**2
        return 0.5 * float(slope @ covariance @ slope), covariance

    def _within(self, members: np.ndarray) -> np.ndarray:
        """Columns less their mean within each level: what is constant there is the level's own."""
        size = np.maximum(np.bincount(self.level), 1)
        columns = [member - (np.bincount(self.level, weights=member) / size)[self.level] for member in members.T]
        return np.column_stack(columns)
