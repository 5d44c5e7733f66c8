"""What the pages show of the records, read anew for each."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.desk.delivery import Row
from farmwatch.report import words
from farmwatch.store import Farm

LAST_RUNS = 12
SUGGESTIONS = 200
NO_RUN = "none"  # what a form for a new run was drawn from


@dataclass(frozen=True)
class PrinterTile:
    printer_id: str
    about: str
    last: str


@dataclass(frozen=True)
class RunTile:
    run_id: str
    started: str
    about: str
    outcome: str


@dataclass(frozen=True)
class Plate:
    """A run with its parts as they stand, and the size of its plate. ``run`` is empty where there is none."""

    run: Row
    parts: tuple[Row, ...]
    width_mm: float | None
    depth_mm: float | None

    @property
    def seen(self) -> str:
        """A digest of the run and its parts: another one tells that somebody changed them."""
        if not self.run and not self.parts:
            return NO_RUN
        text = json.dumps([self.run, *self.parts], default=str, sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:32]


def printers(farm: Farm) -> list[PrinterTile]:
    """Every printer that is registered or has a run, by name, with its last run."""
    rows = {row["printer_id"]: row for row in _rows(farm, "printers", ["printer_id", "room", "family"])}
    runs = farm.read_arrow("runs", ["printer_id", "started_at"])
    last = runs.group_by("printer_id").aggregate([("started_at", "max")]).to_pylist()
    latest = {row["printer_id"]: row["started_at_max"] for row in last}
    tiles = []
    for name in sorted({*rows, *latest}):
        row = rows.get(name, {})
        about = ", ".join(str(row[column]) for column in ("room", "family") if row.get(column))
        when = f"last run {moment(latest[name], farm.timezone)}" if latest.get(name) else "no run yet"
        tiles.append(PrinterTile(name, about if row else "not registered", when))
    return tiles


def last_runs(farm: Farm, printer_id: str) -> list[RunTile]:
    """The printer's last runs, the latest first."""
    columns = ["run_id", "started_at", "ended_at", "file_id", "lot_id", "outcome"]
    rows = _rows(farm, "runs", columns, pc.field("printer_id") == printer_id)
    rows.sort(key=lambda row: (row["started_at"], row["run_id"]), reverse=True)
    return [
        RunTile(
            row["run_id"],
            moment(row["started_at"], farm.timezone),
            ", ".join(str(row[name]) for name in ("file_id", "lot_id") if row[name]),
            row["outcome"],
        )
        for row in rows[:LAST_RUNS]
    ]


def plate(farm: Farm, run_id: str) -> Plate:
    """The run of that id with its parts."""
    found = _rows(farm, "runs", where=pc.field("run_id") == run_id)
    run = found[0] if found else {}
    width, depth = plate_size(farm, run.get("printer_id") or "")
    return Plate(run, parts_of(farm, run_id), width, depth)


def parts_of(farm: Farm, run_id: str) -> tuple[Row, ...]:
    rows = _rows(farm, "parts", where=pc.field("run_id") == run_id)
    return tuple(sorted(rows, key=lambda row: row["part_no"]))


def plate_size(farm: Farm, printer_id: str) -> tuple[float | None, float | None]:
    """Width and depth of a printer's plate in mm; None where it is not registered."""
    columns = ["plate_width_mm", "plate_depth_mm"]
    rows = _rows(farm, "printers", columns, pc.field("printer_id") == printer_id)
    return (rows[0]["plate_width_mm"], rows[0]["plate_depth_mm"]) if rows else (None, None)


def layouts(farm: Farm, printer_id: str) -> list[RunTile]:
    """The printer's last runs of different files that have parts: plates that a new run may be like."""
    rows = _rows(farm, "runs", ["run_id", "file_id", "started_at", "outcome"], pc.field("printer_id") == printer_id)
    rows = [row for row in rows if row["file_id"]]
    rows.sort(key=lambda row: row["started_at"])
    latest = {row["file_id"]: row for row in rows}
    newest = sorted(latest.values(), key=lambda row: row["started_at"], reverse=True)
    ids = pa.array([row["run_id"] for row in newest], pa.string())
    with_parts = farm.read_arrow("parts", ["run_id"], pc.field("run_id").isin(ids))["run_id"].value_counts()
    counts = {pair["values"]: pair["counts"] for pair in with_parts.to_pylist()}
    shown = [row for row in newest if row["run_id"] in counts][:LAST_RUNS]
    return [
        RunTile(row["run_id"], row["file_id"], words.count(counts[row["run_id"]], "part"), row["outcome"])
        for row in shown
    ]


def known(farm: Farm, table: str, column: str) -> list[str]:
    """Values of a column to offer for typing, at most ``SUGGESTIONS``."""
    values = pc.unique(farm.read_arrow(table, [column])[column]).to_pylist()
    return sorted(value for value in values if value)[:SUGGESTIONS]


def moment(time: dt.datetime, zone: str) -> str:
    """``3 Mar 2031, 14:05`` on the farm's clock."""
    local = time.astimezone(ZoneInfo(zone))
    return f"{words.date(local.date())}, {local:%H:%M}"


def shown(value: Any, zone: str) -> str:
    """A value as it stands in a form: times on the farm's clock, numbers without needless digits."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return f"{value.astimezone(ZoneInfo(zone)):%Y-%m-%dT%H:%M}"
    if isinstance(value, float):
        return f"{value:.0f}" if value == round(value) and abs(value) < 1e15 else repr(value)
    return str(value)


def printable(text: str) -> str:
    """Without the control characters that a page cannot hold."""
    return re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", "\ufffd", text)


def untouched(value: Any, zone: str) -> str:
    """What a form sends back of a value that nobody touched: browsers mend line ends, and blanks around are cut."""
    return re.sub("\r\n?", "\n", printable(shown(value, zone))).strip()


def stamp(standing: Sequence[Mapping[str, Any]]) -> dt.datetime:
    """When rows typed over ``standing`` ones are recorded: now, and later than each of those in any case."""
    times = [row["recorded_at"] for row in standing if row.get("recorded_at") is not None]
    return max([dt.datetime.now(dt.UTC), *(time + dt.timedelta(microseconds=1) for time in times)])


def _rows(farm: Farm, table: str, columns: list[str] | None = None, where: pc.Expression | None = None) -> list[Row]:
    return list(farm.read_arrow(table, columns, where).to_pylist())
