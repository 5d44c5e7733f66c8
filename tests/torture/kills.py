"""``kill -9`` at random moments of an operation."""

from __future__ import annotations

import multiprocessing
import random
import shutil
import signal
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

from farmwatch.doctor import examine
from farmwatch.store import Farm
from torture.farms import end_of, plain_reads, remains, run, seen, states_passed
from torture.forking import server


@dataclass(frozen=True)
class Kills:
    """``landed``: kills that fell into the operation; ``states``: how many different folders they left behind,
    drafts and all; ``passed``: the states that an undisturbed run goes through; ``bad``: what was wrong, a line each.
    """

    operation: str
    landed: int
    duration_s: float
    states: int
    passed: int
    bad: tuple[str, ...]


def _work(operation: str, path: Path, ready: Connection) -> None:
    ready.send_bytes(b"ready")
    run(operation, path)
    ready.send_bytes(b"done")


def _started(operation: str, path: Path) -> tuple[multiprocessing.process.BaseProcess, Connection]:
    here, there = server().Pipe(duplex=False)
    process = server().Process(target=_work, args=(operation, path, there), daemon=True)
    process.start()
    there.close()
    here.recv_bytes()
    return process, here


def _done(pipe: Connection) -> bool:
    """Whether the operation had ended when its process was killed."""
    try:
        return pipe.recv_bytes() == b"done"
    except EOFError:
        return False


def _duration_s(operation: str, start: Path, room: Path) -> float:
    times = []
    for turn in range(3):
        path = Path(shutil.copytree(start, room / f"timed-{turn}"))
        process, pipe = _started(operation, path)
        began = time.perf_counter()
        if pipe.recv_bytes() != b"done":
            raise AssertionError("an undisturbed operation did not end")
        times.append(time.perf_counter() - began)
        process.join()
        shutil.rmtree(path)
    return sorted(times)[1]


def kill(operation: str, start: Path, room: Path, times: int, seed: int) -> Kills:
    """Kill ``operation`` on copies of the farm ``start`` until ``times`` kills fell into it.

    After each the folder is in a state that an undisturbed run passes through, so no half-written file bears the name of
    a real one. Of each folder that was left, and of every tenth that was left before byte for byte: every table readable
    by any program; done again, the same end, and the doctor finds nothing.
    """
    chance = random.Random(seed)
    clean = Path(shutil.copytree(start, room / "clean"))
    passed, end = states_passed(operation, clean), end_of(clean)
    duration = _duration_s(operation, start, room)
    left: set[tuple[str, ...]] = set()
    bad: list[str] = []
    landed = 0
    while landed < times:
        path = Path(shutil.copytree(start, room / "killed"))
        process, pipe = _started(operation, path)
        time.sleep(chance.uniform(0.0, duration))
        process.kill()
        process.join()
        if process.exitcode == -signal.SIGKILL and not _done(pipe):
            landed += 1
            what = (seen(path), *remains(path))
            if what[0] not in passed:
                bad.append(f"{operation}: a state that no undisturbed run passes through")
            if what not in left or landed % 10 == 0:
                bad += _wrong(operation, path, end)
            left.add(what)
        elif process.exitcode not in (0, -signal.SIGKILL):
            raise AssertionError(f"{operation}: undisturbed it ended with exit code {process.exitcode}")
        pipe.close()
        shutil.rmtree(path)
    return Kills(operation, landed, duration, len(left), len(passed), tuple(bad))


def _wrong(operation: str, path: Path, end: str) -> list[str]:
    """What is wrong with a folder that a killed process left."""
    bad = []
    try:
        plain_reads(path)
    except Exception as error:
        bad.append(f"{operation}: cannot be read: {type(error).__name__}: {error}")
    run(operation, path)
    if end_of(path) != end:
        bad.append(f"{operation}: done again, not the same end")
    troubles = examine(Farm.open(path))
    return bad + [f"{operation}: {trouble.where}: {trouble.what}" for trouble in troubles]
