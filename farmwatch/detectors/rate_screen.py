"""Which streams are worth the full look: a cheap bound on every stream's evidence, every pass anew."""

from __future__ import annotations

import numpy as np

from farmwatch.detectors.cells import FACTORS, SIGN_COUNT
from farmwatch.detectors.expected import HELD_OUT
from farmwatch.detectors.rate_scene import (
    ALL_SIGNS,
    MOST_RISK,
    TYPES,
    Scene,
    Stream,
    by_plate,
    expected_risk,
    roll_of,
    since_sums,
    stream_risk,
    with_total,
)
from farmwatch.evidence import SubjectType
from farmwatch.records import SIGNS


def screen(scene: Scene) -> list[tuple[float, Stream]]:
    """Streams whose failures since some day lie far enough from their expectation, each with a generous bound on its
    score, highest first."""
    every = np.arange(len(scene.plate))
    full = by_plate(scene, expected_risk(scene, (), every) * scene.trials[:, None])
    even = np.minimum(by_plate(scene, scene.added * scene.trials[:, None]), full)
    trials = by_plate(scene, scene.trials)
    risk = full.sum(axis=1) / np.maximum(trials, 1e-12)
    waiting = []
    for kind in TYPES:
        if kind == "farm" and len(scene.cells.levels[FACTORS.index("room")]) == 1:
            continue  # one room is the farm; the room says more
        if not len(roll_of(scene, kind).levels):
            continue
        if kind == "design":
            used = np.flatnonzero((scene.cells.codes[: len(every), FACTORS.index(kind)] >= 0) & (scene.trials > 0))
            expected = stream_risk(scene, kind, used) * scene.trials[used, None]
        else:
            expected = _without_own(scene, kind, full - even, even, risk)
        waiting += _bounds(scene, kind, expected)
    return sorted(waiting, key=lambda item: -item[0])


def _without_own(scene: Scene, kind: SubjectType, scaled: np.ndarray, even: np.ndarray, risk: np.ndarray) -> np.ndarray:
    """Expected failures of each plate by sign without the effects that are held out: one odds ratio a plate, taken at the
    plate's mean risk, (plates that name the type, signs + 1). What lies ``even`` over the parts does not go with them."""
    columns = [FACTORS.index(factor) for factor in HELD_OUT[kind]]
    kept = slice(None)
    if kind != "farm":
        kept = scene.cells.codes[scene.first, FACTORS.index(kind)] >= 0
    odds_ratio = np.exp(-scene.expectation.effects[scene.first][:, columns].sum(axis=1))
    factor = odds_ratio / (1.0 - risk + risk * odds_ratio)
    return (scaled * np.minimum(factor, MOST_RISK / np.maximum(risk, 1e-12))[:, None] + even)[kept]


def _bounds(scene: Scene, kind: SubjectType, expected: np.ndarray) -> list[tuple[float, Stream]]:
    """The signed deviance of a Poisson count, deflated for plate correlation, bounds the likelihood ratio well enough."""
    settings, roll = scene.night.settings.rates, roll_of(scene, kind)
    observed = roll.observed
    expected = np.maximum(since_sums(roll.collect @ with_total(expected), roll.end), 1e-9)
    inflation = 1.0 + max(roll.parts_a_plate - 1.0, 0.0) * scene.expectation.rho * 0.5
    more = observed > expected
    enough = more & (observed >= settings.failures_at_least)
    enough[:, ALL_SIGNS] |= ~more[:, ALL_SIGNS]  # a single sign is not watched downwards
    enough[:, SIGN_COUNT - 1] = False  # failures without a written sign are no sign
    bound = np.full(observed.shape, -np.inf)
    seen, due = observed[enough], expected[enough]
    deviance = (seen * np.log(np.maximum(seen, 1e-300) / due) - (seen - due)) / inflation
    limits = np.log([scale(scene, kind, len(roll.levels), sign, 1) for sign in range(SIGN_COUNT + 1)])
    bound[enough] = deviance - limits[np.nonzero(enough)[1]] + settings.screen
    first = np.flatnonzero(np.diff(roll.level, prepend=-1))
    top = np.maximum.reduceat(bound, first, axis=0)
    return [
        (float(top[row, sign]), Stream(kind, int(roll.level[first[row]]), int(sign)))
        for row, sign in np.argwhere(top > 0)
    ]


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
