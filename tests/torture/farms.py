"""A tiny farm, the operations that are tortured on it, and what a reader sees of it at any moment."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import os
import shutil
import sys
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stdout
from pathlib import Path
from typing import Any
from unittest import mock

import pandas as pd

import farmwatch.cli as cli
import farmwatch.one_finding as one_finding
from farmwatch.causes.table import load_causes
from farmwatch.collect import collect, rebuild
from farmwatch.evidence import Evidence, Finding, Subject
from farmwatch.nightly import nightly
from farmwatch.records import TABLES
from farmwatch.report.week import Week
from farmwatch.simulate.scenarios import simulate_to
from farmwatch.store import Farm, save_night
from farmwatch.weekly import weekly

OPERATIONS = ("collect", "nightly", "rebuild", "weekly", "check")
NIGHT = dt.date(2031, 1, 11)  # the last day of the invented farm; its first is 2031-01-06
FINDING = "f-tiny"
# what is neither data nor seen by any reader: locks, drafts, what a rebuild fills beside
_UNSEEN = (".lock", ".drafts", ".rebuild", ".rebuilt", ".jobs", ".new")

# rows that are replaced, refused, off their plate until corrected, and a column of the farm's own
_LATE = {
    "printers-b.csv": "printer_id,plate_width_mm,plate_depth_mm\nlate,100,60\n",
    "runs-b.csv": "run_id,printer_id,started_at,outcome,colour\nlate-1,late,2031-02-02,good,red\n"
    "late-2,late,2031-01-10,failed,\nlate-3,late,never,good,\n",
    "parts-b.csv": "run_id,part_no,x_mm,outcome\nlate-1,1,10,failed\nlate-1,2,80,good\nlate-2,1,0,lost\n",
}
_EARLY = {"parts-a.csv": "run_id,part_no,x_mm,outcome\nlate-1,1,10,good\nlate-1,3,70,good\n"}


def make_farms(folder: Path) -> dict[str, Path]:
    """For each operation a farm's folder that waits for it."""
    files = [path for path in simulate_to(folder / "files", 2, 6, 3, 1) if path.suffix == ".csv"]
    farm = Farm.create(folder / "collect", "Europe/Paris")
    _deliver(farm, _EARLY)
    collect(farm, [*files, *farm.inbox.iterdir()])
    save_night(farm, NIGHT - dt.timedelta(days=2), [_finding(farm)], [])
    _deliver(farm, _LATE)
    made = {"collect": farm.path}
    for name in ("nightly", "rebuild"):
        made[name] = Path(shutil.copytree(farm.path, folder / name))
        collect(Farm.open(made[name]))
    for name in ("weekly", "check"):
        made[name] = Path(shutil.copytree(made["nightly"], folder / name))
        nightly(Farm.open(made[name]), NIGHT)
    return made


def _deliver(farm: Farm, files: dict[str, str]) -> None:
    for name, text in files.items():
        (farm.inbox / name).write_text(text)


def _finding(farm: Farm) -> Finding:
    runs = farm.read("runs", ["run_id", "printer_id"])
    since = NIGHT - dt.timedelta(days=4)
    return printer_finding(FINDING, str(runs["printer_id"].iloc[0]), since, tuple(runs["run_id"].head(9)))


def printer_finding(finding_id: str, printer_id: str, since: dt.date, run_ids: tuple[str, ...]) -> Finding:
    """An open finding of more failures on one printer, first flagged on the day it began."""
    evidence = Evidence(
        kind="rate_shift",
        subject=Subject("printer", printer_id),
        sign=None,
        zone=None,
        band=None,
        direction="up",
        since=since,
        since_low=since,
        since_high=since,
        observed=9.0,
        expected=3.0,
        opportunities=40.0,
        unit="plates",
        effect=3.0,
        effect_low=1.5,
        effect_high=6.0,
        effect_unit="odds ratio",
        error_rate=0.01,
        score=5.0,
        separable=True,
        rivals=(),
        detail={},
        run_ids=run_ids,
    )
    return Finding(finding_id, evidence, since, since, "open", (), (), {})


def run(operation: str, path: Path) -> None:
    """Do one operation on the farm at ``path``, as its command does."""
    if operation == "check":
        _enter_check(path)
        return
    farm = Farm.open(path)
    jobs: dict[str, Callable[[Farm], Any]] = {
        "collect": collect,
        "rebuild": rebuild,
        "nightly": lambda farm: nightly(farm, NIGHT),
        "weekly": lambda farm: weekly(farm, Week.of(NIGHT)),
    }
    jobs[operation](farm)


def _enter_check(path: Path) -> None:
    """``farmwatch check`` at a fixed instant, so that the same entry again is the same row."""
    check, known = next(iter(load_causes(None).checks.items()))
    instant = dt.datetime(2031, 1, 12, 9, tzinfo=dt.UTC)
    clock = types.SimpleNamespace(UTC=dt.UTC, date=dt.date, datetime=types.SimpleNamespace(now=lambda zone: instant))
    with mock.patch.object(one_finding, "dt", clock), mock.patch.object(os, "getpid", return_value=7):
        result = next(iter(known.results))
        with redirect_stdout(io.StringIO()):
            cli.main(["check", FINDING, check, result, "--farm", str(path)], standalone_mode=False)


def seen(path: Path, without: tuple[str, ...] = ()) -> str:
    """A digest of every file that a reader may meet, name and content."""
    whole = hashlib.sha256()
    for file in sorted(_files(path, (*_UNSEEN, *without))):
        whole.update(os.fsencode(file.relative_to(path)) + b"\0" + hashlib.sha256(file.read_bytes()).digest())
    return whole.hexdigest()


def remains(path: Path) -> list[str]:
    """What a killed process left that no reader sees: which of the places of drafts are there and hold anything."""
    places = (path / "records" / ".drafts", *(path / name for name in _UNSEEN[2:]))
    return [f"{place.name} {any(place.iterdir())}" for place in places if place.is_dir()]


def end_of(path: Path) -> str:
    """What an operation is to come to. A delivery may be kept twice where one was cut off: rebuilt, it is the same."""
    return seen(path, ("deliveries",))


def _files(folder: Path, unseen: tuple[str, ...]) -> Iterator[Path]:
    for entry in os.scandir(folder):
        if entry.name in unseen:
            continue
        if entry.is_dir(follow_symlinks=False):
            yield from _files(Path(entry.path), unseen)
        else:
            yield Path(entry.path)


def plain_reads(path: Path) -> None:
    """Read every table as any program would. Raises where one cannot be read or holds a key twice."""
    for name, table in TABLES.items():
        frame = pd.read_parquet(path / "records" / name)
        if frame.duplicated(list(table.key)).any():
            raise AssertionError(f"{name}: a key stands twice")


# An audit hook cannot be taken away again: there is one, and it asks whoever listens.
_STEPS = ("open", "os.rename", "os.remove", "os.mkdir", "os.rmdir")
_listeners: list[Callable[[str], None]] = []


def _hook(event: str, arguments: tuple[Any, ...]) -> None:
    if _listeners and event in _STEPS:
        for listener in tuple(_listeners):
            listener(f"{event} {arguments[0]!s}")


sys.addaudithook(_hook)


@contextmanager
def listening(folder: Path, listener: Callable[[str], None]) -> Iterator[None]:
    """Call ``listener`` before every opening, renaming, making and removing in ``folder``; it may raise."""
    busy = False

    def heard(step: str) -> None:
        nonlocal busy
        # a path given relative to an open folder is that of a tree being removed
        inside = str(folder) in step or step.startswith(("os.remove", "os.rmdir"))
        if inside and not busy:
            busy = True
            try:
                listener(step)
            finally:
                busy = False

    _listeners.append(heard)
    try:
        yield
    finally:
        _listeners.remove(heard)


def states_passed(operation: str, path: Path, without: tuple[str, ...] = ()) -> list[str]:
    """Do the operation undisturbed; every state of the folder that a reader could meet meanwhile, first to last."""
    states = [seen(path, without)]

    def note(step: str) -> None:
        state = seen(path, without)
        if state != states[-1]:
            states.append(state)

    with listening(path, note):
        run(operation, path)
    note("end")
    return states
