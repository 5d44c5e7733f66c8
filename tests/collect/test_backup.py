"""A farm is its folder: copied whole or in part, it comes back as docs/running.md says."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import pandas as pd
import pytest

from farmwatch.collect import CollectSummary, collect, deliveries, rebuild
from farmwatch.doctor import examine
from farmwatch.records import TABLES
from farmwatch.store import Farm, StoreError

RUNS = "run_id,printer_id,started_at,outcome\n"


def test_a_back_up_without_records_comes_back_by_a_rebuild(
    farm: Farm, deliver: Callable[..., CollectSummary], tmp_path: Path
) -> None:
    deliver({"runs-1.csv": RUNS + "r1,p,2031-04-02,good\nr2,p,never,good\n", "lots.csv": "lot_id\nL1\n"})
    back = tmp_path / "back"
    back.mkdir()
    for name in ("deliveries", "findings", "reports"):
        shutil.copytree(farm.path / name, back / name)
    shutil.copy(farm.path / "farm.toml", back)
    restored = Farm.open(back)
    assert {"farmwatch rebuild makes the records anew from the kept deliveries"} == {t.do for t in examine(restored)}
    rebuild(restored)
    assert examine(restored) == []
    for table in TABLES:
        assert restored.read_arrow(table).equals(farm.read_arrow(table))
    assert collect(restored).files == []
    (restored.inbox / "runs-1.csv").write_text(RUNS + "r1,p,2031-04-02,good\n")
    assert collect(restored).totals.unchanged == 1


def test_what_the_door_let_in_comes_back_after_the_limit_of_size_was_lowered(farm: Farm) -> None:
    """And after it was raised above what a rebuild allows where nothing is set."""
    text = RUNS.replace("\n", ",own\n") + "".join(f"r{n},p,2031-04-02,good,{'x' * 100_000}\n" for n in range(30))
    pd.read_csv(io.StringIO(text)).to_parquet(farm.inbox / "runs.parquet", compression="zstd")
    assert collect(farm).totals.taken == 30
    with (farm.path / "farm.toml").open("a") as stream:
        stream.write("\n[collect]\nmax_file_mib = 1\n")
    assert rebuild(Farm.open(farm.path)).totals.taken == 30
    with mock.patch("farmwatch.collect.recheck.UNFOLDED_BYTES", 0), pytest.raises(StoreError, match="unfolds to more"):
        rebuild(Farm.open(farm.path))
    with mock.patch("farmwatch.collect.recheck.UNFOLDED_BYTES", 0):
        assert rebuild(farm).totals.taken == 30


def test_names_of_files_and_ids_make_no_path(farm: Farm, tmp_path: Path) -> None:
    """What would climb out of a folder stays a name or a value; a link in the inbox is not followed."""
    before = {path for path in tmp_path.rglob("*") if farm.path not in path.parents}
    evil = "../../../evil"
    (tmp_path / "secret.csv").write_text("lot_id\nsecret\n")
    (farm.inbox / "runs-..\\..\\evil.csv").write_text(
        RUNS + f"{evil},/etc/passwd,2031-04-02,good\n{evil},p,never,good\n"
    )
    (farm.inbox / "lots-link.csv").symlink_to(tmp_path / "secret.csv")
    (farm.inbox / ("lots-" + "x" * 240 + ".csv")).write_text(f"lot_id\n{evil}\n")
    summary = collect(farm)
    assert [report.error for report in summary.unreadable] == ["a link, not a file"]
    assert farm.read("lots")["lot_id"].tolist() == [evil]
    assert len(list(farm.deliveries.iterdir())) == 2
    assert {path for path in tmp_path.rglob("*") if farm.path not in path.parents} - before == {tmp_path / "secret.csv"}
    assert examine(farm) == []


def test_the_name_of_a_kept_file_is_short_and_no_path_and_tells_table_and_format() -> None:
    assert deliveries.short_name("runs-a/b_c.csv") == "runs-a_b_c.csv"
    short = deliveries.short_name("runs-" + "ü" * 120 + ".csv")
    assert len(short.encode()) < 210
    assert short.startswith("runs-ü")
    assert short.endswith("ü.csv")
    assert deliveries.short_name(short) == short  # or a delivery and its quarantine would not know each other
