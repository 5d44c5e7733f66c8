"""After any days off, a catch-up of all nights files what nights run day by day would have filed."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from collections import Counter
from collections.abc import Set
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from farmwatch.records import TABLES
from farmwatch.schedule import recipes, run_due
from farmwatch.schedule.periods import Period, candidates
from farmwatch.schedule.recipes import Done, Reading, run_nightly
from farmwatch.simulate import FarmSpec, simulate
from farmwatch.simulate.spec import Fault
from farmwatch.simulate.write import as_text
from farmwatch.store import Farm, load_checks, load_findings, nights
from farmwatch.store.jobs import LEDGER_FILE, load_jobs

from .conftest import Counted, settled, utc

FIRST, LAST = dt.date(2031, 1, 14), dt.date(2031, 1, 17)
DAY, HOUR, TRY_AGAIN = dt.timedelta(days=1), dt.timedelta(hours=1), dt.timedelta(minutes=31)
SPAN = [FIRST + n * DAY for n in range((LAST - FIRST).days + 1)]
# a farm is made anew for every example, or its ledger taken away
ON_ONE_FARM = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]


@given(st.lists(st.tuples(st.floats(0.2, 300.0), st.booleans()), min_size=1, max_size=8))
@settings(max_examples=40, deadline=None, suppress_health_check=ON_ONE_FARM)
def test_every_night_once_and_in_order_whenever_asked(
    farm: Farm, counted: Counted, asked: list[tuple[float, bool]]
) -> None:
    """Asked after gaps of hours to weeks; at some of the times every job fails. In the end each night and week since
    the first has succeeded once or was given up after its last try, nights in order, a week after its last night.
    """
    if "catch_up_all" not in (farm.path / "farm.toml").read_text():
        settled(farm, catch_up_all=True)
    farm = Farm.open(farm.path)
    (farm.path / LEDGER_FILE).unlink(missing_ok=True)
    counted.done.clear()
    counted.order.clear()
    start = now = utc("2031-02-14 12:00")
    for gap_h, fails in asked:
        counted.failing = set(recipes.RECIPES) if fails else set()
        run_due(farm, now)
        now += gap_h * HOUR
    counted.failing = set()
    run_due(farm, now)
    run_due(farm, now + HOUR)
    ledger, _ = load_jobs(farm)
    given_up = {key for key, entry in ledger.items() if entry.failures > farm.settings.schedule.retries}
    since = {period.key for period in candidates(ledger, now, farm.settings)}
    assert {("nightly", (start.date() - DAY + n * DAY).isoformat()) for n in range((now - start).days + 1)} <= since
    assert since <= set(counted.done) | given_up
    assert set(counted.done.values()) <= {1}
    done = [name for job, name in counted.order if job == "nightly"]
    assert done == sorted(done)
    place = {key: number for number, key in enumerate(counted.order)}
    for name in (name for job, name in place if job == "weekly"):
        last_night = ("nightly", dt.date.fromisocalendar(int(name[:4]), int(name[6:]), 7).isoformat())
        assert last_night in given_up or place[last_night] < place["weekly", name]


@pytest.fixture(scope="module")
def arrivals(tmp_path_factory: pytest.TempPathFactory) -> dict[dt.date, Path]:
    """For each night the files that had come by then and not by the night before: a folder of them. On the third
    night a plate that is not level is told.
    """
    fault = Fault("plate_tilt", since_day=6, strength=8.0)
    records = simulate(FarmSpec(printers=4, days=18, faults=(fault,)), 1).records
    room = tmp_path_factory.mktemp("arrivals")
    for table in TABLES:
        told = records.local_dates(records.known_from(table)).dt.date.to_numpy()
        known = np.where(pd.isna(told), FIRST, told)
        shown = as_text(getattr(records, table), records.timezone)
        for day in SPAN:
            rows = shown[known <= FIRST if day == FIRST else known == day]
            (room / f"{day}").mkdir(exist_ok=True)
            if len(rows):
                rows.to_csv(room / f"{day}" / f"{table}-{day}.csv", index=False)
    return {day: room / f"{day}" for day in SPAN}


class OneFailure:
    """The real recipe of a night, which fails at its first try for each of ``nights``."""

    def __init__(self, nights: Set[dt.date]) -> None:
        self.left = set(nights)

    def __call__(self, farm: Farm, period: Period, reading: Reading) -> Done:
        if period.last in self.left:
            self.left.remove(period.last)
            raise RuntimeError("no luck")
        return run_nightly(farm, period, reading)


def filed(room: Path, arrivals: dict[dt.date, Path], on: Set[dt.date], failing: Set[dt.date]) -> dict[dt.date, str]:
    """What stands in the ledger of findings for every night of SPAN, where the machine ran on the mornings after the
    nights ``on`` alone, on the last of them for long enough to try again what failed.
    """
    shutil.rmtree(room, ignore_errors=True)
    farm = settled(Farm.create(room, "Europe/Paris"), catch_up_all=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(recipes.RECIPES, "nightly", OneFailure(failing))
        patch.setitem(recipes.RECIPES, "weekly", lambda *given: Done("a report only reads"))
        for day in SPAN:
            for path in arrivals[day].iterdir():
                shutil.copy(path, farm.inbox)
            morning = dt.datetime.combine(day + DAY, dt.time(6), tzinfo=dt.UTC)
            for turn in range(1 + len(failing)) if day in on else ():
                run_due(farm, morning + turn * TRY_AGAIN)
    ledger, _ = load_jobs(farm)
    assert Counter(entry.state for entry in ledger.values())["succeeded"] == len(ledger)
    assert set(SPAN) <= set(nights(farm))
    return {day: _told(load_findings(farm, day), load_checks(farm, day)) for day in SPAN}


def _told(*told: object) -> str:
    """Everything in words, numbers to nine digits: sums over rows that came in another order differ in the last."""
    return re.sub(r"\d+\.\d+(e-?\d+)?", lambda number: f"{float(number[0]):.9g}", repr(told))


@pytest.fixture(scope="module")
def day_by_day(arrivals: dict[dt.date, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[dt.date, str]:
    return filed(tmp_path_factory.mktemp("daily") / "farm", arrivals, set(SPAN), set())


@given(on=st.sets(st.sampled_from(SPAN[1:-1])), failing=st.sets(st.sampled_from(SPAN[1:]), max_size=2))
@settings(max_examples=2, deadline=None, suppress_health_check=ON_ONE_FARM, phases=[Phase.generate])  # seconds each
def test_a_catch_up_files_what_nights_day_by_day_file(
    tmp_path: Path,
    arrivals: dict[dt.date, Path],
    day_by_day: dict[dt.date, str],
    on: set[dt.date],
    failing: set[dt.date],
) -> None:
    """Whichever days the machine was off, and whichever nights had to be tried twice. What was delivered late, here all
    that came on days off, is known to a night by when it was recorded.
    """
    assert "plate_pattern" in day_by_day[LAST]
    assert filed(tmp_path / "farm", arrivals, {FIRST, *on, LAST}, failing) == day_by_day
