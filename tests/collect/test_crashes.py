"""A collect that fails or is killed at any step leaves whole records, and done again comes to the same ones."""

from __future__ import annotations

import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from farmwatch.collect import collect, deliveries, quarantine, rebuild
from farmwatch.store import Farm, StoreError

FILES = {
    "printers.csv": "printer_id,plate_width_mm,plate_depth_mm\np1,120,68\n",
    "runs.csv": "run_id,printer_id,started_at,outcome,colour\n"
    "r1,p1,2031-04-02,good,red\nr2,p1,2031-05-02,failed,\nr3,p1,never,good,\n",
    "parts-1.csv": "run_id,part_no,x_mm,outcome\nr1,1,10,good\nr1,2,100,good\nr2,1,0,failed\n",
    "parts-2.csv": "run_id,part_no,x_mm,outcome,shade\nr1,1,10,failed,dark\nr9,1,100,good,\n",
}


# every step and 300 kills instead of a selection; takes most of an hour
TORTURE = bool(os.environ.get("FARMWATCH_TORTURE"))


class Killed(BaseException):
    """Stands for the end of the process: nothing in the code may catch it."""


def no_space() -> OSError:
    return OSError(errno.ENOSPC, "No space left on device")


def _prepared(folder: Path) -> Farm:
    """A farm with records from before, and an inbox to take."""
    farm = Farm.create(folder, "UTC")
    (farm.inbox / "parts-0.csv").write_text("run_id,part_no,x_mm,outcome\nr1,1,5,good\nr1,3,70,good\n")
    (farm.inbox / "runs-0.csv").write_text("run_id,printer_id,started_at,outcome\nr0,p1,2031-03-02,good\n")
    collect(farm)
    for name, text in FILES.items():
        (farm.inbox / name).write_text(text)
    return farm


def _state(farm: Farm) -> dict[str, Any]:
    state: dict[str, Any] = {}
    for table in ("printers", "runs", "parts"):
        frame = pd.read_parquet(farm.path / "records" / table)
        key = [name for name in ("printer_id", "run_id", "part_no") if name in frame.columns and name != "printer_id"]
        frame = frame.sort_values(key or ["printer_id"], ignore_index=True)
        assert not frame.duplicated(key or ["printer_id"]).any()
        state[table] = frame[sorted(set(frame.columns) - {"filed"})].astype("str").to_dict("list")
    state["quarantine"] = sorted((e["file"], e["line"], e["reason"]) for e in quarantine.entries(farm))
    return state


def _failing(patch: pytest.MonkeyPatch, step: int, failure: Callable[[], BaseException]) -> list[int]:
    """Let the ``step``-th sync, rename or removal fail, as every one after it would on a dead disk; counts them."""
    count = [0]

    def guard(inner: Callable[..., Any]) -> Callable[..., Any]:
        def guarded(*args: Any, **options: Any) -> Any:
            count[0] += 1
            if count[0] >= step:
                raise failure()
            return inner(*args, **options)

        return guarded

    patch.setattr(os, "fsync", guard(lambda handle: None))
    patch.setattr(Path, "replace", guard(Path.replace))
    patch.setattr(Path, "rename", guard(Path.rename))
    patch.setattr(Path, "unlink", guard(Path.unlink))
    return count


@pytest.mark.parametrize("job", [collect, rebuild])
@pytest.mark.parametrize("failure", [no_space, Killed])
def test_a_failure_at_every_step_in_turn(tmp_path: Path, job: Callable[[Farm], Any], failure: Any) -> None:
    clean = _prepared(tmp_path / "clean")
    if job is rebuild:
        collect(clean)
    with pytest.MonkeyPatch.context() as patch:
        steps = _failing(patch, sys.maxsize, failure)
        job(clean)
    after = _state(clean)
    start = _prepared(tmp_path / "start")
    if job is rebuild:
        collect(start)
    stride = 1 if TORTURE else 24
    for step in range(1 + (5 if failure is Killed else 0) % stride, steps[0] + 1, stride):
        farm = Farm.open(shutil.copytree(start.path, tmp_path / f"{step}"))
        with pytest.MonkeyPatch.context() as patch:
            _failing(patch, step, failure)
            if failure is Killed:
                with pytest.raises(Killed):
                    job(farm)
            else:
                # files that cannot leave the inbox are no failure: they are taken again
                with suppress(StoreError):
                    job(farm)
        farm = Farm.open(farm.path)
        for table in ("printers", "runs", "parts"):
            farm.read(table)
        collect(farm)
        assert _state(farm) == after
        assert not any(farm.inbox.iterdir())
        assert not any(farm.drafts.iterdir())


SCRIPT = """
import sys
from farmwatch.collect import collect
from farmwatch.store import Farm
farm = Farm.open(sys.argv[1])
print("ready", flush=True)
collect(farm)
"""


def test_killed_at_random_moments(tmp_path: Path) -> None:
    clean = _prepared(tmp_path / "clean")
    collect(clean)
    wanted = _state(clean)
    chance = random.Random(5)
    farm = _prepared(tmp_path / "farm")
    killed = 0
    for _ in range(300 if TORTURE else 2):
        for name, text in FILES.items():
            (farm.inbox / name).write_text(text)
        worker = subprocess.Popen([sys.executable, "-c", SCRIPT, str(farm.path)], stdout=subprocess.PIPE)
        assert worker.stdout is not None
        assert worker.stdout.readline() == b"ready\n"
        time.sleep(chance.uniform(0.0, 0.3))
        worker.send_signal(signal.SIGKILL)
        killed += worker.wait() == -signal.SIGKILL
        worker.stdout.close()
        for table in ("printers", "runs", "parts"):
            frame = farm.read(table)
            assert not frame.duplicated(["run_id", "part_no"] if table == "parts" else frame.columns[0]).any()
    collect(farm)
    assert _state(farm) == wanted
    assert killed
    assert deliveries.kept(farm)
