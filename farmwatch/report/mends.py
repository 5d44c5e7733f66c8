"""What was done about findings, and whether it held: the ledger of mends with the effect and its interval."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from farmwatch.causes.repairs import BEYOND_COUNTING
from farmwatch.evidence import Finding
from farmwatch.report import words
from farmwatch.report.headlines import headline


@dataclass(frozen=True)
class LedgerRow:
    """A finding of the past that something happened to.

    ``plates``, ``failed`` and ``expected`` since the mend; ``before`` and ``after`` are odds of failing against
    expected, ``before`` drawn towards 1 because it was picked at its worst, ``after`` with a 95 % interval. NaN where
    nothing was done, or no plate has come since.
    """

    finding_id: str
    status: str
    status_words: str
    headline: str
    dates: str
    repair: str
    done: str
    plates: float
    failed: float
    expected: float
    before: float
    after: float
    after_low: float
    after_high: float
    effect: str


def numbers_of(repair: Mapping[str, Any]) -> dict[str, float]:
    return {name: float(value) for name, value in repair.items() if isinstance(value, int | float)}


def done_words(repair: Mapping[str, Any]) -> str:
    """``Film changed on 5 Mar 2031``; empty where nothing is known to have been done."""
    if not isinstance(repair.get("action"), str):
        return ""
    day = repair.get("on")
    when = f" on {words.date(day)}" if isinstance(day, dt.date) else ""
    return words.sentence(f"{words.action(repair['action'])}{when}")


def effect_words(repair: Mapping[str, Any]) -> str:
    """The effect before and since the mend, with the interval; empty where no plate has come since."""
    told = numbers_of(repair)
    before, after, low, high = (told.get(name, math.nan) for name in ("before", "after", "after_low", "after_high"))
    if not math.isfinite(before + after + low + high):
        return ""
    said = [words.number_text(value, 2) for value in (before, after, low, high)]
    return f"{said[0]} times before, {said[1]} times since (95 % interval {said[2]} to {said[3]})"


def repair_words(finding: Finding) -> tuple[str, ...]:
    """What was done, what the plates since then say, and how many more it takes to be sure."""
    repair = finding.repair
    out = []
    done, numbers = done_words(repair), numbers_of(repair)
    if done:
        out.append(f"{done}.")
    plates, failed, expected = (numbers.get(name, math.nan) for name in ("plates", "failures", "expected"))
    if math.isfinite(plates + failed + expected):
        due = words.number_text(round(expected, 1)) if expected >= 0.05 else "hardly any"
        out.append(
            f"{words.count(plates, 'plate')} since: {words.number_text(failed)} failed of its sort, {due} were expected."
        )
    if math.isfinite(numbers.get("after", math.nan)):
        out.append(f"Odds of failing against expected: {effect_words(repair)}.")
    held, broken = (numbers.get(name, math.nan) for name in ("plates_needed_if_held", "plates_needed_if_not"))
    more = max((number for number in (held, broken) if math.isfinite(number)), default=0.0)
    if finding.status == "watching" and more > BEYOND_COUNTING:
        out.append("So few such failures are expected that counting plates will hardly tell whether it held.")
    elif finding.status == "watching" and more > 0:
        out.append(f"About {words.count(math.ceil(more), 'more plate')} will tell whether it held.")
    return tuple(out)


def ledger_of(findings: Sequence[Finding]) -> tuple[LedgerRow, ...]:
    """Findings that something happened to: returned, watched, mended, faded; the latest seen first."""
    order = ("returned", "watching", "cleared", "faded")
    rows = [finding for finding in findings if finding.status in order]
    rows.sort(key=lambda f: (order.index(f.status), -f.last_seen_on.toordinal(), f.finding_id))
    return tuple(ledger_row(finding) for finding in rows)


def ledger_row(finding: Finding) -> LedgerRow:
    """One finding as a row of the ledger of mends."""
    told = numbers_of(finding.repair)
    plates, failed, expected, before, after, low, high = (
        told.get(name, math.nan)
        for name in ("plates", "failures", "expected", "before", "after", "after_low", "after_high")
    )
    return LedgerRow(
        finding_id=finding.finding_id,
        status=finding.status,
        status_words=words.STATUS_WORDS[finding.status],
        headline=headline(finding.evidence),
        dates=f"flagged {words.date(finding.first_flagged_on)}, last seen {words.date(finding.last_seen_on)}",
        repair=" ".join(repair_words(finding)),
        done=done_words(finding.repair),
        plates=plates,
        failed=failed,
        expected=expected,
        before=before,
        after=after,
        after_low=low,
        after_high=high,
        effect=effect_words(finding.repair),
    )
