"""How long a chart runs until it alarms: average run lengths of charts whose parameters are known, by exact routes.

These are the yardsticks: a chart that knows both the old and the new rate is the best there can be (Moustakides, Annals
of Statistics 1986), and a detector that knows neither is measured against it.

Normal charts: the average run length L(u) from state u solves L(u) = 1 + integral of L over the next state, a Fredholm
equation of the second kind, solved on Gauss-Legendre nodes (Nystroem's method; Page, Biometrika 1954; Crowder,
Technometrics 1987). Count charts live on a lattice and are Markov chains (Brook and Evans, Biometrika 1972).
Observations are in units of their own standard deviation; a run length counts the observation that alarms.
"""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr
from scipy.stats import poisson

NODES = 80  # of the quadrature: twice as many change nothing that is compared


def _normal_density(z: np.ndarray) -> np.ndarray:
    return np.asarray(np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi))


def _nodes(low: float, high: float, count: int = NODES) -> tuple[np.ndarray, np.ndarray]:
    node, weight = np.polynomial.legendre.leggauss(count)
    half = 0.5 * (high - low)
    return half * node + 0.5 * (high + low), half * weight


def cusum_run_length(shift: float, reference: float, limit: float, head_start: float = 0.0) -> float:
    """One-sided normal CUSUM S = max(0, S + x - reference), alarm at S >= limit, x ~ N(shift, 1), S from head_start."""
    node, weight = _nodes(0.0, limit)
    drift = shift - reference

    def row(state: np.ndarray) -> np.ndarray:
        """Weights of L(0), L(node 1), ... in L(state): the chance of falling to 0, then the density of each node."""
        fall = ndtr(-state - drift)
        move = _normal_density(node[None, :] - state[:, None] - drift) * weight
        return np.column_stack([fall, move])

    states = np.concatenate([[0.0], node])
    length = np.linalg.solve(np.eye(states.size) - row(states), np.ones(states.size))
    return float(1.0 + row(np.array([head_start]))[0] @ length)


def two_sided_run_length(shift: float, reference: float, limit: float) -> float:
    """Two-sided normal CUSUM from 0, by 1/L = 1/L(up) + 1/L(down) (Kemp, Journal of the RSS B 1961)."""
    up, down = (cusum_run_length(side * shift, reference, limit) for side in (1.0, -1.0))
    return 1.0 / (1.0 / up + 1.0 / down)


def cusum_run_length_under_drift(slope: float, reference: float, limit: float, longest: int = 100_000) -> float:
    """One-sided normal CUSUM from 0 when the i-th observation has mean slope (i - 1).

    The chance of still running is carried forward on the nodes until it is below 1e-12. Raises ``ValueError`` if that
    takes more than ``longest`` observations.
    """
    node, weight = _nodes(0.0, limit)
    states = np.concatenate([[0.0], node])
    mass = np.zeros(states.size)
    mass[0] = 1.0
    total = 0.0
    for number in range(1, longest + 1):
        alive = float(mass.sum())
        total += alive
        if alive < 1e-12:
            return total
        drift = slope * (number - 1) - reference
        fall = ndtr(-states - drift)
        move = _normal_density(node[None, :] - states[:, None] - drift) * weight
        mass = np.concatenate([[mass @ fall], mass @ move])
    raise ValueError(f"still running after {longest} observations")


def ewma_run_length(shift: float, smoothing: float, width: float, start: float = 0.0) -> float:
    """Two-sided normal EWMA z = (1 - smoothing) z + smoothing x, alarm at |z| > width of its asymptotic sd."""
    limit = width * np.sqrt(smoothing / (2.0 - smoothing))
    node, weight = _nodes(-limit, limit)

    def row(state: np.ndarray) -> np.ndarray:
        step = (node[None, :] - (1.0 - smoothing) * state[:, None]) / smoothing - shift
        return np.asarray(_normal_density(step) * weight / smoothing)

    length = np.linalg.solve(np.eye(node.size) - row(node), np.ones(node.size))
    return float(1.0 + row(np.array([start]))[0] @ length)


def lattice_run_length(steps: np.ndarray, chances: np.ndarray, limit: int, head_start: int = 0) -> float:
    """CUSUM on whole numbers S = max(0, S + step), alarm at S >= limit; steps and their chances, shape (steps,)."""
    state = np.arange(limit)
    chain = np.zeros((limit, limit))
    for step, chance in zip(np.asarray(steps, dtype=int), chances, strict=True):
        arrives = np.maximum(state + step, 0)
        stays = arrives < limit
        chain[state[stays], arrives[stays]] += chance
    length = np.linalg.solve(np.eye(limit) - chain, np.ones(limit))
    return float(length[head_start])


def poisson_run_length(mean: float, per_unit: int, reference: int, limit: int, head_start: int = 0) -> float:
    """Poisson CUSUM S = max(0, S + x - k), alarm at S >= h, all in units of 1 / ``per_unit``.

    k = reference / per_unit, h = limit / per_unit, start = head_start / per_unit.
    """
    # the last count alarms from every state, so that it may stand for all above it
    counts = np.arange(-(-(limit + reference) // per_unit) + 1)
    chances = poisson.pmf(counts, mean)
    chances[-1] += poisson.sf(counts[-1], mean)
    return lattice_run_length(per_unit * counts - reference, chances, limit, head_start)


def bernoulli_run_length(chance: float, per_failure: int, limit: int) -> float:
    """Bernoulli CUSUM in units of 1 / m: a failure adds m - 1, a good part takes 1; alarm at S >= limit.

    Parts until the alarm (Reynolds and Stoumbos, Journal of Quality Technology 1999). ``per_failure`` is their m.
    """
    return lattice_run_length(np.array([per_failure - 1, -1]), np.array([chance, 1.0 - chance]), limit)
