"""Which streams are worth the full look: a cheap bound on every stream's evidence, every pass anew."""

from __future__ import annotations

import numpy as np

from farmwatch.detectors.cells import FACTORS, SIGN_COUNT
from farmwatch.detectors.expected import HELD_OUT
from farmwatch.detectors.rate_scene import (
    ALL_SIGNS,
    MOST_RISK,
    TYPES,
    Due,
    Scene,
    Stream,
    expected_risk,
    roll_of,
    since_sums,
    stream_risk,
    subject_of,
    sums_by_row,
    with_total,
)
from farmwatch.evidence import SubjectType
from farmwatch.records import SIGNS

PLATES_AT_ONCE = 16_384  # whose expected failures, or likelihoods, stand at a time: of all they take 100 bytes a part


def screen(scene: Scene) -> list[tuple[float, Stream]]:
    """Streams whose failures since some day lie far enough from their expectation, each with a generous bound on its
    score, highest first."""
    if not scene.due:
        scene.due.update(_due(scene))
    waiting = [
        (float(due.bound[row, sign]), Stream(kind, int(roll.level[roll.first[row]]), int(sign)))
        for kind, due in scene.due.items()
        for roll in (roll_of(scene, kind),)
        for row, sign in np.argwhere(due.bound > 0)
    ]
    return sorted(waiting, key=lambda item: -item[0])


def carry_over(before: Scene, after: Scene, moved: np.ndarray) -> None:
    """Give ``after`` what was due in ``before`` and what differs on the cells that ``moved``, bool (cells,): a find moves a
    few plates, and the sums and bounds of streams without them need not be made again. (In the last digits the sums differ,
    which those of a bound may.)"""
    if not before.due:
        return
    after.due.update(before.due)
    before.due.clear()  # it would be summed anew, were it asked for again
    plates = _plates_of(after, np.flatnonzero(moved))
    plates = plates[np.isin(plates, _judged_plates(after), assume_unique=True)]
    touched = {kind: np.zeros(len(due.bound), bool) for kind, due in after.due.items()}
    for start in range(0, len(plates), PLATES_AT_ONCE):
        some = plates[start : start + PLATES_AT_ONCE]
        for kind, rows in _add_due(after, some, after.due, 1.0).items():
            touched[kind][np.searchsorted(roll_of(after, kind).first, rows, side="right") - 1] = True
        _add_due(before, some, after.due, -1.0)
    for kind, due in after.due.items():
        which = np.flatnonzero(touched[kind] & _judged(after, kind))
        due.bound[which] = _bounds(after, kind, due.sums, which)


def _plates_of(scene: Scene, cells: np.ndarray) -> np.ndarray:
    """Rows of ``scene.first`` of the plates with these cells, each once, ascending."""
    return np.unique(np.searchsorted(scene.first, cells, side="right") - 1)


def _judged(scene: Scene, kind: SubjectType) -> np.ndarray:
    """Which streams of a type are judged in the scene: bool, (levels with a day,)."""
    roll = roll_of(scene, kind)
    levels = roll.level[roll.first]
    if scene.only is None:
        return np.ones(len(levels), bool)
    if not any(subject.type == kind for subject in scene.only):
        return np.zeros(len(levels), bool)
    return np.array([subject_of(Stream(kind, level, 0), scene.cells) in scene.only for level in levels.tolist()], bool)


def _judged_plates(scene: Scene) -> np.ndarray:
    """Rows of ``scene.first`` of the plates that what is judged in the scene has."""
    if scene.only is None:
        return np.arange(len(scene.first))
    members = [np.zeros(0, np.int32)]
    for kind in TYPES:
        roll = roll_of(scene, kind)
        levels = roll.level[roll.first][_judged(scene, kind)].tolist()
        # a name that was printed by faulty plates alone has days, and no cells that count
        members += [roll.members[level] for level in levels if level in roll.members]
    return _plates_of(scene, np.concatenate(members))


def _due(scene: Scene) -> dict[SubjectType, Due]:
    due: dict[SubjectType, Due] = {}
    for kind in TYPES:
        if kind == "farm" and len(scene.cells.levels[FACTORS.index("room")]) == 1:
            continue  # one room is the farm; the room says more
        roll = roll_of(scene, kind)
        if len(roll.levels):
            # pages of days of which nothing is summed take no memory
            sums = np.zeros((len(roll.level), SIGN_COUNT), np.float32)
            due[kind] = Due(sums, np.full((len(roll.first), SIGN_COUNT + 1), -np.inf))
    plates = _judged_plates(scene)
    for start in range(0, len(plates), PLATES_AT_ONCE):
        _add_due(scene, plates[start : start + PLATES_AT_ONCE], due, 1.0)
    for name, of_kind in due.items():
        which = np.flatnonzero(_judged(scene, name))
        of_kind.bound[which] = _bounds(scene, name, of_kind.sums, which)
    return due


def _add_due(
    scene: Scene, plates: np.ndarray, due: dict[SubjectType, Due], sign: float
) -> dict[SubjectType, np.ndarray]:
    """Add what some plates (rows of ``scene.first``) are expected to lose, times ``sign``, to the streams' sums by day;
    returns which of these rows of each type were added to."""
    length = np.diff(np.append(scene.first, len(scene.plate)))[plates]
    start = np.cumsum(length) - length
    cells = np.repeat(scene.first[plates] - start, length) + np.arange(length.sum())
    weight = scene.trials[cells, None]
    full = np.add.reduceat(expected_risk(scene, (), cells) * weight, start, axis=0)
    even = np.minimum(np.add.reduceat(scene.raised.added[scene.raised.row[cells]] * weight, start, axis=0), full)
    risk = full.sum(axis=1) / np.maximum(np.add.reduceat(weight[:, 0], start), 1e-12)
    touched = {}
    for kind, of_kind in due.items():
        if kind == "design":
            row, expected = roll_of(scene, kind).row[cells], stream_risk(scene, kind, cells) * weight
        else:
            row = roll_of(scene, kind).row[plates]
            expected = _without_own(scene, kind, scene.first[plates], full - even, even, risk)
        named = row >= 0
        rows, place = np.unique(row[named], return_inverse=True)
        of_kind.sums[rows] += sign * sums_by_row(place, expected[named], len(rows))
        touched[kind] = rows
    return touched


def _without_own(
    scene: Scene, kind: SubjectType, first: np.ndarray, scaled: np.ndarray, even: np.ndarray, risk: np.ndarray
) -> np.ndarray:
    """Expected failures by sign of the plates with the cells ``first``, without the effects that are held out: one odds ratio
    a plate, taken at the plate's mean risk, (plates, signs + 1). What lies ``even`` over the parts does not go with them."""
    own = np.zeros(len(first))
    for factor in HELD_OUT[kind]:
        own += scene.expectation.effects.of(FACTORS.index(factor), first)
    odds_ratio = np.exp(-own)
    factor = odds_ratio / (1.0 - risk + risk * odds_ratio)
    return scaled * np.minimum(factor, MOST_RISK / np.maximum(risk, 1e-12))[:, None] + even


def _bounds(scene: Scene, kind: SubjectType, due: np.ndarray, which: np.ndarray) -> np.ndarray:
    """Bounds on the scores of the streams of some levels, the rows ``which``: (levels, signs + 2), -inf where none.

    The signed deviance of a Poisson count, deflated for plate correlation, bounds the likelihood ratio well enough.
    """
    settings, roll = scene.night.settings.rates, roll_of(scene, kind)
    if not len(which):
        return np.empty((0, SIGN_COUNT + 1))
    length = roll.end[roll.first[which]] - roll.first[which]
    end = np.cumsum(length)
    rows = np.repeat(roll.first[which] - (end - length), length) + np.arange(end[-1])
    observed = roll.observed[rows]
    expected = np.maximum(since_sums(with_total(due[rows].astype(float)), np.repeat(end, length)), 1e-9)
    inflation = 1.0 + max(roll.parts_a_plate - 1.0, 0.0) * scene.expectation.rho * 0.5
    more = observed > expected
    enough = more & (observed >= settings.failures_at_least)
    enough[:, ALL_SIGNS] |= ~more[:, ALL_SIGNS]  # a single sign is not watched downwards
    enough[:, SIGN_COUNT - 1] = False  # failures without a written sign are no sign
    bound = np.full(observed.shape, -np.inf)
    seen, expected = observed[enough], expected[enough]
    deviance = (seen * np.log(np.maximum(seen, 1e-300) / expected) - (seen - expected)) / inflation
    limits = np.log([scale(scene, kind, len(roll.levels), sign, 1) for sign in range(SIGN_COUNT + 1)])
    bound[enough] = deviance - limits[np.nonzero(enough)[1]] + settings.screen
    return np.asarray(np.maximum.reduceat(bound, end - length, axis=0))


def scale(scene: Scene, kind: SubjectType, streams: int, sign: int, direction: int) -> float:
    """What R must reach: so many nights to a false alarm of one stream that all of its kind keep to their budget."""
    settings, budget = scene.night.settings.rates, scene.night.settings.alarm_budget
    share = settings.share_of(kind)
    if direction < 0:
        share *= settings.share_down
    else:
        share *= 1.0 - settings.share_down
        share *= 1.0 - settings.share_signs if sign == ALL_SIGNS else settings.share_signs / len(SIGNS)
    return 30.0 * streams / (budget.of_outcomes * budget.share_rates * share)
