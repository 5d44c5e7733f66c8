"""The detectors of a night, one after the other or on two processes; the same verdicts either way."""

from __future__ import annotations

import ctypes
import datetime as dt
import multiprocessing
import os
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import replace

from farmwatch.detectors import cure_offset, height_pattern, odd_run, plate_pattern, rates, signal_shift, wear
from farmwatch.detectors.expected import Expectation, with_expectation
from farmwatch.detectors.night import Detector, History, Night, Spell, Verdicts
from farmwatch.evidence import Check
from farmwatch.settings import Settings

DETECTORS: tuple[tuple[str, Detector], ...] = (
    ("rates", rates.detect),
    ("cure_offset", cure_offset.detect),
    ("signal_shift", signal_shift.detect),
    ("odd_run", odd_run.detect),
    ("plate_pattern", plate_pattern.detect),
    ("height_pattern", height_pattern.detect),
    ("wear", wear.detect),
)
SECOND_HAND = 4  # from this detector on they go to the second process: about half the work of a night
LARGE_FARM = 1_000_000  # parts, from which what is free is given back: it takes some milliseconds each time
WORTH_IT = 20  # nights from which a second process pays for its start
Crew = Callable[[Night], list[Verdicts]]

_taken: tuple[History, Settings] | None = None  # what the second process was started with


def alone(night: Night) -> list[Verdicts]:
    """Every detector's verdict on ``night``, in the order of DETECTORS."""
    return [guarded(name, detector, night) for name, detector in DETECTORS]


def give_back(history: History) -> None:
    """Give the system the memory that is free in this process, where a large farm leaves much of it.

    The C library keeps what lies between arrays that stay: 37 bytes a part after a fit on 12 million parts.
    """
    if len(history.parts) >= LARGE_FARM:
        with suppress(OSError, AttributeError, TypeError):  # glibc's, which others do without
            ctypes.CDLL(None).malloc_trim(0)


def guarded(name: str, detector: Detector, night: Night) -> Verdicts:
    """A detector that breaks is reported as not checked, and the others go on."""
    give_back(night.history)
    try:
        return detector(night)
    except Exception as error:  # the night must not die of one detector; the report says that it was not checked
        return Verdicts((), (Check(name, "failed", "farm", None, f"{type(error).__name__}: {error}"),))


@contextmanager
def crew_for(history: History, settings: Settings, nights: int) -> Iterator[Crew]:
    """Who looks at ``nights`` nights of ``history``: two processes where that pays, else this one."""
    if nights < WORTH_IT or multiprocessing.cpu_count() < 2:
        yield alone
        return
    # started afresh, not forked: a fork of a process whose libraries run threads may hang for ever
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, context, _take_over, (history, settings)) as pool:

        def both(night: Night) -> list[Verdicts]:
            try:
                rest = pool.submit(_second, night.as_of, night.spells, night.expectation)
                first = [guarded(name, detector, night) for name, detector in DETECTORS[:SECOND_HAND]]
                return first + rest.result()
            except BrokenProcessPool:  # the second process could not start, or was killed: its work is done here
                return alone(night)

        yield both


def _take_over(history: History, settings: Settings) -> None:
    global _taken
    _taken = history, settings
    threading.Thread(target=_end_with_the_first, daemon=True).start()


def _end_with_the_first() -> None:
    """A first process that is killed must not leave the second one waiting for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _second(as_of: dt.date, spells: tuple[Spell, ...], expectation: Expectation | None) -> list[Verdicts]:
    if _taken is None:
        raise RuntimeError("the second process was started without the records")
    history, settings = _taken
    night = seen_again(history.night(as_of, settings), spells, expectation)
    return [guarded(name, detector, night) for name, detector in DETECTORS[SECOND_HAND:]]


def seen_again(night: Night, spells: tuple[Spell, ...], expectation: Expectation | None) -> Night:
    """The night in another process, as the first one saw it."""
    night = replace(night, spells=spells)
    return night if expectation is None else with_expectation(night, expectation)
