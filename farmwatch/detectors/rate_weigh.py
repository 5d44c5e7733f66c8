"""One stream's evidence in full: every onset and shift weighed against its plates, and against what its own shift hides."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from farmwatch.detectors.expected import HELD_OUT, Expectation
from farmwatch.detectors.night import Night
from farmwatch.detectors.rate_scene import (
    ALL_SIGNS,
    Scene,
    Stream,
    own_risk,
    roll_of,
    set_scene,
    subject_of,
    told_elsewhere,
    with_effect,
    with_pull,
)
from farmwatch.detectors.rate_screen import PLATES_AT_ONCE, scale
from farmwatch.evidence import Subject, SubjectType
from farmwatch.stats.rate_scan import DOWN_STEPS, OFFSETS, UP_STEPS, Onset, marginal, onset_interval, scan_shifts

RECAST = 2  # times that a shift is taken out of the expectation it was measured against


@dataclass(frozen=True)
class Candidate:
    """A stream that was looked at: ln R, how far it stands above its limit (``score``), its onset, and its cells.

    ``moved``: (plates,) change of the stream's expected log odds once its shift is taken out of what others' effects
    soaked up, (1,) where that was not asked; ``ratio``: observed over expected failures since the onset.
    """

    stream: Stream
    direction: int
    log_evidence: float
    score: float
    onset: Onset
    cells: np.ndarray
    moved: np.ndarray
    ratio: float


@dataclass(frozen=True)
class StreamPlates:
    """A stream's plates in order of day: ``failures``, ``trials``, ``log_odds``, ``day``, ``plate``, each (plates,);
    ``row``: (cells of the stream,) the plate of each."""

    failures: np.ndarray
    trials: np.ndarray
    log_odds: np.ndarray
    day: np.ndarray
    plate: np.ndarray
    row: np.ndarray


def stream_plates(scene: Scene, sign: int, members: np.ndarray, risk: np.ndarray) -> StreamPlates:
    """Plates of a stream whose cells are ``members``, in order; ``risk``: expected of each of them, in the sign."""
    new = np.diff(scene.plate[members], prepend=-1) != 0
    row, plate = np.cumsum(new) - 1, scene.plate[members[new]]
    y = scene.failures[members].sum(axis=1) if sign == ALL_SIGNS else scene.failures[members, sign]
    n = scene.trials[members]
    trials = np.bincount(row, weights=n)
    mean = np.clip(np.bincount(row, weights=n * risk) / trials, 1e-6, 0.97)
    failures = np.bincount(row, weights=y)
    order = np.argsort(scene.cells.day[plate], kind="stable")
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    return StreamPlates(
        failures[order],
        trials[order],
        np.log(mean / (1.0 - mean))[order],
        scene.cells.day[plate][order],
        plate[order],
        place[row],
    )


def own_spread(expectation: Expectation, kind: SubjectType, sign: int) -> float:
    """Spread of a stream's own level among its peers: the fitted one, kept between what is credible for small farms."""
    sd = expectation.sd.get(kind, 0.15)
    low, high = (0.3, 1.0) if kind in ("design", "file") else (0.12, 0.45)
    sd = float(np.clip(sd, low, high))
    return sd if sign == ALL_SIGNS else float(np.hypot(sd, 0.3))


def weigh(scene: Scene, stream: Stream, members: np.ndarray | None = None) -> list[Candidate]:
    """The stream's evidence upwards and, for failures of every sign, downwards; of some of its cells, if ``members`` says
    so."""
    roll = roll_of(scene, stream.type)
    members = roll.members[stream.level] if members is None else members
    risk = own_risk(scene, stream, members)
    plates = stream_plates(scene, stream.sign, members, risk)
    sd = own_spread(scene.expectation, stream.type, stream.sign)
    by_day = _by_day(scene, plates)
    null = marginal(by_day[None], sd)
    still = np.zeros(1)
    out = []
    for direction in (1, -1) if stream.sign == ALL_SIGNS else (1,):
        limit = float(np.log(scale(scene, stream.type, len(roll.levels), stream.sign, direction)))
        found = _candidate(stream, direction, plates, by_day, sd, limit, members, null, still)
        for _ in range(RECAST):
            if found.score < -scene.night.settings.rates.screen:
                break  # too far below its limit for what others soaked up to matter
            moved, gain = _recast(scene, found, plates, risk)
            recast = replace(plates, log_odds=plates.log_odds + moved)
            again = _by_day(scene, recast)
            found = _candidate(stream, direction, recast, again, sd, limit, members, null - gain, moved)
        out.append(found)
    return out


def _by_day(scene: Scene, plates: StreamPlates) -> np.ndarray:
    """Log-likelihoods of the stream's days with a plate, (days, offsets)."""
    return summed(scene, plates, np.cumsum(np.diff(plates.day, prepend=-1) != 0) - 1)


def summed(scene: Scene, plates: StreamPlates, group: np.ndarray) -> np.ndarray:
    """Log-likelihoods summed over the plates of each group, (groups, offsets). ``group``: (plates,), ascending."""
    result = np.zeros((int(group[-1]) + 1, len(OFFSETS)))
    for start in range(0, len(group), PLATES_AT_ONCE):
        some = slice(start, start + PLATES_AT_ONCE)
        table = scene.table(plates.failures[some], plates.trials[some], plates.log_odds[some])
        own = group[some]
        low, high = int(own[0]), int(own[-1]) + 1
        first = np.searchsorted(own, np.arange(low, high + 1))
        # a sparse product: several times as fast as reduceat on rows
        sums = sparse.csr_array((np.ones(len(table)), np.arange(len(table)), first), (high - low, len(table)))
        result[low:high] += sums @ table
    return result


def _candidate(
    stream: Stream,
    direction: int,
    plates: StreamPlates,
    by_day: np.ndarray,
    sd: float,
    limit: float,
    members: np.ndarray,
    null: np.ndarray,
    moved: np.ndarray,
) -> Candidate:
    days = plates.day[np.diff(plates.day, prepend=-1) != 0]
    steps = UP_STEPS if direction > 0 else DOWN_STEPS
    scan = scan_shifts(by_day[None], np.ones((1, len(days)), bool), sd, steps, direction < 0, null)
    evidence = float(scan.log_evidence[0])
    onset = onset_interval(scan.onset_log_weight[0])
    after = plates.day >= days[onset.day]
    odds = (plates.failures[after].sum() + 1.0) / (plates.trials / (1.0 + np.exp(-plates.log_odds)) @ after + 1.0)
    # the interval's lower end on the calendar: the day after the last plate that lies before it
    low = int(days[onset.low - 1]) + 1 if onset.low > 0 else int(days[0])
    onset = replace(onset, day=int(days[onset.day]), low=low, high=int(days[onset.high]))
    return Candidate(stream, direction, evidence, evidence - limit, onset, members, moved, float(odds))


def _recast(scene: Scene, found: Candidate, plates: StreamPlates, risk: np.ndarray) -> tuple[np.ndarray, float]:
    """How the stream's log odds move, (plates,), once its shift is taken out of what others' effects soaked up."""
    members = found.cells
    after = scene.day[members] >= found.onset.day
    more = scene.trials[members] * np.minimum(risk * (found.ratio - 1.0), 0.95 - risk)
    move, gain = scene.expectation.without_shift(members[after], more[after], members, HELD_OUT[found.stream.type])
    weight = np.bincount(plates.row, weights=scene.trials[members])
    return np.bincount(plates.row, weights=scene.trials[members] * np.clip(move, -2.0, 2.0)) / weight, gain


def lifted(scene: Scene, found: Candidate) -> Scene:
    """The scene with the effect of ``found`` put into what is expected."""
    inside = np.zeros(len(scene.plate), bool)
    inside[found.cells] = scene.day[found.cells] >= found.onset.day
    effect = with_pull if found.stream.type == "design" and found.direction > 0 else with_effect
    return effect(scene, inside, found.stream.sign)


@dataclass(frozen=True)
class Scenes:
    """The night as its streams see it: ``told`` with what other detectors' findings account for explained, in which
    everybody is judged but the subjects ``known`` of those findings; they are judged in ``plain``."""

    plain: Scene
    told: Scene
    known: frozenset[Subject]

    def of(self, stream: Stream) -> Scene:
        return self.plain if self.knows(stream) else self.told

    def knows(self, stream: Stream) -> bool:
        return subject_of(stream, self.plain.cells) in self.known

    def weigh(self, stream: Stream, members: np.ndarray | None = None) -> list[Candidate]:
        return weigh(self.of(stream), stream, members)

    def lifted(self, found: Candidate) -> Scenes:
        """With the effect of a find explained to all."""
        plain = lifted(self.plain, found)
        # where nothing is known they are one scene, and stay one: each takes 37 bytes a part
        return replace(self, plain=plain, told=plain if self.told is self.plain else lifted(self.told, found))


def set_scenes(night: Night, expectation: Expectation) -> Scenes:
    plain = set_scene(night, expectation)
    told, known = told_elsewhere(plain)
    return Scenes(replace(plain, only=known) if known else plain, told, known)
