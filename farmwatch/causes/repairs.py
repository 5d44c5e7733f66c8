"""Did the mend hold? Which service row counts, and the verdict on the subject's plates since."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np
import pandas as pd

from farmwatch.causes.entered import is_check
from farmwatch.causes.questions import UNKNOWN
from farmwatch.causes.table import CauseTable
from farmwatch.evidence import Finding
from farmwatch.records import ACTIONS
from farmwatch.settings import RepairsSection
from farmwatch.stats.plate_model import PlateModel
from farmwatch.stats.wald import averaged_path, effect_since, limits, mean_steps, sequential

RepairStatus = Literal["watching", "cleared", "returned"]
#: plates, most of a printer's year: a verdict that needs more will not come from counting them
BEYOND_COUNTING = 1000.0


@dataclass(frozen=True)
class Mend:
    """A service row that may have mended a finding: what was done, when (local day), and the row's id."""

    event_id: str
    action: str
    on: dt.date
    at: pd.Timestamp


@dataclass(frozen=True)
class RepairVerdict:
    """What the plates since a mend say.

    ``decided_plate``: place of the plate that decided, -1 while watching. ``evidence``: the running sum at the end or
    at the decision, natural log, from ``lower`` (cleared) to ``upper`` (returned). Odds ratios against what was
    expected: ``before`` drawn towards 1, ``after`` with a 95 % interval, of all plates since. ``plates_needed``: plates
    still to come on average, if the mend held and if it did not; 0 once decided, NaN where no plate can say.
    """

    status: RepairStatus
    plates: int
    failures: int
    expected: float
    decided_plate: int
    evidence: float
    lower: float
    upper: float
    before: float
    after: float
    after_low: float
    after_high: float
    plates_needed_if_held: float
    plates_needed_if_not: float


def last_mend(
    finding: Finding, service: pd.DataFrame, timezone: str, table: CauseTable, settings: RepairsSection
) -> Mend | None:
    """The latest service row on the finding's subject after its fault began that may have mended it.

    ``service`` holds only rows known by the night. A room's heating counts for a finding of the whole farm. A row on
    the day the fault began may be its reason: only later days count. Results of checks are not mends, nor is work that
    none of the finding's likely causes is mended by: a lamp is not mended by levelling the plate. A row whose plates are
    being watched is kept down to half the limit, so that a mend does not come and go with the causes' last per cent, and
    gives way only to work that is likelier to be the mend: else every routine service would begin the count anew. What was
    done by the night on which a verdict fell has been judged with it. Where the records cannot tell the subject from others,
    work on any of them counts: a family's fault may be its one profile's, and is mended there.
    """
    if service.empty:
        return None
    rows = service[_of_suspects(finding, service) & ~is_check(service).to_numpy(bool)]
    watched = (rows["event_id"] == finding.repair.get("event_id")).to_numpy(bool)
    days = rows["at"].dt.tz_convert(timezone).dt.date.to_numpy()
    later = max(finding.evidence.since_high, finding.evidence.since)
    chance = np.array(
        [
            chance_mended(finding, str(action), table, routine(action, day, later, rows["action"].to_numpy(), days))
            for action, day in zip(rows["action"], days, strict=True)
        ]
    )
    limit = settings.mend_at_least * np.where(watched, 0.5, 1.0)
    judged = finding.repair.get("decided_on") if finding.status == "returned" else None
    news = watched | (days > (judged or later))
    kept = np.flatnonzero((days > later) & (chance >= limit) & news)
    if not len(kept):
        return None
    kept = kept[np.argsort(rows["at"].to_numpy()[kept], kind="stable")]
    place = kept[-1]
    if finding.status == "watching" and watched[kept].any():
        place = kept[watched[kept]][0]
        likelier = kept[(chance[kept] > chance[place]) & (days[kept] >= days[place])]
        place = likelier[-1] if len(likelier) else place
    row = rows.iloc[place]
    return Mend(str(row["event_id"]), str(row["action"]), days[place], row["at"])


def _of_suspects(finding: Finding, service: pd.DataFrame) -> np.ndarray:
    """Mask of the rows done to the finding's subject, or to one that the records cannot tell from it."""
    evidence = finding.evidence
    mine = np.zeros(len(service), bool)
    for subject in (evidence.subject, *(() if evidence.separable else evidence.rivals)):
        of_type = (service["subject_type"] == ("room" if subject.type == "farm" else subject.type)).to_numpy(bool)
        mine |= of_type & ((service["subject_id"] == subject.id).to_numpy(bool) | (subject.type == "farm"))
    return mine


def routine(action: object, day: dt.date, began: dt.date, actions: np.ndarray, days: np.ndarray) -> float:
    """The chance that ``action`` would have been done to a subject by ``day`` without any fault, by its own habit before.

    ``actions``, ``days``: every row of the subject. 1 - exp(-rate x days since ``began``), the rate that of the same action
    from the subject's first row to ``began``; 0 where it had not been done before.
    """
    before = days <= began
    times = int((before & (actions == action)).sum())
    if not times or day <= began:
        return 0.0
    span = max((began - min(days)).days, 1)
    return float(1.0 - np.exp(-times / span * (day - began).days))


def chance_mended(finding: Finding, action: str, table: CauseTable, routine: float = 0.0) -> float:
    """The chance that the finding's cause is one that ``action`` can mend, by the table's ``mends``.

    An unknown cause may be mended by anything that was not due anyhow (``routine``). The action ``other``, one without a
    code of ours, and any action before causes were ranked may be what was needed.
    """
    if not finding.causes or action == "other" or action not in ACTIONS:
        return 1.0
    known = sum(
        cause.probability
        for cause in finding.causes
        if cause.code in table.causes and action in table.causes[cause.code].mends
    )
    unknown = sum(cause.probability for cause in finding.causes if cause.code == UNKNOWN)
    return float(known + unknown * (1.0 - routine))


def verdict_of(repair: Mapping[str, Any]) -> RepairVerdict | None:
    """The verdict that the ledger holds of a finding; None where none fell that numbers stand for."""
    names = [field.name for field in fields(RepairVerdict)]
    if not all(name in repair for name in names):
        return None
    told: dict[str, Any] = {name: float("nan") if repair[name] is None else repair[name] for name in names}
    return RepairVerdict(**told)


def shrunken(log_odds_ratio: float, se: float, settings: RepairsSection) -> float:
    """The effect before, drawn towards none: it was picked at its worst, and would look better by chance alone.

    Posterior mean under a normal prior around 0, never less than the smallest fault worth telling from none.
    """
    if not np.isfinite(log_odds_ratio):
        return float(np.log(settings.smallest_odds_ratio))
    weight = settings.prior_sd**2 / (settings.prior_sd**2 + (se if np.isfinite(se) else settings.prior_sd) ** 2)
    return float(max(weight * log_odds_ratio, np.log(settings.smallest_odds_ratio)))


def as_bad_as_before(log_odds_ratio: float, se: float, settings: RepairsSection) -> tuple[np.ndarray, np.ndarray]:
    """What the effect before may have been: log odds ratios and their weights, which add up to 1.

    The posterior of :func:`shrunken` in 15 steps, none below the smallest fault worth telling from none.
    """
    middle, least = shrunken(log_odds_ratio, se, settings), float(np.log(settings.smallest_odds_ratio))
    if not (np.isfinite(log_odds_ratio) and np.isfinite(se) and se > 0.0):
        return np.array([middle]), np.ones(1)
    spread = 1.0 / np.sqrt(1.0 / se**2 + 1.0 / settings.prior_sd**2)
    steps = np.linspace(-2.1, 2.1, 15)
    weights = np.exp(-0.5 * steps**2)
    return np.maximum(middle + spread * steps, least), weights / weights.sum()


def repair_verdict(
    n: np.ndarray,
    y: np.ndarray,
    p: np.ndarray,
    rho: float,
    log_odds_ratio_before: float,
    se_before: float,
    settings: RepairsSection,
    first_look: int = 0,
    fault: PlateModel | None = None,
    accident_share: float = 0.0,
) -> RepairVerdict:
    """The verdict on the plates since a mend, in the order in which they became known.

    ``n`` parts with a known outcome, ``y`` failures, ``p`` expected failure probability of a part, each (plates,), of
    the finding's own failures (its sign, zone or band, where it has one). ``rho`` correlation of the parts of a plate
    that met no accident, ``accident_share`` the share of all failures that lost plates bring; ``fault`` both while the fault
    was there (default: the same). The effect before and its standard error as log odds ratio, NaN where unknown.
    Plates without parts are passed over. The first ``first_look`` plates were there before anybody was told of the
    finding: they are judged together.
    """
    n, y, p = (np.asarray(values, float) for values in (n, y, p))
    told = (n > 0.0) & np.isfinite(p)
    place = np.flatnonzero(told)
    first_look = int(told[:first_look].sum())
    n, y, p = n[told], y[told], p[told]
    before = shrunken(log_odds_ratio_before, se_before, settings)
    lower, upper = limits(settings.false_returned, settings.false_cleared)
    effects, weights = as_bad_as_before(log_odds_ratio_before, se_before, settings)
    sound = PlateModel(rho, accident_share)
    fault = fault or sound
    path = averaged_path(y, n, p, sound, fault, effects, weights)
    test = sequential(np.diff(path, prepend=0.0), lower, upper, first_look)
    after, low, high = effect_since(y, n, p, rho, 2.0 * settings.prior_sd)
    at = test.decided_at if test.decided_at >= 0 else len(n) - 1
    evidence = float(test.path[at]) if len(n) else 0.0
    steps = mean_steps(n[-30:], p[-30:], sound, fault, before) if len(n) else (np.nan, np.nan)
    held, not_held = _needed(steps, evidence, lower, upper) if test.decision == "open" else (0.0, 0.0)
    status: RepairStatus = {"open": "watching", "gone": "cleared", "there": "returned"}[test.decision]  # type: ignore[assignment]
    return RepairVerdict(
        status=status,
        plates=len(n),
        failures=int(y.sum()),
        expected=float((n * p).sum()),
        decided_plate=int(place[test.decided_at]) if test.decided_at >= 0 else -1,
        evidence=evidence,
        lower=lower,
        upper=upper,
        before=float(np.exp(before)),
        after=float(np.exp(after)),
        after_low=float(np.exp(low)),
        after_high=float(np.exp(high)),
        plates_needed_if_held=held,
        plates_needed_if_not=not_held,
    )


def _needed(steps: tuple[float, float], evidence: float, lower: float, upper: float) -> tuple[float, float]:
    """Plates still needed on average: the way to the limit over the mean step of plates like the last thirty.

    ``steps``: that mean step if the rate is back, and if it is as bad as before; NaN without plates.
    """
    back, bad = steps
    held = np.ceil((lower - evidence) / back) if back < 0.0 else np.nan
    not_held = np.ceil((upper - evidence) / bad) if bad > 0.0 else np.nan
    return float(np.maximum(held, 1.0)), float(np.maximum(not_held, 1.0))
