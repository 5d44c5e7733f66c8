"""How fast the door is: part rows a second of processor time, and as a ratio to a plain Arrow conversion.

Run: ``python benchmarks/door.py [ROWS]``. Processor time (all threads) is printed beside the wall clock, as it does not
depend on what else the machine does.
"""

from __future__ import annotations

import csv
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from farmwatch.collect import collect
from farmwatch.store import Farm

PARTS_A_PLATE = 9


def farm_tables(rows: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Printers, runs over 180 days and about ``rows`` parts, all good rows."""
    rng = np.random.default_rng(1)
    plates = rows // PARTS_A_PLATE
    printers = pd.DataFrame(
        {"printer_id": [f"p{n:02d}" for n in range(24)], "plate_width_mm": 192.0, "plate_depth_mm": 120.0}
    )
    starts = pd.Timestamp("2031-01-01") + pd.to_timedelta(np.arange(plates) * (180 * 86_400 / plates), unit="s")
    runs = pd.DataFrame(
        {
            "run_id": [f"r{n:07d}" for n in range(plates)],
            "printer_id": [f"p{n % 24:02d}" for n in range(plates)],
            "started_at": starts.strftime("%Y-%m-%dT%H:%M:%S"),
            "outcome": "good",
        }
    )
    number = plates * PARTS_A_PLATE
    failed = rng.random(number) < 0.05
    parts = pd.DataFrame(
        {
            "run_id": np.repeat(runs["run_id"].to_numpy(), PARTS_A_PLATE),
            "part_no": np.tile(np.arange(1, PARTS_A_PLATE + 1), plates),
            "design_id": [f"d{n}" for n in rng.integers(0, 60, number)],
            "x_mm": rng.uniform(-90, 90, number).round(2),
            "y_mm": rng.uniform(-55, 55, number).round(2),
            "footprint_mm2": rng.uniform(50, 900, number).round(1),
            "height_mm": rng.uniform(10, 80, number).round(2),
            "outcome": np.where(failed, "failed", "good"),
            "failure_height_mm": np.where(failed, 5.0, np.nan),
            "sign": np.where(failed, "split", None),
        }
    )
    return printers, runs, parts


def timed(job: Callable[[], Any]) -> tuple[float, float]:
    """Processor and wall seconds of ``job``."""
    wall, processor = time.perf_counter(), time.process_time()
    job()
    return time.process_time() - processor, time.perf_counter() - wall


def main(rows: int) -> None:
    printers, runs, parts = farm_tables(rows)
    writers: dict[str, Callable[[Path], object]] = {
        "csv": lambda folder: parts.to_csv(folder / "parts.csv", index=False),
        "csv, quoted": lambda folder: parts.to_csv(folder / "parts.csv", index=False, quoting=csv.QUOTE_ALL),
        "jsonl": lambda folder: parts.to_json(folder / "parts.jsonl", orient="records", lines=True),
        "parquet": lambda folder: parts.to_parquet(folder / "parts.parquet"),
    }
    print(f"{'format':12} {'rows':>9} {'processor s':>11} {'rows a second':>13} {'wall s':>7} {'to plain Arrow':>14}")
    for name, write in writers.items():
        with tempfile.TemporaryDirectory() as place:
            farm = Farm.create(Path(place) / "farm", "Europe/Berlin")
            printers.to_csv(farm.inbox / "printers.csv", index=False)
            runs.to_csv(farm.inbox / "runs.csv", index=False)
            collect(farm)
            write(farm.inbox)
            ratio = ""
            if name == "csv":
                source, target = farm.inbox / "parts.csv", Path(place) / "plain.parquet"
                plain, _ = timed(lambda: pq.write_table(pa_csv.read_csv(source), target, compression="zstd"))  # noqa: B023
            processor, wall = timed(lambda: collect(farm))  # noqa: B023
            if name == "csv":
                ratio = f"{processor / plain:.1f}"
            taken = len(farm.read_arrow("parts", ["part_no"]))
            print(f"{name:12} {taken:9d} {processor:11.2f} {taken / processor:13,.0f} {wall:7.2f} {ratio:>14}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
