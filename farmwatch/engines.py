"""Where the detectors of a night run: here (``crew``), or as tasks on a Dask cluster; the same verdicts either way.

On a cluster the joined history is sent once, each night sends what was expected of it, and every detector is a task. A
task whose worker dies is run again by another one. What nobody holds any more is sent again. Where the cluster itself is
gone the detectors run here, from that night on, and a line says so.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import logging
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from farmwatch.crew import DETECTORS, Crew, crew_for, guarded, seen_again
from farmwatch.detectors.expected import Expectation
from farmwatch.detectors.night import History, Night, Spell, Verdicts
from farmwatch.settings import Settings

if TYPE_CHECKING:
    from distributed import Client, Future

NAMES = ("local", "dask")
PATIENCE_S = 30.0  # without a worker or an answer for so long, the cluster is given up
Engine = Callable[[History, Settings, int], AbstractContextManager[Crew]]
"""Gives who looks at so many nights of a history, for as long as the context is open."""


class EngineError(Exception):
    """The engine that was asked for cannot be had; the message says what to do, in one line."""


class _Lost(Exception):
    """The cluster does not come to an end with a night."""


def _to_stderr(line: str) -> None:
    print(line, file=sys.stderr)


def engine_named(name: str, scheduler: str = "", say: Callable[[str], object] = _to_stderr) -> Engine:
    """The engine ``local``, or ``dask`` with the address of its scheduler. Raises :class:`EngineError`."""
    if name == "local":
        return crew_for
    if name != "dask":
        raise EngineError(f"no engine of that name: {name!r}; there are {', '.join(NAMES)}")
    if not scheduler:
        raise EngineError("the engine dask needs the address of a scheduler, like tcp://host:8786")
    try:
        import distributed  # noqa: F401
    except ImportError:
        raise EngineError("the engine dask needs Dask's distributed: pip install 'farmwatch[dask]'") from None
    return DaskEngine(scheduler, say)


def engine_of(settings: Settings) -> Engine:
    """The engine that the settings name. Raises :class:`EngineError`."""
    return engine_named(settings.engine.name, settings.engine.scheduler)


@dataclass(frozen=True)
class DaskEngine:
    """The cluster behind the scheduler at the address ``scheduler``. Its workers need the same farmwatch."""

    scheduler: str
    say: Callable[[str], object] = _to_stderr
    patience_s: float = PATIENCE_S

    @contextmanager
    def __call__(self, history: History, settings: Settings, nights: int) -> Iterator[Crew]:
        with ExitStack() as stack:
            here: Crew | None = None
            try:
                cluster = _Cluster(
                    stack.enter_context(self._client()), _Kit(history, settings, package_digest()), self.patience_s
                )
            except (OSError, ValueError) as error:  # nobody answers, or the address is none
                self._give_up(error)
                here = stack.enter_context(crew_for(history, settings, nights))

            def crew(night: Night) -> list[Verdicts]:
                nonlocal here
                if here is None:
                    try:
                        return cluster.ask(night)
                    except _Lost as error:
                        self._give_up(error)
                        here = stack.enter_context(crew_for(history, settings, nights))
                return here(night)

            yield crew

    def _client(self) -> Client:
        from distributed import Client

        for name in [name for name in logging.root.manager.loggerDict if name.split(".")[0] == "distributed"]:
            logging.getLogger(name).setLevel(logging.CRITICAL)  # what matters is said in one line by this module
        return Client(self.scheduler, timeout=self.patience_s, set_as_default=False)

    def _give_up(self, error: Exception) -> None:
        reason = " ".join(str(error).split()) or type(error).__name__
        self.say(f"the cluster at {self.scheduler} cannot be used ({reason}); the detectors run here")


@dataclass(frozen=True)
class _Kit:
    """What a worker holds through all nights."""

    history: History
    settings: Settings
    package: str  # digest of the code that asks


@dataclass(frozen=True)
class _Sight:
    """What one night adds to it."""

    as_of: dt.date
    spells: tuple[Spell, ...]
    expectation: Expectation | None


@cache
def package_digest() -> str:
    """A digest of farmwatch's own code: workers with another farmwatch would come to other verdicts."""
    root = Path(__file__).parent
    whole = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        whole.update(f"{path.relative_to(root).as_posix()}\n".encode() + path.read_bytes())
    return whole.hexdigest()


def _detect(number: int, kit: _Kit, sight: _Sight) -> Verdicts:
    """One detector of one night, on a worker."""
    if kit.package != package_digest():
        raise RuntimeError("its workers run another version of farmwatch")
    night = seen_again(kit.history.night(sight.as_of, kit.settings), sight.spells, sight.expectation)
    return guarded(*DETECTORS[number], night)


class _Cluster:
    """A connected cluster that holds the history of one farm."""

    def __init__(self, client: Client, kit: _Kit, patience_s: float) -> None:
        self.client, self.kit, self.patience_s = client, kit, patience_s
        self.held: Future | None = None

    def ask(self, night: Night) -> list[Verdicts]:
        """Every detector's verdict, in the order of DETECTORS. Raises :class:`_Lost`."""
        sight = _Sight(night.as_of, night.spells, night.expectation)
        try:
            return self._once(sight)
        except Exception:  # the detectors are guarded: what comes here is the cluster's, like data lost with a worker
            self.held = None
        try:
            return self._once(sight)
        except Exception as error:
            raise _Lost(str(error) or type(error).__name__) from error

    def _once(self, sight: _Sight) -> list[Verdicts]:
        if self.held is None:
            # a copy to every worker: one that dies takes nothing with it that another one does not hold
            self.held = self._send(self.kit, broadcast=True)
        told = self._send(sight, broadcast=False)
        tasks = [
            self.client.submit(
                _detect, number, self.held, told, pure=False, key=f"{name}-{sight.as_of}-{time.time_ns()}"
            )
            for number, (name, _) in enumerate(DETECTORS)
        ]
        self._await(tasks)
        verdicts: list[Verdicts] = self.client.gather(tasks)
        return verdicts

    def _send(self, thing: object, broadcast: bool) -> Future:
        # in a list, as a thing that can be taken apart would be; not hashed, as that would read it all once more
        return self.client.scatter([thing], broadcast=broadcast, hash=False, timeout=self.patience_s)[0]

    def _await(self, tasks: list[Future]) -> None:
        """Until all are done. Raises TimeoutError where there is nobody to do them, and what the cluster raises."""
        from distributed import wait

        seen = time.monotonic()
        while True:
            try:
                with self.client.as_current():
                    wait(tasks, timeout=2.0)
                return
            except TimeoutError:
                if self.client.status == "running" and self.client.nthreads():
                    seen = time.monotonic()
                elif time.monotonic() - seen > self.patience_s:
                    raise TimeoutError("it has no worker left") from None
