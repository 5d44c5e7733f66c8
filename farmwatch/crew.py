"""The detectors of a night, one after the other or on two processes; the same verdicts either way."""

from __future__ import annotations

import multiprocessing
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import replace

from farmwatch.detectors import cure_offset, height_pattern, odd_run, plate_pattern, rates, signal_shift, wear
from farmwatch.detectors.night import Detector, History, Night, Verdicts
from farmwatch.evidence import Check

DETECTORS: tuple[tuple[str, Detector], ...] = (
    ("rates", rates.detect),
    ("plate_pattern", plate_pattern.detect),
    ("odd_run", odd_run.detect),
    ("height_pattern", height_pattern.detect),
    ("cure_offset", cure_offset.detect),
    ("signal_shift", signal_shift.detect),
    ("wear", wear.detect),
)
SECOND_HAND = 3  # from this detector on they go to the second process: about half the work of a night
WORTH_IT = 20  # nights from which a second process pays for its start
Crew = Callable[[Night], list[Verdicts]]

_history: History | None = None  # of the second process, inherited when it was started


def alone(night: Night) -> list[Verdicts]:
    """Every detector's verdict on ``night``, in the order of DETECTORS."""
    return [guarded(name, detector, night) for name, detector in DETECTORS]


def guarded(name: str, detector: Detector, night: Night) -> Verdicts:
    """A detector that breaks is reported as not checked, and the others go on."""
    try:
        return detector(night)
    except Exception as error:  # the night must not die of one detector; the report says that it was not checked
        return Verdicts((), (Check(name, "failed", "farm", None, f"{type(error).__name__}: {error}"),))


@contextmanager
def crew_for(history: History, nights: int) -> Iterator[Crew]:
    """Who looks at ``nights`` nights of ``history``: two processes where that pays and the system can share memory."""
    if nights < WORTH_IT or not sys.platform.startswith("linux") or multiprocessing.cpu_count() < 2:
        yield alone
        return
    global _history
    _history = history
    # forked, so that the records are shared and not sent; what a night adds is small
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("fork")) as pool:

        def both(night: Night) -> list[Verdicts]:
            rest = pool.submit(_second, replace(night, history=None, plates=None, parts=None))  # type: ignore[arg-type]
            first = [guarded(name, detector, night) for name, detector in DETECTORS[:SECOND_HAND]]
            return first + rest.result()

        try:
            yield both
        finally:
            _history = None


def _second(sent: Night) -> list[Verdicts]:
    if _history is None:
        raise RuntimeError("the second process was started without the records")
    seen = _history.night(sent.as_of, sent.settings, sent.part_risk)
    night = replace(seen, spells=sent.spells, expectation=sent.expectation)
    return [guarded(name, detector, night) for name, detector in DETECTORS[SECOND_HAND:]]
