"""The rules of the door, one by one."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from farmwatch.collect import CollectSummary, collect, deliveries, quarantine, rebuild
from farmwatch.collect.plates import Plates
from farmwatch.collect.rows import understand
from farmwatch.collect.rules import REASONS
from farmwatch.records import TABLES
from farmwatch.store import Farm

Deliver = Callable[[dict[str, "str | bytes"]], CollectSummary]

RUNS = "run_id,printer_id,started_at,ended_at,outcome\n"
PARTS = "run_id,part_no,x_mm,y_mm,height_mm,outcome,failure_height_mm\n"
COUPONS = "coupon_id,measured_at,printer_id,run_id,feature,x_mm,y_mm,nominal_mm,measured_mm\n"
SERVICE = "event_id,at,subject_type,subject_id,action\n"
PRINTERS = "printer_id,plate_width_mm,plate_depth_mm\n"
NO_TABLE = f"no table of that name; there are {', '.join(TABLES)}"

BAD_ROWS = [
    ("runs", RUNS, "r1,p1,2031-04-02T10:00,,splendid", "outcome", "unknown_outcome"),
    ("runs", RUNS, "r1,p1,2031-04-02T10:00,,Good", "outcome", "unknown_outcome"),
    ("runs", RUNS, "r1,p1,2031-04-02T10:00,,", "outcome", "missing_value"),
    ("runs", RUNS, "r1,,2031-04-02T10:00,,good", "printer_id", "missing_value"),
    ("runs", RUNS, ",p1,2031-04-02T10:00,,good", "run_id", "missing_value"),
    ("runs", RUNS, f"{'r' * 129},p1,2031-04-02T10:00,,good", "run_id", "bad_id"),
    ("runs", RUNS, "   ,p1,2031-04-02T10:00,,good", "run_id", "bad_id"),
    ("runs", RUNS, "r1,p1,2 April 2031,,good", "started_at", "bad_time"),
    ("runs", RUNS, "r1,p1,2031-02-30,,good", "started_at", "bad_time"),
    ("runs", RUNS, "r1,p1,1931990000,,good", "started_at", "bad_time"),
    ("runs", RUNS, "r1,p1,2031-04-02T10:00,2031-04-02T25:00,good", "ended_at", "bad_time"),
    ("runs", RUNS, "r1,p1,2031-04-02T10:00,2031-04-02T09:59,good", "ended_at", "end_before_start"),
    ("runs", RUNS, "r1,p1", "started_at", "missing_value"),
    ("runs", RUNS, "r1,p1,2031-04-02T10:00,,good,more", "", "missing_value"),
    ("parts", PARTS, "r1,one,0,0,10,good,", "part_no", "bad_number"),
    ("parts", PARTS, "r1,1.5,0,0,10,good,", "part_no", "bad_number"),
    ("parts", PARTS, "r1,-1,0,0,10,good,", "part_no", "bad_number"),
    ("parts", PARTS, 'r1,1,"1,5",0,10,good,', "x_mm", "bad_number"),
    ("parts", PARTS, "r1,1,nan,0,10,good,", "x_mm", "bad_number"),
    ("parts", PARTS, "r1,1,inf,0,10,good,", "x_mm", "bad_number"),
    ("parts", PARTS, "r1,1,0x10,0,10,good,", "x_mm", "bad_number"),
    ("parts", PARTS, "r1,1,1_000,0,10,good,", "x_mm", "bad_number"),
    ("parts", PARTS, "r1,1,0,0,-10,good,", "height_mm", "bad_number"),
    ("parts", PARTS, "r1,1,0,0,10,failed,10.01", "failure_height_mm", "failure_above_part"),
    ("parts", PARTS, "r1,1,0,0,10,partial,", "outcome", "unknown_outcome"),
    ("coupons", COUPONS, "c1,2031-04-02,p1,,ring,0,0,2,2.1", "feature", "unknown_feature"),
    ("coupons", COUPONS, "c1,2031-04-02,p1,,bar,0,0,,2.1", "nominal_mm", "missing_value"),
    ("service", SERVICE, "e1,2031-04-02,cat,tom,film_changed", "subject_type", "bad_id"),
    ("printers", PRINTERS, "p1,0,68", "plate_width_mm", "bad_number"),
]


@pytest.mark.parametrize(("table", "head", "row", "column", "reason"), BAD_ROWS)
def test_a_bad_row_is_told_with_line_column_and_reason(
    table: str, head: str, row: str, column: str, reason: str
) -> None:
    understood = understand((head + row + "\n").encode(), f"{table}.csv", table, "UTC", Plates.none(), 10)
    (fault,) = understood.faults
    assert (fault.line, fault.column, fault.reason) == (2, column, reason)
    assert fault.words
    assert reason in REASONS
    assert len(understood.rows) == 0


def test_bad_rows_are_kept_whole_in_quarantine(farm: Farm, deliver: Deliver) -> None:
    summary = deliver({f"{table}-{number}.csv": head + row for number, (table, head, row, *_) in enumerate(BAD_ROWS)})
    assert summary.trouble
    assert summary.totals.quarantined == Counter(reason for *_, reason in BAD_ROWS)
    kept = {entry["file"]: entry for entry in quarantine.entries(farm)}
    assert list(kept) == sorted(kept)
    for number, (table, _, row, column, reason) in enumerate(BAD_ROWS):
        entry = kept[f"{table}-{number}.csv"]
        assert (entry["line"], entry["column"], entry["reason"]) == (2, column, reason)
        whole = entry["row"] if isinstance(entry["row"], str) else list(entry["row"].values())
        assert whole == (row if isinstance(whole, str) else next(csv.reader([row])))
        assert len(farm.read(table)) == 0


GOOD_ROWS = [
    ("runs", RUNS, "r1,p1,2031-04-02T10:00,2031-04-02T10:00,good"),
    ("runs", RUNS, "r1,p1,2031-W14-3T10:00,,good"),
    ("runs", RUNS, "r1,p1,20310402T100000+0200,,stopped"),
    ("runs", RUNS, f"{'r' * 128},p1,2031-04-02,,good"),
    ("parts", PARTS, "r1,1.0, +5e-1 ,-.5,10,unknown,"),
    ("parts", PARTS, "r1,1,0,0,10,failed,10"),
    ("coupons", COUPONS, "c1,2031-04-02,,r9,film,,,0,0.31"),
]


@pytest.mark.parametrize(("table", "head", "row"), GOOD_ROWS)
def test_a_row_that_can_be_understood_goes_in(table: str, head: str, row: str) -> None:
    understood = understand((head + row + "\n").encode(), f"{table}.csv", table, "UTC", Plates.none(), 10)
    assert not understood.faults
    assert len(understood.rows) == 1


def test_the_rest_of_the_file_goes_in(farm: Farm, deliver: Deliver) -> None:
    text = RUNS + "r1,p1,2031-04-02,,good\nr2,p1,never,,good\nr3,p1,2031-04-03,,failed\n"
    assert deliver({"runs.csv": text}).totals.taken == 2
    assert list(farm.read("runs")["run_id"]) == ["r1", "r3"]


def test_the_summary_is_the_published_document(deliver: Deliver) -> None:
    text = RUNS + "r1,p1,2031-04-02,,good\nr2,p1,never,,good\n"
    document = json.loads(json.dumps(deliver({"runs.csv": text, "notes.txt": "hello"}).to_dict()))
    assert document == {
        "files": [
            {
                "file": "runs.csv",
                "table": "runs",
                "rows": 2,
                "taken": 1,
                "replaced": 0,
                "unchanged": 0,
                "quarantined": {"bad_time": 1},
                "error": None,
            },
            {
                "file": "notes.txt",
                "table": None,
                "rows": 0,
                "taken": 0,
                "replaced": 0,
                "unchanged": 0,
                "quarantined": {},
                "error": NO_TABLE,
            },
        ]
    }


def test_a_path_that_does_not_exist_is_refused_as_such_whatever_its_name(farm: Farm, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("odd")
    asked = [tmp_path / "missing" / "path", tmp_path / "runs-2031.csv", tmp_path / "notes.txt"]
    told = {report.file: report.error for report in collect(farm, asked).files}
    gone = "No such file or directory"
    assert told == {"path": gone, "runs-2031.csv": gone, "notes.txt": NO_TABLE}


def test_the_table_is_told_by_what_precedes_the_first_dot_or_dash(farm: Farm, deliver: Deliver) -> None:
    row = '{"run_id":"%s","printer_id":"p1","started_at":"2031-04-02","outcome":"good"}\n'
    summary = deliver(
        {
            "runs.csv": RUNS + "a,p1,2031-04-02,,good\n",
            "runs-2031-04-02.csv": RUNS + "b,p1,2031-04-02,,good\n",
            "runs.2031w14.jsonl": row % "c",
            "runs_old.csv": RUNS + "d,p1,2031-04-02,,good\n",
        }
    )
    assert sorted(farm.read("runs")["run_id"]) == ["a", "b", "c"]
    assert [report.file for report in summary.unreadable] == ["runs_old.csv"]


def test_the_same_file_again_changes_nothing(farm: Farm, deliver: Deliver) -> None:
    text = RUNS + "r1,p1,2031-04-02,,good\nr2,p1,2031-04-03,,failed\n"
    deliver({"runs.csv": text})
    again = deliver({"runs-again.csv": text}).totals
    assert (again.taken, again.replaced, again.unchanged) == (0, 0, 2)
    third = deliver({"runs-more.csv": text + "r3,p1,2031-04-04,,good\n"}).totals
    assert (third.taken, third.replaced, third.unchanged) == (1, 0, 2)


DATED = "run_id,printer_id,started_at,outcome,recorded_at\n"
EARLY = "r1,p1,2031-04-02,good,2031-04-02T12:00Z"
LATE = "r1,p1,2031-04-02,failed,2031-04-03T12:00Z"
BARE = "r1,p1,2031-04-02,stopped,"


@pytest.mark.parametrize(
    ("rows", "stands", "last"),
    [
        ((EARLY, LATE), "failed", "replaced"),
        ((LATE, EARLY), "failed", "unchanged"),
        ((BARE, EARLY), "good", "replaced"),
        ((LATE, BARE), "stopped", "replaced"),
        ((LATE, BARE, EARLY), "good", "replaced"),
        ((EARLY, LATE, EARLY), "failed", "unchanged"),
    ],
)
def test_the_row_recorded_later_stands_without_that_the_one_taken_last(
    farm: Farm, deliver: Deliver, rows: Any, stands: str, last: str
) -> None:
    for number, row in enumerate(rows):
        summary = deliver({f"runs-{number}.csv": DATED + row + "\n"})
    assert farm.read("runs")["outcome"].tolist() == [stands]
    assert getattr(summary.totals, last) == 1


def test_files_of_one_collect_are_taken_in_order_of_their_names(farm: Farm, deliver: Deliver) -> None:
    summary = deliver({"runs-b.csv": DATED + BARE + "\n", "runs-a.csv": DATED + BARE.replace("stopped", "good") + "\n"})
    assert [report.file for report in summary.files] == ["runs-a.csv", "runs-b.csv"]
    assert [(report.taken, report.replaced) for report in summary.files] == [(1, 0), (0, 1)]
    assert farm.read("runs")["outcome"].tolist() == ["stopped"]


def test_one_key_twice_in_a_file(farm: Farm, deliver: Deliver) -> None:
    same = BARE + "\n"
    summary = deliver({"runs-1.csv": DATED + same + same})
    assert (summary.totals.taken, summary.totals.unchanged) == (1, 1)
    summary = deliver({"runs-2.csv": DATED + LATE + "\n" + EARLY + "\n"})
    assert (summary.totals.replaced, summary.totals.unchanged) == (1, 1)
    summary = deliver({"runs-3.csv": DATED + "r0,p1,2031-04-02,good,\n" + BARE + "\n" + LATE + "\n"})
    assert summary.totals.quarantined == Counter(duplicate_key=2)
    summary = deliver({"runs-4.csv": DATED + LATE + "\n" + LATE.replace("failed", "partial") + "\n"})
    assert summary.totals.quarantined == Counter(duplicate_key=2)
    assert dict(zip(farm.read("runs")["run_id"], farm.read("runs")["outcome"], strict=True)) == {
        "r0": "good",
        "r1": "failed",
    }


def test_columns_of_the_farms_own_are_kept(farm: Farm, deliver: Deliver) -> None:
    deliver({"runs-1.csv": RUNS + "r1,p1,2031-05-02,,good\n"})
    deliver({"runs-2.csv": "colour,run_id,printer_id,started_at,outcome,filed\nred,r2,p1,2031-04-02,good,yes\n"})
    row = {"run_id": "r3", "printer_id": "p1", "started_at": "2031-06-02", "outcome": "good", "colour": {"a": [1, 2.5]}}
    deliver({"runs-3.jsonl": json.dumps(row)})
    plain = pd.read_parquet(farm.path / "records" / "runs").sort_values("run_id")
    assert plain["colour"].fillna("-").tolist() == ["-", "red", '{"a": [1, 2.5]}']
    assert plain["filed_"].fillna("-").tolist() == ["-", "yes", "-"]
    assert farm.read("runs").sort_values("run_id")["colour"].fillna("-").tolist() == ["-", "red", '{"a": [1, 2.5]}']


def test_unknown_codes_are_kept_and_counted(farm: Farm, deliver: Deliver) -> None:
    summary = deliver(
        {
            "runs.csv": RUNS.replace("outcome", "outcome,sign") + "r1,p1,2031-04-02,,failed,melted\n",
            "service.csv": SERVICE + "e1,2031-04-02,printer,p1,kicked\ne2,2031-04-02,printer,p1,film_changed\n",
        }
    )
    assert summary.unknown_codes == {"sign": Counter(melted=1), "action": Counter(kicked=1)}
    assert farm.read("runs")["sign"].tolist() == ["melted"]
    assert not summary.trouble


def test_what_is_named_but_not_registered_is_accepted_and_listed(farm: Farm, deliver: Deliver) -> None:
    summary = deliver(
        {
            "printers.csv": PRINTERS + "p1,120,68\n",
            "runs.csv": RUNS.replace("outcome", "outcome,lot_id")
            + "r1,p1,2031-04-02,,good,L1\nr2,p2,2031-04-02,,good,\nr3,p1,never,,good,L2\n",
            "parts.csv": PARTS + "r1,1,0,0,10,good,\nr3,1,0,0,10,good,\nr4,1,0,0,10,good,\n",
            "service.csv": SERVICE + "e1,2031-04-02,lot,L7,other\ne2,2031-04-02,room,hall,other\n",
        }
    )
    assert summary.unregistered == {"printers": ["p2"], "lots": ["L1", "L7"], "runs": ["r3", "r4"]}
    assert len(farm.read("parts")) == 3


PLATE = {"printers.csv": PRINTERS + "p1,120,68\n"}
RUN = {"runs.csv": RUNS + "r1,p1,2031-04-02,,good\n"}
ON_AND_OFF = {"parts.csv": PARTS + "r1,1,60,-34,10,good,\nr1,2,60.1,0,10,good,\nr1,3,0,-34.1,10,good,\n"}


@pytest.mark.parametrize(
    "order",
    [
        (PLATE | RUN | ON_AND_OFF,),
        (PLATE, RUN, ON_AND_OFF),
        (ON_AND_OFF, PLATE, RUN),
        (ON_AND_OFF, RUN, PLATE),
        (RUN, ON_AND_OFF, PLATE),
        (RUN | ON_AND_OFF, PLATE),
    ],
)
def test_a_part_off_its_plate_is_found_in_whatever_order_the_files_come(
    farm: Farm, deliver: Deliver, order: Any
) -> None:
    summaries = [deliver(files) for files in order]
    assert farm.read("parts")["part_no"].tolist() == [1.0]
    held = [(entry["file"], entry["line"], entry["column"], entry["reason"]) for entry in quarantine.entries(farm)]
    assert held == [("parts.csv", 3, "x_mm", "off_plate"), ("parts.csv", 4, "y_mm", "off_plate")]
    assert summaries[-1].trouble


def test_a_coupon_off_its_plate_by_its_printer_or_its_run(farm: Farm, deliver: Deliver) -> None:
    rows = "c1,2031-04-02,p1,,bar,61,0,2,2\nc2,2031-04-02,,r1,bar,0,35,2,2\nc3,2031-04-02,,r1,bar,0,34,2,2\n"
    deliver({"coupons.csv": COUPONS + rows})
    summary = deliver(PLATE | RUN)
    assert [(recheck.table, recheck.quarantined) for recheck in summary.rechecked] == [("coupons", 2)]
    assert farm.read("coupons")["coupon_id"].tolist() == ["c3"]


def test_a_corrected_plate_sets_its_parts_free_again(farm: Farm, deliver: Deliver) -> None:
    deliver(PLATE | RUN | ON_AND_OFF)
    summary = deliver({"printers.csv": PRINTERS + "p1,130,70\n"})
    assert [(recheck.quarantined, recheck.released) for recheck in summary.rechecked] == [(0, 2)]
    assert farm.read("parts")["part_no"].tolist() == [1.0, 2.0, 3.0]
    assert not list(quarantine.entries(farm))


def test_a_corrected_plate_sets_free_only_what_was_off_it(farm: Farm, deliver: Deliver) -> None:
    bad = "r1,9,0,0,10,lost,\nr1,2,60.1,0,10,good,\nr1,8,off_plate,0,10,good,\n"
    deliver(PLATE | RUN | {"parts.csv": PARTS + bad})
    assert [entry["line"] for entry in quarantine.entries(farm, reason="off_plate")] == [3]
    deliver({"printers.csv": PRINTERS + "p1,130,70\n"})
    assert farm.read("parts")["part_no"].tolist() == [2.0]
    assert [entry["reason"] for entry in quarantine.entries(farm)] == ["unknown_outcome", "bad_number"]


def test_a_position_that_came_by_no_delivery_is_kept_whole_too_when_it_proves_bad(farm: Farm, deliver: Deliver) -> None:
    places = {"x_mm": [0.0, 99.0], "y_mm": [0.0, 0.0]}
    farm.put("parts", pa.table({"run_id": ["r1", "r1"], "part_no": [1, 2], **places, "outcome": ["good", "good"]}))
    measured = pa.array([dt.datetime(2031, 4, 3, tzinfo=dt.UTC)] * 2, pa.timestamp("us", "UTC"))
    coupons = {"coupon_id": ["c1", "c2"], "measured_at": measured, "printer_id": ["p1", "p1"], **places}
    farm.put("coupons", pa.table(coupons))
    summary = deliver(PLATE | RUN)
    assert [(check.table, check.quarantined, check.released) for check in summary.rechecked] == [
        ("parts", 1, 0),
        ("coupons", 1, 0),
    ]
    assert farm.read("parts")["part_no"].tolist() == [1.0]
    assert farm.read("coupons")["coupon_id"].tolist() == ["c1"]
    coupon, part = quarantine.entries(farm)
    assert (part["file"], part["line"], part["column"], part["key"]) == ("parts.records", 0, "x_mm", ["r1", 2])
    assert (coupon["file"], coupon["reason"], coupon["key"]) == ("coupons.records", "off_plate", ["c2"])
    assert (coupon["row"]["x_mm"], coupon["row"]["measured_at"]) == (99.0, "2031-04-03 00:00:00+00:00")


def test_the_row_that_stood_before_comes_back_when_its_successor_proves_bad(farm: Farm, deliver: Deliver) -> None:
    deliver({"parts-1.csv": PARTS + "r1,1,10,0,10,failed,5\n"})
    deliver({"parts-2.csv": PARTS + "r1,1,100,0,10,good,\n"})
    assert farm.read("parts")["x_mm"].tolist() == [100.0]
    deliver(PLATE | RUN)
    assert farm.read("parts")["x_mm"].tolist() == [10.0]
    assert [entry["file"] for entry in quarantine.entries(farm)] == ["parts-2.csv"]


def test_lines_are_true_with_quoted_line_breaks_blank_lines_and_stray_quotes(farm: Farm, deliver: Deliver) -> None:
    text = (
        "\ufeffrun_id,printer_id,started_at,outcome,note\r\n"
        'r1,p1,2031-04-02,good,"two\r\nlines, ""quoted"""\r\n'
        "\r\n"
        "r2,p1,never,good,\r\n"
        'r3,p1,2031-04-02,good,"never closed\r\n'
        "r4,p1,2031-04-02,good,\r\n"
        'r5,p1,2031-04-02,good,a "stray" one\r\n'
        "r6,p1,never,good,\r\n"
        'r7,p1,2031-04-02,good,"cut off'
    )
    summary = deliver({"runs.csv": text.encode()})
    assert sorted(farm.read("runs")["run_id"]) == ["r1", "r4", "r5"]
    assert farm.read("runs").set_index("run_id")["note"]["r1"] == 'two\r\nlines, "quoted"'
    assert [(entry["line"], entry["reason"]) for entry in quarantine.entries(farm)] == [
        (5, "bad_time"),
        (6, "missing_value"),
        (9, "bad_time"),
        (10, "missing_value"),
    ]
    assert summary.totals.rows == 7


def test_lines_of_json_and_rows_of_parquet(farm: Farm, deliver: Deliver) -> None:
    good = {"run_id": "r1", "printer_id": "p1", "started_at": "2031-04-02", "outcome": "good"}
    lines = [json.dumps(good), "", "{", "[1]", json.dumps(good | {"run_id": True}), json.dumps(good | {"run_id": 7})]
    deep = '{"run_id":"r8","printer_id":"p1","started_at":"2031-04-02","outcome":"good","x":' + "[" * 99_999
    deliver({"runs.jsonl": "\n".join([*lines, deep])})
    assert [(entry["line"], entry["reason"]) for entry in quarantine.entries(farm)] == [
        (3, "missing_value"),
        (4, "missing_value"),
        (5, "bad_id"),
        (7, "missing_value"),
    ]
    assert sorted(farm.read("runs")["run_id"]) == ["7", "r1"]
    frame = pd.DataFrame({"run_id": ["a", "b"], "part_no": [1, 2], "outcome": ["good", "lost"]})
    buffer = io.BytesIO()
    frame.to_parquet(buffer)
    deliver({"parts.parquet": buffer.getvalue()})
    assert [entry["line"] for entry in quarantine.entries(farm, "parts")] == [2]


def test_a_row_of_parquet_is_kept_in_quarantine_in_words_whatever_its_types(farm: Farm, deliver: Deliver) -> None:
    started = pa.array([dt.datetime(2031, 4, 2, 10)], pa.timestamp("ms"))
    columns = {"run_id": [7], "printer_id": ["p1"], "started_at": started, "outcome": ["lost"]}
    columns |= {"exposure_s": pa.array([Decimal("2.50")]), "tried": [True]}
    buffer = io.BytesIO()
    pq.write_table(pa.table(columns), buffer)
    deliver({"runs.parquet": buffer.getvalue()})
    (entry,) = quarantine.entries(farm)
    assert (entry["reason"], entry["key"]) == ("unknown_outcome", ["7"])
    told = {"run_id": 7, "printer_id": "p1", "started_at": "2031-04-02 10:00:00", "outcome": "lost"}
    assert entry["row"] == {**told, "exposure_s": "2.50", "tried": True}


def test_a_row_that_is_not_utf8_is_set_aside_alone(farm: Farm, deliver: Deliver) -> None:
    head = RUNS.replace("outcome", "outcome,note").encode()
    deliver({"runs.csv": head + b"r1,p1,2031-04-02,,good,gr\xfcn\nr2,p1,2031-04-02,,good,green\n"})
    assert farm.read("runs")["run_id"].tolist() == ["r2"]
    (entry,) = quarantine.entries(farm)
    assert (entry["line"], entry["column"], entry["reason"]) == (2, "note", "bad_id")


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("runs.csv", b""),
        ("runs.csv", b"one,two,three\n1,2,3\n"),
        ("runs.csv", b"run_id,run_id,outcome\na,b,good\n"),
        ("runs.csv", b"run_id,,outcome\na,b,good\n"),
        ("runs.csv", "run_id,printer_id\na,b\n".encode("utf-16")),
        ("runs.csv", b'"run_id,printer_id\na,b\n'),
        ("runs.csv", b"run_id," + b"x" * (2 << 20)),
        ("runs.csv", b"run_id," + b",".join(b"c%d" % n for n in range(300)) + b"\n"),
        ("runs.csv", b"run_id,note\n" + b'a,"x\n' * 3000),
        ("runs.jsonl", b"not\njson\n"),
        ("runs.parquet", b"PAR1 and no more"),
        ("runs.xlsx", b"PK"),
        ("stuff.csv", b"run_id\n1\n"),
    ],
)
def test_a_file_that_cannot_be_read_stays_where_it_was(farm: Farm, deliver: Deliver, name: str, content: bytes) -> None:
    summary = deliver({name: content})
    (report,) = summary.files
    assert report.error
    assert "\n" not in report.error
    assert summary.trouble
    assert (farm.inbox / name).read_bytes() == content
    assert not any(farm.deliveries.iterdir())


def test_links_and_pipes_in_the_inbox_are_not_followed(farm: Farm, deliver: Deliver, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text(RUNS + "r1,p1,2031-04-02,,good\n")
    (farm.inbox / "runs.csv").symlink_to(tmp_path / "secret")
    assert [report.error for report in deliver({}).files] == ["a link, not a file"]
    assert (farm.inbox / "runs.csv").is_symlink()


def test_files_and_folders_named_are_copied_not_moved(farm: Farm, tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    (folder / "deep").mkdir(parents=True)
    (folder / "runs.csv").write_text(RUNS + "r1,p1,2031-04-02,,good\n")
    (folder / "deep" / "parts.csv").write_text(PARTS + "r1,1,0,0,10,good,\n")
    (folder / ".hidden.csv").write_text("x")
    (farm.inbox / "printers.csv").write_text(PRINTERS + "p1,120,68\n")
    (farm.inbox / "lots.csv").write_text("lot_id\nL1\n")
    summary = collect(farm, [folder, farm.inbox / "printers.csv", tmp_path / "absent" / "runs-9.csv"])
    assert [(report.file, report.error) for report in summary.files] == [
        ("printers.csv", None),
        ("runs-9.csv", "No such file or directory"),
        ("runs.csv", None),
        ("deep/parts.csv", None),
    ]
    assert (folder / "runs.csv").exists()
    assert [path.name for path in farm.inbox.iterdir()] == ["lots.csv"]
    assert len(list(farm.deliveries.iterdir())) == 3


def test_taken_files_are_kept_untouched(farm: Farm, deliver: Deliver) -> None:
    text = RUNS + "r1,p1,2031-04-02,,good\nbroken\n"
    deliver({"runs.csv": text})
    (delivery,) = deliveries.kept(farm)
    assert delivery.name == "runs.csv"
    assert delivery.read().decode() == text
    deliver({"runs.csv": text})
    assert len(deliveries.kept(farm)) == 1


def test_progress_counts_every_file_to_the_end(farm: Farm) -> None:
    for number in range(3):
        (farm.inbox / f"runs-{number}.csv").write_text(RUNS + f"r{number},p1,2031-04-02,,good\n")
    (farm.inbox / "odd.txt").write_text("odd")
    seen: list[tuple[int, int, str]] = []
    collect(farm, progress=lambda done, total, name: seen.append((done, total, name)))
    assert [done for done, _, _ in seen] == sorted(done for done, _, _ in seen)
    assert seen[-1][0] == seen[-1][1]
    assert len(seen) == 4


def test_size_limits(farm: Farm, deliver: Deliver) -> None:
    (farm.path / "farm.toml").write_text('[farm]\ntimezone = "UTC"\n[collect]\nmax_file_rows = 2\nmax_file_mib = 1\n')
    small = Farm.open(farm.path)
    (farm.inbox / "runs.csv").write_text(RUNS + "r1,p1,2031-04-02,,good\n" * 3)
    (farm.inbox / "parts.csv").write_text("x" * (1 << 20) + "yz")
    errors = [report.error for report in collect(small).files]
    assert errors == [
        "more than the 2 rows that a file may have",
        "1048578 bytes, more than the 1048576 that a file may have",
    ]


def test_a_small_parquet_file_that_unfolds_into_gigabytes_is_refused(farm: Farm, deliver: Deliver) -> None:
    rows = 100_000
    note = pa.DictionaryArray.from_arrays(pa.nulls(rows, pa.int32()).fill_null(0), ["x" * 100_000])
    columns = {"run_id": ["r"] * rows, "part_no": range(rows), "outcome": ["good"] * rows, "note": note}
    buffer = io.BytesIO()
    pq.write_table(pa.table(columns), buffer)
    assert len(buffer.getvalue()) < 5_000_000
    (report,) = deliver({"parts.parquet": buffer.getvalue()}).files
    assert report.error == "unfolds to more than the memory that a file may take"


def test_rebuild_makes_the_same_records_from_the_deliveries_alone(farm: Farm, deliver: Deliver) -> None:
    deliver(RUN | {"parts-1.csv": PARTS + "r1,1,10,0,10,failed,5\nr1,2,5,5,10,lost,\n"})
    deliver({"parts-2.csv": PARTS + "r1,1,100,0,10,good,\n"})
    deliver(PLATE)
    before = {table: farm.read(table) for table in ("printers", "runs", "parts")}
    held = list(quarantine.entries(farm))
    for path in (farm.path / "records").rglob("rows.parquet"):
        path.write_bytes(b"damaged")
    summary = rebuild(farm)
    assert summary.totals.rows == 5
    for table, frame in before.items():
        pd.testing.assert_frame_equal(farm.read(table), frame)
    assert list(quarantine.entries(farm)) == held


def test_an_empty_inbox_is_nothing_to_do(farm: Farm) -> None:
    summary = collect(farm)
    assert summary.files == []
    assert not summary.trouble
    assert rebuild(farm).files == []


def test_paths_of_odd_names(farm: Farm, deliver: Deliver) -> None:
    name = "runs-" + "n" * 230 + ".csv"
    deliver({name: RUNS + "r1,p1,2031-04-02,,good\n"})
    odd = farm.inbox / "runs-\udcff.csv"
    odd.write_text(RUNS + "r2,p1,2031-04-02,,good\nr3,p1,never,,good\n")
    summary = collect(farm)
    assert summary.files[0].file == "runs-\\xff.csv"
    assert len(farm.read("runs")) == 2
    assert len(rebuild(farm).files) == 2
    assert len(farm.read("runs")) == 2
