"""The account of wear: from which count the risk has doubled, when to serve, since when, and its evidence."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from farmwatch.detectors.cells import FACTORS, SIGN_COUNT
from farmwatch.detectors.night import Night, day_number
from farmwatch.detectors.wear_plates import Claim, Plates, date_of, slope_of
from farmwatch.detectors.whose_fault import HARD_OR_EASY, Counts, with_rivals
from farmwatch.evidence import Evidence
from farmwatch.records import SIGNS
from farmwatch.stats.hazard import HazardSlope, WearShape, count_at_risk, fit_shape

NAME: Literal["wear"] = "wear"
ALIASED = 0.9  # correlation of counter and calendar beyond which they cannot be told apart
CURVE_BINS = 8  # points of the drawn curve: as many as can be read
HALF_MORE = 0.585  # doublings at which odds are half as much again: log2 of 1.5


def evidence_of(night: Night, claim: Claim, log_limit: float, per_month: float) -> Evidence:
    plates, rows, view = claim.plates, claim.rows, claim.view
    slope = slope_of(plates, rows, view)
    shape = _shape(claim, (2.0, night.settings.wear.risk_at_most))
    doubles = count_at_risk(slope, 2.0) if shape is None else shape.counts[0]
    since, low, high = _since(claim, shape)
    late = rows[plates.day[rows] >= day_number(since)]
    failed = plates.failures[view][late]
    expected = plates.parts[late] * plates.probability[view][late]
    aliased = _aliased(plates, rows)
    worst = rows[np.argsort(-plates.count[rows], kind="stable")]
    worst = worst[plates.failures[view][worst] > 0]
    found = Evidence(
        NAME,
        claim.subject,
        since,
        low,
        high,
        float(failed.sum()),
        float(expected.sum()),
        float(plates.parts[late].sum()),
        "parts",
        doubles.count,
        doubles.low,
        doubles.high,
        plates.counter.unit,
        float(np.exp(np.log(per_month) - claim.log_sum)),
        score_of(night, claim, log_limit),
        "up",
        sign=_sign(night, plates, rows) if view else None,
        separable=not aliased,
        detail=_detail(night, claim, slope, shape, aliased),
        run_ids=tuple(night.plates["run_id"].to_numpy()[plates.row[worst]]),
    )
    return found if shape is None else _with_rivals(found, night, claim, shape)


def _with_rivals(found: Evidence, night: Night, claim: Claim, shape: WearShape) -> Evidence:
    """The evidence with every name that could be to blame for the holder's worn plates instead, and what would tell.

    Worn are plates from the count on at which the odds have risen by half. The holder's fresh plates, after a service, speak
    for whatever else they carry: a lot that went on after it, and failed no more, is no rival.
    """
    plates, rows, expectation = claim.plates, claim.rows, night.expectation
    if expectation is None:
        return found
    columns = [SIGNS.index(sign) for sign in plates.counter.signs] if claim.view else list(range(SIGN_COUNT))
    failures = expectation.counts.failures[:, columns].sum(axis=1)
    share = expectation.share[:, columns].sum(axis=1) if claim.view else np.ones(len(failures))
    is_worn = np.zeros(len(night.plates), dtype=bool)
    is_worn[plates.row[rows[plates.count[rows] >= shape.kink + HALF_MORE * shape.doubling]]] = True
    mine = is_worn[night.history.cells.plate[: len(failures)]]
    # against plates like these of anybody: a fault of months has an effect of its own in what is expected of its holder
    anybody = 1.0 / (1.0 + np.exp(-expectation.log_odds(tuple(each for each in FACTORS if each not in HARD_OR_EASY))))
    lost, due = float(failures[mine].sum()), float((expectation.counts.trials * share * anybody)[mine].sum())
    if not lost > 0.0 or not due > 0.0:
        return found
    reach = np.exp(1.96 / np.sqrt(lost))  # of the odds of the worn plates, for how many plates would tell
    odds = replace(found, effect=lost / due, effect_low=lost / due / reach, effect_high=lost / due * reach)
    told = with_rivals(odds, night, Counts(failures, expectation.counts.trials, share, mine))
    detail = {**told.detail, **found.detail}
    if told.rivals:
        would = [each.detail["would_separate"] for each in (found, told) if "would_separate" in each.detail]
        detail["would_separate"] = "; ".join(dict.fromkeys(would))
    return replace(found, separable=found.separable and told.separable, rivals=told.rivals, detail=detail)


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
            f"the plates after the next “{plates.counter.action.replace('_', ' ')}”: so far the counter ran with the "
            "calendar, and whatever else changed in that time looks the same"
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
    """The day on which the odds had risen by half, in the first spell that came so far before its last day; the interval
    runs from the day on which they began to climb to the day on which they had doubled. Where none came so far: the day
    on which the climb began, else the start of the first spell. For the farm: from the first service on record.
    """
    plates, rows = claim.plates, claim.rows
    if shape is None:
        first = date_of(int(plates.day[rows].min()))
        return first, first, first
    spells = list(dict.fromkeys(plates.spell[rows].tolist()))
    for doublings in (HALF_MORE, 0.0):
        for spell in spells:
            own = rows[plates.spell[rows] == spell]
            day = _passed(plates, own, shape.kink + doublings * shape.doubling)
            if day < plates.day[own[-1]]:
                low = _passed(plates, own, shape.kink)
                high = _passed(plates, own, shape.kink + shape.doubling)
                return date_of(day), date_of(min(low, day)), date_of(max(high, day))
    own = rows[plates.spell[rows] == spells[0]]
    return date_of(int(plates.day[own[0]])), date_of(int(plates.day[own[0]])), date_of(int(plates.day[own[-1]]))


def _passed(plates: Plates, rows: np.ndarray, count: float) -> int:
    """The day of the first of ``rows`` (one spell, in order) at ``count`` or beyond; that of the last where none is."""
    beyond = rows[plates.count[rows] >= count]
    return int(plates.day[beyond[0]] if beyond.size else plates.day[rows[-1]])


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
    signs = parts["sign"][failed].astype("str")
    counts = signs[signs.isin(plates.counter.signs)].value_counts()
    if counts.empty or counts.iloc[0] < 0.7 * counts.sum():
        return None
    return str(counts.index[0])


def score_of(night: Night, claim: Claim, log_limit: float) -> float:
    """How far above its limit: the lesser of the evidence against any constant level and of the lead over any step."""
    score = claim.log_sum - log_limit
    if claim.evidence is None:
        return score
    lead = claim.evidence.log_wear - claim.evidence.log_step - night.settings.wear.beats_step_by
    return float(min(score, lead))
