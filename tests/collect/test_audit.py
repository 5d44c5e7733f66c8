"""The kept deliveries are read again: what is missing among them, and what records and quarantine hold beside them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from farmwatch.collect import CollectSummary, collect, deliveries
from farmwatch.collect.recheck import mark_due
from farmwatch.doctor import examine
from farmwatch.store import Farm

Deliver = Callable[..., CollectSummary]

RUNS = "run_id,printer_id,started_at,outcome\n"
GOOD = ",p1,2031-04-02,good\n"
PRINTERS = "printer_id,plate_width_mm,plate_depth_mm\np1,{},68\n"
PARTS = "run_id,part_no,x_mm,y_mm,outcome\nr0,1,10,0,good\nr0,2,70,0,good\n"
BACKUP = "take it from a back-up; without one its rows stay in the records, but a rebuild would lose them"
REBUILD = "farmwatch rebuild makes the records anew from the kept deliveries"


def told(farm: Farm) -> list[tuple[Path, str, str]]:
    return [(Path(trouble.where), trouble.what, trouble.do) for trouble in examine(farm)]


def fill(deliver: Deliver, count: int = 3) -> None:
    """One run in each delivery, taken in this order."""
    deliver({f"runs-{number:02d}.csv": f"{RUNS}r{number}{GOOD}" for number in range(count)})


# ------------------------------------------------------------------------------------------------------- the files


def test_deliveries_that_are_missing_are_counted_and_the_first_of_them_named(farm: Farm, deliver: Deliver) -> None:
    fill(deliver, 12)
    assert examine(farm) == []
    kept = deliveries.kept(farm)
    kept[0].path.unlink()
    assert told(farm) == [(farm.deliveries, "1 deliveries are missing: 00000001", BACKUP)]
    for delivery in kept[1:11]:
        delivery.path.unlink()
    eight = ", ".join(f"{number:08d}" for number in range(1, 9))
    assert told(farm) == [(farm.deliveries, f"11 deliveries are missing: {eight}", BACKUP)]


def test_numbers_given_twice_are_named(farm: Farm, deliver: Deliver) -> None:
    fill(deliver, 10)
    do = "move out the copies that are not yours"
    for delivery in deliveries.kept(farm)[1:]:
        shutil.copy(delivery.path, delivery.path.with_name(delivery.path.name.replace("runs", "runs-copy")))
        numbers = [f"{number:08d}" for number in range(2, delivery.number + 1)]
        assert told(farm) == [(farm.deliveries, f"numbers given twice: {', '.join(numbers[:8])}", do)]


def test_a_delivery_that_is_damaged_or_another_is_named_once(farm: Farm, deliver: Deliver) -> None:
    fill(deliver)
    first, second, _ = (delivery.path for delivery in deliveries.kept(farm))
    shutil.copy(second, first)
    second.write_bytes(second.read_bytes()[:9])
    (changed, torn) = told(farm)
    assert changed == (first, "is not what was delivered: its checksum differs", BACKUP)
    assert (torn[0], torn[2]) == (second, BACKUP)
    assert torn[1].startswith("cannot be read: ")


def test_what_is_no_delivery_is_to_go_to_the_inbox(farm: Farm, deliver: Deliver) -> None:
    fill(deliver)
    strays = [farm.deliveries / f"runs-{number:02d}.csv" for number in range(9)]
    for stray in reversed(strays):
        stray.write_text("run_id\n")
    do = "move it out; to take it, put it into the inbox"
    assert told(farm) == [(stray, "not a kept delivery", do) for stray in strays]


# ------------------------------------------------------------------------------------------- against what stands


def test_a_check_left_undone_is_done_by_the_next_collect(farm: Farm, deliver: Deliver) -> None:
    fill(deliver)
    mark_due(farm)
    assert told(farm) == [(farm.records_path, "a killed collect left a check of positions undone", "farmwatch collect")]
    collect(farm)
    assert examine(farm) == []


def test_a_delivery_longer_than_the_limit_set_since_is_said_with_what_to_do(farm: Farm, deliver: Deliver) -> None:
    deliver({"runs.csv": f"{RUNS}r1{GOOD}r2{GOOD}"})
    with (farm.path / "farm.toml").open("a") as stream:
        stream.write("\n[collect]\nmax_file_rows = 1\n")
    ((where, what, do),) = told(Farm.open(farm.path))
    assert where == farm.deliveries
    assert "more than the 1 rows that a file may have" in what
    assert do == "was max_file_rows lowered? Raise it again"


def test_rows_that_differ_are_counted_by_what_is_wrong_with_them(farm: Farm, deliver: Deliver) -> None:
    fill(deliver, 9)

    runs = farm.read_arrow("runs").sort_by("run_id")
    named = runs.column_names.index("run_id"), runs.column_names.index("printer_id")
    farm.put("runs", runs.slice(0, 2).set_column(named[0], "run_id", [["n1", "n2"]]))
    farm.put("runs", runs.slice(5, 1).set_column(named[1], "printer_id", [["p9"]]))
    farm.settle("runs", runs.slice(1, 3).select(["run_id"]), runs.slice(0, 0))
    where = farm.records_path / "runs"
    assert told(farm) == [
        (where, "2 rows only the records have", REBUILD),
        (where, "3 rows only the deliveries have", REBUILD),
        (where, "1 rows differ between records and deliveries", REBUILD),
    ]


def test_rows_in_quarantine_are_those_that_the_deliveries_say(farm: Farm, deliver: Deliver) -> None:
    deliver({"runs.csv": f"{RUNS}r1,p1,never,good\nr2,p1,now,good\nr3,,2031-04-02,good\n"})
    assert examine(farm) == []
    (path,) = farm.quarantine.glob("*.jsonl")
    text = path.read_text()
    entries = [json.loads(line) for line in text.splitlines()]

    def says(*held: dict[str, object], at: Path = path) -> list[tuple[Path, str, str]]:
        at.write_text("".join(json.dumps(entry) + "\n" for entry in held))
        return told(farm)

    assert says(*entries[:2]) == [(path, "1 rows differ between quarantine and deliveries", REBUILD)]
    assert says(*entries, entries[0]) == [(path, "1 rows differ between quarantine and deliveries", REBUILD)]
    moved = {**entries[1], "column": "outcome"}
    assert says(entries[0], moved, entries[2]) == [(path, "2 rows differ between quarantine and deliveries", REBUILD)]
    path.write_text(text[:-9])
    ((where, what, do),) = told(farm)
    assert (where, do) == (path, REBUILD)
    assert what.startswith("cannot be read: ")
    assert "rebuild" not in what
    path.write_text(text)
    strange = path.with_name("runs.csv.strange.jsonl")
    assert says(*entries[1:], at=strange) == [(strange, "2 rows differ between quarantine and deliveries", REBUILD)]


def test_every_file_of_the_quarantine_is_looked_at_in_order(farm: Farm, deliver: Deliver) -> None:
    deliver({f"runs-{number}.csv": f"{RUNS}r{number},p1,never,good\n" for number in range(9)})
    paths = sorted(farm.quarantine.glob("*.jsonl"))
    for number, path in enumerate(paths):
        path.write_text("[" if number % 2 else "")
    found = told(farm)
    assert [where for where, _, _ in found] == paths
    assert ["differ" in what for _, what, _ in found] == [number % 2 == 0 for number in range(9)]


def test_columns_of_the_farms_own_are_held_against_each_other_too(farm: Farm, deliver: Deliver) -> None:
    deliver({"runs-1.csv": f"{RUNS}r1{GOOD}", "runs-2.csv": "colour," + RUNS + f"red,r2{GOOD}"})
    assert examine(farm) == []
    rows = farm.read_arrow("runs")
    farm.put("runs", rows.set_column(rows.column_names.index("colour"), "colour", [["blue"] * 2]))
    assert told(farm) == [(farm.records_path / "runs", "2 rows differ between records and deliveries", REBUILD)]


@pytest.mark.parametrize("corrected", [100, 160])
def test_parts_off_their_plate_are_where_the_records_have_them(farm: Farm, deliver: Deliver, corrected: int) -> None:
    deliver({"printers-1.csv": PRINTERS.format(120), "runs.csv": f"{RUNS}r0{GOOD}", "parts.csv": PARTS})
    assert examine(farm) == []
    deliver({"printers-2.csv": PRINTERS.format(corrected)})
    assert len(farm.read_arrow("parts")) == (2 if corrected == 160 else 1)
    assert examine(farm) == []
    for path in farm.quarantine.glob("*.jsonl"):
        path.write_text("")  # what was held off its plate was known only then
    assert examine(farm) == []


def test_the_row_of_the_delivery_taken_last_stands_as_in_the_records(farm: Farm, deliver: Deliver) -> None:
    for outcome in ("good", "failed", "good"):
        deliver({"runs.csv": f"{RUNS}r1,p1,2031-04-02,{outcome}\n"})
    assert len(deliveries.kept(farm)) == 3
    assert examine(farm) == []
