"""Stay up: an alarm clock that asks once a minute what is due. The only place that knows APScheduler.

The clock holds no jobs and no times of its own, only a tick: what is due is read from the ledger at every tick, so
nothing is lost or doubled when the process, the machine or the clock stops, starts or jumps.
"""

from __future__ import annotations

import datetime as dt
import logging
import signal
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from queue import SimpleQueue
from types import FrameType
from zoneinfo import ZoneInfo

from farmwatch.report.text import printable
from farmwatch.schedule.periods import JOBS, upcoming
from farmwatch.schedule.run import run_due
from farmwatch.store import Farm, StoreError

TICK_S = 60


def say_aloud(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def stay_up(farm: Farm, say: Callable[[str], object] = say_aloud, tick_s: float = TICK_S) -> None:
    """Run what is due, now and at every tick, until SIGTERM or SIGINT; the job in hand is then finished.

    A second signal ends the process at once: its job stays ``started`` on the ledger and is run again next time.
    Call from the main thread.
    """
    from apscheduler.executors.pool import ThreadPoolExecutor
    from apscheduler.schedulers.background import BackgroundScheduler

    # a tick that finds the one before still at work is no news
    logging.getLogger("apscheduler").setLevel(logging.CRITICAL)
    stop = threading.Event()
    asked: SimpleQueue[int] = SimpleQueue()

    def ask(number: int, frame: FrameType | None) -> None:
        signal.signal(number, signal.SIG_DFL)
        stop.set()
        asked.put(number)

    before = {number: signal.signal(number, ask) for number in (signal.SIGTERM, signal.SIGINT)}
    scheduler = BackgroundScheduler(timezone=dt.UTC, executors={"default": ThreadPoolExecutor(1)})
    scheduler.add_job(
        _Tick(farm.path, say, stop.is_set),
        "interval",
        seconds=tick_s,
        coalesce=True,
        misfire_grace_time=None,
        max_instances=1,
        next_run_time=dt.datetime.now(dt.UTC),
    )
    say(f"{farm.path}: staying up; {_next_times(farm)}")
    scheduler.start()
    try:
        asked.get()
        say("asked to stop: the job in hand is finished first")
    finally:
        scheduler.shutdown(wait=True)
        for number, handler in before.items():
            signal.signal(number, handler)


class _Tick:
    """One look at what is due. What was said at the tick before is not said again."""

    def __init__(self, farm: Path, say: Callable[[str], object], stopping: Callable[[], bool]) -> None:
        self.farm = farm
        self.say = say
        self.stopping = stopping
        self.said: tuple[str, ...] = ()

    def __call__(self) -> None:
        try:
            # opened anew, so that changed settings count from the next tick on
            lines = run_due(Farm.open(self.farm), stopping=self.stopping).lines
        except StoreError as error:
            lines = (f"failed: {printable(str(error))}",)
        except Exception as error:  # whatever it is, the next tick tries again
            lines = (f"failed: {type(error).__name__}: {printable(' '.join(str(error).split()))}",)
        for line in lines:
            if line not in self.said:
                self.say(line)
        self.said = lines


def _next_times(farm: Farm) -> str:
    zone = ZoneInfo(farm.timezone)
    now = dt.datetime.now(dt.UTC)
    times = {job: upcoming(job, now, farm.settings).due.astimezone(zone) for job in JOBS}
    return "next " + ", ".join(f"{job} at {time:%Y-%m-%d %H:%M}" for job, time in times.items())
