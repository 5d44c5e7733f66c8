"""Which runs are unlike their like: a habit that was broken, and a point far from all others.

Two answers of different kinds. A setting that a profile always had and one run had not is a rule: it needs a count, no
model. Measured features are judged by two views that fail differently, the distance to the nearest earlier runs and an
isolation forest (Liu, Ting and Zhou, ICDM 2008), both calibrated by ranks among clean runs (Vovk, Gammerman and Shafer,
Algorithmic Learning in a Random World, 2005): a run as ordinary as the others is called odd at level p with chance at
most p. Ranks of n runs end at 1/(n+1); beyond it the distances over their 95 % point are continued as a generalised
Pareto tail (Pickands, Annals of Statistics 1975), fitted by probability-weighted moments (Hosking and Wallis 1987).

Bad at: runs that are odd only in a combination of features each of which is common; features that few runs carry.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

NEIGHBOURS = 5  # one twin does not make a run common
TREES = 100  # as Liu, Ting and Zhou have it: paths settle before
TAIL_SHARE = 0.05  # of the largest distances, from which the tail is continued
LEAST_SCALE = 1e-9  # keeps a tail of equal values from dividing by nought


@dataclass(frozen=True)
class Habit:
    """The commonest value of a setting, how many runs had one, and how many of them had another."""

    value: float
    runs: int
    broken: int

    @property
    def chance_broken(self) -> float:
        """Chance that the next run breaks the habit, by the rule of succession (Laplace)."""
        return (self.broken + 1.0) / (self.runs + 2.0)


@dataclass(frozen=True)
class Tail:
    """Generalised Pareto tail over ``start``: P(X > start + y) = share (1 + shape y / scale) ** (-1 / shape)."""

    start: float
    share: float
    scale: float
    shape: float

    def beyond(self, values: np.ndarray) -> np.ndarray:
        """Chance of a value at least as large, shape of ``values``; ``share`` at and below ``start``."""
        over = np.maximum(np.asarray(values, dtype=float) - self.start, 0.0) / self.scale
        if self.shape < 1e-6:
            return np.asarray(self.share * np.exp(-over))
        return np.asarray(self.share * (1.0 + self.shape * over) ** (-1.0 / self.shape))


@dataclass(frozen=True)
class OddModel:
    """Clean runs ``points`` in units of their own spread, and the sorted distances that they have among themselves."""

    centre: np.ndarray
    scale: np.ndarray
    points: np.ndarray
    neighbours: Any
    distances: np.ndarray
    tail: Tail
    seed: int


@dataclass(frozen=True)
class OddScores:
    """Per run: mean distance to its neighbours, p-value, the feature that departs most and by how many spreads."""

    distance: np.ndarray
    p_value: np.ndarray
    telling: np.ndarray
    departure: np.ndarray


def habit_of(values: np.ndarray) -> Habit:
    """The habit in ``values``, shape (runs,); NaN are runs without the setting. Without any the value is NaN."""
    known = np.round(values[~np.isnan(values)], 6)
    if known.size == 0:
        return Habit(np.nan, 0, 0)
    found, count = np.unique(known, return_counts=True)
    best = int(np.argmax(count))
    return Habit(float(found[best]), int(known.size), int(known.size - count[best]))


def departs(values: np.ndarray, habit: float, material: float) -> np.ndarray:
    """Whether each value differs from ``habit`` by more than ``material`` of the larger of the two. NaN does not. (runs,)."""
    larger = np.maximum(np.abs(values), abs(habit))
    return np.asarray(np.abs(values - habit) > material * larger)


def is_course(values: np.ndarray, value: float, runs_at_least: int, share_at_least: float) -> bool:
    """Whether ``value``, once it appeared in ``values`` (time order), was kept: a change of course, no odd run.

    ``values``: shape (runs,).
    """
    same = np.round(values, 6) == round(value, 6)
    if not same.any():
        return False
    since = same[int(np.argmax(same)) :]
    return int(since.sum()) >= runs_at_least and float(since.mean()) >= share_at_least


def robust_centre_scale(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Column medians and normal-consistent median absolute deviations, NaN ignored, shape (features,) each."""
    centre = np.nanmedian(matrix, axis=0)
    return centre, np.asarray(1.4826 * np.nanmedian(np.abs(matrix - centre), axis=0))


def fit_tail(values: np.ndarray, share: float = TAIL_SHARE) -> Tail:
    """Tail of ``values`` over their (1 - share) quantile; the shape is not let below 0, so the tail never ends."""
    ordered = np.sort(values)
    count = max(int(np.ceil(share * ordered.size)), 2)
    start = float(ordered[-count - 1])
    over = ordered[-count:] - start
    first = float(over.mean())
    second = float(np.mean(over * (1.0 - (np.arange(1, count + 1) - 0.35) / count)))
    shape = 2.0 - first / max(first - 2.0 * second, LEAST_SCALE)
    shape = float(np.clip(shape, 0.0, 0.9))
    return Tail(start, count / ordered.size, max(first * (1.0 - shape), LEAST_SCALE), shape)


def fit_odd_model(matrix: np.ndarray, seed: int = 0) -> OddModel:
    """Learn what ordinary runs look like. ``matrix``: (runs, features), NaN where unknown, no constant feature.

    Equal input gives an equal model; the last few are kept, since nights of one week share theirs.
    """
    solid = np.ascontiguousarray(matrix, dtype=float)
    return _fit(solid.tobytes(), solid.shape, seed)


@lru_cache(maxsize=4)
def _fit(content: bytes, shape: tuple[int, ...], seed: int) -> OddModel:
    from sklearn.neighbors import NearestNeighbors

    matrix = np.frombuffer(content).reshape(shape)
    centre, scale = robust_centre_scale(matrix)
    points = _in_spreads(matrix, centre, scale)
    neighbours = NearestNeighbors(n_neighbors=NEIGHBOURS).fit(points)
    distances = np.sort(neighbours.kneighbors(return_distance=True)[0].mean(axis=1))
    return OddModel(centre, scale, points, neighbours, distances, fit_tail(distances), seed)


@dataclass(frozen=True)
class Foretold:
    """What the other members of each run's group foretell of it, (runs,): ``level``, and ``wider``: the spread of a run about
    it, in units of the spread within groups, beyond 1 by what so few of them leave open."""

    level: np.ndarray
    wider: np.ndarray


def foretell(values: np.ndarray, group: np.ndarray, learn: np.ndarray) -> Foretold:
    """The level of each run's group (its file) by the group's other runs, drawn towards zero by how groups differ.

    ``values``: shape (runs,), in time order, NaN unknown; ``group``: whole numbers, -1 for none; ``learn``: the runs that say
    how groups differ. A run that was learnt from is foretold by the group's other such runs, every other by all runs before it.
    With variance s2 within groups and t2 between them, n runs of mean m foretell n m / (n + s2 / t2), and a run lies about
    that with variance s2 (1 + 1 / (n + s2 / t2)): a group never seen is unknown, not ordinary.
    """
    known = np.isfinite(values) & (group >= 0)
    told = learn & known
    none = Foretold(np.zeros(values.size), np.ones(values.size))
    codes = np.unique(np.where(known, group, -1), return_inverse=True)[1]
    count = np.bincount(codes[told], minlength=codes.max() + 1)
    if (count >= 2).sum() < 3:
        return none
    mean = np.bincount(codes[told], values[told], count.size) / np.maximum(count, 1)
    apart = told & (count[codes] >= 2)
    off = (values - mean[codes])[apart] * np.sqrt(count[codes] / np.maximum(count[codes] - 1.0, 1.0))[apart]
    within = float(robust_centre_scale(off[:, None])[1][0]) ** 2
    seen = count >= 1
    between = float(np.mean((mean[seen] - np.median(mean[seen])) ** 2 - within / count[seen]))
    if not within > 0.0 or not between > 0.0:
        return none
    doubt = within / between
    # wild runs must not speak for their group
    centre = np.where(count[codes] >= 2, mean[codes], np.where(known, values, 0.0))
    calm = centre + np.clip(np.where(known, values, 0.0) - centre, -4.0 * within**0.5, 4.0 * within**0.5)
    total, number = np.zeros(values.size), np.zeros(values.size)
    for code in np.unique(codes[known]):
        rows = np.flatnonzero(known & (codes == code))
        inside = told[rows]
        running, before = np.cumsum(calm[rows]) - calm[rows], np.arange(rows.size)
        total[rows] = np.where(inside, calm[rows][inside].sum() - calm[rows], running)
        number[rows] = np.where(inside, inside.sum() - 1, before)
    level = total / (number + doubt)
    return Foretold(level, np.sqrt(1.0 + 1.0 / (number + doubt)))


def isolation_p(model: OddModel, points: np.ndarray) -> np.ndarray:
    """Conformal p-values of an isolation forest grown on half of the model's points and calibrated on the others.

    ``points``: (runs, features), in the model's spreads. Shape (runs,).
    """
    from sklearn.ensemble import IsolationForest

    order = np.random.default_rng(model.seed).permutation(len(model.points))
    learn, hold = order[: len(order) // 2], order[len(order) // 2 :]
    forest = IsolationForest(n_estimators=TREES, random_state=model.seed).fit(model.points[learn])
    return rank_p(np.sort(-forest.score_samples(model.points[hold])), -forest.score_samples(points))


def _in_spreads(matrix: np.ndarray, centre: np.ndarray, scale: np.ndarray) -> np.ndarray:
    return np.nan_to_num((matrix - centre) / np.maximum(scale, LEAST_SCALE), nan=0.0)


def rank_p(calibration: np.ndarray, scores: np.ndarray) -> np.ndarray:
    """Conformal p-values: share of sorted ``calibration`` scores, the new one included, at least as large. (runs,)."""
    above = calibration.size - np.searchsorted(calibration, scores, side="left")
    return np.asarray((above + 1.0) / (calibration.size + 1.0))


def score_odd(model: OddModel, matrix: np.ndarray, forest_level: float) -> OddScores:
    """Judge runs, shape (runs, features). A run farther out than all that were learnt from gets its chance from the tail,

    unless the forest finds it ordinary (above ``forest_level``); every other run gets its rank.
    """
    points = _in_spreads(matrix, model.centre, model.scale)
    distance = model.neighbours.kneighbors(points)[0].mean(axis=1)
    p_value = rank_p(model.distances, distance)
    far = np.flatnonzero(distance > model.distances[-1])
    if far.size:
        isolated = far[isolation_p(model, points[far]) <= forest_level]
        p_value[isolated] = np.minimum(p_value[isolated], model.tail.beyond(distance[isolated]))
    telling = np.argmax(np.abs(points), axis=1)
    return OddScores(distance, p_value, telling, points[np.arange(len(points)), telling])
