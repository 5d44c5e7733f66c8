"""The weekly report as Markdown, and as JSON, from the same contents as the page."""

from __future__ import annotations

import dataclasses
import html
import json
import re
from typing import Any

from farmwatch.causes.questions import percent
from farmwatch.report import words
from farmwatch.report.contents import WeeklyContents
from farmwatch.report.finding_part import FindingPart
from farmwatch.report.page import clean, ratio_words
from farmwatch.report.room import RoomPart
from farmwatch.report.subjects import SubjectRow
from farmwatch.report.text import plain


def safe(text: str) -> str:
    """Record text that stays text: HTML escaped, Markdown's own marks escaped, on one line."""
    one_line = " ".join(clean(text).split())
    return re.sub(r"([\\`*_\[\]#|!~$])", r"\\\1", html.escape(one_line, quote=False))


def markdown_page(contents: WeeklyContents) -> str:
    """The report as Markdown without pictures: their alternative texts stand in their place."""
    c = contents
    out = [f"# {safe(c.farm)}, week {c.week}", ""]
    out += [
        f"{words.date(c.first_day)} to {words.date(c.last_day)}, as known at the end of {words.date(c.known_until)}"
    ]
    out += ["", safe(c.sentence), *(["", safe(c.unchecked)] if c.unchecked else [])]
    out += ["", "## Needs a hand this week", ""]
    for place, part in enumerate(c.needs_hand, 1):
        first = f" {safe(part.first_step)}" if part.first_step else ""
        out.append(f"{place}. **{safe(part.headline)}** {safe(words.sentence(part.lost_words))}.{first}")
    if c.needs_hand:
        out += ["", f"Before you do any of this: {safe(c.beware)}"]
    else:
        out.append("Nothing. No finding waits for somebody.")
    if c.not_checked:
        out += ["", "## Not checked", "", *(f"- {safe(row.text)}" for row in c.not_checked)]
    out += ["", safe(c.checked)] if c.checked != c.unchecked else []
    for title, parts in (
        ("New this week", c.new),
        ("Going on", c.going_on),
        ("Better than expected", c.better),
        ("Odd runs, for the record", c.notes),
    ):
        if parts:
            out += ["", f"## {title}"]
            for part in parts:
                out += _part(part)
    if c.ledger:
        out += ["", "## Mended, watched, gone", ""]
        out += _table(
            ("Finding", "Verdict", "What it was", "When", "What was done, and what came of it"),
            [(r.finding_id, r.status_words, r.headline, r.dates, r.repair or "nothing recorded") for r in c.ledger],
        )
    out += ["", "## The room", "", *(f"- {safe(line)}" for line in c.room.lines)]
    out += [f"- {safe(picture.alt)}" for picture in c.room.daily]
    if c.room.mix:
        out += ["", *_mix(c.room)]
    for title, rows in (("Printer", c.printers), ("Lot", c.lots)):
        if rows:
            out += ["", f"## Every {title.lower()}", "", *_subjects(title, rows, c.unit)]
    if c.printers or c.lots:
        out += ["", safe(c.expected_means)]
    out += ["", "## Before you touch anything", "", *(f"- {safe(line)}" for line in c.safety), ""]
    return "\n".join(out)


def _part(part: FindingPart) -> list[str]:
    out = ["", f"### {safe(part.headline)}", "", f"{safe(part.finding_id)}: {safe(part.status_words)}.", ""]
    out += [f"- {question}: {safe(answer)}" for question, answer in part.five]
    out += [f"- {safe(line)}" for line in (*part.repair, part.rivals, *part.numbers) if line]
    out += [f"- Picture: {safe(picture.alt)}" for picture in part.pictures]
    if part.causes:
        out += ["", "What may be behind it:", ""]
        out += [f"- {percent(cause.probability)} {safe(cause.name)} ({cause.likelihood})" for cause in part.causes]
    if part.mend:
        out += ["", f"{part.mend_lead}: {safe(part.mend)}"]
    if part.caution:
        out += ["", f"Before you do any of this: {safe(part.caution)}"]
    if part.checks:
        out += ["", f"{part.checks_lead}:", ""]
        for place, check in enumerate(part.checks, 1):
            how = f" {safe(check.how)}" if check.how else ""
            out.append(f"{place}. {safe(check.check)} ({safe(check.cost)}).{how}")
    return out


def _subjects(title: str, rows: tuple[SubjectRow, ...], unit: str) -> list[str]:
    heads = (title, "Plates", words.sentence(unit), "Failed", "Expected", "Over expected, 12 weeks", "Findings")
    return _table(
        heads,
        [
            (
                row.subject_id,
                str(row.plates),
                str(row.chances),
                str(row.failed),
                f"{row.expected:.1f}",
                ratio_words(row),
                ", ".join(row.finding_ids),
            )
            for row in rows
        ],
    )


def _mix(room: RoomPart) -> list[str]:
    heads = (words.sentence(room.mix_title), "Plates this week", "Share this week", "Share in the weeks before")
    return _table(
        heads, [(row.name, str(row.plates), f"{row.share:.0f} %", f"{row.share_before:.0f} %") for row in room.mix]
    )


def _table(heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> list[str]:
    lines = [f"| {' | '.join(heads)} |", f"|{'---|' * len(heads)}"]
    return lines + [f"| {' | '.join(safe(cell) for cell in row)} |" for row in rows]


def contents_dict(contents: WeeklyContents) -> dict[str, Any]:
    """The contents as plain values; each picture says its type."""
    out = _tree(contents)
    assert isinstance(out, dict)
    return out


def _tree(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        named = {item.name: _tree(getattr(value, item.name)) for item in dataclasses.fields(value)}
        return {"picture": type(value).__name__, **named} if "alt" in named else named
    if isinstance(value, list | tuple):
        return [_tree(item) for item in value]
    return plain(value)


def json_page(contents: WeeklyContents) -> str:
    """The contents as one JSON document."""
    return json.dumps(contents_dict(contents), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
