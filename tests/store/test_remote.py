"""A copy of the records elsewhere is read as the farm itself reads them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from farmwatch.cli import main
from farmwatch.collect import collect
from farmwatch.records import TABLES
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec, Fault
from farmwatch.simulate.write import write_farm
from farmwatch.store import Farm, StoreError, records_at


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Farm:
    """With a column of its own, and runs over two months."""
    folder = tmp_path_factory.mktemp("farm")
    fault = Fault("plain_rate", ("printer", "P02"), since_day=18, odds_ratio=9.0)
    paths = write_farm(simulate(FarmSpec(printers=4, days=40, rooms=1, faults=(fault,)), 3), folder / "files")
    farm = Farm.create(folder / "farm", "Europe/Paris")
    runs = next(path for path in paths if path.name.startswith("runs"))
    pd.read_csv(runs).assign(vat="a").to_csv(runs, index=False)
    collect(farm, [path for path in paths if path.suffix == ".csv"])
    return farm


@pytest.fixture
def copy(farm: Farm, tmp_path: Path) -> Path:
    return Path(shutil.copytree(farm.records_path, tmp_path / "copy"))


def test_a_copy_holds_the_same_records(farm: Farm, copy: Path) -> None:
    here, there = farm.records(), records_at(copy.as_uri(), farm.timezone)
    assert there.timezone == here.timezone
    assert "vat" in there.runs.columns
    assert len(here.runs) > 100
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(there, table), getattr(here, table))


def test_replay_finds_in_a_copy_what_it_finds_at_home(farm: Farm, copy: Path) -> None:
    words = ["replay", "--farm", str(farm.path), "--from", "2031-02-07", "--to", "2031-02-09", "--json"]
    home = CliRunner().invoke(main, words)
    away = CliRunner().invoke(main, [*words, "--records", copy.as_uri() + "/"])
    assert home.exit_code == away.exit_code == 0
    assert json.loads(home.stdout)
    assert away.stdout == home.stdout


def test_a_table_that_was_not_copied_is_empty(farm: Farm, copy: Path) -> None:
    shutil.rmtree(copy / "coupons")
    there = records_at(copy.as_uri(), farm.timezone)
    assert there.coupons.empty
    assert list(there.coupons.columns) == list(TABLES["coupons"].names)
    assert len(there.parts) == len(farm.read("parts"))


def test_what_cannot_be_read_is_one_line(farm: Farm, copy: Path) -> None:
    broken = next((copy / "parts").rglob("*.parquet"))
    broken.write_bytes(broken.read_bytes()[:-40])
    for uri, said in (
        (copy.as_uri(), "cannot be read"),
        (f"{copy.as_uri()}/nowhere", "no table of records there"),
        ("gopher://records", "cannot be read"),
        ("no uri", "cannot be read"),
    ):
        with pytest.raises(StoreError, match=said) as caught:
            records_at(uri, "UTC")
        assert "\n" not in str(caught.value)
    words = [
        "replay",
        "--farm",
        str(farm.path),
        "--from",
        "2031-02-07",
        "--to",
        "2031-02-08",
        "--records",
        copy.as_uri(),
    ]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 1
    assert result.stderr.startswith("Error: ")
    assert len(result.stderr.splitlines()) == 1
