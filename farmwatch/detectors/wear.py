"""Whose film, lamp or bath is worn: risk that climbs with a counter since service (`wear`).

Every printer's layers and hours and every bath's runs since their last service are set against failures, all signs
together and those that such wear shows. Evidence must beat the best constant level and the best single step at any
date, so that a fault that came with a bottle or a swap is not filed as wear. If many holders climb together, the farm
is the subject, its common climb is allowed for, and only those that climb beyond it are filed beside it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any, Literal, cast

import numpy as np
import pandas as pd

from farmwatch.detectors.counters import COUNTERS, Counter, microseconds, service_counters
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.stats.hazard import (
    HazardSlope,
    WearEvidence,
    WearShape,
    count_at_risk,
    fit_shape,
    fit_slope,
    pooled_evidence,
    trend_scores,
    wear_evidence,
)

NAME: Literal["wear"] = "wear"
COMMON_SLOPE_SD = 2.0  # log odds over one usual life: how steep a climb of all holders may be
ALIASED = 0.9  # correlation of counter and calendar beyond which they cannot be told apart
CURVE_BINS = 8


@dataclass(frozen=True)
class Plates:
    """Plates in time order, arrays of shape (plates,). ``from_service``: whether the count runs from a service on record
    (else from the first plate on record, which is only a lower bound).

    ``row``: in the night's plates. ``holder``, ``spell``: numbers from 0 (a spell belongs to one holder). ``failures``,
    ``probability``: shape (views, plates): failures of every sign, and of the signs that this wear shows.
    """

    counter: Counter
    row: np.ndarray
    day: np.ndarray
    holder: np.ndarray
    names: np.ndarray
    spell: np.ndarray
    spell_day: np.ndarray
    from_service: np.ndarray
    count: np.ndarray
    life: float
    parts: np.ndarray
    failures: np.ndarray
    probability: np.ndarray
    rho: float


@dataclass(frozen=True)
class Claim:
    """One holder's evidence from the start of one of its spells on; ``view``: 0 all signs, 1 those of this wear.

    ``evidence`` is None for the farm."""

    plates: Plates
    subject: Subject
    log_sum: float
    rows: np.ndarray
    view: int
    evidence: WearEvidence | None = None


def detect(night: Night) -> Verdicts:
    """Evidence of worn holders, and of wear common to the farm, above a tenth of the limit."""
    limits = night.settings.wear
    counters = service_counters(night)
    watched, checks = [], []
    for counter in COUNTERS:
        plates = _plates(night, counters, counter)
        checks.extend(_checks(night, counter, plates))
        if plates is not None:
            watched.append(plates)
    if not watched:
        return Verdicts((), tuple(checks))
    per_month = _candidates_per_month(night, watched)
    budget = night.settings.alarm_budget
    log_limit = float(np.log(per_month / (budget.false_findings_per_month * budget.share_wear)))
    evidence = []
    for plates in watched:
        common = _common(night, plates, log_limit, per_month)
        if common is not None:
            evidence.append(common[0])
            plates = common[1]
        for claim in _claims(night, plates):
            if _score(night, claim, log_limit) >= -limits.keep_within:
                evidence.append(_evidence(night, claim, log_limit, per_month))
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


def _plates(night: Night, counters: pd.DataFrame, counter: Counter) -> Plates | None:
    frame = night.plates
    count = counters[f"{counter.name}_at_least"].to_numpy()
    day = frame["day"].to_numpy().astype("datetime64[D]").astype(int)
    oldest = _number(night.as_of) - night.settings.wear.cycles_look_back_days
    row = np.flatnonzero(np.isfinite(count) & (frame["parts"].to_numpy() > 0) & (day >= oldest))
    if row.size == 0 or not frame["failures"].to_numpy()[row].any():
        return None
    row = row[np.argsort(microseconds(frame["started_at"])[row], kind="stable")]
    holder, names = pd.factorize(frame[counter.holder].to_numpy()[row])
    since = counters[f"{counter.name}_since"].to_numpy()[row]
    keys = np.unique(counters[f"{counter.name}_spell"].to_numpy()[row] * len(names) + holder, return_inverse=True)[1]
    spell_day = np.full(keys.max() + 1, 0)
    spell_day[keys] = since.astype("datetime64[D]").astype(int)
    failures, probability, rho = _failures(night, counter, row)
    reached = np.zeros(spell_day.size)
    np.maximum.at(reached, keys, count[row])
    life = max(_usual_life(reached, keys, holder), 1e-9)
    parts = frame["parts"].to_numpy()[row]
    return Plates(
        counter,
        row,
        day[row],
        holder,
        np.asarray(names),
        keys,
        spell_day,
        counters[f"{counter.name}_spell"].to_numpy()[row] > 0,
        count[row],
        life,
        parts,
        failures,
        probability,
        rho,
    )


def _usual_life(reached: np.ndarray, spell: np.ndarray, holder: np.ndarray) -> float:
    """Median count at which service was done; before any spell has ended, what has been reached so far."""
    owner = np.zeros(reached.size, int)
    owner[spell] = holder
    ended = np.zeros(reached.size, bool)
    latest = np.full(int(holder.max()) + 1, -1)
    latest[holder] = spell
    ended = latest[owner] != np.arange(reached.size)
    return float(np.median(reached[ended])) if ended.any() else float(reached.max())


def _failures(night: Night, counter: Counter, row: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Failures and expected probability per plate, of every sign and of the counter's signs, and the correlation."""
    number = len(night.plates)
    plate, known = night.parts["plate"].to_numpy(), night.parts["known"].to_numpy()
    failed = night.parts["failed"].to_numpy()
    shows = failed & night.parts["sign"].isin(counter.signs).to_numpy(dtype=bool)
    parts = np.maximum(np.bincount(plate, known, number), 1.0)
    risk = np.clip(np.bincount(plate, np.where(known, night.part_risk, 0.0), number) / parts, 1e-6, 1.0 - 1e-6)
    every, those = np.bincount(plate, failed, number), np.bincount(plate, shows, number)
    rho = _usual_rho(every[row], parts[row], risk[row], pd.factorize(night.plates[counter.holder].to_numpy()[row])[0])
    # the farm's own level: expected risk is fitted on it, and a share of signs is close enough to constant
    share = (those.sum() + 0.5) / (every.sum() + 1.0)
    failures = np.stack([every[row], those[row]])
    probability = np.stack([risk[row], np.clip(risk[row] * share, 1e-9, 0.99)])
    return failures, probability, rho


def _usual_rho(failures: np.ndarray, parts: np.ndarray, risk: np.ndarray, holder: np.ndarray) -> float:
    """Correlation within plates of the middle holder: one holder whose risk climbs must not hide in it."""
    scale = np.bincount(holder, failures) + 1.0
    own = np.clip(risk * (scale / (np.bincount(holder, parts * risk) + 1.0))[holder], 1e-6, 0.95)
    excess = np.bincount(holder, (failures - parts * own) ** 2 - parts * own * (1.0 - own))
    pairs = np.bincount(holder, (parts - 1.0) * parts * own * (1.0 - own))
    told = pairs > 0.0
    return float(np.clip(np.median(excess[told] / pairs[told]), 0.0, 0.95)) if told.any() else 0.0


def _candidates_per_month(night: Night, watched: list[Plates]) -> float:
    """How many spells open in thirty days, over all counters, and one common climb each."""
    first = min(int(plates.day.min()) for plates in watched)
    months = max((_number(night.as_of) - first + 1) / 30.0, 1.0)
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
            plates.rho,
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
    slope = _slope(plates, known, view)
    if slope.refused or slope.slope <= 0.0:
        return None
    lifted = plates.probability.copy()
    for v in range(2):
        climb = _slope(plates, known, v)
        if not climb.refused:
            odds = lifted[v] / (1.0 - lifted[v]) * np.exp(climb.slope * (plates.count - plates.count.mean()))
            lifted[v] = odds / (1.0 + odds)
    claim = Claim(plates, Subject("farm", "farm"), log_e, known, view)
    return _evidence(night, claim, log_limit, per_month), replace(plates, probability=lifted)


def _slope(plates: Plates, rows: np.ndarray, view: int) -> HazardSlope:
    return fit_slope(
        plates.count[rows],
        plates.failures[view][rows],
        plates.parts[rows],
        plates.probability[view][rows],
        plates.holder[rows],
        plates.rho,
    )


def _score(night: Night, claim: Claim, log_limit: float) -> float:
    """How far above its limit: the lesser of the evidence against any constant level and of the lead over any step."""
    score = claim.log_sum - log_limit
    if claim.evidence is None:
        return score
    lead = claim.evidence.log_wear - claim.evidence.log_step - night.settings.wear.beats_step_by
    return float(min(score, lead))


def _evidence(night: Night, claim: Claim, log_limit: float, per_month: float) -> Evidence:
    plates, rows, view = claim.plates, claim.rows, claim.view
    slope = _slope(plates, rows, view)
    shape = _shape(claim, (2.0, night.settings.wear.risk_at_most))
    doubles = count_at_risk(slope, 2.0) if shape is None else shape.counts[0]
    failed = plates.failures[view][rows]
    expected = plates.parts[rows] * plates.probability[view][rows]
    since, low, high = _since(claim, shape)
    aliased = _aliased(plates, rows)
    worst = rows[np.argsort(-plates.count[rows], kind="stable")]
    worst = worst[plates.failures[view][worst] > 0]
    return Evidence(
        NAME,
        claim.subject,
        since,
        low,
        high,
        float(failed.sum()),
        float(expected.sum()),
        float(plates.parts[rows].sum()),
        "parts",
        doubles.count,
        doubles.low,
        doubles.high,
        plates.counter.unit,
        float(np.exp(np.log(per_month) - claim.log_sum)),
        _score(night, claim, log_limit),
        "up",
        sign=_sign(night, plates, rows) if view else None,
        separable=not aliased,
        detail=_detail(night, claim, slope, shape, aliased),
        run_ids=tuple(night.plates["run_id"].to_numpy()[plates.row[worst]]),
    )


def _detail(night: Night, claim: Claim, slope: HazardSlope, shape: WearShape | None, aliased: bool) -> dict[str, Any]:
    plates, rows = claim.plates, claim.rows
    limit = night.settings.wear.risk_at_most
    serve = count_at_risk(slope, limit) if shape is None else shape.counts[1]
    latest = rows[-1]
    detail: dict[str, Any] = {
        "counter": plates.counter.name,
        "counter_unit": plates.counter.unit,
        "count_now": float(plates.count[latest]) if claim.subject.type != "farm" else float("nan"),
        "start_known": bool(plates.from_service[rows].all()),
        "spells": int(np.unique(plates.spell[rows]).size),
        "log_odds_per_unit": slope.slope,
        "log_odds_per_unit_low": slope.low,
        "log_odds_per_unit_high": slope.high,
        "risk_at_most": limit,
        "service_interval": serve.count,
        "service_interval_low": serve.low,
        "service_interval_high": serve.high,
        "sets_in_at": float("nan") if shape is None else shape.kink,
        "doubles_every": float(np.log(2.0) / slope.slope) if shape is None else shape.doubling,
        "better_than_a_step_by": float("nan")
        if claim.evidence is None
        else claim.evidence.log_wear - claim.evidence.log_step,
        "curve": _curve(plates, rows, claim.view),
    }
    if shape is None and slope.refused:
        detail["refusals"] = [f"no count of doubling: {slope.refused}"]
    if aliased:
        detail["would_separate"] = (
            f"the counter ran with the calendar: a {plates.counter.action.replace('_', ' ')} and the plates after it "
            "tell wear from whatever else changed in that time"
        )
    return detail


def _shape(claim: Claim, times: tuple[float, ...]) -> WearShape | None:
    """The fine shape of one holder; the farm's holders have levels of their own and get a slope only."""
    if claim.evidence is None:
        return None
    plates, rows, view = claim.plates, claim.rows, claim.view
    return fit_shape(
        plates.count[rows],
        plates.failures[view][rows],
        plates.parts[rows],
        plates.probability[view][rows],
        plates.rho,
        plates.life,
        times,
    )


def _curve(plates: Plates, rows: np.ndarray, view: int) -> list[dict[str, float]]:
    """Failures and expected failures in equal groups of parts along the counter."""
    order = rows[np.argsort(plates.count[rows], kind="stable")]
    curve = []
    for group in np.array_split(order, min(CURVE_BINS, order.size)):
        curve.append(
            {
                "from": float(plates.count[group[0]]),
                "to": float(plates.count[group[-1]]),
                "parts": float(plates.parts[group].sum()),
                "failures": float(plates.failures[view][group].sum()),
                "expected": float((plates.parts[group] * plates.probability[view][group]).sum()),
            }
        )
    return curve


def _since(claim: Claim, shape: WearShape | None) -> tuple[dt.date, dt.date, dt.date]:
    """The day on which the odds had risen by half in the present spell; the interval runs from the first day of wear to
    the day on which they had doubled. For the farm: from the first service on record."""
    plates = claim.plates
    rows = claim.rows
    if shape is None:
        first = _date(int(plates.day[rows].min()))
        return first, first, first
    present = rows[plates.spell[rows] == plates.spell[rows[-1]]]
    days = []
    for count in (0.0, 0.585, 1.0):
        passed = present[plates.count[present] >= shape.kink + count * shape.doubling]
        days.append(int(plates.day[passed[0]] if passed.size else plates.day[present[-1]]))
    return _date(days[1]), _date(days[0]), _date(days[2])


def _aliased(plates: Plates, rows: np.ndarray) -> bool:
    count, day = plates.count[rows], plates.day[rows].astype(float)
    if np.ptp(count) == 0.0 or np.ptp(day) == 0.0:
        return True
    return bool(abs(np.corrcoef(count, day)[0, 1]) > ALIASED)


def _sign(night: Night, plates: Plates, rows: np.ndarray) -> str | None:
    """The sign that most of the failures of this wear show, None without a majority."""
    parts = night.parts
    mine = np.zeros(len(night.plates), bool)
    mine[plates.row[rows]] = True
    failed = parts["failed"].to_numpy() & mine[parts["plate"].to_numpy()]
    signs = parts["sign"][failed]
    counts = signs[signs.isin(plates.counter.signs)].value_counts()
    if counts.empty or counts.iloc[0] < 0.7 * counts.sum():
        return None
    return str(counts.index[0])


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


def _number(day: dt.date) -> int:
    return int(np.datetime64(day, "D").astype(int))


def _date(day: int) -> dt.date:
    return np.datetime64(day, "D").item()
