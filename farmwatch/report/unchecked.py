"""What was not checked, in words: the report's first lines."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from farmwatch.evidence import SUBJECT_NAMES, Check
from farmwatch.report import words

DETECTOR_WORDS = {
    "expected": "what is to be expected",
    "rates": "failure rates",
    "rate_shift": "failure rates",
    "rate_level": "failure rates",
    "plate_pattern": "patterns on the plate",
    "height_pattern": "failure heights",
    "cure_offset": "measured pieces",
    "signal_shift": "measures run by run",
    "odd_run": "odd runs",
    "wear": "wear",
}
NAMED = 6


@dataclass(frozen=True)
class NotChecked:
    """``failed`` tells a broken check from one with too little to go on. ``subjects`` names up to six of them."""

    what: str
    why: str
    failed: bool
    count: int
    subjects: tuple[str, ...]

    @property
    def text(self) -> str:
        names = words.listed(self.subjects) if self.subjects else ""
        more = self.count - len(self.subjects)
        if names and more > 0:
            names = f"{', '.join(self.subjects)} and {more} more"
        verb = "could not be checked" if self.failed else "too little to go on"
        return f"{words.sentence(self.what)}{': ' + names if names else ''}: {verb}{' (' + self.why + ')' if self.why else ''}"


def in_short(rows: Sequence[NotChecked], most: int = 3) -> str:
    """One line for the head of the report; empty where everything was looked at."""
    if not rows:
        return ""
    more = len(rows) - most
    named = [row.what for row in rows[:most]] + ([f"and {more} more"] if more > 0 else [])
    return f"Not checked: {'; '.join(named)}."


def without_plates(checks: Sequence[Check]) -> tuple[NotChecked, ...]:
    """The rows of :func:`not_checked` on a farm of which no plate is known: one for all that is too thin."""
    broken = tuple(row for row in not_checked(checks) if row.failed)
    nothing = NotChecked("everything", "no plate is known by then", failed=False, count=1, subjects=())
    return (*broken, nothing) if any(check.state == "too_few" for check in checks) else broken


def not_checked(checks: Sequence[Check]) -> tuple[NotChecked, ...]:
    """One row for each detector, subject type and reason; broken checks before thin records, large before small."""
    groups: dict[tuple[bool, str, str, str], list[Check]] = {}
    for check in checks:
        if check.state in ("failed", "too_few"):
            key = (check.state == "failed", check.detector, check.subject_type, check.reason)
            groups.setdefault(key, []).append(check)
    rows = []
    for (failed, detector, subject_type, reason), members in groups.items():
        names = [check.subject_id for check in members if check.subject_id is not None]
        total = sum(check.count for check in members)
        kind = SUBJECT_NAMES.get(subject_type, subject_type)
        whom = kind if subject_type == "farm" else words.count(total, kind)
        look, why = DETECTOR_WORDS.get(detector, words.phrase(detector)), reason
        counter, _, rest = reason.partition(": ")
        if detector == "wear" and counter in words.COUNTER_WORDS:  # of several counters one may be looked at, one not
            look, why = f"{look} by {words.phrase(counter)}", rest
        rows.append(
            NotChecked(
                what=f"{look} of {whom}",
                why=re.sub(r"\b[a-z]+(?:_[a-z0-9]+)+\b", lambda match: words.phrase(match[0]), why),
                failed=failed,
                count=total,
                subjects=() if subject_type == "farm" else tuple(sorted(names)[:NAMED]),
            )
        )
    return tuple(sorted(rows, key=lambda row: (not row.failed, -row.count, row.what, row.why)))
