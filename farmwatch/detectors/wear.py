"""Whose film, lamp or bath is worn: risk that climbs with a counter since service (`wear`).

Every printer's layers and hours and every bath's runs since their last service are set against failures, all signs
together and those that such wear shows. Evidence must beat the best constant level and the best single step at any
date, so that a fault that came with a bottle or a swap is not filed as wear. If many holders climb together, the farm
is the subject, its common climb is allowed for, and only those that climb beyond it are filed beside it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np

from farmwatch.detectors.counters import COUNTERS, Counter
from farmwatch.detectors.night import Night, Verdicts, day_number
from farmwatch.detectors.wear_account import NAME, evidence_of, score_of
from farmwatch.detectors.wear_plates import Claim, Plates, outcomes_of, plates_of, slope_of
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.stats.hazard import WearEvidence, pooled_evidence, trend_scores, wear_evidence

COMMON_SLOPE_SD = 2.0  # log odds over one usual life: how steep a climb of all holders may be


def detect(night: Night) -> Verdicts:
    """Evidence of worn holders, and of wear common to the farm, above a tenth of the limit."""
    limits = night.settings.wear
    outcomes = outcomes_of(night)
    watched, checks = [], []
    for counter in COUNTERS:
        plates = plates_of(night, outcomes, counter)
        checks.extend(_checks(night, counter, plates))
        if plates is not None:
            watched.append(plates)
    if not watched:
        return Verdicts((), tuple(checks))
    per_month = _candidates_per_month(night, watched)
    budget = night.settings.alarm_budget
    log_limit = float(np.log(per_month / (budget.of_outcomes * budget.share_wear)))
    evidence = []
    while watched:  # the plates of a counter make room once it has been looked at
        plates = watched.pop(0)
        common = _common(night, plates, log_limit, per_month)
        if common is not None:
            evidence.append(common[0])
            plates = common[1]
        for claim in _claims(night, plates):
            if score_of(night, claim, log_limit) >= -limits.keep_within:
                evidence.append(evidence_of(night, claim, log_limit, per_month))
    evidence.sort(key=lambda one: (-one.score, one.subject))
    return Verdicts(tuple(_best_of_each(evidence)[: limits.findings_at_most]), tuple(checks))


def _best_of_each(evidence: list[Evidence]) -> list[Evidence]:
    """One piece of evidence a subject: layers and hours of one printer run together, and are named as alternatives."""
    best: dict[Subject, Evidence] = {}
    for one in evidence:
        if one.subject in best:
            best[one.subject].detail["or_counter"] = one.detail["counter"]
        else:
            best[one.subject] = one
    return list(best.values())


def _candidates_per_month(night: Night, watched: list[Plates]) -> float:
    """How many spells open in thirty days, over all counters, and one common climb each."""
    first = min(int(plates.day.min()) for plates in watched)
    months = max((day_number(night.as_of) - first + 1) / 30.0, 1.0)
    return sum(plates.spell_day.size + 1 for plates in watched) / months


def _claims(night: Night, plates: Plates) -> list[Claim]:
    limits = night.settings.wear
    x = plates.count / plates.life
    trends = []
    for view in range(2):
        for group in (plates.holder, plates.spell):
            z = trend_scores(
                x, plates.failures[view], plates.parts, plates.probability[view], group, group, plates.rho
            )[2]
            trends.append(z[group])
    worth = np.max(trends, axis=0) >= limits.screen_z
    failed = np.bincount(plates.holder, plates.failures[0])
    claims = []
    for holder in np.unique(plates.holder[worth]):
        if failed[holder] >= limits.failures_at_least:
            claims.append(_claim(plates, int(holder)))
    return claims


def _claim(plates: Plates, holder: int) -> Claim:
    """Sum over the holder's spells of the evidence since each began; the two views count half each."""
    own = np.flatnonzero(plates.holder == holder)
    starts = np.flatnonzero(np.diff(plates.spell[own], prepend=-1) != 0)
    views = [
        wear_evidence(
            plates.count[own],
            plates.failures[view][own],
            plates.parts[own],
            plates.probability[view][own],
            plates.model,
            plates.life,
            starts,
        )
        for view in range(2)
    ]
    logs, best = [], None
    for start, *found in zip(starts, *views, strict=True):
        view = int(found[1].log_e > found[0].log_e)
        logs.append(float(np.logaddexp(found[0].log_e, found[1].log_e) - np.log(2.0)))
        if best is None or _better(found[view], best[3]):
            best = (logs[-1], own[start:], view, found[view])
    assert best is not None
    subject = Subject(cast(SubjectType, plates.counter.subject_type), str(plates.names[holder]))
    return Claim(plates, subject, float(np.logaddexp.reduce(logs)), best[1], best[2], best[3])


def _better(one: WearEvidence, other: WearEvidence) -> bool:
    return min(one.log_e, one.log_wear - one.log_step) > min(other.log_e, other.log_wear - other.log_step)


def _common(night: Night, plates: Plates, log_limit: float, per_month: float) -> tuple[Evidence, Plates] | None:
    """Wear of all holders together: its evidence, and the plates with the common climb put into the expectation."""
    limits = night.settings.wear
    known = np.flatnonzero(plates.from_service)
    if np.unique(plates.spell[known]).size < limits.cycles_at_least:
        return None
    x = plates.count / plates.life
    logs = []
    for view in range(2):
        scores, information, _ = trend_scores(
            x[known],
            plates.failures[view][known],
            plates.parts[known],
            plates.probability[view][known],
            plates.holder[known],
            plates.spell[known],
            plates.rho,
        )
        logs.append(pooled_evidence(scores, information, COMMON_SLOPE_SD))
    log_e = float(np.logaddexp(logs[0], logs[1]) - np.log(2.0))
    if log_e < log_limit - limits.keep_within:
        return None
    view = int(logs[1] > logs[0])
    slope = slope_of(plates, known, view)
    if slope.refused or slope.slope <= 0.0:
        return None
    lifted = plates.probability.copy()
    for v in range(2):
        climb = slope_of(plates, known, v)
        if not climb.refused:
            odds = lifted[v] / (1.0 - lifted[v]) * np.exp(climb.slope * (plates.count - plates.count.mean()))
            lifted[v] = odds / (1.0 + odds)
    claim = Claim(plates, Subject("farm", "farm"), log_e, known, view)
    return evidence_of(night, claim, log_limit, per_month), replace(plates, probability=lifted)


def _checks(night: Night, counter: Counter, plates: Plates | None) -> list[Check]:
    kind = cast(SubjectType, counter.subject_type)
    used = int(night.plates[counter.holder].nunique())
    failed = np.zeros(0) if plates is None else np.bincount(plates.holder, plates.failures[0])
    enough = int((failed >= night.settings.wear.failures_at_least).sum())
    checks = []
    if enough:
        checks.append(Check(NAME, "clear", kind, None, counter.name, enough))
    if used > enough:
        why = f"{counter.name}: fewer than {night.settings.wear.failures_at_least} failures"
        checks.append(Check(NAME, "too_few", kind, None, why, used - enough))
    unknown = 0 if plates is None else len(plates.names) - np.unique(plates.holder[plates.from_service]).size
    if unknown:
        why = f"{counter.name}: no {counter.action} on record, so the count runs from the first plate on record"
        checks.append(Check(NAME, "too_few", kind, None, why, int(unknown)))
    if used == 0:
        checks.append(Check(NAME, "too_few", kind, None, f"{counter.name}: no plate names its {kind}"))
    return checks
