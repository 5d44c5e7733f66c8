"""A finding in the words of the report, as far as they need no fit: first words, causes, checks with their cautions."""

from __future__ import annotations

from dataclasses import dataclass

from farmwatch.causes.pattern import Entered
from farmwatch.causes.questions import percent
from farmwatch.causes.table import CauseTable
from farmwatch.evidence import Finding, NextCheck
from farmwatch.report import cautions, words
from farmwatch.report.headlines import five_answers, headline, rivals

CAUSES_SHOWN = 4


@dataclass(frozen=True)
class CauseWords:
    """A likely cause: its name, its chance in per cent and that chance in a word."""

    name: str
    chance: str
    likelihood: str


@dataclass(frozen=True)
class CheckWords:
    """A next check. ``results``: code, words and meaning of each that can be entered; none for a check without a code."""

    code: str
    check: str
    how: str
    cost: str
    caution: str
    results: tuple[tuple[str, str, str], ...]
    entered: str


@dataclass(frozen=True)
class FindingWords:
    """A finding as the desk shows it; every field is words."""

    finding_id: str
    headline: str
    status: str
    since: str
    five: tuple[tuple[str, str], ...]
    rivals: str
    causes: tuple[CauseWords, ...]
    checks_lead: str
    checks: tuple[CheckWords, ...]


def told(finding: Finding, table: CauseTable, entered: tuple[Entered, ...] = ()) -> FindingWords:
    """The finding in words; ``entered``: results that people entered so far."""
    causes = sorted(finding.causes, key=lambda cause: -cause.probability)[:CAUSES_SHOWN]
    latest = {each.check: each for each in entered}
    return FindingWords(
        finding.finding_id,
        headline(finding.evidence),
        words.STATUS_WORDS[finding.status],
        f"first flagged {words.date(finding.first_flagged_on)}, last seen {words.date(finding.last_seen_on)}",
        five_answers(finding.evidence),
        rivals(finding.evidence),
        tuple(
            CauseWords(words.cause(cause.code, table), percent(cause.probability), words.likelihood(cause.probability))
            for cause in causes
        ),
        "Checks if it comes back" if finding.status == "watching" else "Next checks",
        tuple(_check(check, table, latest.get(check.code)) for check in finding.next_checks),
    )


def _check(check: NextCheck, table: CauseTable, entered: Entered | None) -> CheckWords:
    known = table.checks[check.code].results if check.code in table.checks else {}
    title, _, how = check.check.partition(". ")
    return CheckWords(
        check.code,
        title.removesuffix("."),
        how,
        words.hours(check.cost),
        cautions.caution_of(check),
        tuple((code, words.phrase(code), check.means.get(code, seen)) for code, seen in known.items()),
        f"{words.phrase(entered.result)}, entered {words.date(entered.on)}" if entered and entered.on else "",
    )
