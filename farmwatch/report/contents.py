"""The weekly report as typed contents: every number and every word that any face of it shows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from farmwatch.evidence import Check, Finding
from farmwatch.records import empty
from farmwatch.report import cautions, words
from farmwatch.report.finding_part import FindingPart, finding_part, got_better
from farmwatch.report.frames import Frames
from farmwatch.report.mends import LedgerRow, ledger_of
from farmwatch.report.room import RoomPart, room_of
from farmwatch.report.subjects import SubjectRow, subject_rows
from farmwatch.report.unchecked import NotChecked, in_short, not_checked, without_plates
from farmwatch.report.week import Week
from farmwatch.settings import Settings
from farmwatch.stats.plate_sums import OfParts

if TYPE_CHECKING:
    from farmwatch.causes.table import CauseTable


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
    expected_means: str

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
    part_risk: OfParts,
    service: pd.DataFrame,
    settings: Settings,
    *,
    coupons: pd.DataFrame | None = None,
    known_until: dt.date | None = None,
    table: CauseTable | None = None,
) -> WeeklyContents:
    """The contents of one week's report, as known at the end of ``known_until`` (default: the week's last day).

    ``table``: the farm's table of causes, whose words and mends are told; without one the shipped table.
    ``plates``, ``parts`` and ``part_risk`` (expected failure probability of each part) are those of that night.
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
    gone = not_checked(checks) if len(plates) else without_plates(checks)
    missing = [part for finding, part in faults if finding.status != "watching"]
    return WeeklyContents(
        farm=settings.farm.name,
        week=str(week),
        first_day=week.first,
        last_day=week.last,
        known_until=until,
        not_checked=gone,
        unchecked=in_short(gone) if checks else NO_NIGHT,
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
        safety=cautions.SAFETY,
        beware=cautions.SAFETY_BRIEF,
        expected_means=EXPECTED_MEANS,
    )


EXPECTED_MEANS = (
    '"Expected" is what the same designs, sizes, resins and settings lose where nothing is known to be wrong, so hard work '
    "is not held against a printer. What a finding explains stays above it: a spent bath or a bad lot lifts the failures of "
    "every printer whose plates it met. Numbers of plates are few: an interval says how sure a number is."
)
NO_NIGHT = "No night was analysed in this week."


def checked_words(checks: Sequence[Check], gone: tuple[NotChecked, ...]) -> str:
    """How much was looked at, in a sentence; ``gone`` is what was not."""
    if not checks:
        return NO_NIGHT
    done = sum(check.count for check in checks if check.state in ("clear", "flagged"))
    if not done:
        return "Nothing was looked at."
    looked = words.count(done, "look", "looks")
    return f"Everything else was looked at ({looked})." if gone else f"Everything was looked at ({looked})."


def farm_sentence(frames: Frames, week: Week, until: dt.date, new: int, going: int) -> str:
    """The week in one or two sentences."""
    now = frames.chances.iloc[frames.between(week.first, until)]
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
