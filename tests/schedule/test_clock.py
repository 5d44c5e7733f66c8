"""Exactly one success a period, whatever the clocks do."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from farmwatch.schedule import run_due
from farmwatch.schedule.periods import candidates, newest, night, upcoming, week
from farmwatch.settings import Settings, load_settings
from farmwatch.store import Farm
from farmwatch.store.jobs import LEDGER_FILE, load_jobs

from .conftest import Counted, settled, utc

HOUR, DAY = dt.timedelta(hours=1), dt.timedelta(days=1)


def with_schedule(zone: str, **schedule: object) -> Settings:
    settings = load_settings()
    return settings.model_copy(
        update={
            "farm": settings.farm.model_copy(update={"timezone": zone}),
            "schedule": settings.schedule.model_copy(update=schedule),
        }
    )


# the last Sundays of March and October, as the European Union has had it since 1996 (Directive 2000/84/EC)
@pytest.mark.parametrize("change", [dt.date(2031, 3, 30), dt.date(2031, 10, 26)])
@pytest.mark.parametrize("clock", ["00:00", "01:30", "02:30", "03:00", "23:59"])
def test_every_quarter_of_a_clock_change(farm: Farm, counted: Counted, change: dt.date, clock: str) -> None:
    """Asked every 15 minutes from two days before to two days after, each night succeeds once, none before its time."""
    farm = settled(farm, nightly_at=clock, weekly_at=clock)
    start = dt.datetime.combine(change - 2 * DAY, dt.time(), tzinfo=ZoneInfo("Europe/Paris")).astimezone(dt.UTC)
    for step in range(4 * 24 * 4 + 8):
        now = start + step * HOUR / 4
        before = set(counted.done)
        run_due(farm, now)
        for _, name in (key for key in set(counted.done) - before if key[0] == "nightly" and step):
            local = now.astimezone(ZoneInfo("Europe/Paris")).replace(tzinfo=None)
            due = dt.datetime.combine(dt.date.fromisoformat(name) + DAY, dt.time.fromisoformat(clock))
            late = local - due
            # a time that the spring night leaves out comes up to an hour later on the wall
            assert dt.timedelta(0) <= late <= HOUR
    nights = {name for job, name in counted.done if job == "nightly"}
    assert {(change + dt.timedelta(days=shift)).isoformat() for shift in (-2, -1, 0)} <= nights
    assert set(counted.done.values()) == {1}


# the second Sunday of March and the first of November, as in the United States since 2007 (Energy Policy Act of 2005)
@pytest.mark.parametrize(
    ("zone", "change"),
    [
        ("Europe/Paris", dt.date(2031, 3, 30)),
        ("Europe/Paris", dt.date(2031, 10, 26)),
        ("America/New_York", dt.date(2031, 3, 9)),
        ("America/New_York", dt.date(2031, 11, 2)),
    ],
)
def test_started_at_every_hour_of_a_clock_change(tmp_path: Path, counted: Counted, zone: str, change: dt.date) -> None:
    """Started first at any hour around the change, then asked hourly for two days: once a period."""
    farm = settled(Farm.create(tmp_path / "there", zone), nightly_at="02:30")
    start = dt.datetime.combine(change, dt.time(), tzinfo=ZoneInfo(zone)).astimezone(dt.UTC) - 3 * HOUR
    for first in range(30):
        (farm.path / LEDGER_FILE).unlink(missing_ok=True)
        counted.done.clear()
        for step in range(48):
            run_due(farm, start + (first + step) * HOUR)
        assert counted.done
        assert set(counted.done.values()) == {1}


def test_after_1_to_400_days_off(farm: Farm, counted: Counted) -> None:
    """The newest night and week once, and the night that the week's report rests on; asked again, nothing."""
    on = utc("2031-02-11 12:00")
    for off in range(1, 401):
        (farm.path / LEDGER_FILE).unlink(missing_ok=True)
        run_due(farm, on)
        counted.done.clear()
        back = on + off * DAY
        run_due(farm, back)
        assert ("nightly", (back.date() - DAY).isoformat()) in counted.done
        monday = back.date() - dt.timedelta(days=back.date().weekday())
        last_sunday = monday - DAY
        extra = 2 if last_sunday >= on.date() else 0
        assert counted.done.get(("weekly", str(week(last_sunday, farm.settings).name)), 0) == (extra > 0)
        expected = {(back.date() - DAY).isoformat()} | ({last_sunday.isoformat()} if extra else set())
        assert {name for job, name in counted.done if job == "nightly"} == expected
        run_due(farm, back + HOUR)
        assert set(counted.done.values()) == {1}


@pytest.mark.parametrize("off", [1, 2, 6, 7, 8, 30, 200, 400])
def test_catching_up_all(farm: Farm, counted: Counted, off: int) -> None:
    farm = settled(farm, catch_up_all=True)
    on = utc("2031-02-11 12:00")
    run_due(farm, on)
    run_due(farm, on + off * DAY)
    run_due(farm, on + off * DAY)
    nights = sorted(name for job, name in counted.done if job == "nightly" and name >= "2031-02-10")
    assert nights == [(dt.date(2031, 2, 10) + dt.timedelta(days=i)).isoformat() for i in range(off + 1)]
    assert set(counted.done.values()) == {1}
    position = {key: place for place, key in enumerate(counted.order)}
    for (job, name), place in position.items():
        if job == "weekly":
            last_night = dt.date.fromisocalendar(int(name[:4]), int(name[6:]), 7).isoformat()
            assert position["nightly", last_night] < place


def test_what_was_missed_before_the_ledger_began_is_not_owed(farm: Farm, counted: Counted) -> None:
    farm = settled(farm, catch_up_all=True)
    run_due(farm, utc("2031-02-11 12:00"))
    assert [name for job, name in counted.order if job == "nightly"] == ["2031-02-09", "2031-02-10"]


def test_a_clock_gone_wild_costs_little_and_is_forgiven(farm: Farm, counted: Counted) -> None:
    """A day in the far future, then the right time again: the right nights still run, each once."""
    farm = settled(farm, catch_up_all=True)
    run_due(farm, utc("2031-02-11 12:00"))
    run_due(farm, utc("2099-02-11 12:00"))
    assert len(counted.done) < 1100
    run_due(farm, utc("2031-02-12 12:00"))
    assert counted.done["nightly", "2031-02-11"] == 1
    assert set(counted.done.values()) == {1}


def test_times_asked_with_any_offset_are_the_same_instant(farm: Farm, counted: Counted) -> None:
    here = dt.datetime(2031, 2, 11, 5, 0, tzinfo=ZoneInfo("Europe/Paris"))
    run_due(farm, here - dt.timedelta(seconds=1))
    assert ("nightly", "2031-02-10") not in counted.done
    run_due(farm, here.astimezone(ZoneInfo("Asia/Tokyo")))
    assert counted.done["nightly", "2031-02-10"] == 1


@pytest.mark.parametrize(
    "zone", ["UTC", "Europe/Paris", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Apia", "Pacific/Kiritimati"]
)
@pytest.mark.parametrize("clock", ["00:00", "02:15", "23:59"])
def test_newest_and_upcoming_meet_everywhere(zone: str, clock: str) -> None:
    """At all hours over two years, in odd zones too: due lies behind newest and before upcoming, which follow on each
    other. Apia had no 30 December 2011.
    """
    settings = with_schedule(zone, nightly_at=clock, weekly_at=clock)
    now = utc("2011-01-01 00:20")
    while now < utc("2012-12-31 00:00"):
        for job, step in (("nightly", DAY), ("weekly", 7 * DAY)):
            last, following = newest(job, now, settings), upcoming(job, now, settings)
            assert last.due <= now < following.due
            assert following.last - last.last == step
        now += 11 * HOUR
    assert night(dt.date(2011, 12, 29), settings).due <= night(dt.date(2011, 12, 30), settings).due


def test_a_report_waits_for_its_last_night_even_where_it_is_due_first() -> None:
    settings = with_schedule("UTC", nightly_at="08:00", weekly_at="02:00")
    now = utc("2031-02-10 03:00")  # a Monday
    assert ("weekly", "2031-W06") in [period.key for period in candidates({}, now, settings)]
    assert ("nightly", "2031-02-09") not in [period.key for period in candidates({}, now, settings)]


def test_a_report_due_before_its_last_night_is_written_after_it(farm: Farm, counted: Counted) -> None:
    farm = settled(farm, nightly_at="08:00", weekly_at="02:00")
    for hour in range(30):
        run_due(farm, utc("2031-02-10 00:10") + hour * HOUR)
    order = counted.order
    assert order.index(("nightly", "2031-02-09")) < order.index(("weekly", "2031-W06"))
    assert set(counted.done.values()) == {1}
    ledger, bad = load_jobs(farm)
    assert not bad
    assert {entry.state for entry in ledger.values()} == {"succeeded"}
