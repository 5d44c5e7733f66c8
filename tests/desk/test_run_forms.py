"""Runs typed at the desk come to just the rows that they mean, whatever else stands and whoever else types."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from farmwatch.collect import collect, rebuild
from farmwatch.collect.audit import examine_deliveries
from farmwatch.desk import Desk, delivery
from farmwatch.records import SIGNS
from farmwatch.store import Farm
from tests.desk.conftest import Browser, filled

Rows = Callable[..., list[dict[str, object]]]


def test_touched_parts_and_their_sign_come_into_the_records(browser: Browser, rows: Rows, farm: Farm) -> None:
    before = rows("runs", run_id="R1")[0]
    parts_before = rows("parts", run_id="R1")
    page = browser.get("/run?id=R1")
    touched = {
        "failed": ["0", "4"],
        "outcome": "partial",
        "sign": "split",
        "failure_height_mm": "7,5",
        "note": "warm\nday",
    }
    done = browser.send(page, "/run", {**touched, "sign_4": "missing", "height_4": "9"})
    assert "Saved: it is in the records." in browser.follow(done).text
    run = rows("runs", run_id="R1")[0]
    recorded = run.pop("recorded_at")
    assert abs(recorded - dt.datetime.now(dt.UTC)) < dt.timedelta(minutes=2)  # type: ignore[operator]
    changed = {"outcome": "partial", "sign": "split", "failure_height_mm": 7.5, "note": "warm\nday"}
    assert run == {**before, **changed}  # seconds of its start, exposure and the farm's own column among them
    assert run["own column"] == "kept"
    expected = [dict(part) for part in parts_before]
    expected[0] |= {"outcome": "failed", "sign": "split", "failure_height_mm": 7.5}
    expected[4] |= {"outcome": "failed", "sign": "missing", "failure_height_mm": 9.0}
    found = rows("parts", run_id="R1")
    assert [number for number, part in enumerate(found) if "recorded_at" in part] == [0, 4], "no other row is written"
    assert [{**part, "recorded_at": 0} for part in found] == [{**part, "recorded_at": 0} for part in expected]
    assert rows("parts", run_id="R2") == [part | {"run_id": "R2"} for part in rows("parts", run_id="R2")]
    rebuilt = {table: rows(table) for table in ("runs", "parts")}
    rebuild(farm)
    assert {table: rows(table) for table in ("runs", "parts")} == rebuilt
    assert examine_deliveries(farm, True) == []


def test_saving_without_touching_anything_changes_nothing(browser: Browser, rows: Rows, farm: Farm) -> None:
    before = rows("runs"), rows("parts"), sorted(farm.deliveries.iterdir())
    for run in ("R1", "R2"):
        done = browser.send(browser.get(f"/run?id={run}"), "/run", {})
        assert "saved" not in browser.follow(done).headers.get("location", "")
    assert (rows("runs"), rows("parts"), sorted(farm.deliveries.iterdir())) == before


def test_a_part_that_proves_good_loses_its_sign_and_height(browser: Browser, rows: Rows) -> None:
    page = browser.get("/run?id=R2")
    assert ("failed", "1") in page.form("/run")
    browser.follow(browser.send(page, "/run", {"failed": [], "outcome": "good", "sign": ""}))
    part = rows("parts", run_id="R2", part_no=1)[0]
    assert part["outcome"] == "good"
    assert "sign" not in part
    assert rows("runs", run_id="R2")[0].get("sign") is None


def test_every_part_failed_and_parts_that_cannot_be_told(browser: Browser, rows: Rows) -> None:
    browser.follow(browser.send(browser.get("/run?id=R1"), "/run", {"every": "1", "outcome": "failed", "sign": "soft"}))
    assert {(part["outcome"], part["sign"]) for part in rows("parts", run_id="R1")} == {("failed", "soft")}
    page = browser.get("/run?id=R2")
    browser.follow(browser.send(page, "/run", {"failed": ["1"], "untouched": "unknown", "outcome": "stopped"}))
    outcomes = [part["outcome"] for part in rows("parts", run_id="R2")]
    assert outcomes == ["unknown", "failed", *["unknown"] * 4]
    # from now on the plate holds unknown parts only; a note alone must not make them good
    browser.follow(browser.send(browser.get("/run?id=R2"), "/run", {"untouched": "keep", "note": "seen"}))
    assert [part["outcome"] for part in rows("parts", run_id="R2")] == outcomes


def test_all_signs_can_be_chosen_by_their_plain_words(browser: Browser) -> None:
    page = browser.get("/run?id=R1")
    for sign in SIGNS:
        assert f'type="radio" name="sign" value="{sign}"' in page.html
    assert "one image repeated through the whole height" in page.text


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"outcome": ""}, "choose how the plate came out"),
        ({"failed": ["2"], "outcome": "good"}, "parts are touched as failed"),
        ({"outcome": "failed"}, "no part is touched"),
        ({"outcome": "rubbish"}, "choose how the plate came out"),
        ({"ended_at": "2031-03-01T08:00"}, "the run ends before it starts"),
        ({"ended_at": "soon"}, "not an ISO 8601 time"),
        ({"failure_height_mm": "tall"}, "not a number"),
        ({"failure_height_mm": "-1"}, "smaller than this measure can be"),
        ({"operator": "x" * 200}, "ids are text of 1 to 128 characters"),
        (
            {"failed": ["2"], "outcome": "partial", "height_2": "26"},
            "Part 2: Height of the failure, mm: the failure lies",
        ),
        ({"failed": ["2"], "outcome": "partial", "failure_height_mm": "99"}, "Part 2: Height of the failure, mm"),
    ],
)
def test_what_the_door_would_refuse_is_said_and_kept(
    browser: Browser, rows: Rows, farm: Farm, changes: dict[str, str | list[str]], said: str
) -> None:
    before = rows("runs"), rows("parts"), sorted(farm.deliveries.iterdir())
    page = browser.get("/run?id=R1")
    typed = {"note": "typed <b>before</b>", "lot_id": "L2", **changes}
    answer = browser.send(page, "/run", typed)
    assert answer.status == 422
    assert said in answer.text
    again = answer.form("/run")
    for name, value in typed.items():
        if name not in ("outcome",):
            assert [v for n, v in again if n == name] == (value if isinstance(value, list) else [value]), name
    assert (rows("runs"), rows("parts"), sorted(farm.deliveries.iterdir())) == before
    assert list(farm.inbox.glob("*.jsonl")) == []
    assert list(farm.quarantine.iterdir()) == []
    good = {"outcome": "good", "failed": [], "ended_at": "", "failure_height_mm": "", "operator": "bo", "height_2": ""}
    browser.follow(browser.send(answer, "/run", good))
    assert rows("runs", run_id="R1")[0]["note"] == "typed <b>before</b>"


def test_a_new_run_like_an_earlier_one(browser: Browser, rows: Rows) -> None:
    page = browser.get("/printer?id=fir")
    assert "/run?printer=fir&amp;like=R2" in page.html
    page = browser.get("/run?printer=fir&like=R2")
    drawn = dict(page.form("/run"))
    assert [drawn[name] for name in ("file_id", "lot_id", "exposure_s", "operator")] == ["F1", "L1", "2.5", ""]
    typed = {"run_id": "R3", "started_at": "2031-03-05T08:00", "ended_at": "2031-03-05T10:00", "exposure_s": "2,4"}
    browser.follow(
        browser.send(page, "/run", {**typed, "failed": ["5"], "outcome": "partial", "file_id": "F1", "lot_id": "L2"})
    )
    run = rows("runs", run_id="R3")[0]
    assert (run["printer_id"], run["lot_id"], run["exposure_s"], run["outcome"]) == ("fir", "L2", 2.4, "partial")
    assert run["started_at"] == dt.datetime(2031, 3, 5, 7, tzinfo=dt.UTC), "typed on the farm's clock"
    parts, model = rows("parts", run_id="R3"), rows("parts", run_id="R2")
    layout = ("part_no", "design_id", "x_mm", "y_mm", "footprint_mm2", "height_mm")
    assert [[part[name] for name in layout] for part in parts] == [[part[name] for name in layout] for part in model]
    assert [part["outcome"] for part in parts] == ["good"] * 5 + ["failed"]


def test_a_new_run_with_parts_without_places_on_an_unknown_printer(browser: Browser, rows: Rows) -> None:
    page = browser.get("/run?printer=elm&parts=3")
    typed = {"run_id": "E1", "started_at": "2031-03-05T08:00", "ended_at": "", "lot_id": "L9", "failed": ["2"]}
    done = browser.follow(browser.send(page, "/run", {**typed, "outcome": "partial"}))
    assert "elm is named but not registered in printers" in done.text
    assert "L9 is named but not registered in lots" in done.text
    assert [(part["part_no"], part["outcome"]) for part in rows("parts", run_id="E1")] == [
        (1, "good"),
        (2, "failed"),
        (3, "good"),
    ]


def test_a_new_run_never_takes_the_id_of_another(browser: Browser, rows: Rows) -> None:
    before = rows("runs")
    typed = {"run_id": "R1", "started_at": "2031-03-05T08:00", "ended_at": "", "outcome": "good"}
    answer = browser.send(browser.get("/run?printer=yew&parts=0"), "/run", typed)
    assert answer.status == 422
    assert "there is a run of that id already" in answer.text
    assert rows("runs") == before


def test_a_part_that_proves_off_a_smaller_plate_is_said(browser: Browser, rows: Rows, farm: Farm) -> None:
    page = browser.get("/run?printer=yew&like=R2")
    (farm.inbox / "printers.csv").write_text("printer_id,plate_width_mm,plate_depth_mm\nyew,60,80\n")
    collect(farm)
    typed = {"run_id": "Y1", "started_at": "2031-03-05T08:00", "ended_at": "", "outcome": "good", "failed": []}
    answer = browser.send(page, "/run", typed)
    assert answer.status == 422
    assert "Part 0: x_mm: lies off the printer's plate" in answer.text
    assert rows("runs", run_id="Y1") == []


def test_a_stale_form_shows_both_and_overwrites_only_when_asked(desk: Desk, rows: Rows) -> None:
    one, other = Browser(desk), Browser(desk)
    first, second = one.get("/run?id=R1"), other.get("/run?id=R1")
    one.follow(one.send(first, "/run", {"failed": ["3"], "outcome": "partial", "sign": "split"}))
    typed = {"failed": ["5"], "outcome": "partial", "sign": "flake", "note": "mine"}
    answer = other.send(second, "/run", typed)
    assert answer.status == 409
    assert "Somebody else changed this" in answer.text
    assert "Sign split flake" in answer.text
    assert "part 3: Outcome failed good" in answer.text
    assert rows("runs", run_id="R1")[0]["sign"] == "split"
    assert "note" not in rows("runs", run_id="R1")[0]
    other.follow(other.send(answer, "/run", {}))
    assert rows("runs", run_id="R1")[0]["sign"] == "flake"
    assert [p["part_no"] for p in rows("parts", run_id="R1", outcome="failed")] == [5]


def test_a_correction_by_a_file_makes_a_form_stale_too(browser: Browser, rows: Rows, farm: Farm) -> None:
    page = browser.get("/run?id=R1")
    (farm.inbox / "parts-late.csv").write_text("run_id,part_no,outcome,recorded_at\nR1,2,failed,2031-03-09T08:00\n")
    collect(farm)
    assert browser.send(page, "/run", {"note": "mine"}).status == 409
    assert "note" not in rows("runs", run_id="R1")[0]


def test_a_row_recorded_in_the_future_is_corrected_all_the_same(browser: Browser, rows: Rows, farm: Farm) -> None:
    (farm.inbox / "runs-ahead.csv").write_text(
        "run_id,printer_id,started_at,outcome,recorded_at\nR1,fir,2031-03-03T08:00,good,2190-01-01T00:00Z\n"
    )
    collect(farm)
    browser.follow(browser.send(browser.get("/run?id=R1"), "/run", {"note": "late"}))
    run = rows("runs", run_id="R1")[0]
    assert (run["note"], run["recorded_at"]) == ("late", dt.datetime(2190, 1, 1, microsecond=1, tzinfo=dt.UTC))


def test_a_form_sent_twice_is_one_delivery(browser: Browser, rows: Rows, farm: Farm) -> None:
    page = browser.get("/run?printer=fir&like=R2")
    typed = {"run_id": "R4", "started_at": "2031-03-05T08:00", "ended_at": "", "outcome": "good", "failed": []}
    pairs = filled(page.form("/run"), typed)
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: browser.post("/run", pairs), range(4)))
    assert {answer.status for answer in answers} == {303}
    assert len(rows("runs", run_id="R4")) == 1
    assert len([path for path in farm.deliveries.iterdir() if ".desk-" in path.name]) == 2, "runs and parts, once"
    changed = browser.post("/run", filled(pairs, {"note": "other content"}))
    assert changed.status == 422
    assert "This form was saved before, with other content" in changed.text
    assert "note" not in rows("runs", run_id="R4")[0]


def test_two_tablets_at_once_on_two_runs(desk: Desk, rows: Rows) -> None:
    tablets = [Browser(desk), Browser(desk)]
    pages = [tablet.get(f"/run?id={run}") for tablet, run in zip(tablets, ("R1", "R2"), strict=True)]

    def save(which: int) -> int:
        return tablets[which].send(pages[which], "/run", {"note": f"by {which}"}).status

    with ThreadPoolExecutor(2) as pool:
        assert list(pool.map(save, (0, 1))) == [303, 303]
    assert [rows("runs", run_id=run)[0]["note"] for run in ("R1", "R2")] == ["by 0", "by 1"]


def test_two_tablets_at_once_on_one_run(desk: Desk, rows: Rows) -> None:
    tablets = [Browser(desk), Browser(desk)]
    pages = [tablet.get("/run?id=R1") for tablet in tablets]

    def save(which: int) -> int:
        return tablets[which].send(pages[which], "/run", {"note": f"by {which}"}).status

    with ThreadPoolExecutor(2) as pool:
        answers = list(pool.map(save, (0, 1)))
    assert sorted(answers) == [303, 409], "the second one is asked"
    assert rows("runs", run_id="R1")[0]["note"] == f"by {answers.index(303)}"


def test_while_another_process_writes_the_entry_waits_in_the_inbox(
    desk: Desk, browser: Browser, rows: Rows, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivery, "BUSY_S", 0.05)
    page = browser.get("/run?id=R1")
    with Farm.open(desk.farm.path).writer():
        answer = browser.send(page, "/run", {"note": "waited"})
        assert "waits in the inbox" in browser.follow(answer).text
        assert "1 file waits in the inbox." in browser.get("/").text
    assert "note" not in rows("runs", run_id="R1")[0]
    home = browser.get("/")
    (desk.farm.inbox / "nonsense.csv").write_text("a\n")
    taken = browser.send(home, "/inbox", {}).text
    assert "1 row: 0 taken, 1 replaced" in taken
    assert "nonsense.csv cannot be read: no table of that name" in taken
    assert rows("runs", run_id="R1")[0]["note"] == "waited"


def test_an_empty_farm_has_every_page_and_takes_a_first_run(tmp_path: Path) -> None:
    from farmwatch.desk.security import Rules

    farm = Farm.create(tmp_path / "bare", "UTC")
    browser = Browser(Desk(farm, Rules(None, frozenset({"127.0.0.1"}))))
    for path in ("/", "/printers", "/printer?id=new", "/service", "/coupons", "/coupons?kind=films", "/findings"):
        assert browser.get(path).status == 200, path
    for path in ("/run?id=none", "/run?printer=", "/finding?id=none", "/nothing"):
        answer = browser.get(path)
        assert answer.status == 404, path
        assert "Back to the start" in answer.text, path
    page = browser.get("/run?printer=ash")
    typed = {"run_id": "A1", "started_at": "2031-03-05T08:00", "ended_at": "", "outcome": "good"}
    browser.follow(browser.send(page, "/run", typed))
    assert [run["run_id"] for run in farm.read_arrow("runs").to_pylist()] == ["A1"]


def test_files_of_the_desk_are_plain_json_lines_of_the_contract(browser: Browser, farm: Farm) -> None:
    browser.follow(browser.send(browser.get("/run?id=R1"), "/run", {"note": "n"}))
    from farmwatch.collect.deliveries import kept

    last = kept(farm)[-1]
    assert last.name.startswith("runs.desk-")
    row = json.loads(last.read())
    assert row["run_id"] == "R1"
    assert dt.datetime.fromisoformat(row["recorded_at"]).tzinfo is not None


def test_odd_texts_that_stand_are_not_changed_by_looking_at_them(browser: Browser, rows: Rows, farm: Farm) -> None:
    odd = {
        "run_id": " R 9 ",
        "printer_id": " fir",
        "operator": "ann ",
        "note": "\n two\r\nlines\rthree\x07 ",
        "sign": "curled",
    }
    run = {**odd, "started_at": "2031-03-05T08:00", "outcome": "good"}
    (farm.inbox / "runs-odd.jsonl").write_text(json.dumps(run) + "\n")
    assert not collect(farm).trouble
    before = rows("runs", run_id=" R 9 ")
    page = browser.get("/run?id=+R+9+")
    # a browser sends every line end as two characters
    pairs = [
        (name, value.replace("\r\n", "\n").replace("\r", "\n").replace("\n", "\r\n"))
        for name, value in page.form("/run")
    ]
    assert browser.post("/run", pairs).status == 303
    assert rows("runs", run_id=" R 9 ") == before
    assert browser.post("/run", filled(pairs, {"operator": "bo"})).status == 303
    changed = rows("runs", run_id=" R 9 ")[0]
    assert changed.pop("recorded_at")
    assert changed == {**before[0], "operator": "bo"}
