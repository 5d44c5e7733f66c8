"""What the records must hold after any deliveries, by the plainest means."""

from __future__ import annotations

from typing import Any

import pandas as pd

from farmwatch.store import Farm

Row = dict[str, Any]
KEYS = {"printers": ("printer_id",), "runs": ("run_id",), "parts": ("run_id", "part_no")}


class Model:
    """What the records must hold, by the plainest means: every good row ever delivered, laid over each other."""

    def __init__(self) -> None:
        self.delivered: dict[str, list[Row]] = {table: [] for table in KEYS}

    def take(self, table: str, rows: list[Row]) -> None:
        good = [row for row in rows if row["outcome"] != "lost"] if table == "parts" else rows
        for row in good:
            others = [other for other in good if self.key(table, other) == self.key(table, row)]
            newest = max(other["recorded_at"] or "" for other in others)
            if all(other["recorded_at"] for other in others):
                others = [other for other in others if other["recorded_at"] == newest]
            if all(other == others[0] for other in others):
                self.delivered[table].append(row)

    def table(self, table: str) -> dict[tuple[Any, ...], Row]:
        standing: dict[tuple[Any, ...], Row] = {}
        for row in self.delivered[table]:
            if table == "parts" and self.off_plate(row):
                continue
            old = standing.get(self.key(table, row))
            if old is None or not (
                old["recorded_at"] and row["recorded_at"] and row["recorded_at"] < old["recorded_at"]
            ):
                standing[self.key(table, row)] = row
        return standing

    def off_plate(self, part: Row) -> bool:
        run = self.table("runs").get((part["run_id"],))
        printer = self.table("printers").get((run["printer_id"],)) if run else None
        return printer is not None and part["x_mm"] is not None and part["x_mm"] > printer["plate_width_mm"] / 2

    @staticmethod
    def key(table: str, row: Row) -> tuple[Any, ...]:
        return tuple(row[name] for name in KEYS[table])


def _held(frame: pd.DataFrame, table: str, columns: list[str]) -> dict[tuple[Any, ...], Row]:
    held: dict[tuple[Any, ...], Row] = {}
    for row in frame[columns].astype(object).where(frame[columns].notna(), None).to_dict("records"):
        for name in ("recorded_at", "started_at"):
            if row.get(name) is not None:
                row[name] = row[name].strftime("%Y-%m-%dT%H:%M:%SZ")
        key = Model.key(table, row)
        assert key not in held
        held[key] = row
    return held


def check(farm: Farm, model: Model) -> None:
    for table in KEYS:
        wanted = model.table(table)
        plain = pd.read_parquet(farm.path / "records" / table)
        columns = list(next(iter(wanted.values()), dict.fromkeys(KEYS[table])))
        for frame in (plain, farm.read(table)):
            assert _held(frame, table, columns) == wanted
