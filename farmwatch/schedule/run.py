"""Run what is due: one process at a time, each period of a job to one success, every step on the ledger."""

from __future__ import annotations

import datetime as dt
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, replace

from farmwatch.report.text import printable
from farmwatch.report.words import count
from farmwatch.schedule.periods import Period, candidates, held_back, standing
from farmwatch.schedule.recipes import RECIPES, Reading
from farmwatch.store import Farm, StoreError
from farmwatch.store.files import one_line
from farmwatch.store.jobs import (
    CUT_OFF,
    LEDGER_FILE,
    Busy,
    Entry,
    begun,
    cut_off,
    load_jobs,
    save_jobs,
    working,
    write_log,
)

Clock = Callable[[], dt.datetime]


@dataclass(frozen=True)
class Outcome:
    """What was done, line by line. ``failed``: a job failed, or a detector could not look."""

    lines: tuple[str, ...]
    failed: bool


def run_due(farm: Farm, now: dt.datetime | None = None, stopping: Callable[[], bool] = lambda: False) -> Outcome:
    """Run every job that is due at ``now`` (with a zone; default: the clock) and not on the ledger.

    Raises nothing of the jobs: what fails is said in one line that starts with ``failed``, with the rest in the farm's
    log, and tried again by a later call. Where another process is at it, nothing is done. Asked between two jobs,
    ``stopping`` ends the run early.
    """
    try:
        with working(farm):
            return _run_all(farm, _clock_from(now), stopping)
    except Busy:
        return Outcome(("nothing done: another process is running this farm's jobs",), False)
    except StoreError as error:
        return Outcome((f"failed: {printable(str(error))}",), True)


def _clock_from(now: dt.datetime | None) -> Clock:
    if now is None:
        return lambda: dt.datetime.now(dt.UTC)
    began = time.monotonic()
    start = now.astimezone(dt.UTC)
    return lambda: start + dt.timedelta(seconds=time.monotonic() - began)


def _run_all(farm: Farm, clock: Clock, stopping: Callable[[], bool]) -> Outcome:
    ledger, bad = load_jobs(farm)
    lines, failed = [], False
    if bad:
        lines.append(
            f"{LEDGER_FILE}: {count(len(bad), 'line')} that nobody can read left out; what stood there may run again"
        )
        write_log(farm, clock(), lines[-1])
    lines += _own_up(farm, ledger, clock)
    reading = Reading()
    owed = candidates(ledger, clock(), farm.settings)
    for period in owed:
        if stopping():
            break
        if standing(ledger.get(period.key), clock(), farm.settings) != "due":
            continue
        if held_back(period, owed, ledger, clock(), farm.settings):
            continue
        said, sound = _run(farm, ledger, period, clock, reading)
        lines += said
        failed |= not sound
    return Outcome(tuple(printable(line) for line in lines), failed)


def _own_up(farm: Farm, ledger: dict[tuple[str, str], Entry], clock: Clock) -> list[str]:
    """Put down as failed what is at ``started``: whoever began it is gone, as the lock was free. A line on each."""
    gone = [entry for entry in ledger.values() if entry.state == "started"]
    lines = []
    for entry in gone:
        ledger[entry.job, entry.period] = cut_off(entry)
        last = cut_off(entry).failures > farm.settings.schedule.retries
        then = "given up" if last else "run again"
        lines.append(f"failed: {entry.job} {entry.period}: try {entry.attempts}: {CUT_OFF}; {then}")
        write_log(farm, clock(), lines[-1])
    if gone:
        save_jobs(farm, ledger)
    return lines


def _run(
    farm: Farm, ledger: dict[tuple[str, str], Entry], period: Period, clock: Clock, reading: Reading
) -> tuple[list[str], bool]:
    """One job for one period; lines on what came of it, and whether all was well."""
    name = f"{period.job} {period.name}"
    entry = ledger[period.key] = begun(ledger.get(period.key), period.job, period.name, clock())
    save_jobs(farm, ledger)
    try:
        done = RECIPES[period.job](farm, period, reading)
    except Exception as error:  # a job that fails must not stop the others, nor those of the nights to come
        reason = one_line(error) if isinstance(error, StoreError) else f"{type(error).__name__}: {one_line(error)}"
        ledger[period.key] = replace(entry, state="failed", ended=clock(), failures=entry.failures + 1, error=reason)
        line = f"failed: {name}: {reason}"
        write_log(farm, clock(), line, traceback.format_exc())
        save_jobs(farm, ledger)
        return [line], False
    ledger[period.key] = entry = replace(entry, state="succeeded", ended=clock(), error=None, note=_joined(done.notes))
    save_jobs(farm, ledger)
    unsent = done.tell()
    if unsent:
        ledger[period.key] = replace(entry, note=_joined((*done.notes, *unsent)))
        save_jobs(farm, ledger)
    lines = [f"{name}: {done.said}", *(f"{name}: {note}" for note in (*done.notes, *unsent))]
    for line in lines:
        write_log(farm, clock(), line)
    return lines, done.sound


def _joined(notes: tuple[str, ...]) -> str | None:
    return "; ".join(notes) or None
