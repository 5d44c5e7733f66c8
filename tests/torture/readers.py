"""Readers while others write, and two writers at once."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import duckdb
import pandas as pd
import pyarrow as pa

from farmwatch.collect import collect, rebuild
from farmwatch.store import Farm
from torture.forking import server

_IDS = [f"L{number:05d}" for number in range(2000)]


@dataclass(frozen=True)
class Reads:
    """``writes``: states written meanwhile; ``bad``: reads that were torn or failed, a line each."""

    reads: int
    writes: int
    bad: tuple[str, ...]


def _write_on(path: Path, stop: Connection) -> None:
    """Replace every row of one table, and rebuild all records, in turn, until told to stop; then tell how often."""
    farm = Farm.open(path)
    writes = 0
    while not stop.poll():
        writes += 1
        farm.put("lots", pa.table({"lot_id": _IDS, "resin": [f"resin {writes}"] * len(_IDS)}))
        _deliver_lots(farm, writes)
        rebuild(farm)
    stop.send(writes)


def _deliver_lots(farm: Farm, state: int) -> None:
    text = "lot_id,resin\n" + "".join(f"{name},resin {state}\n" for name in _IDS)
    (farm.inbox / "lots.csv").write_text(text)
    collect(farm)


def read_meanwhile(room: Path, times: int) -> Reads:
    """Read ``times`` times while another process goes on writing: by pandas, by DuckDB, by the store. Every row of the
    table is of one state, and never older than what the same reader saw before.
    """
    farm = Farm.create(room / "read", "UTC")
    _deliver_lots(farm, 0)
    folder = farm.path / "records" / "lots"
    ways: tuple[tuple[str, Callable[[], pd.DataFrame]], ...] = (
        ("pandas", lambda: pd.read_parquet(folder)),
        ("DuckDB", lambda: duckdb.sql(f"SELECT lot_id, resin FROM read_parquet('{folder}/*.parquet')").df()),
        ("store", lambda: farm.read("lots")),
    )
    here, there = server().Pipe()
    process = server().Process(target=_write_on, args=(farm.path, there), daemon=True)
    process.start()
    there.close()  # else nobody hears of a writer that died
    last, bad = 0, []
    for number in range(times):
        name, way = ways[number % len(ways)]
        try:
            frame = way()
        except Exception as error:
            bad.append(f"{name}: {type(error).__name__}: {' '.join(str(error).split())[:200]}")
            continue
        states = {int(resin.removeprefix("resin ")) for resin in frame["resin"]}
        if len(frame) != len(_IDS) or len(states) != 1 or max(states) < last:
            bad.append(f"{name}: {len(frame)} rows of the states {sorted(states)[:4]} after {last}")
        last = max([last, *states])
    here.send("stop")
    writes = here.recv()
    process.join()
    return Reads(times, writes, tuple(bad))


def _collect_as(path: Path, name: str) -> None:
    farm = Farm.open(path)
    for number in range(3):
        file = farm.inbox / f"lots-{name}{number}.csv"
        file.with_suffix(".part").write_text(f"lot_id,resin\n{name}{number},x\nshared,{name}{number}\n")
        file.with_suffix(".part").rename(file)
        collect(farm)


def write_at_once(room: Path, times: int) -> Reads:
    """Two processes deliver and collect in the same inbox: no row lost, no key twice, every file kept once and whole."""
    bad = []
    for turn in range(times):
        farm = Farm.create(room / f"both-{turn}", "UTC")
        pair = [server().Process(target=_collect_as, args=(farm.path, name)) for name in "ab"]
        for process in pair:
            process.start()
        for process in pair:
            process.join()
        collect(farm)
        wanted = {f"{name}{number}" for name in "ab" for number in range(3)} | {"shared"}
        found = farm.read("lots")["lot_id"].tolist()
        left = [path.name for path in farm.inbox.iterdir()]
        if sorted(found) != sorted(wanted) or left or any(process.exitcode for process in pair):
            bad.append(f"turn {turn}: {sorted(found)}, left {left}, {[process.exitcode for process in pair]}")
        shutil.rmtree(farm.path)
    return Reads(times, 6 * times, tuple(bad))
