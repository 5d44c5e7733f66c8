"""Service events, measured pieces and results of checks come to just the rows that were typed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace

import pytest

from farmwatch.causes.entered import entered_results
from farmwatch.causes.table import load_causes
from farmwatch.collect import quarantine
from farmwatch.desk import Desk, delivery
from farmwatch.evidence import Cause, Evidence, Finding, NextCheck, Subject
from farmwatch.records import ACTIONS, FEATURES
from farmwatch.store import Farm
from farmwatch.store.findings import save_night
from tests.desk.conftest import Browser, filled

Rows = Callable[..., list[dict[str, object]]]
DAY = dt.date(2031, 3, 20)
EVENT = {
    "subject_type": "printer",
    "subject_id": "fir",
    "action": "film_changed",
    "at": "2031-03-05T12:30",
    "note": "a nick",
}


def file_finding(farm: Farm, words: str = "resin") -> Finding:
    size = ("parts", 3.0, 2.0, 5.0, "odds ratio", 0.1, 1.0, "up")
    evidence = Evidence(
        "rate_shift", Subject("design", "D<1>"), DAY, DAY, DAY, 9.0, 3.0, 90.0, *size, run_ids=("R1", "R2")
    )
    pads = load_causes().checks["five_pads"]
    check = NextCheck(
        f"{pads.title}. {pads.does}",
        ("plate_tilt",),
        pads.hours,
        "five_pads",
        dict(pads.results),
        f"Beware of {words}.",
    )
    finding = Finding(
        "F310320-abcd",
        evidence,
        DAY,
        DAY,
        causes=(Cause("plate_tilt", 0.62),),
        next_checks=(check, NextCheck("Look.", (), 0.1)),
    )
    gone = Finding("F310101-gone", evidence, DAY, DAY, status="faded")
    save_night(farm, DAY, [finding, gone], [])
    return finding


def test_a_service_event_comes_into_the_records(browser: Browser, rows: Rows) -> None:
    page = browser.get("/service?subject_type=printer&subject_id=fir")
    assert ("subject_type", "printer") in page.form("/service")
    assert all(f'name="action" value="{action}"' in page.html for action in ACTIONS)
    done = browser.follow(browser.send(page, "/service", EVENT))
    assert "Saved" in done.text
    row = rows("service")[0]
    assert str(row.pop("event_id")).startswith("desk-")
    assert row.pop("recorded_at")
    assert row == {**EVENT, "at": dt.datetime(2031, 3, 5, 11, 30, tzinfo=dt.UTC)}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"subject_type": ""}, "choose what the work was done to"),
        ({"subject_id": " "}, "say which one"),
        ({"action": ""}, "choose what was done"),
        ({"at": ""}, "empty, and the table cannot do without it"),
        ({"at": "25.3.2031"}, "not an ISO 8601 time"),
        ({"subject_type": "ship"}, "not a code that this column may hold"),
    ],
)
def test_a_faulty_service_event_is_said_and_kept(
    browser: Browser, rows: Rows, changes: dict[str, str | list[str]], said: str
) -> None:
    answer = browser.send(browser.get("/service"), "/service", {**EVENT, **changes})
    assert (answer.status, rows("service")) == (422, [])
    assert said in answer.text
    assert answer.value("/service", "note") == "a nick"
    browser.follow(browser.send(answer, "/service", dict(EVENT)))
    assert len(rows("service")) == 1


def test_a_service_form_sent_twice_is_one_event_and_never_two_stories(browser: Browser, rows: Rows) -> None:
    pairs = filled(browser.get("/service").form("/service"), dict(EVENT))
    assert [browser.post("/service", pairs).status for _ in range(3)] == [303, 303, 303]
    assert len(rows("service")) == 1
    answer = browser.post("/service", filled(pairs, {"note": "another"}))
    assert answer.status == 422
    assert "saved before" in answer.text
    browser.follow(browser.send(answer, "/service", {}))
    assert sorted(str(row["note"]) for row in rows("service")) == ["a nick", "another"]


def test_what_the_door_quarantines_after_all_is_said_too(
    browser: Browser, rows: Rows, farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(delivery, "look_over", lambda *_: ())
    answer = browser.send(browser.get("/service"), "/service", {**EVENT, "at": "noon"})
    assert answer.status == 422
    assert "went to quarantine" in answer.text
    assert "not an ISO 8601 time" in answer.text
    held = list(quarantine.entries(farm))
    assert [(entry["column"], entry["reason"], entry["line"]) for entry in held] == [("at", "bad_time", 1)]
    browser.follow(browser.send(answer, "/service", {"at": "2031-03-05T12:00"}))
    assert len(rows("service")) == 1


def test_measured_pieces_come_into_the_records(browser: Browser, rows: Rows) -> None:
    page = browser.get("/coupons?printer_id=fir")
    pairs = page.form("/coupons")
    assert [value for name, value in pairs if name == "feature"] == ["bar", "slot"] * 3
    typed = {
        "lot_id": "L1",
        "measured_at": "2031-03-05T12:00",
        "nominal_mm": ["2", "2,0", "", "", "", ""],
        "measured_mm": ["2,035", "1.98", "", "", "", ""],
        "x_mm": ["10", "-10", "", "", "", ""],
        "y_mm": ["0", "0", "", "", "", ""],
        "exposure_s": ["2.5", "", "", "", "", ""],
    }
    assert "Saved" in browser.follow(browser.send(page, "/coupons", typed)).text
    found = rows("coupons")
    assert [(r["feature"], r["nominal_mm"], r["measured_mm"], r["x_mm"], r.get("exposure_s")) for r in found] == [
        ("bar", 2.0, 2.035, 10.0, 2.5),
        ("slot", 2.0, 1.98, -10.0, None),
    ]
    assert {(r["printer_id"], r["lot_id"]) for r in found} == {("fir", "L1")}
    assert all(r["measured_at"] == dt.datetime(2031, 3, 5, 11, tzinfo=dt.UTC) for r in found)


def test_five_pads_stand_at_their_places_and_films_have_no_nominal(browser: Browser, rows: Rows) -> None:
    page = browser.get("/coupons?kind=pads&printer_id=fir")
    pairs = page.form("/coupons")
    places = list(zip(*([v for n, v in pairs if n == name] for name in ("x_mm", "y_mm")), strict=True))
    assert places == [("-70", "42"), ("70", "42"), ("0", "0"), ("-70", "-42"), ("70", "-42")]
    nothing = browser.send(page, "/coupons", {})
    assert "no piece is measured yet" in nothing.text
    pads = {"nominal_mm": ["1"] * 5, "measured_mm": ["1.0", "1.1", "1.05", "0.9", "1.0"]}
    browser.follow(browser.send(nothing, "/coupons", pads))
    assert sorted((r["x_mm"], r["y_mm"], r["measured_mm"]) for r in rows("coupons"))[0] == (-70.0, -42.0, 0.9)
    films = browser.get("/coupons?kind=films&printer_id=fir")
    measured = {"measured_mm": ["0.12", *[""] * 5], "exposure_s": ["2", *[""] * 5], "printer_id": "fir"}
    browser.follow(browser.send(films, "/coupons", measured))
    assert [(r["nominal_mm"], r["measured_mm"]) for r in rows("coupons", feature="film")] == [(0.0, 0.12)]


def test_a_faulty_piece_is_said_at_its_line_and_kept(browser: Browser, rows: Rows) -> None:
    page = browser.get("/coupons?printer_id=fir")
    typed = {
        "nominal_mm": ["", "", "2", "", "", ""],
        "measured_mm": ["", "", "two", "", "", ""],
        "x_mm": ["", "", "", "500", "", ""],
    }
    answer = browser.send(page, "/coupons", typed)
    assert (answer.status, rows("coupons")) == (422, [])
    assert "Piece 3" in answer.text.split("not a number")[0]
    assert "Measured, mm: not a number" in answer.text
    assert "Wanted, mm: empty, and the table cannot do without it" in answer.text, "a place alone is no piece"
    assert [v for n, v in answer.form("/coupons") if n == "measured_mm"][2] == "two"
    nobody = browser.send(page, "/coupons", {"printer_id": "", "measured_mm": ["1"] * 6, "nominal_mm": ["1"] * 6})
    assert "say of which printer, run or lot" in nobody.text
    assert all(feature in FEATURES for n, feature in nobody.form("/coupons") if n == "feature")


def test_findings_are_told_with_causes_checks_and_cautions(browser: Browser, farm: Farm) -> None:
    file_finding(farm)
    assert "1 in force" in browser.get("/").text
    listed = browser.get("/findings")
    assert "Design D<1>" in listed.text
    assert "F310101-gone" not in listed.html
    page = browser.get("/finding?id=F310320-abcd")
    assert "likely, 62 %" in page.text
    assert "Beware of resin." in page.text
    assert "never down a drain" in page.text
    assert "a tilted plane: the plate is out of level" in page.text
    assert len([1 for pair in page.form("/finding") if pair[0] == "check"]) == 1


def test_the_result_of_a_check_is_entered_as_the_command_enters_it(browser: Browser, rows: Rows, farm: Farm) -> None:
    file_finding(farm)
    page = browser.get("/finding?id=F310320-abcd")
    refused = browser.send(page, "/finding", {})
    assert (refused.status, rows("service")) == (422, [])
    assert "choose what the check showed" in refused.text
    pairs = filled(page.form("/finding"), {"result": "tilted"})
    done = browser.follow(browser.post("/finding", pairs))
    assert "The next night weighs the causes with it." in done.text
    assert "tilted, entered" in done.text
    assert browser.post("/finding", pairs).status == 303
    row = rows("service")[0]
    assert len(rows("service")) == 1
    assert (row["subject_type"], row["subject_id"], row["action"]) == ("printer", "fir", "other")
    assert row["note"] == "check F310320-abcd five_pads tilted"
    entered = entered_results(farm.read("service"), "F310320-abcd", load_causes())
    assert [(each.check, each.result) for each in entered] == [("five_pads", "tilted")]


@pytest.mark.parametrize("changes", [{"finding_id": "F0"}, {"check": "none", "result": "tilted"}, {"result": "x"}])
def test_a_forged_check_enters_nothing(browser: Browser, rows: Rows, farm: Farm, changes: dict[str, str]) -> None:
    file_finding(farm)
    page = browser.get("/finding?id=F310320-abcd")
    answer = browser.send(page, "/finding", {"result": "tilted", **changes})
    assert answer.status in (404, 422)
    assert rows("service") == []


def test_causes_are_called_as_the_farm_calls_them_and_a_watched_finding_says_so(browser: Browser, farm: Farm) -> None:
    (farm.path / "causes.toml").write_text('[causes.plate_tilt]\ntitle = "the plate hangs askew"\n')
    finding = file_finding(farm)
    page = browser.get("/finding?id=F310320-abcd")
    assert "The plate hangs askew" in page.text
    assert "Next checks" in page.text
    save_night(farm, DAY, [replace(finding, status="watching")], [])
    assert "Checks if it comes back" in browser.get("/finding?id=F310320-abcd").text


def test_a_broken_store_is_one_line_on_a_page(browser: Browser, farm: Farm, capsys: pytest.CaptureFixture[str]) -> None:
    (farm.path / "causes.toml").write_text("not TOML")
    file_finding(farm)
    answer = browser.get("/findings")
    assert answer.status == 500
    assert "Traceback" not in answer.html
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "causes.toml" in err


def test_texts_of_records_and_forms_are_escaped(browser: Browser, desk: Desk, farm: Farm) -> None:
    hostile = "<script>alert('$x$')</script>&\"'"
    file_finding(farm, hostile)
    (farm.inbox / "runs.jsonl").write_text(
        '{"run_id": "<img src=x onerror=alert(1)>", "printer_id": "\\"><script>1</script>", "file_id": "<i>",'
        ' "started_at": "2031-03-05T08:00", "outcome": "good", "note": "</textarea><script>2</script>", "sign": "<b>"}\n'
        '{"run_id": "<img src=x onerror=alert(1)>", "printer_id": "p"}\n'
    )
    from farmwatch.collect import collect

    collect(farm)
    from urllib.parse import urlencode

    run = urlencode({"id": "<img src=x onerror=alert(1)>"})
    pages = [
        browser.get(path) for path in ("/printers", "/findings", "/finding?id=F310320-abcd", "/service", f"/run?{run}")
    ]
    pages.append(browser.get("/printer?" + urlencode({"id": '"><script>1</script>'})))
    pages.append(browser.get("/run?" + urlencode({"printer": hostile, "like": hostile, "parts": hostile})))
    pages.append(browser.get("/run?" + urlencode({"id": hostile})))
    pages.append(browser.send(browser.get("/service"), "/service", {**EVENT, "note": hostile, "at": hostile}))
    typed = {"note": hostile, "sign_0": hostile, "sign": hostile, "outcome": "partial", "failed": ["0", hostile]}
    pages.append(browser.send(browser.get("/run?id=R1"), "/run", {**typed, "height_0": hostile}))
    for page in pages:
        assert page.html.count("<script") == page.html.count("</script") == 1, "the page's own"
        assert "<img" not in page.html
        assert "<i>" not in page.html
    assert "alert(1)" in pages[4].text
