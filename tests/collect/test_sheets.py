"""Spreadsheets of somebody's own: the documented example, every key of a map, every way in which a map can be wrong."""

from __future__ import annotations

import datetime as dt
import json
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from farmwatch.cli import main
from farmwatch.collect import MapError, collect, load_map, quarantine, rebuild
from farmwatch.collect.audit import examine_deliveries
from farmwatch.collect.csv_files import read_sheet
from farmwatch.collect.deliveries import kept
from farmwatch.collect.raw import Unreadable
from farmwatch.collect.sheet_archive import bundle, original_name, unbundled
from farmwatch.collect.sheet_map import read_map
from farmwatch.store import Farm

PAGE = (Path(__file__).parents[2] / "docs" / "own_records.md").read_text(encoding="utf-8")
SHEET, MAP, SAID = re.findall(r"```text\n(.*?)```", PAGE, re.DOTALL)[:3]
SMALL = """
[runs]
run_id = "Plate"
printer_id = "Machine"
started_at = "Start"
outcome = "Result"
"""
HEAD = "Plate,Machine,Start,Result"

Take = Callable[..., Any]


@pytest.fixture
def take(farm: Farm, tmp_path: Path) -> Take:
    """``take(sheet, map)``: collect a file of somebody's own; the summary."""

    def take(sheet: str | bytes, map_text: str, name: str = "log.csv") -> Any:
        path, its_map = tmp_path / name, tmp_path / "map.toml"
        path.write_bytes(sheet.encode() if isinstance(sheet, str) else sheet)
        its_map.write_text(map_text)
        return collect(farm, [path], None, load_map(its_map))

    return take


def rows(farm: Farm, table: str) -> list[dict[str, Any]]:
    found = farm.read_arrow(table).to_pylist()
    return [{name: value for name, value in row.items() if value is not None} for row in found]


def column(farm: Farm, name: str, table: str = "runs") -> list[Any]:
    return [row.get(name) for row in rows(farm, table)]


def mapped(line: str) -> str:
    """The small map with one more line, or another one for the same key."""
    key = line.split(" = ")[0]
    return "\n".join([*(old for old in SMALL.splitlines() if not old.startswith(f"{key} ")), line])


def test_the_documented_example_comes_to_what_is_said(tmp_path: Path) -> None:
    farm = Farm.create(tmp_path / "workshop", "UTC")
    (tmp_path / "plates.csv").write_text(SHEET)
    (tmp_path / "map.toml").write_text(MAP)
    command = ["collect", str(tmp_path / "plates.csv"), "--map", str(tmp_path / "map.toml"), "--farm", str(farm.path)]
    answer = CliRunner().invoke(main, command)
    assert answer.exit_code == 3
    assert answer.output.startswith(SAID)
    first, second, third = rows(farm, "runs")
    assert [first["run_id"], third["run_id"], second["run_id"]] == ["P-101", "P-102", "P-103"], "filed by printer"
    assert third == {
        "run_id": "P-102",
        "printer_id": "rowan",
        "started_at": dt.datetime(2031, 3, 3, 12, 40, tzinfo=dt.UTC),
        "lot_id": "grey 7",
        "profile": "standard",
        "exposure_s": 2.4,
        "planned_s": 11100.0,
        "outcome": "partial",
        "sign": "off_plate",
        "note": "front row",
    }
    assert (first["outcome"], second["outcome"], second.get("sign")) == ("good", "failed", None)
    parts = [part for part in rows(farm, "parts") if part["run_id"] == "P-102"]
    assert [(part["part_no"], part["outcome"], part.get("sign")) for part in parts] == [
        (number, "failed", "off_plate") if number <= 2 else (number, "good", None) for number in range(1, 13)
    ]
    fault = next(quarantine.entries(farm))
    assert (fault["file"], fault["line"], fault["column"]) == ("plates.csv", 6, "Date + Start")
    assert fault["row"]["Start"] == "25:00"
    assert fault["row"]["Remarks"] == ""
    assert (tmp_path / "plates.csv").read_text() == SHEET, "it stays where it was"


def test_a_rebuild_makes_the_same_and_the_file_is_kept_untouched(tmp_path: Path) -> None:
    farm = Farm.create(tmp_path / "workshop", "UTC")
    (farm.inbox / "plates.csv").write_text(SHEET)
    (tmp_path / "map.toml").write_text(MAP)
    collect(farm, [farm.inbox], None, load_map(tmp_path / "map.toml"))
    assert list(farm.inbox.iterdir()) == [], "taken for the last table, it leaves the inbox"
    before = [rows(farm, table) for table in ("runs", "parts")], list(quarantine.entries(farm))
    assert [original_name(delivery.name) for delivery in kept(farm)] == ["plates.csv", "plates.csv"]
    for delivery in kept(farm):
        assert unbundled(delivery.read()) == (SHEET.encode(), MAP.encode())
    assert examine_deliveries(farm, True) == []
    rebuild(farm)
    assert ([rows(farm, table) for table in ("runs", "parts")], list(quarantine.entries(farm))) == before
    (farm.inbox / "plates.csv").write_text(SHEET.replace("25:00", "15:00"))
    collect(farm, [farm.inbox], None, load_map(tmp_path / "map.toml"))
    assert len(rows(farm, "runs")) == 4


def test_the_same_again_changes_nothing_and_new_lines_are_taken(take: Take, farm: Farm) -> None:
    sheet = f"{HEAD}\na,p,2031-03-03,good\n"
    assert take(sheet, SMALL).totals.taken == 1
    again = take(sheet, SMALL).totals
    assert (again.taken, again.unchanged, len(kept(farm))) == (0, 1, 1)
    more = take(sheet + "b,p,2031-03-04,failed\n", SMALL).totals
    assert (more.taken, more.unchanged) == (1, 1)


def test_values_units_joins_constants_and_kept_columns(take: Take, farm: Farm) -> None:
    map_text = """
    [file]
    empty = ["n/a"]
    [runs]
    run_id = { columns = ["No", "Machine"], join = "/" }
    printer_id = "Machine"
    started_at = "Start"
    outcome = { column = "Result", values = { OK = "good", F = "failed", "" = "stopped" } }
    layer_height_mm = { column = "Layer in", factor = 25.4 }
    ambient_c = { column = "Room F", factor = 0.5555555555555556, plus = -17.77777777777778 }
    base_layers = { constant = 6 }
    operator = { constant = "ann" }
    sign = { column = "Looks", values = { Gooey = "soft", fine = "" } }
    keep = ["Shelf"]
    """
    sheet = (
        "No,Machine,Start,Result,Layer in,Room F,Looks,Shelf\n"
        "1,p,2031-03-03, ok ,0.002,68,GOOEY,A\n2,p,2031-03-04,f,n/a,,curled,\n"
        "3,p,2031-03-05,,,,fine,B\n4,p,2031-03-06,odd,,,,\n"
    )
    summary = take(sheet, map_text)
    assert summary.unknown_codes["sign"] == {"curled": 1}
    first, second, third = rows(farm, "runs")
    assert first["layer_height_mm"] == pytest.approx(0.0508, rel=1e-12)
    assert first["ambient_c"] == pytest.approx(20.0, abs=1e-9)
    assert (first["run_id"], first["outcome"], first["sign"], first["Shelf"]) == ("1/p", "good", "soft", "A")
    assert (second["outcome"], second["sign"], second.get("layer_height_mm")) == ("failed", "curled", None)
    assert (third["outcome"], third.get("sign"), third["operator"], third["base_layers"]) == ("stopped", None, "ann", 6)
    fault = next(quarantine.entries(farm))
    assert (fault["line"], fault["column"], fault["reason"]) == (5, "Result", "unknown_outcome")


@pytest.mark.parametrize(
    ("cell", "number"),
    [
        ("2,4", 2.4),
        ("1.234,5", 1234.5),
        ("1 234", 1234.0),
        ("-0,5", -0.5),
        ("7", 7.0),
        ("2.4", None),
        ("1.23,4", None),
        ("x", None),
    ],
)
def test_numbers_with_a_decimal_comma_are_never_guessed(
    take: Take, farm: Farm, cell: str, number: float | None
) -> None:
    map_text = '[file]\nseparator = ";"\ndecimal_comma = true\n' + mapped('ambient_c = "Room"')
    take(f"{HEAD.replace(',', ';')};Room\na;p;2031-03-03;good;{cell}\n", map_text)
    if number is None:
        fault = next(quarantine.entries(farm))
        assert (fault["column"], fault["reason"], fault["row"]["Room"]) == ("Room", "bad_number", cell)
    else:
        assert column(farm, "ambient_c") == [number]


def test_times_by_format_and_zone_with_the_hour_that_comes_twice(take: Take, farm: Farm) -> None:
    map_text = '[file]\ntimezone = "America/New_York"\n' + mapped(
        'started_at = { column = "Start", format = "%m/%d/%y %I:%M %p" }\n'
        'ended_at = { column = "End", format = "%m/%d/%y %I:%M %p" }'
    ).replace('started_at = "Start"\n', "")
    take(f"{HEAD},End\na,p,11/02/31 01:50 AM,good,11/02/31 01:10 AM\nb,p,2031-11-05,good,\n", map_text)
    first, second = rows(farm, "runs")
    assert first["started_at"] == dt.datetime(2031, 11, 2, 5, 50, tzinfo=dt.UTC)
    assert first["ended_at"] == dt.datetime(2031, 11, 2, 6, 10, tzinfo=dt.UTC), "of the second pass"
    assert second["started_at"] == dt.datetime(2031, 11, 5, 5, tzinfo=dt.UTC), "ISO 8601 in the map's zone"


def test_faults_name_line_and_column_of_the_file_itself(take: Take, farm: Farm) -> None:
    sheet = (
        f"a title\n\n{HEAD}\n"
        "a,p,2031-03-03,good\nb,p,yesterday,good\nc,,2031-03-03,good\nd,p,2031-03-03\ne,p,2031-03-03,great\n"
        '"f\n",p,2031-03-03,good\na,p,2031-03-03,failed\n'
    )
    take(sheet, "[file]\nheader_line = 3\n" + SMALL)
    found = [(f["file"], f["line"], f["column"], f["reason"]) for f in quarantine.entries(farm)]
    assert found == [
        ("log.csv", 4, "Plate", "duplicate_key"),
        ("log.csv", 5, "Start", "bad_time"),
        ("log.csv", 6, "Machine", "missing_value"),
        ("log.csv", 7, "Result", "missing_value"),
        ("log.csv", 8, "Result", "unknown_outcome"),
        ("log.csv", 11, "Plate", "duplicate_key"),
    ]
    assert "as the file's map says" in next(f["words"] for f in quarantine.entries(farm) if f["reason"] == "bad_time")
    assert column(farm, "run_id") == ["f"]


def test_counts_that_cannot_be(take: Take, farm: Farm) -> None:
    counts = 'outcome = { counts = { good = "Good", failed = "Bad" } }'
    map_text = f'{mapped(counts)}\n[parts]\nrun_id = "Plate"\n{counts}\n'
    cells = ["3,1", "0,2", "0,0", "x,1", ",1", "2,-1", "1.5,0", "10001,0", "4.0,0"]
    lines = [f"r{place},p,2031-03-03,,{cell}" for place, cell in enumerate(cells)]
    summary = take("\n".join([f"{HEAD},Good,Bad", *lines]), map_text)
    assert {row["run_id"]: row["outcome"] for row in rows(farm, "runs")} == {
        "r0": "partial",
        "r1": "failed",
        "r2": "good",
        "r8": "good",
    }
    outcomes = [(row["run_id"], row["outcome"]) for row in rows(farm, "parts")]
    assert outcomes == [("r0", "failed"), *[("r0", "good")] * 3, *[("r1", "failed")] * 2, *[("r8", "good")] * 4]
    faults = [(f["table"], f["line"], f["column"], f["reason"]) for f in quarantine.entries(farm)]
    expected = [
        (5, "Good", "bad_number"),
        (6, "Good", "missing_value"),
        (7, "Bad", "bad_number"),
        (8, "Good", "bad_number"),
        (9, "Bad", "bad_number"),
    ]
    assert faults == [(table, *fault) for table in ("parts", "runs") for fault in expected]
    assert [report.rows for report in summary.files] == [9, 15]
    other = mapped('outcome = { counts = { parts = "Good", good = "Bad" } }')
    take(f"{HEAD},Good,Bad\nz,p,2031-03-03,,3,4\ny,p,2031-03-03,,4,4\n", other, "other.csv")
    assert "counts more than there are parts" in [f["words"] for f in quarantine.entries(farm)]
    assert next(row for row in rows(farm, "runs") if row["run_id"] == "y")["outcome"] == "good"


@pytest.mark.parametrize("encoding", ["utf-16", "cp1252", "latin-1"])
def test_other_encodings(take: Take, farm: Farm, encoding: str) -> None:
    sheet = "Plate\tMachine\tStart\tResult\nä\tp\t2031-03-03\tgood\n".encode(encoding)
    take(sheet, f'[file]\nencoding = "{encoding}"\nseparator = "\\t"\n{SMALL}')
    assert column(farm, "run_id") == ["ä"]


def test_bytes_that_are_no_text_are_faults_of_their_row(take: Take, farm: Farm) -> None:
    take(f"{HEAD}\n".encode() + b"\xff,p,2031-03-03,good\nb,p,2031-03-03,good\n", SMALL)
    assert column(farm, "run_id") == ["b"]
    assert [(f["line"], f["column"]) for f in quarantine.entries(farm)] == [(2, "Plate")]


@pytest.mark.parametrize(
    ("sheet", "said"),
    [
        (
            "Plate,Machine,Start\na,p,2031-03-03\n",
            "the map names the column 'Result', which the file has not, or not just once",
        ),
        ("", "no header on line 1"),
        (b"PK\x03\x04rest", "a workbook or an archive, not text: unpack it, or save the sheet as CSV"),
        (HEAD + ",x" * 300, "more than the 256"),
    ],
)
def test_a_file_that_cannot_be_read_stays(take: Take, farm: Farm, sheet: str | bytes, said: str) -> None:
    summary = take(sheet, SMALL)
    assert [report.file for report in summary.unreadable] == ["log.csv"]
    assert said in str(summary.unreadable[0].error)
    assert kept(farm) == []


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_above_the_header_are_passed_over_whatever_ends_them(end: str) -> None:
    text = end.join(["of March", '"', "run,note", "a,x", "b", ""])
    raw = read_sheet(text.encode(), "runs", ",", 3, 9)
    assert (raw.columns.to_pylist(), raw.lines.tolist()) == ([{"run": "a", "note": "x"}], [4])
    assert [fault.line for fault in raw.broken] == [5]
    with pytest.raises(Unreadable, match="no header on line 7"):
        read_sheet(text.encode(), "runs", ",", 7, 9)


def test_columns_without_a_name_and_names_given_twice_do_not_matter_until_mapped(take: Take, farm: Farm) -> None:
    take(f"{HEAD},,,Note,Note\na,p,2031-03-03,good,,,x,y\n", SMALL)
    assert column(farm, "run_id") == ["a"]
    unsure = take(f"{HEAD},Note,Note\n", mapped('note = "Note"')).unreadable[0].error
    assert "'Note', which the file has not, or not just once" in str(unsure)
    take(f"{HEAD},,,Note,Note\na,p,2031-03-03,good,,,x,y\n", mapped('note = "Note (column 8)"'))
    assert column(farm, "note") == ["y"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x = [", "not TOML"),
        ("", "names no table"),
        ('[plates]\nid = "x"', "plates: no table of that name"),
        ('runs = "x"', "runs"),
        ("[file]\nseperator = ';'\n" + SMALL, "file.seperator: unknown key"),
        ("[file]\nseparator = ';;'\n" + SMALL, "file.separator: "),
        ("[file]\nseparator = '\"'\n" + SMALL, "file.separator: not a character that separates cells"),
        ("[file]\ntimezone = 'Mars/North'\n" + SMALL, "file.timezone: no time zone of that name"),
        ("[file]\nheader_line = 0\n" + SMALL, "file.header_line: "),
        ("[file]\nencoding = 'ebcdic'\n" + SMALL, "file.encoding: "),
        (mapped('outcom = "x"'), "runs.outcom: runs has no such column"),
        (SMALL.replace('outcome = "Result"', ""), "runs.outcome: missing: runs cannot do without it"),
        (mapped("note = 3"), "runs.note: needs the name of a column"),
        (mapped('note = ""'), "runs.note.column: "),
        (mapped("note = {}"), "runs.note: needs one of column, columns, constant and counts"),
        (
            mapped('note = { column = "a", constant = "b" }'),
            "runs.note: needs one of column, columns, constant and counts, not column and constant",
        ),
        (mapped('note = { colum = "a" }'), "runs.note.colum: unknown key"),
        (mapped('note = { columns = ["a"] }'), "runs.note.columns: "),
        (mapped('note = { column = "a", factor = 2 }'), "runs.note: factor and plus"),
        (mapped('rest_s = { column = "a", factor = "2" }'), None),
        (mapped('rest_s = { column = "a", factor = 0 }'), "runs.rest_s: factor and plus"),
        (mapped('rest_s = { column = "a", factor = inf }'), "runs.rest_s.factor: "),
        (
            mapped('rest_s = { column = "a", values = { x = "1" } }'),
            "runs.rest_s: values are for codes, ids and texts only",
        ),
        (mapped('rest_s = { column = "a", format = "%Y" }'), "runs.rest_s: format is for times only"),
        (mapped('rest_s = { constant = "fast" }'), "runs.rest_s: 'fast' is not a number"),
        (mapped("base_layers = { constant = 1.5 }"), "runs.base_layers: '1.5' is not a whole number"),
        (mapped('ended_at = { column = "a", format = "%d.%m" }'), "runs.ended_at: does not tell year, month, day"),
        (mapped('ended_at = { column = "a", format = "%d.%m.%Y %I:%M" }'), "runs.ended_at: does not tell"),
        (mapped('ended_at = { column = "a", format = "%d.%m.%Y %Q" }'), "runs.ended_at: not a format of times"),
        (
            mapped('outcome = { column = "a", values = { ok = "fine" } }'),
            "runs.outcome: 'fine' is none of good, partial",
        ),
        (mapped('sign = { column = "a", values = { ok = "sticky" } }'), "runs.sign: 'sticky' is none of off_plate"),
        (
            mapped('outcome = { column = "a", values = { ok = "good", OK = "failed" } }'),
            "runs.outcome: two values of the same letters",
        ),
        (mapped('outcome = { constant = "fine" }'), "runs.outcome: 'fine' is not a code"),
        (
            mapped('note = { counts = { parts = "a", failed = "b" } }'),
            "runs.note: counts tell the outcome of runs and parts only",
        ),
        (mapped('outcome = { counts = { parts = "a" } }'), "runs.outcome.counts: needs two of parts, good and failed"),
        (mapped('outcome = { counts = { parts = "a", bad = "b" } }'), "runs.outcome.counts.bad: unknown key"),
        (mapped('keep = "note"'), "runs.keep: Input should be a valid list"),
        (mapped('keep = ["note"]'), "runs.keep: note is a column of runs"),
        (
            '[parts]\nrun_id = "a"\npart_no = "b"\noutcome = { counts = { parts = "a", failed = "b" } }',
            "parts.part_no: parts that are counted",
        ),
        ('[parts]\nrun_id = "a"\noutcome = "b"', "parts.part_no: missing"),
    ],
)
def test_a_map_that_does_not_hold_is_refused_by_file_key_and_reason(
    tmp_path: Path, farm: Farm, text: str, said: str | None
) -> None:
    (tmp_path / "my.toml").write_text(text)
    if said is None:
        load_map(tmp_path / "my.toml")
        return
    with pytest.raises(MapError) as caught:
        load_map(tmp_path / "my.toml")
    assert str(caught.value).startswith(f"{tmp_path / 'my.toml'}: {said}")
    assert "\n" not in str(caught.value)
    (tmp_path / "log.csv").write_text(f"{HEAD}\n")
    command = ["collect", str(tmp_path / "log.csv"), "--map", str(tmp_path / "my.toml"), "--farm", str(farm.path)]
    answer = CliRunner().invoke(main, command)
    assert answer.exit_code == 1
    assert answer.output.startswith(f"Error: {tmp_path / 'my.toml'}: ")
    assert kept(farm) == []


def test_a_map_needs_its_files_and_must_be_there(farm: Farm, tmp_path: Path) -> None:
    (tmp_path / "map.toml").write_text(SMALL)
    alone = CliRunner().invoke(main, ["collect", "--map", str(tmp_path / "map.toml"), "--farm", str(farm.path)])
    assert alone.exit_code == 2
    assert "--map needs the files that it is for" in alone.output
    none = CliRunner().invoke(main, ["collect", "x.csv", "--map", str(tmp_path / "none"), "--farm", str(farm.path)])
    assert none.exit_code == 1
    assert "cannot be read" in none.output


def test_an_archive_that_is_none_of_ours_is_refused(farm: Farm) -> None:
    import io
    import zipfile

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("map.toml", SMALL)
        archive.writestr("file/log.csv", HEAD + "\n" + "x" * 10_000)
    for content in (
        b"",
        b"no archive",
        packed.getvalue(),
        bundle("log.csv", b"", b"[lots]\nlot_id = 'x'"),
        bundle("log.csv", b"", b"["),
    ):
        (farm.inbox / "runs.log.csv.mapped.zip").write_bytes(content)
        summary = collect(farm)
        assert len(summary.unreadable) == 1
    with pytest.raises(Unreadable, match="packed"):
        unbundled(packed.getvalue())
    (farm.inbox / "runs.log.csv.mapped.zip").write_bytes(
        bundle("a/b.csv", f"{HEAD}\na,p,2031-03-03,good\n".encode(), SMALL.encode())
    )
    assert collect(farm).totals.taken == 1


def test_every_key_of_a_map_is_told() -> None:
    from farmwatch.collect.sheet_map import Counts, FileSection, From

    for model in (FileSection, From, Counts):
        for name in model.model_fields:
            assert re.search(rf"\b{name}\b", PAGE), name
    read_map(MAP.encode(), "map.toml")
    assert json.dumps(tomllib.loads(MAP))


def test_a_map_that_only_renames_comes_to_the_rows_of_the_plain_file(tmp_path: Path) -> None:
    """The second route: the sample's runs under other column names, with commas and minutes, against the file itself."""
    plain = (Path(__file__).parents[2] / "data_samples" / "runs-2031-02.csv").read_text().splitlines()[:400]
    head, *lines = [line.split(",") for line in plain]
    renamed = [f"my {name}" for name in head]
    place = head.index("planned_s")
    numbers = [head.index(name) for name in ("exposure_s", "ambient_c", "vat_c", "peak_release_n", "layer_height_mm")]
    for line in lines:
        line[place] = repr(float(line[place]) / 60).replace(".", ",")
        for number in numbers:
            line[number] = line[number].replace(".", ",")
    names = "\n".join(f'{name} = "my {name}"' for name in head if name not in ("planned_s", "failure_height_mm"))
    minutes = 'planned_s = { column = "my planned_s", factor = 60 }'
    map_text = f'[file]\nseparator = ";"\ndecimal_comma = true\n[runs]\n{names}\n{minutes}\n'
    farms = []
    for name in ("plain", "mapped"):
        farm = Farm.create(tmp_path / name, "Europe/Paris")
        path = tmp_path / f"runs-{name}.csv"
        if name == "plain":
            keep = [index for index, column_name in enumerate(head) if column_name != "failure_height_mm"]
            path.write_text("\n".join(",".join(row.split(",")[index] for index in keep) for row in plain))
            assert collect(farm, [path]).totals.taken == len(lines)
        else:
            path.write_text("\n".join(";".join(row) for row in [renamed, *lines]))
            (tmp_path / "m.toml").write_text(map_text)
            assert collect(farm, [path], None, load_map(tmp_path / "m.toml")).totals.taken == len(lines)
        farms.append(rows(farm, "runs"))
    for one, other in zip(*farms, strict=True):
        assert other.pop("planned_s") == pytest.approx(one.pop("planned_s"), rel=1e-12)
        assert one == other
