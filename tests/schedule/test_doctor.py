"""A farm's folder that is not sound is told so, by file, with what to do; what it says to do mends it."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from farmwatch.cli import main
from farmwatch.collect import collect, rebuild
from farmwatch.doctor import examine, trouble_text
from farmwatch.records import TABLES
from farmwatch.store import Farm, StoreError, save_night
from farmwatch.store.doctor import Trouble, examine_tables

NIGHT = dt.date(2031, 1, 6)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, deliveries: list[Path]) -> Path:
    """A farm with rows in every table that the sample has, some in quarantine, and a filed night."""
    farm = Farm.create(tmp_path_factory.mktemp("filled") / "farm", "Europe/Paris")
    collect(farm, deliveries)
    late = farm.inbox / "parts-late.csv"
    known = farm.records().runs["run_id"].iloc[0]
    late.write_text(f"run_id,part_no,x_mm,y_mm,outcome\n{known},900,0,0,good\n{known},901,9999,0,good\n")
    assert collect(farm).totals.quarantined == {"off_plate": 1}
    save_night(farm, NIGHT, [], [])
    return farm.path


@pytest.fixture
def farm(filled: Path, tmp_path: Path) -> Farm:
    shutil.copytree(filled, tmp_path / "farm")
    return Farm.open(tmp_path / "farm")


def runs_file(farm: Farm) -> Path:
    return max((farm.path / "records" / "runs").rglob("*.parquet"), key=lambda path: path.stat().st_size)


def named(farm: Farm) -> dict[str, str]:
    return {trouble.where: trouble.do for trouble in examine(farm)}


def content(farm: Farm) -> dict[str, pa.Table]:
    return {table: farm.read_arrow(table) for table in TABLES}


def test_a_table_of_causes_that_does_not_hold_is_named(farm: Farm) -> None:
    own = farm.path / "causes.toml"
    own.write_text("[causes.gremlins]\nprior = 1\n")
    found = examine(farm, against_deliveries=False)
    assert [(trouble.where, trouble.what) for trouble in found] == [(str(own), "causes.gremlins.title: is missing")]
    own.write_text("[causes.film_worn]\nprior = 2.0\n")
    assert examine(farm, against_deliveries=False) == []


def test_a_sound_farm(farm: Farm) -> None:
    before = {path: path.read_bytes() for path in farm.path.rglob("*") if path.is_file() and path.name != ".lock"}
    assert examine(farm) == []
    assert trouble_text([]) == "sound"
    after = {path: path.read_bytes() for path in farm.path.rglob("*") if path.is_file() and path.name != ".lock"}
    assert after == before


def test_a_new_farm_is_sound(tmp_path: Path) -> None:
    assert examine(Farm.create(tmp_path / "new", "UTC")) == []


@pytest.mark.parametrize("harm", ["truncated", "emptied", "gone", "not parquet"])
def test_a_damaged_file_is_named_and_rebuilt(farm: Farm, harm: str) -> None:
    whole = content(farm)
    path = runs_file(farm)
    if harm == "gone":
        path.unlink()
    else:
        data = path.read_bytes()
        path.write_bytes({"truncated": data[: len(data) // 2], "emptied": b"", "not parquet": b"run_id,x\n"}[harm])
    where = str(path.parents[1] if harm == "gone" else path)
    assert "farmwatch rebuild" in named(farm)[where]
    rebuild(farm)
    assert examine(farm) == []
    assert all(content(farm)[table].equals(whole[table]) for table in TABLES)


def test_no_flipped_bit_goes_unseen(farm: Farm) -> None:
    """150 single bits of one file, spread over all of it: each is named, or changes nothing that a reader gets."""
    path = runs_file(farm)
    data = path.read_bytes()
    whole = content(farm)["runs"]
    rng = np.random.default_rng(5)
    named_ones = 0
    for place in np.linspace(0, len(data) - 1, 150).astype(int):
        harmed = bytearray(data)
        harmed[place] ^= 1 << int(rng.integers(8))
        path.write_bytes(harmed)
        if any(trouble.where in (str(path), str(path.parents[1])) for trouble in examine_tables(farm)):
            named_ones += 1
        else:
            assert farm.read_arrow("runs").equals(whole), place
    assert named_ones > 100


def test_a_flipped_bit_in_the_data_is_an_error_to_every_reader_of_ours(farm: Farm) -> None:
    path = runs_file(farm)
    meta = pq.read_metadata(path).row_group(0).column(0)
    data = bytearray(path.read_bytes())
    data[meta.data_page_offset + meta.total_compressed_size // 2] ^= 1
    path.write_bytes(data)
    with pytest.raises(StoreError, match="farmwatch rebuild"):
        farm.read_arrow("runs")


def test_rows_changed_behind_its_back(farm: Farm) -> None:
    """Well-formed files with other rows: only the comparison with the deliveries can tell."""
    path = runs_file(farm)
    rows = pq.read_table(path, partitioning=None)
    place = rows.column_names.index("printer_id")
    other = pa.array(["elsewhere", *rows["printer_id"].to_pylist()[1:]], rows.schema.field(place).type)
    pq.write_table(rows.set_column(place, rows.schema.field(place), other), path)
    (trouble,) = examine(farm)
    assert "1 rows differ between records and deliveries" in trouble.what
    pq.write_table(rows.slice(2), path)
    assert any("2 rows only the deliveries have" in trouble.what for trouble in examine(farm))
    assert examine(farm, against_deliveries=False) == []


def test_a_key_given_twice(farm: Farm) -> None:
    path = runs_file(farm)
    rows = pq.read_table(path, partitioning=None)
    pq.write_table(pa.concat_tables([rows, rows.slice(0, 3)]), path)
    (trouble,) = examine(farm)
    assert trouble.where == str(path.parents[1])
    assert "3 rows have the key of another row (run_id)" in trouble.what


def test_columns_of_another_table(farm: Farm) -> None:
    path = runs_file(farm)
    rows = pq.read_table(path, partitioning=None)
    pq.write_table(rows.drop_columns(["outcome"]), path)
    assert "its columns are not those of runs" in trouble_text(examine(farm))


def test_deliveries(farm: Farm) -> None:
    kept = sorted((farm.path / "deliveries").iterdir())
    data = bytearray(kept[0].read_bytes())
    data[len(data) // 2] ^= 4
    kept[0].write_bytes(data)
    kept[1].unlink()
    (farm.path / "deliveries" / "notes.txt").write_text("x")
    told = named(farm)
    assert "back-up" in told[str(kept[0])]
    assert "back-up" in told[str(farm.path / "deliveries")]
    assert "inbox" in told[str(farm.path / "deliveries" / "notes.txt")]
    assert "1 deliveries are missing: 00000002" in trouble_text(examine(farm))


def test_quarantine(farm: Farm) -> None:
    (farm.inbox / "runs-odd.csv").write_text("run_id,printer_id,started_at,outcome\nq1,p,never,good\nq2,p,now,good\n")
    collect(farm)
    assert examine(farm) == []
    (path,) = farm.quarantine.glob("runs-odd*")
    text = path.read_text()
    path.write_text(text.splitlines()[0] + "\n")
    assert "1 rows differ between quarantine and deliveries" in trouble_text(examine(farm))
    path.write_text(text[:-9])
    assert "rebuild" in named(farm)[str(path)]
    path.unlink()
    assert str(path) in named(farm)
    path.with_name("runs.csv.strange.jsonl").write_text(text)
    rebuild(farm)
    assert examine(farm) == []
    assert path.read_text() == text


def test_findings_jobs_and_strays(farm: Farm) -> None:
    ledger = farm.findings_path / "ledger" / f"night={NIGHT}.parquet"
    ledger.write_bytes(ledger.read_bytes()[:100])
    future = dt.date(2999, 1, 1)
    save_night(farm, future, [], [])
    (farm.path / "jobs.jsonl").write_text("{\n")
    stray = farm.path / "records" / "runs" / "filed=2031-01" / "copy.parquet"
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"PAR1")
    (farm.path / ".rebuild" / "records").mkdir(parents=True)
    told = named(farm)
    assert f"--as-of {NIGHT}" in told[str(ledger)]
    assert "clock" in told[str(ledger.with_name(f"night={future}.parquet"))]
    assert str(farm.path / "jobs.jsonl") in told
    assert "move it out" in told[str(stray)]
    assert "rebuild" in told[str(farm.path / ".rebuild")]


def test_one_deed_that_mends_several_troubles_is_said_once() -> None:
    told = [Trouble("a", "gone", "rebuild"), Trouble("b", "odd", "delete it"), Trouble("c", "torn", "rebuild")]
    assert trouble_text(told).splitlines() == [
        "a: gone",
        "c: torn",
        "    to do: rebuild",
        "b: odd",
        "    to do: delete it",
    ]


def test_the_command(farm: Farm) -> None:
    run = CliRunner()
    good = run.invoke(main, ["doctor", "--farm", str(farm.path)])
    assert (good.exit_code, good.stdout) == (0, "sound\n")
    path = runs_file(farm)
    path.write_bytes(b"")
    bad = run.invoke(main, ["doctor", "--farm", str(farm.path)])
    assert bad.exit_code == 1
    assert f"{path}: cannot be read" in bad.stdout
    assert "to do: farmwatch rebuild" in bad.stdout
    listed = run.invoke(main, ["doctor", "--quick", "--json", "--farm", str(farm.path)])
    assert listed.exit_code == 1
    assert [trouble["where"] for trouble in json.loads(listed.stdout)] == [str(path)]
