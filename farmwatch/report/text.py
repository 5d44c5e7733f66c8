"""Findings for a terminal and as JSON."""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from farmwatch.evidence import Finding, Subject
from farmwatch.report.headlines import headline

WIDTH = 100


def to_json(findings: Iterable[Finding], at_first_flag: Mapping[str, Finding] | None = None) -> list[dict[str, Any]]:
    """The published form of findings: plain values only, dates as ``YYYY-MM-DD``, undefined numbers as None.

    With ``at_first_flag`` (by finding id) each object also carries what it said on the night of its first flag.
    """
    out = []
    for finding in findings:
        published = _published(finding)
        if at_first_flag is not None:
            first = at_first_flag.get(finding.finding_id)
            published["at_first_flag"] = None if first is None else _published(first)
        out.append(published)
    return out


def _published(finding: Finding) -> dict[str, Any]:
    evidence = finding.evidence
    own = {
        "finding_id": finding.finding_id,
        "kind": evidence.kind,
        "subject_type": evidence.subject.type,
        "subject_id": evidence.subject.id,
        "sign": evidence.sign,
        "zone": evidence.zone,
        "band": evidence.band,
        "direction": evidence.direction,
        "since": evidence.since,
        "since_low": evidence.since_low,
        "since_high": evidence.since_high,
        "first_flagged_on": finding.first_flagged_on,
        "last_seen_on": finding.last_seen_on,
        "observed": evidence.observed,
        "expected": evidence.expected,
        "opportunities": evidence.opportunities,
        "unit": evidence.unit,
        "effect": evidence.effect,
        "effect_low": evidence.effect_low,
        "effect_high": evidence.effect_high,
        "effect_unit": evidence.effect_unit,
        "error_rate": evidence.error_rate,
        "separable": evidence.separable,
        "rivals": evidence.rivals,
        "causes": [
            {
                "code": cause.code,
                "probability": cause.probability,
                "evidence_for": cause.evidence_for,
                "evidence_against": cause.evidence_against,
            }
            for cause in finding.causes
        ],
        "next_checks": [
            {
                "check": check.check,
                "tells_apart": check.tells_apart,
                "cost": check.cost,
                "code": check.code,
                "means": check.means,
                "caution": check.caution,
            }
            for check in finding.next_checks
        ],
        "status": finding.status,
        "detail": evidence.detail,
        "run_ids": evidence.run_ids,
        "repair": finding.repair,
        "headline": headline(evidence),
    }
    return {name: plain(value) for name, value in own.items()}


def plain(value: Any) -> Any:
    """Only what JSON has: dates and times as text, subjects as objects, numbers of NumPy as numbers, NaN as None."""
    if isinstance(value, Subject):
        return {"subject_type": value.type, "subject_id": value.id}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item) for item in value]
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, dt.date):
        return value.isoformat() if value == value else None
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return str(value)


def printable(text: str) -> str:
    """Record text that may go to a terminal: without control characters, escapes and marks that turn its direction."""
    return "".join(
        char if unicodedata.category(char)[0] not in "CZ" or char == " " else " " if char.isspace() else "�"
        for char in text
    )


def cells(text: str) -> int:
    """Terminal columns that a text takes; letters of East Asian scripts take two, combining marks none."""
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1 for char in text
    )


def _wrap(text: str, width: int) -> list[str]:
    """Lines of at most ``width`` terminal columns, broken between words, within a word only where it is too long."""
    lines: list[str] = []
    line = ""
    for word in text.split(" "):
        while cells(word) > width:
            if line:
                lines.append(line)
                line = ""
            size = next(i for i in range(len(word), 0, -1) if cells(word[:i]) <= width)
            lines.append(word[:size])
            word = word[size:]
        candidate = f"{line} {word}" if line else word
        if cells(candidate) <= width:
            line = candidate
        else:
            lines.append(line)
            line = word
    return [*lines, line]


def pad(text: str, width: int) -> str:
    return text + " " * max(width - cells(text), 0)


def findings_table(findings: Sequence[Finding], width: int = WIDTH) -> str:
    """One row a finding, at most ``width`` columns wide: its id, its state, when it began, what it is."""
    if not findings:
        return "No findings."
    heads = ("finding", "state", "since", "first flagged")
    table = [
        (
            printable(finding.finding_id),
            finding.status,
            finding.evidence.since.isoformat(),
            finding.first_flagged_on.isoformat(),
        )
        for finding in findings
    ]
    sizes = [min(max(cells(row[i]) for row in (heads, *table)), 24) for i in range(len(heads))]
    left = sum(sizes) + 2 * len(sizes)
    lines = ["  ".join([*(pad(head, size) for head, size in zip(heads, sizes, strict=True)), "what"])]
    for row, finding in zip(table, findings, strict=True):
        columns = [_wrap(cell, size) for cell, size in zip(row, sizes, strict=True)]
        columns.append(_wrap(printable(headline(finding.evidence)), max(width - left, 20)))
        for i in range(max(len(column) for column in columns)):
            parts = [column[i] if i < len(column) else "" for column in columns]
            padded = [pad(part, size) for part, size in zip(parts, sizes, strict=False)]
            lines.append("  ".join([*padded, parts[-1]]).rstrip())
    return "\n".join(lines)
