"""What each job does: the recipes it calls, and what it has to say afterwards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from farmwatch.schedule.notices import mail_report, post_findings
from farmwatch.schedule.periods import Period
from farmwatch.store import Farm

if TYPE_CHECKING:
    from farmwatch.collect import CollectSummary
    from farmwatch.detectors.night import History


@dataclass(frozen=True)
class Done:
    """What a job came to. ``notes``: what a person should look at; ``sound``: whether everything was checked.
    ``tell`` sends what is to be sent, once the job is on the ledger, and returns what could not be sent.
    """

    said: str
    notes: tuple[str, ...] = ()
    sound: bool = True
    tell: Callable[[], tuple[str, ...]] = tuple


class Reading:
    """A farm's records, read once for all nights of a catch-up, and again only where a file of them has changed."""

    def __init__(self) -> None:
        self._state: object = None
        self._history: History | None = None

    def history(self, farm: Farm) -> History:
        """The records as they stand. Raises what the store raises."""
        from farmwatch.nightly import history_of

        state = farm.records_state()  # before they are read: what is written meanwhile is read the next time
        if self._history is None or state != self._state:
            self._history = None  # never two in memory
            self._history, self._state = history_of(farm), state
        return self._history


def run_nightly(farm: Farm, period: Period, reading: Reading) -> Done:
    """Take the inbox, then analyse the night. Where the inbox cannot be taken the night is analysed all the same, and
    the error raised after it, so that the job is tried again.
    """
    from farmwatch.collect import CollectSummary, collect
    from farmwatch.nightly import nightly
    from farmwatch.store import load_findings, nights

    summary, trouble = CollectSummary(), None
    try:
        summary = collect(farm)
    except Exception as error:  # a poorer night is worth more than none
        trouble = error
    day = period.last
    filed_before = {item.finding_id for item in load_findings(farm, day)} if day in nights(farm) else set()
    result = nightly(farm, day, history=reading.history(farm))
    if trouble is not None:
        raise trouble
    live = [item for item in result.findings if item.status in ("open", "watching", "returned")]
    new = [item for item in live if item.first_flagged_on == day]
    untold = [item for item in new if item.finding_id not in filed_before]
    failed = sorted(
        {f"not checked: {item.detector}: {item.reason}" for item in result.checks if item.state == "failed"}
    )
    total = summary.totals
    return Done(
        f"{total.taken + total.replaced} rows taken; {len(live)} findings in force, {len(new)} of them new",
        (*_collect_notes(summary), *failed),
        not failed,
        lambda: post_findings(farm, day, untold),
    )


def _collect_notes(summary: CollectSummary) -> tuple[str, ...]:
    notes = []
    bad = sum(summary.totals.quarantined.values())
    if bad:
        notes.append(f"{bad} rows went to quarantine")
    if summary.unreadable:
        names = ", ".join(report.file for report in summary.unreadable[:3])
        notes.append(f"{len(summary.unreadable)} files in the inbox cannot be read: {names}")
    return tuple(notes)


def run_weekly(farm: Farm, period: Period, reading: Reading) -> Done:
    """Write the report of the week."""
    from farmwatch.report.week import Week
    from farmwatch.weekly import weekly

    week = Week.of(period.last)
    page = weekly(farm, week)
    return Done(f"report written: {page}", tell=lambda: mail_report(farm, week, page))


RECIPES: dict[str, Callable[[Farm, Period, Reading], Done]] = {"nightly": run_nightly, "weekly": run_weekly}
