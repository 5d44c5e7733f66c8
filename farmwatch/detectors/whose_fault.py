"""Can the records tell a finding's subject from other names on its plates, and which plates would?

Frames to arrays and back around :mod:`farmwatch.stats.separable` and :mod:`farmwatch.stats.separating`, for evidence
about failure rates. Looks at the plates since the onset, with the expectation of the night. All effects but those of
designs, files and resins are held out of it: a lot that has been bad for weeks has an effect of its own in the
expectation, and would hide the excess that is to be shared out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
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
NO_PLACE = ("wash",)  # what comes after the print knows neither place nor height
WITHIN = {("printer", "room"), ("printer", "family"), ("design", "file")}  # the first never goes without the second


@dataclass(frozen=True)
class Counts:
    """What the rivals are weighed by, of each cell, shapes (cells,): ``failures`` of the kind in question, ``trials``, and
    ``share``, how much of a part's expected risk is of that kind; ``mine``: which of the subject's cells are under the fault,
    where not all since the onset are."""

    failures: np.ndarray
    trials: np.ndarray
    share: np.ndarray
    mine: np.ndarray | None = None


def with_rivals(evidence: Evidence, night: Night, counts: Counts | None = None) -> Evidence:
    """The evidence with ``rivals`` and ``separable`` set, and in its detail the plates that would tell.

    ``detail["separating_plates"]``: up to three of {first type: id, second type: id, "plates": number}, fewest first;
    ``detail["would_separate"]``: the first of them in words, or what kind of plates would do. ``counts``: of a pattern, the
    parts inside and those lost there, of wear those of its signs; rates are counted here. Evidence of other kinds comes
    back as it is.
    """
    expectation = night.expectation
    if evidence.subject.type not in FACTORS or expectation is None:
        return evidence
    if evidence.kind in ("rate_shift", "rate_level"):
        counts = _counts_of_sign(evidence.sign, expectation)
    if counts is None:
        return evidence
    cells = night.history.cells
    own = FACTORS.index(evidence.subject.type)
    level = np.flatnonzero(cells.levels[own] == evidence.subject.id)
    if not len(level):
        return evidence
    suspect = (own, int(level[0]))
    rows = _rows_since(evidence, cells, expectation, counts)
    found = _found(evidence, cells, expectation, rows, suspect, counts)
    subjects = tuple(dict.fromkeys(_subject(cells, factor, other) for factor, other in found))
    detail = dict(evidence.detail)
    plans = next((plans for rival in found if (plans := _plans(evidence, night, suspect, rival, counts))), [])
    if plans:
        detail["separating_plates"], detail["would_separate"] = plans, _in_words(plans[0], evidence.subject)
    elif subjects:
        detail["would_separate"] = one_without_the_other(evidence.subject, subjects[0])
    return replace(evidence, separable=not subjects, rivals=subjects, detail=detail)


def _counts_of_sign(sign: str | None, expectation: Expectation) -> Counts:
    """Failures, trials and the share of the expectation by cell, of one sign; of every sign for None."""
    failures = expectation.counts.failures
    if sign is None:
        return Counts(failures.sum(axis=1), expectation.counts.trials, np.ones(len(failures)))
    column = SIGNS.index(sign) if sign in SIGNS else SIGNS.index("other")
    return Counts(failures[:, column], expectation.counts.trials, expectation.share[:, column])


def _rows_since(evidence: Evidence, cells: Cells, expectation: Expectation, counts: Counts) -> np.ndarray:
    """Cells with parts from plates since the evidence's onset, as row numbers."""
    trials = counts.trials[: len(expectation.counts.trials)]
    since = (np.datetime64(evidence.since) - cells.first_day.to_datetime64()) // np.timedelta64(1, "D")
    return np.flatnonzero((cells.day[cells.plate[: len(trials)]] >= since) & (trials > 0))


def _found(
    evidence: Evidence,
    cells: Cells,
    expectation: Expectation,
    rows: np.ndarray,
    suspect: tuple[int, int],
    counts: Counts,
) -> list[tuple[int, int]]:
    """Rivals as (factor, level), closest first."""
    plate, trials = cells.plate[rows], counts.trials[rows]
    per_plate = np.bincount(plate, weights=trials)
    weights = 1.0 / (1.0 + (per_plate[plate] - 1.0).clip(0.0) * expectation.rho)
    whole = 1.0 / (1.0 + np.exp(-expectation.log_odds(_held_out(evidence))[rows]))
    risk = np.clip(counts.share[rows] * whole, 1e-6, 1.0 - 1e-6)
    offset = np.log(risk) - np.log1p(-risk)
    codes = cells.codes[rows]
    if counts.mine is not None:  # a subject's sound plates testify for whatever else they carry
        codes = codes.copy()
        codes[(codes[:, suspect[0]] == suspect[1]) & ~counts.mine[rows], suspect[0]] = -1
    found = rivals(counts.failures[rows], trials, offset, codes, suspect, weights)
    none = () if evidence.kind in ("rate_shift", "rate_level", "wear") else NO_PLACE
    return [
        (rival.factor, rival.level)
        for rival in found
        if FACTORS[rival.factor] in SUBJECT_TYPES and FACTORS[rival.factor] not in none
    ]


def _held_out(evidence: Evidence) -> tuple[str, ...]:
    """Factors whose effects are left out of the expectation; of a design or file in question, both of these as well."""
    kept = ("resin",) if evidence.subject.type in ("design", "file") else HARD_OR_EASY
    return tuple(factor for factor in FACTORS if factor not in kept)


def _subject(cells: Cells, factor: int, level: int) -> Subject:
    return Subject(cast(SubjectType, FACTORS[factor]), str(cells.levels[factor][level]))


def _plans(
    evidence: Evidence, night: Night, suspect: tuple[int, int], rival: tuple[int, int], counts: Counts
) -> list[dict[str, Any]]:
    """Plates that would tell the two apart, from levels in use of late; none where they cannot be parted."""
    expectation, cells = night.expectation, night.history.cells
    names = FACTORS[suspect[0]], FACTORS[rival[0]]
    if expectation is None or not set(names) <= set(FREE):
        return []
    number = len(expectation.counts.trials)
    trials = counts.trials[:number]
    day = cells.day[cells.plate[:number]]
    late = day > day.max() - IN_USE_DAYS
    base = np.full([len(cells.levels[factor]) for factor, _ in (suspect, rival)], np.nan)
    mine = cells.codes[:number, suspect[0]] == suspect[1]
    share = np.average(counts.share[:number][mine], weights=trials[mine] + 1e-9)
    typical = float(np.mean(expectation.log_odds(_held_out(evidence))[mine]) + np.log(max(share, 1e-6)))
    used = [np.unique(cells.codes[:number, factor][late & (cells.codes[:number, factor] >= 0)]) for factor in
            (suspect[0], rival[0])]  # fmt: skip
    effect = [_level_effects(expectation, cells, number, *pair) for pair in (suspect, rival)]
    base[np.ix_(*used)] = typical + effect[0][used[0]][:, None] + effect[1][used[1]]
    error = (np.log(evidence.effect_high) - np.log(evidence.effect_low)) / 3.92
    plates = np.bincount(cells.plate[:number][mine], weights=trials[mine])
    parts = max(round(float(np.median(plates[plates > 0]))), 1) if (plates > 0).any() else 1
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
    """A plan of plates that would part two names, in words."""
    (first, one), (second, two) = [item for item in plan.items() if item[0] != "plates"]
    kept = f"{second} {two} on {first} {one}" if first == "printer" else f"{first} {one} with {second} {two}"
    return f"about {plan['plates']} plates of {kept} (enough four times in five)"


def one_without_the_other(subject: Subject, rival: Subject) -> str:
    """What would tell two names that no plan of plates parts, in words."""
    for first, second in ((subject, rival), (rival, subject)):
        if (first.type, second.type) in WITHIN:
            return f"plates of {second.words} without {first.words}"
    names = [one.words for one in (subject, rival)]
    return f"plates of {names[0]} without {names[1]}, or of {names[1]} without {names[0]}"
