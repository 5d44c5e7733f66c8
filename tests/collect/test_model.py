"""Random sequences of deliveries against a dictionary: twice, late, corrected, reordered, off the plate by then or not."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path
from typing import Any

import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.collect import collect, quarantine, rebuild
from farmwatch.store import Farm

Row = dict[str, Any]
KEYS = {"printers": ("printer_id",), "runs": ("run_id",), "parts": ("run_id", "part_no")}

STAMPS = st.sampled_from([None, "2031-04-02T00:00:00Z", "2031-04-03T00:00:00Z", "2031-05-01T00:00:00Z"])
PRINTERS = st.builds(
    lambda who, width, stamp: {
        "printer_id": who,
        "plate_width_mm": width,
        "plate_depth_mm": 50.0,
        "recorded_at": stamp,
    },
    st.sampled_from(["p1", "p2"]),
    st.sampled_from([40.0, 100.0]),
    STAMPS,
)
RUNS = st.builds(
    lambda run, who, day, stamp: {
        "run_id": run,
        "printer_id": who,
        "started_at": day,
        "outcome": "good",
        "recorded_at": stamp,
    },
    st.sampled_from(["r1", "r2"]),
    st.sampled_from(["p1", "p2"]),
    st.sampled_from(["2031-04-30T10:00:00Z", "2031-05-02T10:00:00Z"]),
    STAMPS,
)
PARTS = st.builds(
    lambda run, number, x, outcome, stamp: {
        "run_id": run,
        "part_no": number,
        "x_mm": x,
        "outcome": outcome,
        "recorded_at": stamp,
    },
    st.sampled_from(["r1", "r2", "r3"]),
    st.integers(1, 2),
    st.sampled_from([None, 10.0, 30.0]),
    st.sampled_from(["good", "failed", "lost"]),
    STAMPS,
)
FILES = st.one_of(
    st.tuples(st.just("printers"), st.lists(PRINTERS, min_size=1, max_size=2)),
    st.tuples(st.just("runs"), st.lists(RUNS, min_size=1, max_size=3)),
    st.tuples(st.just("parts"), st.lists(PARTS, min_size=1, max_size=4)),
)
SEQUENCES = st.lists(st.lists(FILES, min_size=1, max_size=3), min_size=1, max_size=5)


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


def _check(farm: Farm, model: Model) -> None:
    for table in KEYS:
        wanted = model.table(table)
        plain = pd.read_parquet(farm.path / "records" / table)
        columns = list(next(iter(wanted.values()), dict.fromkeys(KEYS[table])))
        for frame in (plain, farm.read(table)):
            assert _held(frame, table, columns) == wanted


@settings(max_examples=10_000 if os.environ.get("FARMWATCH_TORTURE") else 12, deadline=None)
@given(SEQUENCES)
def test_any_sequence_of_deliveries_comes_to_what_a_dictionary_holds(
    sequence: list[list[tuple[str, list[Row]]]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        farm = Farm.create(Path(folder), "UTC")
        model = Model()
        for batch in sequence:
            for number, (table, rows) in enumerate(batch):
                lines = "\n".join(json.dumps(row) for row in rows)
                (farm.inbox / f"{table}-{number}.jsonl").write_text(lines)
                model.take(table, rows)
            for report in collect(farm).files:
                quarantined = report.quarantined.total()
                assert report.rows == report.taken + report.replaced + report.unchanged + quarantined
                assert report.error is None
        _check(farm, model)
        held = {json.dumps(entry) for entry in quarantine.entries(farm)}
        rebuild(farm)
        _check(farm, model)
        # a rebuild also names rows off their plate that a correction had replaced before the plate was known
        rebuilt = {json.dumps(entry) for entry in quarantine.entries(farm)}
        assert held <= rebuilt
        assert {json.loads(entry)["reason"] for entry in rebuilt - held} <= {"off_plate"}
