"""The first delivery of a farm is not checked twice, and what comes after it is."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest

from farmwatch.collect import collect, door, recheck
from farmwatch.store import Farm

PRINTERS = "printer_id,plate_width_mm,plate_depth_mm\nP1,{},100\n"
RUNS = "run_id,printer_id,started_at,outcome\nR1,P1,2031-01-01T00:00:00Z,good\n"
PARTS = "run_id,part_no,x_mm,y_mm,outcome\nR1,1,40,0,good\nR1,2,90,0,good\n"


@pytest.fixture
def checks(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    done: list[int] = []

    def counted(*arguments: object, **others: object) -> object:
        done.append(1)
        return plain(*arguments, **others)  # type: ignore[arg-type]

    plain = recheck.recheck
    monkeypatch.setattr(door, "recheck", counted)
    return done


def deliver(farm: Farm, **files: str) -> None:
    for table, text in files.items():
        (farm.inbox / f"{table}.csv").write_text(text)
    collect(farm)


def standing(farm: Farm) -> list[int]:
    numbers: list[int] = farm.read_arrow("parts", ["part_no"])["part_no"].to_pylist()
    return sorted(numbers)


def test_all_at_once_is_checked_once(tmp_path: Path, checks: list[int]) -> None:
    farm = Farm.create(tmp_path / "farm")
    deliver(farm, printers=PRINTERS.format(100), runs=RUNS, parts=PARTS)
    assert (standing(farm), checks) == ([1], [])
    assert not recheck.is_due(farm)


@pytest.mark.parametrize("wider", [True, False])
def test_a_plate_corrected_later_frees_or_takes_parts(tmp_path: Path, checks: list[int], wider: bool) -> None:
    farm = Farm.create(tmp_path / "farm")
    deliver(farm, printers=PRINTERS.format(100), runs=RUNS, parts=PARTS)
    deliver(farm, printers=PRINTERS.format(200 if wider else 60))
    assert (standing(farm), checks) == ([1, 2] if wider else [], [1])


def test_parts_that_were_all_held_back_come_free_though_no_part_stood(tmp_path: Path, checks: list[int]) -> None:
    farm = Farm.create(tmp_path / "farm")
    deliver(farm, printers=PRINTERS.format(60), runs=RUNS, parts=PARTS)
    assert standing(farm) == []
    deliver(farm, printers=PRINTERS.format(200))
    assert (standing(farm), checks) == ([1, 2], [1])


def test_parts_that_came_before_their_printer_are_checked_when_it_comes(tmp_path: Path, checks: list[int]) -> None:
    farm = Farm.create(tmp_path / "farm")
    deliver(farm, runs=RUNS, parts=PARTS)
    assert standing(farm) == [1, 2]
    deliver(farm, printers=PRINTERS.format(100))
    assert (standing(farm), checks) == ([1], [1])


def test_what_a_killed_collect_left_unchecked_is_checked_by_the_next(tmp_path: Path) -> None:
    farm = Farm.create(tmp_path / "farm")
    deliver(farm, runs=RUNS, parts=PARTS)
    recheck.mark_due(farm)
    plate = {"printer_id": ["P1"], "plate_width_mm": [100.0], "plate_depth_mm": [100.0]}
    farm.put("printers", pa.table(plate))  # as far as it came
    assert standing(farm) == [1, 2]
    collect(farm)
    assert standing(farm) == [1]
    assert not recheck.is_due(farm)
