"""One writer at a time; readers never wait and never see a torn file."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from farmwatch.store import Farm, StoreError

HOLDER = """
import sys
from farmwatch.store import Farm
with Farm.open(sys.argv[1]).writer():
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_second_writer_waits_and_a_killed_one_frees_the_lock(farm: Farm) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(farm.path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    assert holder.stdout.readline() == b"held\n"
    with pytest.raises(StoreError, match="another farmwatch is writing"), farm.writer(wait_s=0.1):
        pass
    assert len(farm.read("runs")) == 0
    holder.kill()
    holder.wait()
    holder.stdin.close()
    holder.stdout.close()
    with farm.writer(wait_s=5), farm.writer():
        assert len(farm.read("runs")) == 0


def test_two_writers_in_turn_lose_nothing(farm: Farm) -> None:
    def fill(name: str) -> None:
        mine = Farm.open(farm.path)
        for number in range(6):
            mine.put("lots", pa.table({"lot_id": [f"{name}{number}"]}))

    threads = [threading.Thread(target=fill, args=(name,)) for name in "ab"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(farm.read("lots")["lot_id"]) == sorted(f"{name}{number}" for name in "ab" for number in range(6))


def test_readers_during_writes_see_one_state_or_the_next(farm: Farm) -> None:
    """Each write changes every row of one file; a read that mixed two states would show two values."""
    ids = [f"L{number:05d}" for number in range(3000)]

    def lots(state: int) -> pa.Table:
        return pa.table({"lot_id": ids, "resin": [f"resin {state}"] * len(ids)})

    farm.put("lots", lots(0))
    stop = threading.Event()
    torn: list[object] = []
    reads = [0]

    def read() -> None:
        while not stop.is_set():
            try:
                frame = pd.read_parquet(Path(farm.path) / "records" / "lots")
                if len(frame) != len(ids) or len(frame["resin"].unique()) != 1:
                    torn.append(frame)
                if len(farm.read("lots")["resin"].unique()) != 1:
                    torn.append("store")
            except Exception as error:
                torn.append(error)
            reads[0] += 1

    reader = threading.Thread(target=read)
    reader.start()
    for state in range(1, 16):
        farm.put("lots", lots(state))
    while reads[0] < 20:
        pass
    stop.set()
    reader.join()
    assert torn == []
    assert np.unique(farm.read("lots")["resin"]).tolist() == ["resin 15"]
