"""Damaged files: every row accounted for, no traceback, whatever was done to the bytes."""

from __future__ import annotations

import io
import random
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pytest

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


def _mutated(data: bytes, chance: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(chance.choice([1, 1, 2, 5])):
        at = chance.randrange(len(out) + 1)
        what = chance.randrange(7)
        if what == 0 and at < len(out):
            out[at] ^= 1 << chance.randrange(8)
        elif what == 1:
            out[at:at] = chance.choice(
                [b'"', b",", b"\n", b"\r", b"\0", b"\xff", b"{", b"}", b"\xef\xbb\xbf", b"e", b"-"]
            )
        elif what == 2:
            del out[at : at + chance.randrange(1, 40)]
        elif what == 3:
            del out[at:]
        elif what == 4:
            out[at:at] = out[at : at + chance.randrange(1, 200)]
        elif what == 5:
            out[at:at] = chance.choice(
                [b"1e999", b"NaN", b"null", b"true", b"[[[[", b'"\\ud800"', b"9" * 400, b"x" * 5000]
            )
        else:
            out = bytearray(bytes(out).replace(b"\n", chance.choice([b"\r\n", b"\r", b"\n\n"]), chance.randrange(1, 9)))
    return bytes(out)


@pytest.mark.parametrize("kind", ["csv", "jsonl", "parquet"])
def test_mutated_files_are_understood_or_refused_in_one_line(kind: str) -> None:
    chance = random.Random(2031)
    seed = _seed(kind)
    refused: list[str] = []
    for _ in range(150):
        data = _mutated(seed, chance)
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
        (farm.inbox / f"parts-{number:02d}.{kind}").write_bytes(_mutated(_seed(kind), chance))
    summary = collect(farm)
    assert len(summary.files) == 40
    total = summary.totals
    assert total.rows == total.taken + total.replaced + total.unchanged + total.quarantined.total()
    assert len(list(quarantine.entries(farm))) == total.quarantined.total()
    assert {path.name for path in farm.inbox.iterdir()} == {report.file for report in summary.unreadable}
    again = farm.read("parts")
    assert not again.duplicated(["run_id", "part_no"]).any()
