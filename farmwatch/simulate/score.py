"""How well findings tell the planted truth: hits, delays, false findings, right subject, place, height, sign, cause.

A finding *speaks of* a fault when it names the fault's subject (or one that is as right), was first flagged while the
fault lasted or within ``GRACE_DAYS`` after its mend, and not before its first plate. Everything else is a false
finding, the right fault under a wrong name included: who is sent to the wrong printer has been told something false.

All functions are pure. Shares and means over nothing are NaN; each says over what.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import mean, median
from typing import Any

from farmwatch.evidence import Cause, Evidence, Finding, Subject
from farmwatch.simulate.spec import PlantedFault

GRACE_DAYS = 7
NIGHTS_A_MONTH = 30.0


def speaks_of(finding: Finding, fault: PlantedFault) -> bool:
    """Whether the finding names the fault's subject in its time. Never of a fault without a single plate."""
    if fault.first_plate_on is None:
        return False
    if finding.evidence.subject != fault.subject and finding.evidence.subject not in fault.also:
        return False
    last = fault.until + dt.timedelta(days=GRACE_DAYS) if fault.until is not None else dt.date.max
    return fault.first_plate_on <= finding.first_flagged_on <= last


def hits(findings: Sequence[Finding], fault: PlantedFault) -> list[Finding]:
    """Findings that speak of the fault and are of a kind that the fault shows in, earliest first."""
    right = [f for f in findings if speaks_of(f, fault) and f.evidence.kind in fault.kinds]
    return sorted(right, key=lambda f: (f.first_flagged_on, f.finding_id))


def is_hit(findings: Sequence[Finding], fault: PlantedFault, within_days: int | None = None) -> bool:
    """Whether the fault was found, within so many days of its first plate if that is asked."""
    days = delay_days(findings, fault)
    return not math.isnan(days) and (within_days is None or days <= within_days)


def delay_days(findings: Sequence[Finding], fault: PlantedFault) -> float:
    """Nights from the fault's first plate to its first hit; 0 is the same night. NaN: not found."""
    found = hits(findings, fault)
    if not found or fault.first_plate_on is None:
        return math.nan
    return float((found[0].first_flagged_on - fault.first_plate_on).days)


def hit_rate(findings: Sequence[Finding], truth: Sequence[PlantedFault], within_days: int | None = None) -> float:
    """Share of the faults that had plates which were found. NaN: no fault had a plate."""
    there = [fault for fault in truth if fault.first_plate_on is not None]
    return _share(is_hit(findings, fault, within_days) for fault in there)


def median_delay_days(findings: Sequence[Finding], truth: Sequence[PlantedFault]) -> float:
    """Median delay over the faults that had plates, a fault not found counting as infinite. NaN: no such fault."""
    delays = [delay_days(findings, fault) for fault in truth if fault.first_plate_on is not None]
    return median(math.inf if math.isnan(days) else days for days in delays) if delays else math.nan


def false_findings(findings: Sequence[Finding], truth: Sequence[PlantedFault]) -> list[Finding]:
    """Findings that speak of no fault."""
    return [f for f in findings if not any(speaks_of(f, fault) for fault in truth)]


def false_findings_per_month(findings: Sequence[Finding], truth: Sequence[PlantedFault], nights: int) -> float:
    """False findings per 30 nights watched. NaN: no night was watched."""
    return NIGHTS_A_MONTH * len(false_findings(findings, truth)) / nights if nights > 0 else math.nan


def findings_per_fault(findings: Sequence[Finding], truth: Sequence[PlantedFault]) -> float:
    """Mean number of findings that speak of a fault, over found faults: 1 is one story for one fault. NaN: none found."""
    counts = [sum(speaks_of(f, fault) for f in findings) for fault in truth if is_hit(findings, fault)]
    return mean(counts) if counts else math.nan


def right_zone(finding: Finding, fault: PlantedFault) -> float:
    """1 or 0: whether the zone is one of the fault's. NaN: not a plate pattern, or the fault has no zone.

    A spot is right where its centre is within the spot's radius and 10 mm of the true one.
    """
    evidence = finding.evidence
    if evidence.kind != "plate_pattern" or not fault.zones:
        return math.nan
    if evidence.zone not in fault.zones:
        return 0.0
    if evidence.zone == "spot" and {"x_mm", "y_mm"} <= set(fault.detail) and {"x_mm", "y_mm"} <= set(evidence.detail):
        off = math.dist(
            (fault.detail["x_mm"], fault.detail["y_mm"]), (evidence.detail["x_mm"], evidence.detail["y_mm"])
        )
        return float(off <= float(fault.detail.get("radius_mm", 10.0)) + 10.0)
    return 1.0


def right_band(finding: Finding, fault: PlantedFault) -> float:
    """1 or 0: whether the height is the fault's. NaN: not a height pattern, or the fault has no height.

    A band ``height`` has to hold the true height where the truth knows one.
    """
    evidence = finding.evidence
    if evidence.kind != "height_pattern" or not fault.bands:
        return math.nan
    if evidence.band not in fault.bands:
        return 0.0
    true = fault.detail.get("height_mm", fault.detail.get("from_mm"))
    if evidence.band == "height" and true is not None and {"from_mm", "to_mm"} <= set(evidence.detail):
        return float(evidence.detail["from_mm"] - 1.0 <= true <= evidence.detail["to_mm"] + 1.0)
    return 1.0


def right_sign(finding: Finding, fault: PlantedFault) -> float:
    """1 or 0: whether the sign is one of the fault's. NaN: the finding is of every sign, or the fault has none."""
    if finding.evidence.sign is None or not fault.signs:
        return math.nan
    return float(finding.evidence.sign in fault.signs)


def onset_covered(finding: Finding, fault: PlantedFault) -> float:
    """1 or 0: whether the interval of ``since`` holds the first plate's day. NaN: no plate."""
    if fault.first_plate_on is None:
        return math.nan
    return float(finding.evidence.since_low <= fault.first_plate_on <= finding.evidence.since_high)


def cause_rank(finding: Finding, fault: PlantedFault) -> float:
    """Place of the true cause among the finding's causes, 1 is first. NaN: no causes given; infinite: not among them."""
    if not finding.causes:
        return math.nan
    codes = [cause.code for cause in finding.causes]
    return float(codes.index(fault.cause) + 1) if fault.cause in codes else math.inf


@dataclass(frozen=True)
class Score:
    """A farm's findings beside its truth. Shares of something that was never said are NaN."""

    faults: int
    found: int
    hit_rate: float
    median_delay_days: float
    findings: int
    false_findings: int
    false_per_month: float
    findings_per_fault: float
    zone_right: float
    band_right: float
    sign_right: float
    onset_covered: float
    cause_first: float
    cause_in_three: float


def score(findings: Sequence[Finding], truth: Sequence[PlantedFault], nights: int) -> Score:
    """All of it at once. ``nights``: how many nights were watched."""
    pairs = [(f, fault) for fault in truth for f in hits(findings, fault)]
    first = [(hits(findings, fault)[0], fault) for fault in truth if is_hit(findings, fault)]
    ranks = [rank for pair in first if not math.isnan(rank := cause_rank(*pair))]
    there = [fault for fault in truth if fault.first_plate_on is not None]
    return Score(
        faults=len(there),
        found=len(first),
        hit_rate=hit_rate(findings, truth),
        median_delay_days=median_delay_days(findings, truth),
        findings=len(findings),
        false_findings=len(false_findings(findings, truth)),
        false_per_month=false_findings_per_month(findings, truth, nights),
        findings_per_fault=findings_per_fault(findings, truth),
        zone_right=_mean_known(right_zone(*pair) for pair in pairs),
        band_right=_mean_known(right_band(*pair) for pair in pairs),
        sign_right=_mean_known(right_sign(*pair) for pair in pairs),
        onset_covered=_mean_known(onset_covered(*pair) for pair in first),
        cause_first=_share(rank <= 1 for rank in ranks),
        cause_in_three=_share(rank <= 3 for rank in ranks),
    )


def _share(answers: Iterable[bool]) -> float:
    known = list(answers)
    return sum(known) / len(known) if known else math.nan


def _mean_known(values: Iterable[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return mean(known) if known else math.nan


def finding_from_row(row: Mapping[str, Any]) -> Finding:
    """A finding as ``findings --json`` and ``replay --json`` print it. Raises ``KeyError`` on a missing field."""

    def number(name: str) -> float:
        value = row.get(name)
        return math.nan if value is None else float(value)

    def day(name: str) -> dt.date:
        return dt.date.fromisoformat(str(row[name])[:10])

    evidence = Evidence(
        kind=row["kind"],
        subject=Subject(row["subject_type"], row["subject_id"]),
        since=day("since"),
        since_low=day("since_low"),
        since_high=day("since_high"),
        observed=number("observed"),
        expected=number("expected"),
        opportunities=number("opportunities"),
        unit=str(row.get("unit", "")),
        effect=number("effect"),
        effect_low=number("effect_low"),
        effect_high=number("effect_high"),
        effect_unit=str(row.get("effect_unit", "")),
        error_rate=number("error_rate"),
        score=number("score"),
        direction=row["direction"],
        sign=row.get("sign"),
        zone=row.get("zone"),
        band=row.get("band"),
        separable=bool(row.get("separable", True)),
        rivals=tuple(Subject(r["subject_type"], r["subject_id"]) for r in row.get("rivals") or ()),
        detail=dict(row.get("detail") or {}),
    )
    return Finding(
        finding_id=str(row["finding_id"]),
        evidence=evidence,
        first_flagged_on=day("first_flagged_on"),
        last_seen_on=day("last_seen_on"),
        status=row["status"],
        causes=tuple(Cause(c["code"], float(c["probability"])) for c in row.get("causes") or ()),
    )
