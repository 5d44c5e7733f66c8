"""The ledger of jobs: for every job and period when it ran, how it ended, how often it was tried.

``jobs.jsonl`` in the farm's folder, one line a period, replaced whole: a killed process leaves the line of the job in
hand at ``started``. ``farmwatch.log`` beside it keeps what is too long for a line. Both change under :func:`working`
only, the lock of whoever runs jobs.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from typing import Literal, get_args

from filelock import FileLock, Timeout

from farmwatch.store.farm import Farm
from farmwatch.store.files import StoreError, clear_drafts, make_folder, one_line, replace_file

State = Literal["started", "succeeded", "failed"]
LEDGER_FILE, LOG_FILE = "jobs.jsonl", "farmwatch.log"
CUT_OFF = "the process ended in mid-job: killed, out of memory, or without power"
_ROOM = ".jobs"  # the lock, and drafts that no other writer clears away
_LOG_BYTES = 4 << 20


@dataclass(frozen=True)
class Entry:
    """One job for one period. Times are UTC; ``failures`` counts the tries that ended in an error or with their process,
    ``attempts`` all that began. ``ended``: None too where the process ended in mid-job. ``error``: of a failed one, in
    one line. ``note``: what a person should know of one that succeeded.
    """

    job: str
    period: str
    state: State
    started: dt.datetime
    ended: dt.datetime | None = None
    attempts: int = 1
    failures: int = 0
    error: str | None = None
    note: str | None = None


Ledger = Mapping[tuple[str, str], Entry]


class Busy(Exception):
    """Another process runs this farm's jobs."""


@contextmanager
def working(farm: Farm) -> Iterator[None]:
    """Be the only one to run jobs on this farm; free again when the process is killed. Raises :class:`Busy` at once
    where another is at it, over all processes and threads. Not to be nested.
    """
    room = farm.path / _ROOM
    make_folder(room)
    lock = FileLock(room / "lock", timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise Busy from None
    except OSError as error:
        raise StoreError(f"{room / 'lock'}: cannot be locked: {one_line(error)}") from None
    try:
        clear_drafts(room / "drafts")
        yield
    finally:
        lock.release()


def is_busy(farm: Farm) -> bool:
    """Whether a process is running this farm's jobs now."""
    try:
        with working(farm):
            return False
    except Busy:
        return True


def load_jobs(farm: Farm) -> tuple[dict[tuple[str, str], Entry], list[int]]:
    """The ledger by job and period, in order of writing; and the numbers of the lines that nobody can read.

    Raises :class:`StoreError` where the file cannot be read at all.
    """
    path = farm.path / LEDGER_FILE
    try:
        lines = path.read_bytes().splitlines() if path.exists() else []
    except OSError as error:
        raise StoreError(f"{path}: cannot be read: {one_line(error)}") from None
    entries, bad = {}, []
    for number, line in enumerate(lines, start=1):
        try:
            entry = _parsed(json.loads(line))
        except (ValueError, TypeError, KeyError):
            bad.append(number)
        else:
            entries[entry.job, entry.period] = entry
    return entries, bad


def save_jobs(farm: Farm, entries: Ledger) -> None:
    """Write the whole ledger. Call under :func:`working`. Raises :class:`StoreError`, the old one untouched."""
    text = "".join(map(_line, entries.values()))
    replace_file(farm.path / LEDGER_FILE, farm.path / _ROOM / "drafts", lambda stream: stream.write(text.encode()))


def begun(earlier: Entry | None, job: str, period: str, now: dt.datetime) -> Entry:
    """The entry of a job that starts now, maybe not for the first time."""
    if earlier is None:
        return Entry(job, period, "started", now)
    return replace(earlier, state="started", started=now, ended=None, attempts=earlier.attempts + 1, note=None)


def cut_off(entry: Entry) -> Entry:
    """``entry``; one at ``started`` whose process is known to be gone as the failure that it was."""
    if entry.state != "started":
        return entry
    return replace(entry, state="failed", failures=entry.failures + 1, error=CUT_OFF)


def write_log(farm: Farm, now: dt.datetime, line: str, detail: str = "") -> None:
    """Add to the farm's log; past 4 MiB the old log becomes ``farmwatch.log.1``. A log that cannot be written stops
    nobody.
    """
    path = farm.path / LOG_FILE
    with suppress(OSError):
        if path.exists() and path.stat().st_size > _LOG_BYTES:
            path.replace(path.with_name(f"{LOG_FILE}.1"))
        with path.open("a", encoding="utf-8", errors="backslashreplace") as stream:
            stream.write(f"{now.astimezone(dt.UTC):%Y-%m-%dT%H:%M:%SZ} {line}\n{_indented(detail)}")


def _indented(detail: str) -> str:
    return "".join(f"    {line}\n" for line in detail.splitlines())


@lru_cache(maxsize=4096)  # all but one line are the same as the last time
def _line(entry: Entry) -> str:
    plain: dict[str, object] = dict(vars(entry))
    for name, value in plain.items():
        if isinstance(value, dt.datetime):
            plain[name] = value.astimezone(dt.UTC).isoformat(timespec="seconds")
    return f"{json.dumps(plain)}\n"


def _parsed(document: dict[str, object]) -> Entry:
    """Raises ``ValueError``, ``TypeError`` or ``KeyError`` on anything that :func:`save_jobs` would not write."""
    if not isinstance(document, dict) or document.keys() - {field.name for field in fields(Entry)}:
        raise ValueError
    checks: dict[str, Callable[[object], bool]] = {
        "job": lambda value: isinstance(value, str),
        "period": lambda value: isinstance(value, str),
        "state": lambda value: value in get_args(State),
        "attempts": lambda value: type(value) is int,
        "failures": lambda value: type(value) is int,
        "error": lambda value: value is None or isinstance(value, str),
        "note": lambda value: value is None or isinstance(value, str),
    }
    if not all(check(document[name]) for name, check in checks.items()):
        raise ValueError
    return Entry(**{**document, "started": _time(document["started"]), "ended": _ended(document["ended"])})  # type: ignore[arg-type]


def _ended(text: object) -> dt.datetime | None:
    return None if text is None else _time(text)


def _time(text: object) -> dt.datetime:
    if not isinstance(text, str):
        raise TypeError
    time = dt.datetime.fromisoformat(text)
    if time.tzinfo is None:
        raise ValueError
    return time.astimezone(dt.UTC)
