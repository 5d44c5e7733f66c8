"""The vocabulary of what is found: evidence of one night, and the findings that live from night to night."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

FindingKind = Literal[
    "rate_shift",
    "rate_level",
    "plate_pattern",
    "height_pattern",
    "cure_offset",
    "signal_shift",
    "odd_run",
    "wear",
]
SubjectType = Literal[
    "printer", "lot", "design", "file", "profile", "wash", "operator", "room", "family", "run", "farm"
]
Direction = Literal["up", "down", "over", "under"]
Status = Literal["open", "watching", "cleared", "returned", "faded"]
CheckState = Literal["clear", "flagged", "too_few", "failed"]

KINDS: tuple[FindingKind, ...] = get_args(FindingKind)
SUBJECT_TYPES: tuple[SubjectType, ...] = get_args(SubjectType)
# as people say them
SUBJECT_NAMES: dict[str, str] = {
    "printer": "printer",
    "lot": "lot",
    "design": "design",
    "file": "file",
    "profile": "settings profile",
    "wash": "wash station",
    "operator": "operator",
    "room": "room",
    "family": "printer family",
    "run": "run",
    "farm": "the whole farm",
}
# the column of a plate's row that names the subject; a design names parts, and the farm needs no name
PLATE_COLUMN: dict[str, str] = {
    "printer": "printer_id",
    "lot": "lot_id",
    "file": "file_id",
    "profile": "profile",
    "wash": "wash_id",
    "operator": "operator",
    "room": "room",
    "family": "family",
    "run": "run_id",
}
STATUSES: tuple[Status, ...] = get_args(Status)
ZONES = (
    "centre",
    "rim",
    "left",
    "right",
    "front",
    "back",
    "front_left",
    "front_right",
    "back_left",
    "back_right",
    "row",
    "column",
    "spot",
)
BANDS = ("base", "transition", "body", "height")


@dataclass(frozen=True, order=True)
class Subject:
    """Whom something is about."""

    type: SubjectType
    id: str

    @property
    def words(self) -> str:
        """``printer P07``; the farm is ``the whole farm``."""
        name = SUBJECT_NAMES[self.type]
        return name if self.type == "farm" else f"{name} {self.id}"


@dataclass(frozen=True)
class Evidence:
    """What one detector says of one subject on one night; field meanings are those of the published findings.

    ``score`` is the natural logarithm of the evidence over its limit (0 stands at the limit): it ranks findings of
    different kinds and is what explaining away compares. ``run_ids`` are the plates that carry the evidence, worst
    first or in time order. Undefined numbers are NaN.
    """

    kind: FindingKind
    subject: Subject
    since: dt.date
    since_low: dt.date
    since_high: dt.date
    observed: float
    expected: float
    opportunities: float
    unit: str
    effect: float
    effect_low: float
    effect_high: float
    effect_unit: str
    error_rate: float
    score: float
    direction: Direction
    sign: str | None = None
    zone: str | None = None
    band: str | None = None
    separable: bool = True
    rivals: tuple[Subject, ...] = ()
    detail: dict[str, Any] = field(default_factory=dict)
    run_ids: tuple[str, ...] = ()


@dataclass(frozen=True)
class Check:
    """Whether a detector could look at a subject. ``failed`` carries the error; ``too_few`` what was missing.

    A detector that looked at many subjects of one type without trouble may report them as one row with ``count``.
    """

    detector: str
    state: CheckState
    subject_type: SubjectType
    subject_id: str | None = None
    reason: str = ""
    count: int = 1


@dataclass(frozen=True)
class Cause:
    """A possible cause with its posterior probability, and what speaks for and against it, in plain words."""

    code: str
    probability: float
    evidence_for: tuple[str, ...] = ()
    evidence_against: tuple[str, ...] = ()


@dataclass(frozen=True)
class NextCheck:
    """A check worth doing: what to do, which causes it tells apart, its cost in hours of hands, its cautions.

    ``code`` names the check in the table of causes; ``means`` maps each possible result to what it would mean.
    """

    check: str
    tells_apart: tuple[str, ...]
    cost: float
    code: str = ""
    means: dict[str, str] = field(default_factory=dict)
    caution: str = ""


@dataclass(frozen=True)
class Finding:
    """Evidence with a name and a life: the same thing from night to night keeps its ``finding_id``."""

    finding_id: str
    evidence: Evidence
    first_flagged_on: dt.date
    last_seen_on: dt.date
    status: Status = "open"
    causes: tuple[Cause, ...] = ()
    next_checks: tuple[NextCheck, ...] = ()
    repair: dict[str, Any] = field(default_factory=dict)
