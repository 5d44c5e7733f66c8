"""One finding as a reader meets it: its words, numbers, losses, causes, next checks and pictures."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from farmwatch.evidence import Cause, Finding
from farmwatch.report import cautions, words
from farmwatch.report.frames import Frames
from farmwatch.report.headlines import five_answers, headline, numbers, rivals, shared_plates
from farmwatch.report.mends import repair_words
from farmwatch.report.pictures import Picture
from farmwatch.report.showing import pictures_of
from farmwatch.report.week import Week

if TYPE_CHECKING:
    from farmwatch.causes.table import CauseTable

CAUSES_SHOWN = 4
CHECKS_SHOWN = 3
SURE_ENOUGH = 0.5  # a cause at least this likely is told with what mends it


@dataclass(frozen=True)
class CausePart:
    code: str
    name: str
    probability: float
    likelihood: str
    evidence_for: tuple[str, ...]
    evidence_against: tuple[str, ...]


@dataclass(frozen=True)
class CheckPart:
    """A next check: what to do in short and in full, what it tells apart, what each result means, what to beware of."""

    check: str
    how: str
    tells_apart: tuple[str, ...]
    cost: str
    means: tuple[tuple[str, str], ...]
    caution: str


@dataclass(frozen=True)
class FindingPart:
    """One finding as a reader meets it. ``lost`` is failures above expected in the week, in the farm's unit."""

    finding_id: str
    kind: str
    subject_type: str
    subject_id: str
    status: str
    status_words: str
    headline: str
    five: tuple[tuple[str, str], ...]
    numbers: tuple[str, ...]
    rivals: str
    lost: float
    lost_words: str
    causes: tuple[CausePart, ...]
    other_causes: float
    mend: str
    mend_lead: str
    first_step: str
    checks_lead: str
    checks: tuple[CheckPart, ...]
    caution: str
    repair: tuple[str, ...]
    first_flagged: str
    last_seen: str
    pictures: tuple[Picture, ...]


def finding_part(
    finding: Finding,
    frames: Frames,
    week: Week,
    until: dt.date,
    table: CauseTable | None = None,
    beside: Sequence[Finding] = (),
) -> FindingPart:
    """One finding in words, with the contents of its pictures. ``beside``: the findings with which it shares losses."""
    evidence = finding.evidence
    lost = lost_in_week(finding, frames, week, until, beside)
    causes = sorted(finding.causes, key=lambda cause: -cause.probability)
    figures = numbers(evidence)
    sure = bool(causes) and causes[0].probability >= SURE_ENOUGH
    watched = finding.status == "watching"
    mend, beware = words.mend(causes[0].code, table) if sure else ("", "")
    return FindingPart(
        finding_id=finding.finding_id,
        kind=evidence.kind,
        subject_type=evidence.subject.type,
        subject_id=evidence.subject.id,
        status=finding.status,
        status_words=words.STATUS_WORDS[finding.status],
        headline=headline(evidence),
        five=five_answers(evidence),
        numbers=(*figures[:1], *shared_plates(evidence, frames), *figures[1:]),
        rivals=rivals(evidence),
        lost=lost,
        lost_words=lost_words(lost, frames.unit),
        causes=tuple(cause_part(cause, table) for cause in causes[:CAUSES_SHOWN]),
        other_causes=float(sum(cause.probability for cause in causes[CAUSES_SHOWN:])),
        mend=mend,
        mend_lead="If it comes back, and is the first" if watched else "If it is the first",
        first_step=first_step(finding, mend),
        checks_lead="What to check if it comes back" if watched else "What to check next",
        checks=tuple(
            CheckPart(
                check=_short(check.check),
                how=check.check.partition(". ")[2],
                tells_apart=tuple(words.cause(code, table) for code in check.tells_apart),
                cost=words.hours(check.cost),
                means=tuple((words.phrase(result), meaning) for result, meaning in check.means.items()),
                caution=cautions.caution_of(check),
            )
            for check in finding.next_checks[:CHECKS_SHOWN]
        ),
        caution=cautions.together(
            [*(cautions.caution_of(check) for check in finding.next_checks[:CHECKS_SHOWN]), beware]
        ),
        repair=repair_words(finding),
        first_flagged=words.date(finding.first_flagged_on),
        last_seen=words.date(finding.last_seen_on),
        pictures=pictures_of(evidence, frames, until),
    )


def first_step(finding: Finding, mend: str) -> str:
    """What to do first: the best check, or the mend where no check is worth its time; empty where neither is known."""
    if finding.next_checks:
        best = finding.next_checks[0]
        return f"First check: {_short(best.check)} ({words.hours(best.cost)})."
    return f"First: {words.sentence(mend)}" if mend else ""


def _short(check: str) -> str:
    return check.partition(". ")[0].removesuffix(".")


def cause_part(cause: Cause, table: CauseTable | None) -> CausePart:
    return CausePart(
        code=cause.code,
        name=words.cause(cause.code, table),
        probability=cause.probability,
        likelihood=words.likelihood(cause.probability),
        evidence_for=cause.evidence_for,
        evidence_against=cause.evidence_against,
    )


def got_better(finding: Finding) -> bool:
    """Whether the finding is of failures that became fewer; a measure that fell is no such thing."""
    return finding.evidence.direction == "down" and finding.evidence.kind != "signal_shift"


def counts_losses(finding: Finding) -> bool:
    """Whether failures are counted to the finding: a measure that moved loses nothing by itself, what it costs is
    counted where failures moved; what is over loses nothing any more.
    """
    live = finding.status in ("open", "watching", "returned")
    return live and finding.evidence.kind not in ("signal_shift", "odd_run")


def lost_in_week(finding: Finding, frames: Frames, week: Week, until: dt.date, beside: Sequence[Finding] = ()) -> float:
    """Failures above expected on the subject's plates in the week, as the finding counts them; never below 0.

    A failure that findings ``beside`` it count too is shared among them by the weight of their evidence, so that the
    losses of all findings add up to no more than what was lost.
    """
    if not counts_losses(finding):
        return 0.0
    rows = frames.counted(finding.evidence, frames.between(week.first, until))
    own = max(finding.evidence.score, 1.0)
    weight = np.full(len(rows), own)
    for other in beside:
        if other.finding_id != finding.finding_id and counts_losses(other) and not got_better(other):
            shared = frames.belongs(other.evidence.subject, rows.index.to_numpy())
            weight += np.where(shared, max(other.evidence.score, 1.0), 0.0)
    excess = rows["failed"].to_numpy(dtype=float) - rows["expected"].to_numpy()
    return max(0.0, float((excess * own / weight).sum()))


def lost_words(lost: float, unit: str) -> str:
    """Losses of the week in words, without a capital or a stop; less than half a part is none."""
    if lost < 0.5:
        return f"no {unit} lost above what was expected this week"
    number = round(lost)
    return f"{words.count(number, unit.removesuffix('s'), unit)} lost this week above what was expected"
