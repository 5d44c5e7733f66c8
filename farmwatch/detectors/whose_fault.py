"""Can the records tell a finding's subject from other names on its plates, and which plates would?

Frames to arrays and back around :mod:`farmwatch.stats.separable` and :mod:`farmwatch.stats.separating`, for evidence
about failure rates. Looks at the plates since the onset, with the expectation of the night. All effects but those of
designs, files and resins are held out of it: a lot that has been bad for weeks has an effect of its own in the
expectation, and would hide the excess that is to be shared out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np

from farmwatch.detectors.cells import FACTORS, Cells
from farmwatch.detectors.expected import Expectation
from farmwatch.detectors.night import Night
from farmwatch.evidence import SUBJECT_TYPES, Evidence, Subject, SubjectType
from farmwatch.records import SIGNS
from farmwatch.stats.separable import rivals
from farmwatch.stats.separating import separating_plates

# pairs of names that a farm can put together as it likes; a file's designs and a printer's room it cannot
FREE = ("printer", "lot", "profile", "wash", "operator")
HARD_OR_EASY = ("design", "file", "resin")
IN_USE_DAYS = 30
TOLD = ("rate_shift", "rate_level", "plate_pattern", "height_pattern")
SAME_PLATES = 0.95  # of all plates of either, those of both


def with_rivals(evidence: Evidence, night: Night) -> Evidence:
    """The evidence with ``rivals`` and ``separable`` set, and in its detail the plates that would tell.

    ``detail["separating_plates"]``: up to three of {first type: id, second type: id, "plates": number}, fewest first;
    ``detail["would_separate"]``: the first of them in words. Of a pattern on the plate or of a height, whose failures are
    told from others on their own plates, the rivals are the names on the very same plates. Evidence of other kinds
    comes back as it is.
    """
    expectation = night.expectation
    if evidence.kind not in TOLD or evidence.subject.type not in FACTORS or expectation is None:
        return evidence
    cells = night.history.cells
    own = FACTORS.index(evidence.subject.type)
    level = np.flatnonzero(cells.levels[own] == evidence.subject.id)
    if not len(level):
        return evidence
    suspect = (own, int(level[0]))
    rows = _rows_since(evidence, cells, expectation)
    if evidence.kind in ("rate_shift", "rate_level"):
        found = _found(evidence, cells, expectation, rows, suspect)
    else:
        found = _on_the_same(cells.codes[rows], suspect)
    subjects = tuple(dict.fromkeys(_subject(cells, factor, other) for factor, other in found))
    detail = dict(evidence.detail)
    plans = next((plans for rival in found if (plans := _plans(evidence, night, suspect, rival))), [])
    if plans:
        detail["separating_plates"], detail["would_separate"] = plans, _in_words(plans[0], evidence.subject)
    return replace(evidence, separable=not subjects, rivals=subjects, detail=detail)


def _rows_since(evidence: Evidence, cells: Cells, expectation: Expectation) -> np.ndarray:
    trials = expectation.counts.trials
    since = (np.datetime64(evidence.since) - cells.first_day.to_datetime64()) // np.timedelta64(1, "D")
    return np.flatnonzero((cells.day[cells.plate[: len(trials)]] >= since) & (trials > 0))


def _found(
    evidence: Evidence, cells: Cells, expectation: Expectation, rows: np.ndarray, suspect: tuple[int, int]
) -> list[tuple[int, int]]:
    """Rivals as (factor, level), closest first."""
    plate, trials = cells.plate[rows], expectation.counts.trials[rows]
    per_plate = np.bincount(plate, weights=trials)
    weights = 1.0 / (1.0 + (per_plate[plate] - 1.0).clip(0.0) * expectation.rho)
    failures, share = expectation.counts.failures[rows].sum(axis=1), np.ones(len(rows))
    if evidence.sign is not None:
        column = SIGNS.index(evidence.sign) if evidence.sign in SIGNS else SIGNS.index("other")
        failures, share = expectation.counts.failures[rows, column], expectation.share[rows, column]
    risk = np.clip(share / (1.0 + np.exp(-expectation.log_odds(_held_out(evidence))[rows])), 1e-6, 1.0 - 1e-6)
    offset = np.log(risk) - np.log1p(-risk)
    found = rivals(failures, trials, offset, cells.codes[rows], suspect, weights)
    return [(rival.factor, rival.level) for rival in found if FACTORS[rival.factor] in SUBJECT_TYPES]


def _on_the_same(codes: np.ndarray, suspect: tuple[int, int]) -> list[tuple[int, int]]:
    """Names on the same cells as the suspect but for a few, as (factor, level): no count of failures would part them.

    ``codes``: (cells, factors) since the onset."""
    mine = codes[:, suspect[0]] == suspect[1]
    found = []
    for factor, name in enumerate(FACTORS):
        if factor == suspect[0] or name not in SUBJECT_TYPES:
            continue
        level, number = np.unique(codes[mine, factor], return_counts=True)
        if not len(level) or level[np.argmax(number)] < 0:
            continue
        other, both = level[np.argmax(number)], number.max()
        if both >= SAME_PLATES * ((codes[:, factor] == other).sum() + mine.sum() - both):
            found.append((factor, int(other)))
    return found


def _held_out(evidence: Evidence) -> tuple[str, ...]:
    """Factors whose effects are left out of the expectation; of a design or file in question, both of these as well."""
    kept = ("resin",) if evidence.subject.type in ("design", "file") else HARD_OR_EASY
    return tuple(factor for factor in FACTORS if factor not in kept)


def _subject(cells: Cells, factor: int, level: int) -> Subject:
    return Subject(cast(SubjectType, FACTORS[factor]), str(cells.levels[factor][level]))


def _plans(evidence: Evidence, night: Night, suspect: tuple[int, int], rival: tuple[int, int]) -> list[dict[str, Any]]:
    """Plates that would tell the two apart, from levels in use of late; none where they cannot be parted."""
    expectation, cells = night.expectation, night.history.cells
    names = FACTORS[suspect[0]], FACTORS[rival[0]]
    if expectation is None or not set(names) <= set(FREE):
        return []
    trials = expectation.counts.trials
    number = len(trials)
    day = cells.day[cells.plate[:number]]
    late = day > day.max() - IN_USE_DAYS
    base = np.full([len(cells.levels[factor]) for factor, _ in (suspect, rival)], np.nan)
    mine = cells.codes[:number, suspect[0]] == suspect[1]
    typical = float(np.mean(expectation.log_odds(_held_out(evidence))[mine]))
    used = [np.unique(cells.codes[:number, factor][late & (cells.codes[:number, factor] >= 0)]) for factor in
            (suspect[0], rival[0])]  # fmt: skip
    effect = [_level_effects(expectation, cells, number, *pair) for pair in (suspect, rival)]
    base[np.ix_(*used)] = typical + effect[0][used[0]][:, None] + effect[1][used[1]]
    error = (np.log(evidence.effect_high) - np.log(evidence.effect_low)) / 3.92
    plates = np.bincount(cells.plate[:number][mine], weights=trials[mine])
    parts = max(round(float(np.median(plates[plates > 0]))), 1)
    with np.errstate(invalid="ignore"):
        probability = 1.0 / (1.0 + np.exp(-base))
    if not (error > 0.0 and np.isfinite(error)):
        return []
    plans = separating_plates(
        probability,
        (suspect[1], rival[1]),
        evidence.effect,
        parts,
        expectation.rho,
        effect_information=error**-2,
    )
    return [
        {names[0]: str(cells.levels[suspect[0]][plan.one]), names[1]: str(cells.levels[rival[0]][plan.two]),
         "plates": plan.plates} for plan in plans[:3]
    ]  # fmt: skip


def _level_effects(expectation: Expectation, cells: Cells, number: int, factor: int, level: int) -> np.ndarray:
    """The fitted effect of each level, read back from the cells; that of the suspected ``level`` is put aside. (levels,)"""
    codes = cells.codes[:number, factor]
    effects = np.zeros(len(cells.levels[factor]))
    named = codes >= 0
    effects[codes[named]] = expectation.effects[named, factor]
    effects[level] = 0.0
    return effects


def _in_words(plan: dict[str, Any], subject: Subject) -> str:
    (first, one), (second, two) = [item for item in plan.items() if item[0] != "plates"]
    kept = f"{second} {two} on {first} {one}" if first == "printer" else f"{first} {one} with {second} {two}"
    return f"about {plan['plates']} plates of {kept} (enough four times in five)"
