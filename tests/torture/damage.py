"""Files of the records that are truncated, emptied, gone, or have a flipped bit."""

from __future__ import annotations

import random
import shutil
from dataclasses import dataclass
from pathlib import Path

from farmwatch.collect import rebuild
from farmwatch.doctor import examine
from farmwatch.records import TABLES
from farmwatch.store import Farm, StoreError

HARMS = ("truncated", "emptied", "gone", "flipped")


@dataclass(frozen=True)
class Damage:
    """``named``: harms that the doctor named, file and remedy; ``harmless``: those after which every reader of ours
    gets the same rows; ``bad``: neither, or not mended by a rebuild.
    """

    harms: int
    named: int
    harmless: int
    bad: tuple[str, ...]


def harm_records(start: Path, room: Path, times: int, seed: int) -> Damage:
    """Harm one file at a time; see what the doctor says, rebuild, and compare every row."""
    chance = random.Random(seed)
    whole = _rows(Farm.open(start))
    files = sorted(path.relative_to(start) for path in (start / "records").rglob("*.parquet"))
    named = harmless = 0
    bad = []
    for turn in range(times):
        farm = Farm.open(shutil.copytree(start, room / "farm"))
        # most bits of a file are data, most lengths too: every kind in turn
        harm, file = HARMS[turn % len(HARMS)], farm.path / chance.choice(files)
        _harm(file, harm, chance)
        told = [trouble for trouble in examine(farm) if str(file).startswith(trouble.where)]
        if told and all("rebuild" in trouble.do for trouble in told):
            named += 1
        elif _same(farm, whole):
            harmless += 1
        else:
            bad.append(f"{harm} {file.relative_to(farm.path)}: not named")
        rebuild(farm)
        if not _same(farm, whole) or examine(farm):
            bad.append(f"{harm} {file.relative_to(farm.path)}: not mended by a rebuild")
        shutil.rmtree(farm.path)
    return Damage(times, named, harmless, tuple(bad))


def _harm(file: Path, harm: str, chance: random.Random) -> None:
    data = bytearray(file.read_bytes())
    if harm == "gone":
        file.unlink()
        return
    if harm == "flipped":
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    else:
        del data[0 if harm == "emptied" else chance.randrange(1, len(data)) :]
    file.write_bytes(data)


def _rows(farm: Farm) -> dict[str, list[str]]:
    return {table: sorted(map(repr, farm.read_arrow(table).to_pylist())) for table in TABLES}


def _same(farm: Farm, whole: dict[str, list[str]]) -> bool:
    try:
        return _rows(farm) == whole
    except StoreError:
        return False
