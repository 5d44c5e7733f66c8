"""Jobs that fail, are killed, or meet a second process."""

from __future__ import annotations

import datetime as dt
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from farmwatch.schedule import recipes, run_due, status_document, status_text
from farmwatch.schedule.periods import Period
from farmwatch.schedule.recipes import Done, Reading
from farmwatch.store import Farm, StoreError, load_findings, nights
from farmwatch.store.jobs import LEDGER_FILE, LOG_FILE, Busy, load_jobs, save_jobs, working

from .conftest import Counted, settled, utc

NOON = utc("2031-02-11 12:00")  # a Tuesday
NIGHT = ("nightly", "2031-02-10")
MINUTE = dt.timedelta(minutes=1)


def test_a_failure_is_one_line_and_a_log(farm: Farm, counted: Counted) -> None:
    counted.failing = {"nightly"}
    outcome = run_due(farm, NOON)
    assert outcome.failed
    assert "failed: nightly 2031-02-10: RuntimeError: no luck with 2031-02-10" in outcome.lines
    log = (farm.path / LOG_FILE).read_text()
    assert "Traceback" in log
    assert "2031-02-11T12:00:0" in log
    assert "Traceback" not in (farm.path / LEDGER_FILE).read_text()
    text = status_text(status_document(farm, NOON + MINUTE))
    assert "nightly 2031-02-10: failed 2031-02-11 13:00 after 1 try: RuntimeError: no luck with 2031-02-10" in text
    assert "tried again from 2031-02-11 13:20 on" in text


def test_a_failure_is_tried_again_after_the_pause_and_then_given_up(farm: Farm, counted: Counted) -> None:
    farm = settled(farm, retries=2, retry_minutes=30)
    counted.failing = {"nightly"}
    tried = [
        minutes
        for minutes in range(0, 300, 7)
        if any("nightly 2031-02-10" in line for line in run_due(farm, NOON + minutes * MINUTE).lines)
    ]
    assert tried == [0, 35, 70]
    entry = load_jobs(farm)[0][NIGHT]
    assert (entry.state, entry.attempts, entry.failures) == ("failed", 3, 3)
    text = status_text(status_document(farm, NOON + 300 * MINUTE))
    assert "due: nightly 2031-02-10: given up" in text
    assert "farmwatch nightly --as-of 2031-02-10" in text


def test_a_night_that_failed_does_not_stop_the_next(farm: Farm, counted: Counted) -> None:
    counted.failing = {"nightly"}
    for hour in range(12):
        run_due(farm, NOON + 60 * hour * MINUTE)
    counted.failing = set()
    run_due(farm, NOON + 24 * 60 * MINUTE)
    assert counted.done["nightly", "2031-02-11"] == 1
    assert NIGHT not in counted.done


def test_a_report_waits_for_its_night_and_comes_without_it_at_last(farm: Farm, counted: Counted) -> None:
    counted.failing = {"nightly"}
    monday = utc("2031-02-10 06:00")
    run_due(farm, monday)
    assert ("weekly", "2031-W06") not in counted.done
    owed = {item["job"]: item["standing"] for item in status_document(farm, monday + MINUTE)["due"]}
    assert owed == {"nightly": "waiting", "weekly": "held back"}
    for turn in range(1, 6):
        run_due(farm, monday + 25 * turn * MINUTE)
    assert counted.done["weekly", "2031-W06"] == 1


def test_after_success_the_error_is_gone(farm: Farm, counted: Counted) -> None:
    counted.failing = {"nightly", "weekly"}
    run_due(farm, NOON)
    counted.failing = set()
    assert not run_due(farm, NOON + 60 * MINUTE).failed
    entry = load_jobs(farm)[0][NIGHT]
    assert (entry.state, entry.error, entry.attempts) == ("succeeded", None, 2)


def killed(farm: Farm, period: Period, reading: Reading) -> Done:
    raise KeyboardInterrupt


def test_what_a_killed_process_left_is_run_again(farm: Farm, counted: Counted, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        for job in recipes.RECIPES:
            patch.setitem(recipes.RECIPES, job, killed)
        for _ in range(3):
            with pytest.raises(KeyboardInterrupt):
                run_due(farm, NOON)
    entries = load_jobs(farm)[0]
    assert [(entry.state, entry.attempts, entry.failures) for entry in entries.values()] == [("started", 3, 2)]
    assert "was cut off" in status_text(status_document(farm, NOON))
    outcome = run_due(farm, NOON)
    assert "try 3: the process ended in mid-job" in outcome.lines[0]
    assert not outcome.failed
    assert set(counted.done.values()) == {1}
    assert counted.done[NIGHT] == 1
    assert {(entry.state, entry.error) for entry in load_jobs(farm)[0].values()} == {("succeeded", None)}


def test_a_night_that_kills_every_process_is_given_up(
    farm: Farm, counted: Counted, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three retries as after any failure; then the other jobs, and the nights to come, have their turn."""

    def deadly(farm: Farm, period: Period, reading: Reading) -> Done:
        return (killed if period.key == NIGHT else counted)(farm, period, reading)

    monkeypatch.setitem(recipes.RECIPES, "nightly", deadly)
    deaths = 0
    for minute in range(60):
        try:
            run_due(farm, NOON + minute * MINUTE)
        except KeyboardInterrupt:
            deaths += 1
    assert deaths == 1 + farm.settings.schedule.retries == 4
    entry = load_jobs(farm)[0][NIGHT]
    assert (entry.state, entry.attempts, entry.failures) == ("failed", 4, 4)
    assert "mid-job" in str(entry.error)
    text = status_text(status_document(farm, NOON + 60 * MINUTE))
    assert "given up" in text
    assert "mid-job" in text
    run_due(farm, NOON + 24 * 60 * MINUTE)
    assert counted.done["nightly", "2031-02-11"] == 1


def test_kills_and_errors_add_up(farm: Farm, counted: Counted, monkeypatch: pytest.MonkeyPatch) -> None:
    farm = settled(farm, retries=1, retry_minutes=10)
    counted.failing = {"nightly"}
    run_due(farm, NOON)
    with monkeypatch.context() as patch:
        patch.setitem(recipes.RECIPES, "nightly", killed)
        with pytest.raises(KeyboardInterrupt):
            run_due(farm, NOON + 20 * MINUTE)
    counted.failing = set()
    assert {item["standing"] for item in status_document(farm, NOON + 21 * MINUTE)["due"]} >= {"given up"}
    run_due(farm, NOON + 60 * MINUTE)
    assert ("nightly", "2031-02-09") not in counted.done  # both its tries are used up


def test_a_damaged_ledger_costs_only_its_damaged_lines(farm: Farm, counted: Counted) -> None:
    run_due(farm, NOON)
    path = farm.path / LEDGER_FILE
    lines = path.read_bytes().splitlines()
    place = next(place for place, line in enumerate(lines) if b"2031-02-10" in line)
    lines[place] = lines[place][: len(lines[place]) // 2]
    path.write_bytes(b"\n".join([*lines, b"\xff\x00", b"[]", b'{"job": 3}']))
    assert f"trouble: {LEDGER_FILE}: line {place + 1} cannot be read" in status_text(status_document(farm, NOON))
    outcome = run_due(farm, NOON)
    assert outcome.lines[0].startswith(f"{LEDGER_FILE}: 4 lines that nobody can read left out")
    assert counted.done[NIGHT] == 2
    assert sum(counted.done.values()) == len(counted.done) + 1
    assert load_jobs(farm)[1] == []


def test_a_ledger_that_cannot_be_written_is_said_and_nothing_runs(farm: Farm, counted: Counted) -> None:
    (farm.path / LEDGER_FILE).mkdir()
    outcome = run_due(farm, NOON)
    assert outcome.failed
    assert len(outcome.lines) == 1
    assert str(farm.path / LEDGER_FILE) in outcome.lines[0]
    assert not counted.done
    status_text(status_document(farm, NOON))


def test_text_from_files_cannot_play_with_the_terminal(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    def hostile(farm: Farm, period: Period, reading: Reading) -> Done:
        raise StoreError("a name with \x1b[31m colour\r\nand lines")

    monkeypatch.setitem(recipes.RECIPES, "nightly", hostile)
    monkeypatch.setitem(recipes.RECIPES, "weekly", hostile)
    said = "\n".join([*run_due(farm, NOON).lines, status_text(status_document(farm, NOON))])
    assert "\x1b" not in said
    assert "\r" not in said


def test_the_log_is_turned_over(farm: Farm, counted: Counted) -> None:
    (farm.path / LOG_FILE).write_bytes(b"x" * (5 << 20))
    run_due(farm, NOON)
    assert (farm.path / f"{LOG_FILE}.1").stat().st_size == 5 << 20
    assert (farm.path / LOG_FILE).stat().st_size < 10_000


def test_the_second_at_it_does_nothing(farm: Farm, counted: Counted) -> None:
    with working(farm):
        outcome = run_due(farm, NOON)
        with pytest.raises(Busy), working(farm):
            pass
    assert outcome.lines == ("nothing done: another process is running this farm's jobs",)
    assert not outcome.failed
    assert not counted.done
    run_due(farm, NOON)
    assert counted.done[NIGHT] == 1


def test_the_ledger_comes_back_as_written(farm: Farm, counted: Counted) -> None:
    counted.failing = {"weekly"}
    run_due(farm, NOON)
    entries, bad = load_jobs(farm)
    with working(farm):
        save_jobs(farm, entries)
    assert load_jobs(farm) == (entries, bad)
    assert len(entries) == 3


def test_an_inbox_that_cannot_be_taken_does_not_cost_the_night(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise StoreError("the drive is gone")

    monkeypatch.setattr("farmwatch.collect.collect", broken)
    outcome = run_due(farm, NOON)
    assert "failed: nightly 2031-02-10: the drive is gone" in outcome.lines
    assert dt.date(2031, 2, 10) in nights(farm)
    monkeypatch.undo()
    outcome = run_due(farm, NOON + 60 * MINUTE)
    assert not outcome.failed
    assert load_jobs(farm)[0][NIGHT].attempts == 2


def test_a_real_night_and_report(farm: Farm, deliveries: list[Path]) -> None:
    for path in deliveries:
        (farm.inbox / path.name).write_bytes(path.read_bytes())
    (farm.inbox / "runs-late.csv").write_text("run_id,printer_id,started_at,outcome\nr1,p1,not a time,done\n")
    outcome = run_due(farm, utc("2031-01-20 12:00"))
    assert not outcome.failed
    assert any("1 rows went to quarantine" in line for line in outcome.lines)
    assert not list(farm.inbox.iterdir())
    assert nights(farm) == [dt.date(2031, 1, 19)]
    assert (farm.reports / "weekly-2031-W03.html").exists()
    assert load_findings(farm) == []  # three printers, five days, no fault planted
    document = status_document(farm, utc("2031-01-20 12:00"))
    assert {item["last"]["state"] for item in document["jobs"]} == {"succeeded"}
    assert document["due"] == []


TWO = textwrap.dedent("""
    import sys, time, datetime as dt
    from pathlib import Path
    from farmwatch.schedule import recipes, run_due
    from farmwatch.schedule.recipes import Done, Reading
    from farmwatch.store import Farm
    def slow(farm, period, reading):
        with (farm.path / "ran").open("a") as stream:
            stream.write(f"{period.job} {period.name}\\n")
        time.sleep(0.3)
        return Done("done")
    recipes.RECIPES.update(nightly=slow, weekly=slow)
    farm = Farm.open(sys.argv[1])
    (farm.path / f"ready-{sys.argv[2]}").touch()
    while not (farm.path / "go").exists():
        time.sleep(0.01)
    end = time.monotonic() + 1.5
    while time.monotonic() < end:
        run_due(farm, dt.datetime(2031, 2, 11, 12, tzinfo=dt.UTC))
""")


def test_two_processes_do_not_double_a_job(farm: Farm) -> None:
    pair = [subprocess.Popen([sys.executable, "-c", TWO, str(farm.path), name]) for name in "ab"]
    _wait_for(lambda: all((farm.path / f"ready-{name}").exists() for name in "ab"))
    (farm.path / "go").touch()
    assert [process.wait(60) for process in pair] == [0, 0]
    ran = (farm.path / "ran").read_text().splitlines()
    assert sorted(ran) == ["nightly 2031-02-09", "nightly 2031-02-10", "weekly 2031-W06"]


STAY = textwrap.dedent("""
    import sys, time
    from farmwatch.schedule import recipes, stay_up
    from farmwatch.schedule.recipes import Done, Reading
    from farmwatch.store import Farm
    def slow(farm, period, reading):
        (farm.path / f"begun-{period.job}-{period.name}").touch()
        time.sleep(float(sys.argv[2]))
        return Done("done")
    recipes.RECIPES.update(nightly=slow, weekly=slow)
    stay_up(Farm.open(sys.argv[1]), tick_s=0.2)
""")


def _staying(farm: Farm, job_s: float) -> subprocess.Popen[bytes]:
    process = subprocess.Popen([sys.executable, "-c", STAY, str(farm.path), str(job_s)], stderr=subprocess.PIPE)
    _wait_for(lambda: any(farm.path.glob("begun-*")))
    return process


def _wait_for(ready: object, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not ready():  # type: ignore[operator]
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.02)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_asked_to_stop_it_finishes_the_job_in_hand_and_no_more(farm: Farm, number: signal.Signals) -> None:
    process = _staying(farm, 1.0)
    process.send_signal(number)
    said = process.communicate(timeout=60)[1].decode()
    assert process.returncode == 0
    assert "asked to stop" in said
    assert "Traceback" not in said
    assert [entry.state for entry in load_jobs(farm)[0].values()] == ["succeeded"]


def test_told_twice_it_ends_at_once_and_the_job_is_run_again(farm: Farm, counted: Counted) -> None:
    process = _staying(farm, 60.0)
    process.send_signal(signal.SIGTERM)
    time.sleep(0.5)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=20)
    assert process.returncode == -signal.SIGTERM
    (entry,) = load_jobs(farm)[0].values()
    assert entry.state == "started"
    run_due(farm)
    assert counted.done[entry.job, entry.period] == 1


def test_killed_it_leaves_the_lock_free_and_the_job_due(farm: Farm, counted: Counted) -> None:
    process = _staying(farm, 60.0)
    busy = status_text(status_document(farm))
    os.kill(process.pid, signal.SIGKILL)
    process.communicate(timeout=20)
    assert "runs since" in busy
    assert "was cut off" in status_text(status_document(farm))
    (key,) = load_jobs(farm)[0]
    run_due(farm)
    assert counted.done[key] == 1


@pytest.mark.parametrize("error", [KeyboardInterrupt, OSError], ids=["cut off", "no space"])
def test_broken_off_at_every_write_in_turn(
    farm: Farm, counted: Counted, monkeypatch: pytest.MonkeyPatch, error: type[BaseException]
) -> None:
    """At the n-th sync of a file or folder the process ends or the disk is full; the next call makes up for it."""
    reached, place = True, -1
    while reached:
        (farm.path / LEDGER_FILE).unlink(missing_ok=True)
        counted.done.clear()
        place += 1
        left = iter(range(place))

        def breaks(handle: int, left: Iterator[int] = left) -> None:
            if next(left, None) is None:
                raise error(28, "No space left on device")

        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", breaks)
            try:
                reached = run_due(farm, NOON).failed
            except KeyboardInterrupt:
                reached = True
        done_before = set(counted.done)
        assert load_jobs(farm)[1] == []
        outcome = run_due(farm, NOON + 60 * MINUTE)
        assert not outcome.failed
        entries = load_jobs(farm)[0]
        assert {entry.state for entry in entries.values()} == {"succeeded"}
        assert set(counted.done) == set(entries)
        assert len(entries) == 3
        # at most the one job whose success could not be put down ran twice
        assert sum(counted.done.values()) <= len(entries) + 1
        assert done_before <= set(entries)
    assert place >= 12  # two syncs for each of two writes for each of three periods
