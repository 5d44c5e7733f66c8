"""A little of everything that `make torture` does at length, and what it once found."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from farmwatch.collect import collect
from farmwatch.doctor import examine
from farmwatch.store import Farm
from torture.__main__ import Asked
from torture.damage import HARMS, harm_records
from torture.failures import Killed, fail_everywhere, full_disk
from torture.farms import OPERATIONS, listening, make_farms, run
from torture.kills import kill
from torture.mutants import take_mutants
from torture.packed import FILE_MIB, take_packed
from torture.power import Disk, cut_power
from torture.readers import read_meanwhile, write_at_once
from torture.sequences import try_sequences

CHEAP = ("collect", "rebuild", "check")


@pytest.fixture(scope="module")
def farms(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return make_farms(tmp_path_factory.mktemp("farms"))


@pytest.mark.parametrize("operation", OPERATIONS)
def test_kills(farms: dict[str, Path], tmp_path: Path, operation: str) -> None:
    result = kill(operation, farms[operation], tmp_path, 3 if operation in CHEAP else 1, seed=7)
    assert result.bad == ()
    assert result.passed >= 2


@pytest.mark.parametrize(("operation", "stride"), [("collect", 51), ("rebuild", 111), ("check", 11)])
def test_failures(farms: dict[str, Path], tmp_path: Path, operation: str, stride: int) -> None:
    result = fail_everywhere(operation, farms[operation], tmp_path, stride)
    assert result.bad == ()
    assert result.failed


def test_the_pieces_of_a_share_are_all_steps_once() -> None:
    def steps(seed: int) -> list[int]:
        piece = Asked({}, Path(), 0.25, seed, OPERATIONS)
        return list(range(piece.first(), 99 + 1, piece.stride()))

    assert sorted(step for seed in (1, 2, 3, 4) for step in steps(seed)) == list(range(1, 100))


def test_failures_begin_where_they_are_told(farms: dict[str, Path], tmp_path: Path) -> None:
    result = fail_everywhere("check", farms["check"], tmp_path, stride=100, first=17)
    assert (result.tried, result.bad) == (1, ())
    assert result.steps >= 17


def test_a_full_disk(farms: dict[str, Path], tmp_path: Path) -> None:
    result = full_disk("collect", farms["collect"], tmp_path, stride=4)
    assert result is None or (result.failed and result.bad == ())


@pytest.mark.parametrize(("operation", "stride"), [("check", 1), ("collect", 30)])
def test_power_cuts(farms: dict[str, Path], tmp_path: Path, operation: str, stride: int) -> None:
    result = cut_power(operation, farms[operation], tmp_path, stride)
    assert result.bad == ()
    assert result.tried >= 2


@pytest.mark.parametrize("forgotten", ["a file", "a folder"])
def test_a_power_cut_shows_what_was_not_synced(farms: dict[str, Path], tmp_path: Path, forgotten: str) -> None:
    sync = Disk.sync

    def forgetful(disk: Disk, handle: int) -> None:
        if stat.S_ISDIR(os.fstat(handle).st_mode) != (forgotten == "a folder"):
            sync(disk, handle)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Disk, "sync", forgetful)
        assert cut_power("check", farms["check"], tmp_path).bad


def test_damage(farms: dict[str, Path], tmp_path: Path) -> None:
    result = harm_records(farms["nightly"], tmp_path, len(HARMS), seed=2)
    assert result.bad == ()
    assert result.named


def test_mutants(tmp_path: Path) -> None:
    result = take_mutants(tmp_path, 40, seed=3)
    assert result.bad == ()
    assert 0 < result.refused < 40


def test_files_made_to_swell(tmp_path: Path) -> None:
    taken = {file.name: file for file in take_packed(tmp_path)}
    assert max(file.grown_mib for file in taken.values()) < 20 * FILE_MIB
    # nothing is wrong with rows of long texts and long lists: they are rows
    rows = {name: file.rows for name, file in taken.items() if file.refused is None}
    assert rows == {"runs-lists.jsonl": 923, "runs-long.csv": 83}
    refused = {name: file.refused or "" for name, file in taken.items()}
    assert refused["runs-gzip.csv"] == "packed by gzip: unpack it first"
    assert refused["runs-parquet.csv"] == "Parquet, not text: its name must end in .parquet"
    assert refused["runs-values.jsonl"] == "line 1 is longer than 1048576 bytes"
    assert refused["runs-empty.jsonl"] == "more than the 100000 rows that a file may have"
    for name in ("texts", "struct", "lists", "one-list", "page", "one-text", "fixed", "wide"):
        assert refused[f"runs-{name}.parquet"] == "unfolds to more than the memory that a file may take"
    assert refused["sheet-parts.csv"].startswith("its lines, once for each part")


def test_sequences(tmp_path: Path) -> None:
    assert try_sequences(tmp_path, 5, seed=0).bad == ()


def test_readers_and_writers(tmp_path: Path) -> None:
    result = read_meanwhile(tmp_path, 30)
    assert result.bad == ()
    assert write_at_once(tmp_path, 1).bad == ()


def test_a_rebuild_never_leaves_a_reader_without_records(farms: dict[str, Path], tmp_path: Path) -> None:
    path = tmp_path / "farm"
    farms["rebuild"].rename(path)

    def there(step: str) -> None:
        assert any((path / "records" / "runs").glob("filed=*/rows.parquet")), step

    with listening(path, there):
        run("rebuild", path)
    path.rename(farms["rebuild"])


def test_a_new_column_cut_off_half_way_reaches_every_file_in_the_end(tmp_path: Path) -> None:
    """A collect that dies while it widens the files of a table, then is done again."""
    farm = Farm.create(tmp_path / "farm", "UTC")
    head = "run_id,printer_id,started_at,outcome"
    months = "".join(f"r{month},p,2031-0{month}-02,good\n" for month in range(1, 7))
    (farm.inbox / "runs-1.csv").write_text(f"{head}\n{months}")
    collect(farm)
    (farm.inbox / "runs-2.csv").write_text(f"{head},colour\nr3,p,2031-03-02,good,red\n")

    def cut_off(step: str) -> None:
        if step.startswith("os.rename") and len(widened()) == 3:
            raise Killed

    def widened() -> list[Path]:
        files = (farm.path / "records" / "runs").rglob("*.parquet")
        return [path for path in files if "colour" in pq.read_schema(path).names]

    with pytest.raises(Killed), listening(farm.path, cut_off):
        collect(farm)
    assert len(widened()) == 3
    collect(farm)
    assert examine(farm) == []
    assert len(widened()) == 7
