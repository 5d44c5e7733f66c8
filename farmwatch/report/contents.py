"""The weekly report as typed contents: every number and every word that any face of it shows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from farmwatch.evidence import Cause, Check, Finding, Subject
from farmwatch.records import empty
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.headlines import five_answers, headline, numbers, rivals, shared_plates
from farmwatch.report.mends import LedgerRow, ledger_of, repair_words
from farmwatch.report.pictures import Picture
from farmwatch.report.room import RoomPart, room_of
from farmwatch.report.showing import pictures_of
from farmwatch.report.subjects import SubjectRow, subject_rows
from farmwatch.report.unchecked import NotChecked, in_short, not_checked
from farmwatch.report.week import Week
from farmwatch.settings import Settings

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
    first_step: str
    checks: tuple[CheckPart, ...]
    caution: str
    repair: tuple[str, ...]
    first_flagged: str
    last_seen: str
    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class WeeklyContents:
    """The weekly report. ``needs_hand`` holds the findings to act on, dearest first; ``beware`` stands with them."""

    farm: str
    week: str
    first_day: dt.date
    last_day: dt.date
    known_until: dt.date
    not_checked: tuple[NotChecked, ...]
    unchecked: str
    checked: str
    sentence: str
    needs_hand: tuple[FindingPart, ...]
    new: tuple[FindingPart, ...]
    going_on: tuple[FindingPart, ...]
    better: tuple[FindingPart, ...]
    notes: tuple[FindingPart, ...]
    ledger: tuple[LedgerRow, ...]
    room: RoomPart
    printers: tuple[SubjectRow, ...]
    lots: tuple[SubjectRow, ...]
    unit: str
    safety: tuple[str, ...]
    beware: str

    @property
    def findings(self) -> tuple[FindingPart, ...]:
        """Every finding that has a part of its own, in the order of the page."""
        return self.new + self.going_on + self.better + self.notes


def build_contents(
    week: Week,
    findings: Sequence[Finding],
    checks: Sequence[Check],
    plates: pd.DataFrame,
    parts: pd.DataFrame,
    part_risk: np.ndarray,
    service: pd.DataFrame,
    settings: Settings,
    *,
    coupons: pd.DataFrame | None = None,
    known_until: dt.date | None = None,
    table: CauseTable | None = None,
) -> WeeklyContents:
    """The contents of one week's report, as known at the end of ``known_until`` (default: the week's last day).

    ``table``: the farm's table of causes, whose words and mends are told; without one the shipped table.
    ``plates``, ``parts`` and ``part_risk`` (shape (parts,), expected failure probability) are those of that night.
    """
    until = min(known_until or week.last, week.last)
    frames = Frames(
        plates, parts, part_risk, service, empty("coupons") if coupons is None else coupons, settings.farm.timezone
    )
    parted = [(finding, finding_part(finding, frames, week, until, table, findings)) for finding in findings]
    parted.sort(key=lambda pair: (-pair[1].lost, -pair[0].evidence.score, pair[0].finding_id))
    live = [pair for pair in parted if pair[0].status in ("open", "watching", "returned")]
    faults = [pair for pair in live if pair[0].evidence.kind != "odd_run" and not got_better(pair[0])]
    shown = {id(part) for _, part in faults}
    rest = [pair for pair in live if id(pair[1]) not in shown]
    new = tuple(part for finding, part in faults if finding.first_flagged_on >= week.first)
    going = tuple(part for finding, part in faults if finding.first_flagged_on < week.first)
    gone, missing = not_checked(checks), [part for finding, part in faults if finding.status != "watching"]
    return WeeklyContents(
        farm=settings.farm.name,
        week=str(week),
        first_day=week.first,
        last_day=week.last,
        known_until=until,
        not_checked=gone,
        unchecked=in_short(gone),
        checked=checked_words(checks, gone),
        sentence=farm_sentence(frames, week, until, len(new), len(going)),
        needs_hand=tuple(missing),
        new=new,
        going_on=going,
        better=tuple(p for f, p in rest if f.evidence.kind != "odd_run"),
        notes=tuple(p for f, p in rest if f.evidence.kind == "odd_run" and f.last_seen_on >= week.first),
        ledger=ledger_of(findings),
        room=room_of(frames, week, until),
        printers=subject_rows("printer", frames, findings, week, until),
        lots=subject_rows("lot", frames, findings, week, until),
        unit=frames.unit,
        safety=words.SAFETY,
        beware=words.SAFETY_BRIEF,
    )


def got_better(finding: Finding) -> bool:
    """Whether the finding is of failures that became fewer; a measure that fell is no such thing."""
    return finding.evidence.direction == "down" and finding.evidence.kind != "signal_shift"


def checked_words(checks: Sequence[Check], gone: tuple[NotChecked, ...]) -> str:
    if not checks:
        return "No night was analysed in this week."
    done = sum(check.count for check in checks if check.state in ("clear", "flagged"))
    looked = words.count(done, "look", "looks")
    return f"Everything else was looked at ({looked})." if gone else f"Everything was looked at ({looked})."


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
    rows = frames.counted(finding.evidence)
    days = rows["day"].to_numpy()
    rows = rows[(days >= np.datetime64(week.first)) & (days <= np.datetime64(until))]
    own = max(finding.evidence.score, 1.0)
    weight = np.full(len(rows), own)
    for other in beside:
        if other.finding_id != finding.finding_id and counts_losses(other) and not got_better(other):
            shared = rows.index.isin(frames.counted(other.evidence).index)
            weight += np.where(shared, max(other.evidence.score, 1.0), 0.0)
    excess = rows["failed"].to_numpy(dtype=float) - rows["expected"].to_numpy()
    return max(0.0, float((excess * own / weight).sum()))


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
        first_step=first_step(finding, mend),
        checks=tuple(
            CheckPart(
                check=_short(check.check),
                how=check.check.partition(". ")[2],
                tells_apart=tuple(words.cause(code, table) for code in check.tells_apart),
                cost=words.hours(check.cost),
                means=tuple((words.phrase(result), meaning) for result, meaning in check.means.items()),
                caution=words.caution_of(check),
            )
            for check in finding.next_checks[:CHECKS_SHOWN]
        ),
        caution=words.cautions([*(words.caution_of(check) for check in finding.next_checks[:CHECKS_SHOWN]), beware]),
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


def lost_words(lost: float, unit: str) -> str:
    if lost < 0.5:
        return f"no {unit} lost above what was expected this week"
    number = round(lost)
    return f"{words.count(number, unit.removesuffix('s'), unit)} lost this week above what was expected"


def farm_sentence(frames: Frames, week: Week, until: dt.date, new: int, going: int) -> str:
    """The week in one or two sentences."""
    rows = frames.of(Subject("farm", "farm"))
    days = rows["day"].to_numpy()
    now = rows[(days >= np.datetime64(week.first)) & (days <= np.datetime64(until))]
    plates = frames.plates[
        ((frames.plates["day"] >= pd.Timestamp(week.first)) & (frames.plates["day"] <= pd.Timestamp(until))).to_numpy()
    ]
    if plates.empty:
        return "No plate was printed this week."
    machines = words.count(plates["printer_id"].nunique(), "printer")
    work = f"{words.count(len(plates), 'plate')} on {machines}"
    trouble = "nothing needs a hand" if not new + going else f"{words.count(new, 'new finding')} and {going} going on"
    if now.empty:
        return f"{work}; {trouble}."
    failed, expected = float(now["failed"].sum()), float(now["expected"].sum())
    share = 100.0 * failed / len(now)
    compared = f"{words.number_text(share, 2)} in a hundred {frames.unit} failed ({failed:.0f} of {len(now):,}"
    return f"{work}: {compared}; {expected:.0f} were expected); {trouble}."
