"""What the desk hands to the door: files in the inbox like all others, named after the form they were typed into.

A form has an id. Its rows stand in files of that name, so a form sent twice is one delivery, and what was typed while
another process was writing waits in the inbox for the next collect.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import secrets
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import pyarrow as pa

from farmwatch.collect import collect, deliveries, quarantine
from farmwatch.collect.plates import Plates
from farmwatch.collect.rows import understand
from farmwatch.collect.sources import find_sources
from farmwatch.store import Farm, StoreError
from farmwatch.store.files import replace_file

Row = dict[str, Any]
State = Literal["saved", "again", "waiting", "refused", "quarantined", "changed", "used"]
BUSY_S = 4.0  # how long a person with gloves on waits for another writer
_FORM_ID = re.compile(r"[0-9a-f]{24}")


@dataclass(frozen=True)
class Refusal:
    """Why the door does not take a row. ``line``: which row of its table, from 1."""

    table: str
    line: int
    column: str
    reason: str
    words: str


@dataclass(frozen=True)
class Delivered:
    """What became of a form.

    ``saved``: in the records; ``again``: this very form was saved before; ``waiting``: in the inbox, as another process
    is writing; ``refused``: nothing was written; ``quarantined``: taken, but the rows of ``refusals`` stayed outside;
    ``changed``: what the form was drawn from has changed; ``used``: the form was saved before with other content.
    """

    state: State
    refusals: tuple[Refusal, ...] = ()
    unregistered: tuple[tuple[str, str], ...] = ()


def new_form() -> str:
    """An id for a form about to be drawn."""
    return secrets.token_hex(12)


def is_form(form: str) -> bool:
    """Whether it may be the id of a form: what comes back from a browser may be anything."""
    return _FORM_ID.fullmatch(form) is not None


def file_name(table: str, form: str) -> str:
    """The name under which a form's rows of one table come to the inbox."""
    return f"{table}.desk-{form}.jsonl"


def deliver(
    farm: Farm,
    form: str,
    rows: Mapping[str, Sequence[Row]],
    stands: Callable[[], bool],
    made: Sequence[str] = ("recorded_at",),
) -> Delivered:
    """Let the door take ``rows`` (by table) of one form. ``stands()`` says, under the lock, whether what the form was
    drawn from still stands; ``made`` names the columns that nobody typed, which differ when a form is sent twice.
    Raises :class:`StoreError`.
    """
    if not is_form(form):
        raise StoreError("a form without an id")
    files = {table: encoded(several) for table, several in rows.items() if several}
    with ExitStack() as lock:
        try:
            lock.enter_context(farm.writer(BUSY_S))
            busy = False
        except StoreError:
            busy = True
        earlier = _earlier(farm, form)
        if earlier:
            return Delivered("again" if _typed(earlier, made) == _typed(files, made) else "used")
        if not stands():
            return Delivered("changed")
        refusals = look_over(farm, form, files)
        if refusals:
            return Delivered("refused", refusals)
        paths = [_put(farm, file_name(table, form), data) for table, data in files.items()]
        return Delivered("waiting") if busy else _taken(farm, form, files, paths)


def encoded(rows: Sequence[Row]) -> bytes:
    """Rows as JSON Lines, empty values left out, times in UTC."""
    return "".join(
        json.dumps({name: _plain(value) for name, value in row.items() if value not in (None, "")}) + "\n"
        for row in rows
    ).encode()


def look_over(farm: Farm, form: str, files: Mapping[str, bytes]) -> tuple[Refusal, ...]:
    """What the door will say of ``files``, without delivering them: by its own rules, and by all that is known."""
    plates = Plates.known(farm)
    out: list[Refusal] = []
    for table in sorted(files, key=lambda name: name != "runs"):
        rows = farm.settings.collect.max_file_rows
        understood = understand(files[table], file_name(table, form), table, farm.timezone, plates, rows)
        out += [Refusal(table, f.line, f.column, f.reason, f.words) for f in understood.faults]
        if table == "runs":  # parts of a new run are held against its plate too
            own = understood.rows.select(["run_id", "printer_id"])
            plates = replace(plates, runs=pa.concat_tables([own, plates.runs]))
    return tuple(out)


def whereabouts(farm: Farm, form: str) -> Literal["kept", "waiting"] | None:
    """Whether a form's rows are kept deliveries, wait in the inbox, or neither."""
    if not is_form(form):
        return None
    if any(f".desk-{form}." in path.name for path in farm.inbox.iterdir()):
        return "waiting"
    return "kept" if any(f".desk-{form}." in path.name for path in farm.deliveries.iterdir()) else None


def waiting(farm: Farm) -> int:
    """How many files wait in the inbox."""
    return len(find_sources(farm, None))


def _taken(farm: Farm, form: str, files: Mapping[str, bytes], paths: Sequence[Path]) -> Delivered:
    summary = collect(farm, paths)
    for report in summary.unreadable:
        raise StoreError(f"{report.file}: cannot be read: {report.error}")
    refusals = []
    for table, data in files.items():
        held = quarantine.file_for(farm, deliveries.digest_of(data), file_name(table, form))
        for line in held.read_bytes().splitlines() if held.exists() else ():
            entry = json.loads(line)
            refusals.append(Refusal(table, *(entry[name] for name in ("line", "column", "reason", "words"))))
    unregistered = tuple((table, name) for table, names in summary.unregistered.items() for name in names)
    return Delivered("quarantined" if refusals else "saved", tuple(refusals), unregistered)


def _earlier(farm: Farm, form: str) -> dict[str, bytes]:
    """The files of this form that were delivered before, by table."""
    found = {}
    for path in farm.inbox.glob(f"*.desk-{form}.jsonl"):
        found[path.name.partition(".")[0]] = path.read_bytes()
    for path in farm.deliveries.glob(f"*.desk-{form}.jsonl.zst"):
        with pa.input_stream(str(path), compression="zstd") as stream:
            found[path.name.split("-", 2)[2].partition(".")[0]] = bytes(stream.read())
    return found


def _typed(files: Mapping[str, bytes], made: Sequence[str]) -> dict[str, list[Row]]:
    return {
        table: [{**json.loads(line), **dict.fromkeys(made)} for line in data.splitlines()]
        for table, data in files.items()
    }


def _put(farm: Farm, name: str, data: bytes) -> Path:
    path = farm.inbox / name
    # beside, in a folder that no collect looks into
    replace_file(path, farm.inbox / ".desk", lambda stream: stream.write(data))
    return path


def _plain(value: Any) -> Any:
    return value.astimezone(dt.UTC).isoformat() if isinstance(value, dt.datetime) else value
