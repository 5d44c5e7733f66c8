"""What the jobs say of a night, and the tick of the clock."""

from __future__ import annotations

import datetime as dt
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import farmwatch.nightly
from farmwatch.detectors.night import History
from farmwatch.evidence import Check, Finding
from farmwatch.nightly import NightResult
from farmwatch.records import Records
from farmwatch.schedule import recipes, run_due
from farmwatch.schedule.stay import _Tick
from farmwatch.store import Farm, save_night
from farmwatch.store.jobs import LEDGER_FILE, load_jobs

from .conftest import Counted, settled, utc
from .test_notices import a_finding

NOON = utc("2031-02-11 12:00")
DAY = dt.timedelta(days=1)
SOURCES = Path(__file__).parents[2] / "farmwatch"


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Ids of the findings handed to the webhook; every night finds one new thing, and one detector breaks."""
    ids: list[str] = []

    def nightly(farm: Farm, as_of: dt.date, history: History) -> NightResult:
        finding = a_finding()
        fresh = Finding(f"f-{as_of}", finding.evidence, as_of, as_of, "open", (), (), {})
        old = Finding("f-old", finding.evidence, as_of - dt.timedelta(days=9), as_of, "watching", (), (), {})
        checks = (Check("wear", "failed", "farm", None, "no luck"),)
        save_night(farm, as_of, [fresh, old], checks)
        return NightResult((fresh, old), checks)

    def post(farm: Farm, night: dt.date, findings: list[Finding]) -> tuple[str, ...]:
        ids.extend(finding.finding_id for finding in findings)
        return ()

    monkeypatch.setattr("farmwatch.nightly.nightly", nightly)
    monkeypatch.setattr(recipes, "post_findings", post)
    return ids


def test_a_detector_that_breaks_is_said_and_fails_the_call_not_the_job(farm: Farm, told: list[str]) -> None:
    outcome = run_due(farm, NOON)
    assert outcome.failed
    assert "nightly 2031-02-10: 0 rows taken; 2 findings in force, 1 of them new" in outcome.lines
    assert "nightly 2031-02-10: not checked: wear: no luck" in outcome.lines
    entry = load_jobs(farm)[0]["nightly", "2031-02-10"]
    assert (entry.state, entry.note) == ("succeeded", "not checked: wear: no luck")


def test_the_same_night_again_does_not_tell_again(farm: Farm, told: list[str]) -> None:
    run_due(farm, NOON)
    assert told == ["f-2031-02-09", "f-2031-02-10"]
    (farm.path / LEDGER_FILE).unlink()
    run_due(farm, NOON)
    assert told == ["f-2031-02-09", "f-2031-02-10"]


def test_a_tick_says_a_thing_once_and_reads_the_settings_anew(farm: Farm, counted: Counted) -> None:
    said: list[str] = []
    tick = _Tick(farm.path, said.append, lambda: False)
    text = (farm.path / "farm.toml").read_text()
    (farm.path / "farm.toml").write_text("[schedule]\nnightly_at = '25:00'\n")
    for _ in range(3):
        tick()
    assert len(said) == 1
    assert said[0].startswith("failed: ")
    assert "schedule.nightly_at" in said[0]
    assert not counted.done
    (farm.path / "farm.toml").write_text(text)
    tick()
    assert counted.done
    before = len(said)
    tick()
    assert len(said) == before


def test_asked_to_stop_between_two_jobs(farm: Farm, counted: Counted) -> None:
    asked = iter([False, True])
    run_due(farm, NOON, stopping=lambda: next(asked))
    assert sum(counted.done.values()) == 1
    run_due(farm, NOON)
    assert sum(counted.done.values()) == 3


@pytest.mark.parametrize("clock", ["24:00", "5:00", "05:60", "05:00:00", ""])
def test_only_times_of_day_are_taken(farm: Farm, clock: str) -> None:
    with pytest.raises(Exception, match=r"schedule\.nightly_at"):
        settled(farm, nightly_at=clock)


def test_a_catch_up_reads_the_records_once_and_again_where_they_changed(
    farm: Farm, deliveries: list[Path], told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three nights in one call. A delivery that arrives between two of them is in the second."""
    farm = settled(farm, catch_up_all=True)
    first, second = (next(path for path in deliveries if path.name.startswith(name)) for name in ("printers", "runs"))
    reads: list[Records] = []
    plain = Farm.records

    def counted(self: Farm, *tables: Any) -> Records:
        reads.append(plain(self, *tables))
        return reads[-1]

    monkeypatch.setattr(Farm, "records", counted)
    run_due(farm, NOON)
    reads.clear()
    shutil.copy(first, farm.inbox)
    run_due(farm, NOON + 3 * DAY)
    assert len(told) == 2 + 3
    assert [len(records.printers) for records in reads] == [3]

    late = farmwatch.nightly.nightly

    def nightly(farm: Farm, as_of: dt.date, history: History) -> NightResult:
        if as_of == dt.date(2031, 2, 14):
            shutil.copy(second, farm.inbox)
        return late(farm, as_of, history=history)

    monkeypatch.setattr("farmwatch.nightly.nightly", nightly)
    reads.clear()
    run_due(farm, NOON + 5 * DAY)
    assert [len(records.runs) > 0 for records in reads] == [False, True]


def test_only_one_module_knows_the_alarm_clock_and_status_does_not_wait_for_it() -> None:
    knowing = [path.name for path in SOURCES.rglob("*.py") if "apscheduler" in path.read_text(encoding="utf-8")]
    assert knowing == ["stay.py"]
    late = ("apscheduler", "statsmodels", "sklearn", "smtplib")
    asked = f"import sys, farmwatch.schedule; print([name for name in {late} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
