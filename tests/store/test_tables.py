"""Tables as Parquet: what any program reads is the truth, and every failure names its file."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

from farmwatch.records import TABLES, empty
from farmwatch.store import Farm, StoreError
from farmwatch.store.merge import REPLACED, TAKEN, UNCHANGED, key_codes
from farmwatch.store.tables import declared_schema

UTC = pa.timestamp("us", tz="UTC")


def runs(*rows: tuple[str, int, str], **own: list[str]) -> pa.Table:
    """Runs of (id, month of 2031, outcome)."""
    starts = [dt.datetime(2031, month, 2, tzinfo=dt.UTC) for _, month, _ in rows]
    columns: dict[str, Any] = {
        "run_id": [row[0] for row in rows],
        "printer_id": ["p1"] * len(rows),
        "started_at": pa.array(starts, UTC),
        "outcome": [row[2] for row in rows],
    }
    return pa.table(columns | own)


def test_a_new_farm_has_every_table_empty_and_declared(farm: Farm) -> None:
    for table in TABLES:
        plain = pq.read_table(farm.path / "records" / table)
        assert len(plain) == 0
        for field in declared_schema(table):
            assert plain.schema.field(field.name).type == field.type
        pd.testing.assert_frame_equal(farm.read(table), empty(table))
    assert farm.records().timezone == "Europe/Berlin"
    for name in ("inbox", "records", "quarantine", "reports"):
        assert (farm.path / name).is_dir()


def test_what_is_put_is_what_any_program_reads(farm: Farm) -> None:
    rows = runs(("b", 5, "good"), ("a", 4, "failed"), ("c", 12, "good"), colour=["red", "green", "blue"])
    assert farm.put("runs", rows).tolist() == [TAKEN] * 3
    assert farm.put("runs", rows.slice(1)).tolist() == [UNCHANGED] * 2
    folder = farm.path / "records" / "runs"
    assert sorted(path.parent.name for path in folder.glob("*/*")) == [
        "filed=2031-04",
        "filed=2031-05",
        "filed=2031-12",
        "filed=unknown",
    ]
    by_pandas = pd.read_parquet(folder).set_index("run_id")["colour"].to_dict()
    by_arrow = ds.dataset(folder, partitioning="hive").to_table().to_pandas().set_index("run_id")["colour"].to_dict()
    assert by_pandas == by_arrow == {"a": "green", "b": "red", "c": "blue"}
    assert farm.read("runs", ["run_id", "colour"]).columns.tolist() == ["run_id", "colour"]
    kept = farm.read_arrow("runs", ["run_id"], where=pa.compute.field("outcome") == "failed")
    assert kept["run_id"].to_pylist() == ["a"]


def test_a_new_column_is_seen_in_every_file_whichever_comes_first(farm: Farm) -> None:
    farm.put("runs", runs(("b", 5, "good")))
    farm.put("runs", runs(("c", 6, "good"), shade=["dark"]))
    farm.put("runs", runs(("a", 1, "good"), colour=["red"]))
    plain = pd.read_parquet(farm.path / "records" / "runs").set_index("run_id")
    assert plain["shade"].dropna().to_dict() == {"c": "dark"}
    assert plain["colour"].dropna().to_dict() == {"a": "red"}
    schemas = {tuple(pq.read_schema(path).names) for path in farm.folder("runs").files().values()}
    assert len(schemas) == 1
    for path in farm.folder("runs").files().values():
        types = pq.read_schema(path).types
        assert not any(pa.types.is_null(kind) or pa.types.is_dictionary(kind) for kind in types)


def test_a_corrected_time_keeps_the_row_in_its_drawer_and_single(farm: Farm) -> None:
    farm.put("runs", runs(("a", 4, "good")))
    assert farm.put("runs", runs(("a", 9, "good"))).tolist() == [REPLACED]
    plain = pd.read_parquet(farm.path / "records" / "runs")
    assert plain["filed"].astype("str").tolist() == ["2031-04"]
    assert plain["started_at"].dt.month.tolist() == [9]


def test_parts_are_filed_by_their_run_and_found_where_they_were_filed(farm: Farm) -> None:
    part = pa.table({"run_id": ["a", "z"], "part_no": [1, 1], "outcome": ["good", "good"]})
    farm.put("parts", part.slice(0, 1))
    farm.put("runs", runs(("a", 4, "good"), ("z", 4, "good")))
    changed = part.set_column(2, "outcome", pa.array(["failed", "failed"]))
    assert farm.put("parts", changed).tolist() == [REPLACED, TAKEN]
    plain = pd.read_parquet(farm.path / "records" / "parts").set_index("run_id")
    assert plain["filed"].astype("str").to_dict() == {"a": "unknown", "z": "2031-04"}
    assert plain["outcome"].tolist() == ["failed", "failed"]


def test_unsafe_casts_and_unknown_tables_are_refused(farm: Farm) -> None:
    with pytest.raises(pa.ArrowInvalid):
        farm.put("parts", pa.table({"run_id": ["a"], "part_no": [1.7], "outcome": ["good"]}))
    assert len(farm.read("parts")) == 0
    with pytest.raises(StoreError, match="no table of that name: 'plates'"):
        farm.read("plates")


def test_many_corrections_of_one_key_in_one_go(farm: Farm) -> None:
    outcomes = ["good", "failed", "failed", "good", "stopped"]
    status = farm.put("runs", runs(*(("a", 4, outcome) for outcome in outcomes)))
    assert status.tolist() == [TAKEN, REPLACED, UNCHANGED, REPLACED, REPLACED]
    assert farm.read("runs")["outcome"].tolist() == ["stopped"]


def test_a_value_that_was_missing_or_is_taken_back_is_a_correction(farm: Farm) -> None:
    bare, told = runs(("a", 4, "good")), runs(("a", 4, "good")).append_column("note", pa.array(["warped"]))
    without = told.set_column(told.column_names.index("note"), "note", pa.array([None], pa.string()))
    assert [farm.put("runs", rows).tolist() for rows in (bare, told, told, without, bare)] == [
        [TAKEN],
        [REPLACED],
        [UNCHANGED],
        [REPLACED],
        [UNCHANGED],
    ]


def test_keys_of_two_columns_are_one_only_where_both_are() -> None:
    rng = np.random.default_rng(2)
    columns = {"run_id": rng.choice(["a", "b", "c", "d"], 300), "part_no": rng.choice([7, 1, 5, 3, 9], 300)}
    told = pa.table(columns).filter(pa.array(columns["part_no"] != np.where(columns["run_id"] < "c", 5, 1)))  # 16 of 20
    for rows in (told, told.sort_by([("run_id", "ascending"), ("part_no", "ascending")])):
        codes = key_codes(rows, ("run_id", "part_no")).tolist()
        keys = list(zip(rows["run_id"].to_pylist(), rows["part_no"].to_pylist(), strict=True))
        assert len({*zip(keys, codes, strict=True)}) == len({*keys}) == 16
        assert {*codes} == {*range(16)}


@pytest.mark.parametrize("damage", [b"", b"PAR1", b"flipped"])
def test_a_damaged_file_is_named(farm: Farm, damage: bytes) -> None:
    farm.put("runs", runs(("a", 4, "good"), ("b", 5, "good")))
    path = farm.folder("runs").files()["2031-05"]
    data = path.read_bytes()
    path.write_bytes(data[:40] + b"\xff" * 200 + data[240:] if damage == b"flipped" else damage)
    with pytest.raises(StoreError, match=r"filed=2031-05/rows.parquet: cannot be read .*farmwatch rebuild"):
        farm.read("runs")


def test_farms_that_are_not_there_or_there_already(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="not a farm"):
        Farm.open(tmp_path)
    with pytest.raises(StoreError, match="no time zone"):
        Farm.create(tmp_path / "a", "Mars/Olympus")
    Farm.create(tmp_path / "b")
    with pytest.raises(StoreError, match="is a farm already"):
        Farm.create(tmp_path / "b")
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="cannot be made"):
        Farm.create(tmp_path / "file")
    (tmp_path / "b" / "farm.toml").write_text("[farm]\ntimezone = 'Mars/Olympus'\n")
    with pytest.raises(StoreError, match=r"farm.toml: farm.timezone: .*no time zone of that name"):
        Farm.open(tmp_path / "b")
