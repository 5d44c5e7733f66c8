"""The periods of the jobs on the farm's clock, and which of them are owed by the ledger.

A night D falls due at ``nightly_at`` of the day after, a week at ``weekly_at`` of the Monday after. A time that a clock
change leaves out is taken as if the clock had not yet changed; one that comes twice counts the first time. Whether a
period ran is read from the ledger alone, so no clock can make it run twice.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal
from zoneinfo import ZoneInfo

from farmwatch.report.week import Week
from farmwatch.settings import Settings
from farmwatch.store.jobs import Entry, Ledger, cut_off

Standing = Literal["due", "waiting", "done", "given up"]
_DAY = dt.timedelta(days=1)
CATCH_UP_AT_MOST = 500 * _DAY  # more than a year off; a clock gone wild does not cost a century of nights


@dataclass(frozen=True)
class Period:
    """One job for one period. ``last``: its last day; ``due``: when it falls due, UTC."""

    job: str
    name: str
    last: dt.date
    due: dt.datetime

    @property
    def key(self) -> tuple[str, str]:
        return self.job, self.name


def night(day: dt.date, settings: Settings) -> Period:
    """The night of ``day``."""
    return Period("nightly", day.isoformat(), day, _at(day + _DAY, settings.schedule.nightly_at, settings))


def week(day: dt.date, settings: Settings) -> Period:
    """The ISO week that holds ``day``."""
    whole = Week.of(day)
    return Period("weekly", str(whole), whole.last, _at(whole.last + _DAY, settings.schedule.weekly_at, settings))


JOBS: dict[str, tuple[Callable[[dt.date, Settings], Period], dt.timedelta]] = {
    "nightly": (night, _DAY),
    "weekly": (week, 7 * _DAY),
}


def _at(day: dt.date, clock: str, settings: Settings) -> dt.datetime:
    local = dt.datetime.combine(day, dt.time.fromisoformat(clock), tzinfo=ZoneInfo(settings.farm.timezone))
    return local.astimezone(dt.UTC)


def newest(job: str, now: dt.datetime, settings: Settings) -> Period:
    """The last period of ``job`` that has fallen due by ``now``."""
    return next(period for period in _backwards(job, upcoming(job, now, settings).last, settings) if period.due <= now)


def upcoming(job: str, now: dt.datetime, settings: Settings) -> Period:
    """The next period of ``job`` to fall due after ``now``."""
    period_of, step = JOBS[job]
    # a day beyond today: zones that skip a day or set a time past midnight are still in front of it
    day = now.astimezone(ZoneInfo(settings.farm.timezone)).date() + step
    found = period_of(day, settings)
    for period in _backwards(job, day, settings):
        if period.due <= now:
            return found
        found = period
    raise AssertionError("periods go back for ever")


def _backwards(job: str, day: dt.date, settings: Settings) -> Iterator[Period]:
    period_of, step = JOBS[job]
    while True:
        yield period_of(day, settings)
        day -= step


def standing(entry: Entry | None, now: dt.datetime, settings: Settings) -> Standing:
    """How a period that has fallen due stands. A try that a killed process left at ``started`` is one that failed; the
    next needs no pause, as whatever ended the process is over.
    """
    if entry is None:
        return "due"
    if entry.state == "succeeded":
        return "done"
    if cut_off(entry).failures > settings.schedule.retries:
        return "given up"
    if entry.ended is None:
        return "due"
    # where the clock was set back the pause is over
    waits = entry.ended <= now < entry.ended + dt.timedelta(minutes=settings.schedule.retry_minutes)
    return "waiting" if waits else "due"


def candidates(ledger: Ledger, now: dt.datetime, settings: Settings) -> list[Period]:
    """The periods that matter at ``now``, in the order in which they fell due: the newest of each job, the last night
    of every week still to be reported, and with ``catch_up_all`` all since the first of these and of the ledger.
    """
    weeks = _back_to("weekly", [], ledger, now, settings)
    open_weeks = [period for period in weeks if standing(ledger.get(period.key), now, settings) != "done"]
    last_nights = [night(period.last, settings) for period in open_weeks]
    nights = _back_to("nightly", [period.name for period in last_nights], ledger, now, settings)
    found = {period.key: period for period in (*weeks, *last_nights, *nights) if period.due <= now}
    return sorted(found.values(), key=lambda period: (period.due, period.last, period.job))


def _back_to(job: str, names: list[str], ledger: Ledger, now: dt.datetime, settings: Settings) -> list[Period]:
    """The newest period of ``job``; where all are to be caught up, back to the first of ``names`` and of the ledger."""
    latest = newest(job, now, settings)
    first = latest.name
    if settings.schedule.catch_up_all:
        first = min([first, *names, *(period for name, period in ledger if name == job)])
    found: list[Period] = []
    for period in _backwards(job, latest.last, settings):
        if period.name < first or latest.last - period.last > CATCH_UP_AT_MOST:
            return found
        found.append(period)
    raise AssertionError("periods go back for ever")


def held_back(period: Period, owed: Sequence[Period], ledger: Ledger, now: dt.datetime, settings: Settings) -> bool:
    """Whether ``period``, one of the candidates ``owed``, still waits for a night: a week's report for the week's last
    one, which has not run or will be tried again; where all are caught up, a night for an earlier one that will be
    tried again, as each carries on from the findings of those before.
    """
    if period.job == "weekly":
        last_night = night(period.last, settings)
        stands = standing(ledger.get(last_night.key), now, settings)
        return last_night.due > now or stands in ("due", "waiting")
    if not settings.schedule.catch_up_all:
        return False
    earlier = (other for other in owed if other.job == period.job and other.last < period.last)
    return any(standing(ledger.get(other.key), now, settings) == "waiting" for other in earlier)
