"""One fault is one finding: evidence of several detectors on one subject is drawn together.

The most telling kind speaks (where on the plate before how high, measured pieces before rates); the others stay beside
it under ``detail["also"]``. Evidence of different written signs, or of onsets far apart, is of different faults.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace

from farmwatch.evidence import Evidence, FindingKind, Subject

# which kind speaks for a fault that several detectors see
RANK: dict[FindingKind, int] = {
    "plate_pattern": 0,
    "height_pattern": 1,
    "cure_offset": 2,
    "wear": 3,
    "rate_level": 4,
    "rate_shift": 5,
    "signal_shift": 6,
    "odd_run": 7,
}
WIDE = ("lot", "profile", "wash", "operator", "room", "family", "farm")
NESTED = {"file", "design"}  # a file is its designs on a plate: trouble of the one shows as the other's
SHARED_PLATES = 0.6  # share of its plates from which a fault is another's
APART = dt.timedelta(days=14)  # onsets further apart than this, beyond their intervals, are two faults


def draw_together(evidence: Iterable[Evidence]) -> tuple[Evidence, ...]:
    """Merge what is of one fault; only evidence above its limit may speak, weaker evidence may stand beside it."""
    groups: list[list[Evidence]] = []
    for item in sorted(evidence, key=lambda e: (RANK[e.kind], -e.score)):
        home = next((group for group in groups if _one_fault(group[0], item)), None)
        if home is None:
            groups.append([item])
        else:
            home.append(item)
    spoken = sorted((_spoken(group) for group in groups), key=lambda e: -e.score)
    own = [item for place, item in enumerate(spoken) if not _of_others(item, spoken[:place])]
    told: list[Evidence] = []
    for item in own:
        place = next((place for place, other in enumerate(told) if _of_a_rival(item, other)), None)
        if place is None:
            told.append(item)
        elif item.subject != told[place].subject and told[place].subject in item.rivals:
            told[place] = _with_rivals(told[place], [item.subject])  # who stands aside is named
    return tuple(told)


def _with_rivals(item: Evidence, others: Iterable[Subject]) -> Evidence:
    rivals = tuple(dict.fromkeys([*item.rivals, *(subject for subject in others if subject != item.subject)]))
    return replace(item, rivals=rivals, separable=item.separable and not rivals)


def _of_others(item: Evidence, stronger: list[Evidence]) -> bool:
    """Whether a pattern of many machines is only what stronger evidence of narrower subjects adds up to.

    The rates explain each other away by themselves; where on the plate, how high and wear do not know of the rates.
    """
    if (
        item.kind not in ("plate_pattern", "height_pattern", "wear")
        or item.subject.type not in WIDE
        or not item.run_ids
    ):
        return False
    others = {run for other in stronger if other.subject != item.subject for run in other.run_ids}
    return len(others & set(item.run_ids)) >= SHARED_PLATES * len(item.run_ids)


def _of_a_rival(item: Evidence, other: Evidence) -> bool:
    """Whether ``other``, the stronger, from which the records cannot tell this subject, stands for the same plates."""
    return (
        (
            item.subject in other.rivals
            or other.subject in item.rivals
            or {item.subject.type, other.subject.type} == NESTED
        )
        and (item.direction == "down") == (other.direction == "down")
        and bool(item.run_ids)
        and len(set(item.run_ids) & set(other.run_ids)) >= SHARED_PLATES * min(len(item.run_ids), len(other.run_ids))
    )


def _one_fault(first: Evidence, second: Evidence) -> bool:
    if first.subject != second.subject or (first.direction == "down") != (second.direction == "down"):
        return False
    if "odd_run" in (first.kind, second.kind):
        return False
    if first.sign is not None and second.sign is not None and first.sign != second.sign:
        return False
    return first.since_low - APART <= second.since_high and second.since_low - APART <= first.since_high


def _as_counted(wear: Evidence, rate: Evidence) -> Evidence:
    return replace(
        wear,
        since=rate.since,
        since_low=rate.since_low,
        since_high=rate.since_high,
        observed=rate.observed,
        expected=rate.expected,
        opportunities=rate.opportunities,
        unit=rate.unit,
    )


def _spoken(group: list[Evidence]) -> Evidence:
    above = [item for item in group if item.score >= 0] or group
    first, others = above[0], [item for item in group if item is not above[0]]
    if first.kind == "wear":  # a counter says how worn, the rates of the same failures say since when and how many
        rates = (item for item in above if item.kind in ("rate_level", "rate_shift") and item.sign == first.sign)
        first = next((_as_counted(first, rate) for rate in rates), first)
    if not others:
        return first
    also = [
        {
            "kind": item.kind,
            "sign": item.sign,
            "other_signs": item.detail.get("other_signs", []),
            "since": item.since.isoformat(),
            "observed": item.observed,
            "expected": item.expected,
            "opportunities": item.opportunities,
            "unit": item.unit,
            "effect": item.effect,
            "effect_low": item.effect_low,
            "effect_high": item.effect_high,
            "effect_unit": item.effect_unit,
            "direction": item.direction,
            "error_rate": item.error_rate,
            "zone": item.zone,
            "band": item.band,
            "measure": item.detail.get("measure"),
        }
        for item in others
    ]
    sign = first.sign or next((item.sign for item in others if item.sign is not None), None)
    runs = tuple(dict.fromkeys([*first.run_ids, *(run for item in others for run in item.run_ids)]))
    first = _with_rivals(first, [rival for item in above for rival in item.rivals])
    return replace(
        first,
        sign=sign,
        score=max(item.score for item in group),
        detail={**first.detail, "also": also},
        run_ids=runs,
    )
