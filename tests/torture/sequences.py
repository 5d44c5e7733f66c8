"""Random sequences of deliveries, twice, late, corrected, reordered, against a dictionary."""

from __future__ import annotations

import json
import random
import shutil
from dataclasses import dataclass
from pathlib import Path

from farmwatch.collect import collect, rebuild
from farmwatch.store import Farm
from torture.model import Model, Row, check

REBUILT_EVERY = 10
_STAMPS = (None, "2031-04-02T00:00:00Z", "2031-04-03T00:00:00Z", "2031-05-01T00:00:00Z")


@dataclass(frozen=True)
class Sequences:
    """``bad``: the numbers of sequences after which the records were not what the dictionary holds."""

    sequences: int
    deliveries: int
    bad: tuple[str, ...]


def try_sequences(room: Path, times: int, seed: int) -> Sequences:
    """Take ``times`` random sequences, each on a new farm; every tenth is also rebuilt from its deliveries."""
    new = Farm.create(room / "new", "UTC").path
    taken, bad = 0, []
    for number in range(times):
        chance = random.Random(seed + number)
        farm = Farm.open(shutil.copytree(new, room / "farm"))
        try:
            taken += _one(farm, chance, number % REBUILT_EVERY == 0)
        except AssertionError as error:
            bad.append(f"sequence {seed + number}: {' '.join(str(error).split())[:200]}")
        shutil.rmtree(farm.path)
    return Sequences(times, taken, tuple(bad))


def _one(farm: Farm, chance: random.Random, rebuilt: bool) -> int:
    model = Model()
    past: list[tuple[str, list[Row]]] = []
    taken = 0
    for _ in range(chance.randint(1, 4)):
        batch = [chance.choice(past) if past and chance.random() < 0.2 else _file(chance) for _ in range(2)]
        batch = batch[: chance.randint(1, 2)]
        for number, (table, rows) in enumerate(batch):
            (farm.inbox / f"{table}-{number}.jsonl").write_text("\n".join(json.dumps(row) for row in rows))
            model.take(table, rows)
        past += batch
        taken += len(batch)
        for report in collect(farm).files:
            outside = report.quarantined.total()
            assert report.error is None, report.error
            assert report.rows == report.taken + report.replaced + report.unchanged + outside, report
    check(farm, model)
    if rebuilt:
        rebuild(farm)
        check(farm, model)
    return taken


def _file(chance: random.Random) -> tuple[str, list[Row]]:
    table = chance.choice(("printers", "runs", "parts"))
    return table, [_row(table, chance) for _ in range(chance.randint(1, 4))]


def _row(table: str, chance: random.Random) -> Row:
    stamp = {"recorded_at": chance.choice(_STAMPS)}
    if table == "printers":
        plate = {"plate_width_mm": chance.choice((40.0, 100.0)), "plate_depth_mm": 50.0}
        return {"printer_id": chance.choice(("p1", "p2")), **plate, **stamp}
    if table == "runs":
        start = {"started_at": chance.choice(("2031-04-30T10:00:00Z", "2031-05-02T10:00:00Z")), "outcome": "good"}
        return {"run_id": chance.choice(("r1", "r2")), "printer_id": chance.choice(("p1", "p2")), **start, **stamp}
    what = {"x_mm": chance.choice((None, 10.0, 30.0)), "outcome": chance.choice(("good", "failed", "lost"))}
    return {"run_id": chance.choice(("r1", "r2", "r3")), "part_no": chance.randint(1, 2), **what, **stamp}
