"""Damaged files: every row accounted for, no traceback, whatever was done to the bytes."""

from __future__ import annotations

import io
import random
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest
from torture.mutants import mangled

from farmwatch.collect import collect, quarantine
from farmwatch.collect.plates import Plates
from farmwatch.collect.raw import Unreadable
from farmwatch.collect.rows import understand
from farmwatch.collect.rules import REASONS
from farmwatch.store import Farm

PLATES = Plates(
    pa.table({"printer_id": ["p1"], "plate_width_mm": [120.0], "plate_depth_mm": [68.0]}),
    pa.table({"run_id": ["r1"], "printer_id": ["p1"]}),
)


def _seed(kind: str) -> bytes:
    rows = 12
    frame = pd.DataFrame(
        {
            "run_id": ["r1"] * rows,
            "part_no": range(rows),
            "x_mm": [1.5 * n for n in range(rows)],
            "height_mm": 20.0,
            "outcome": ["good", "failed"] * (rows // 2),
            "recorded_at": "2031-04-02T10:00:00+02:00",
            "note": ['he said "no", twice', None, "two\nlines"] * (rows // 3),
        }
    )
    if kind == "parquet":
        buffer = io.BytesIO()
        frame.to_parquet(buffer)
        return buffer.getvalue()
    text = frame.to_csv(index=False) if kind == "csv" else frame.to_json(orient="records", lines=True)
    return text.encode()


@pytest.mark.parametrize("kind", ["csv", "jsonl", "parquet"])
def test_mutated_files_are_understood_or_refused_in_one_line(kind: str) -> None:
    chance = random.Random(2031)
    seed = _seed(kind)
    refused: list[str] = []
    for _ in range(150):
        data = mangled(seed, chance)
        try:
            understood = understand(data, f"parts.{kind}", "parts", "Europe/Berlin", PLATES, 1000)
        except Unreadable as error:
            refused.append(str(error))
            continue
        assert understood.total == len(understood.rows) + len(understood.faults)
        assert {fault.reason for fault in understood.faults} <= set(REASONS)
        lines = [*understood.lines.tolist(), *(fault.line for fault in understood.faults)]
        assert len(set(lines)) == len(lines)
        assert understood.rows["run_id"].null_count == understood.rows["part_no"].null_count == 0
    assert all(text and "\n" not in text for text in refused)
    assert len(refused) < 75 or kind == "parquet"


def test_mutated_files_through_the_door(tmp_path: Path) -> None:
    farm = Farm.create(tmp_path / "farm", "Europe/Berlin")
    chance = random.Random(1)
    for number in range(40):
        kind = chance.choice(["csv", "jsonl", "parquet"])
        (farm.inbox / f"parts-{number:02d}.{kind}").write_bytes(mangled(_seed(kind), chance))
    summary = collect(farm)
    assert len(summary.files) == 40
    total = summary.totals
    assert total.rows == total.taken + total.replaced + total.unchanged + total.quarantined.total()
    assert len(list(quarantine.entries(farm))) == total.quarantined.total()
    assert {path.name for path in farm.inbox.iterdir()} == {report.file for report in summary.unreadable}
    again = farm.read("parts")
    assert not again.duplicated(["run_id", "part_no"]).any()
