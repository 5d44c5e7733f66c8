"""Reading the pattern from plates: hand-made farms where the answer is known, and simulated ones with a planted cause."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from farmwatch.causes import compare, onset, place
from farmwatch.causes.answers import read_pattern, who
from farmwatch.causes.context import Case, Context, open_case
from farmwatch.causes.diagnose import diagnose
from farmwatch.causes.explain import tell
from farmwatch.causes.questions import DISTRIBUTIONS, HEIGHTS
from farmwatch.causes.table import CauseTable
from farmwatch.detectors.night import join_history
from farmwatch.evidence import SUBJECT_TYPES, Evidence, Finding, Subject
from farmwatch.records import SIGNS, Records, conform
from farmwatch.settings import Settings
from farmwatch.simulate.scenarios import one_cause_farm

START = dt.date(2031, 1, 1)
GRID = [(x, y) for y in (-60.0, 0.0, 60.0) for x in (-30.0, 0.0, 30.0)]
Fails = Callable[[str, int, int], dict[str, Any] | None]


def farm(
    fails: Fails, printers: int = 4, days: int = 40, service: list[tuple[Any, ...]] = (), **columns: Any
) -> Records:  # type: ignore[assignment]
    """One plate of nine parts a printer and day. ``fails(printer, day, part)``: what is written of a failed part."""
    runs, parts = [], []
    for p in range(printers):
        for day in range(days):
            name = f"P-{p:02d}"
            run = {
                "run_id": f"R{p:02d}-{day:03d}",
                "printer_id": name,
                "started_at": f"{START + dt.timedelta(days=day)}T{8 + p:02d}:00Z",
                "ended_at": f"{START + dt.timedelta(days=day)}T{10 + p:02d}:00Z",
                "lot_id": f"L{day // 20}",
                "profile": "std",
                "layer_height_mm": 0.05,
                "base_layers": 6,
                "transition_layers": 4,
                "exposure_s": 2.0,
                "outcome": "good",
            }
            runs.append({**run, **{key: value(name, day) for key, value in columns.items()}})
            for number, (x, y) in enumerate(GRID):
                bad = fails(name, day, number)
                parts.append({
                    "run_id": run["run_id"], "part_no": number, "design_id": f"D{number}", "x_mm": x, "y_mm": y,
                    "footprint_mm2": 100.0, "height_mm": 40.0, "outcome": "good" if bad is None else "failed", **(bad or {}),
                })  # fmt: skip
    beds = [
        {"printer_id": f"P-{p:02d}", "plate_width_mm": 100.0, "plate_depth_mm": 160.0, "room": "R", "family": "F"}
        for p in range(printers)
    ]
    names = ["at", "subject_type", "subject_id", "action"]
    events = [dict(zip(names, row, strict=True)) | {"event_id": f"E{i}"} for i, row in enumerate(service)]
    return Records(
        printers=conform(pd.DataFrame(beds), "printers"),
        runs=conform(pd.DataFrame(runs), "runs"),
        parts=conform(pd.DataFrame(parts), "parts"),
        service=conform(pd.DataFrame(events, columns=["event_id", *names]), "service"),
    )


def case(records: Records, settings: Settings, since: int = 20, risk: float = 0.03, **changes: Any) -> Case:
    as_of = START + dt.timedelta(days=60)
    night = join_history(records).night(as_of, settings)
    context = Context(records, settings, as_of, night.plates, night.parts, np.full(len(night.parts), risk))
    day = START + dt.timedelta(days=since)
    fields: dict[str, Any] = {
        "kind": "rate_shift", "subject": Subject("printer", "P-00"), "since": day, "since_low": day, "since_high": day,
        "observed": 30.0, "expected": 5.0, "opportunities": 180.0, "unit": "parts", "effect": 6.0, "effect_low": 3.0,
        "effect_high": 9.0, "effect_unit": "odds ratio", "error_rate": 0.01, "score": 1.0, "direction": "up",
    }  # fmt: skip
    return open_case(Evidence(**{**fields, **changes}), context)


def left_side(printer: str, day: int, part: int) -> dict[str, Any] | None:
    if printer == "P-00" and day >= 20 and GRID[part][0] < 0 and (day + part) % 3 != 0:
        return {"sign": "off_plate", "failure_height_mm": 0.2}
    if (day * 7 + part * 5 + int(printer[-1]) * 3) % 37 == 0:
        return {"sign": "split", "failure_height_mm": 12.0}
    return None


def test_the_case_holds_the_subjects_plates_since(settings: Settings) -> None:
    one = case(farm(left_side), settings)
    assert len(one.all_plates) == 40
    assert len(one.plates) == 20
    assert len(one.parts_on(one.plates)) == 180
    number, failures, expected = one.per_plate
    assert number.tolist() == [9.0] * 20
    assert failures.sum() == len(one.failed)
    assert expected.sum() == pytest.approx(180 * 0.03)


def test_a_side_is_found_and_no_side_is_none(settings: Settings) -> None:
    found = place.where(case(farm(left_side), settings))
    assert found is not None
    assert (found.answer, found.weight) == ("side", 1.0)
    quiet = place.where(case(farm(left_side), settings, subject=Subject("printer", "P-02"), since=0))
    assert quiet is not None
    assert quiet.answer == "anywhere"
    assert quiet.weight < 0.5


def test_a_zone_of_the_finding_is_taken(settings: Settings) -> None:
    found = place.where(case(farm(left_side), settings, zone="back_left"))
    assert found is not None
    assert found.answer == "corner"


def test_signs_and_heights_are_counted_in_plates(settings: Settings) -> None:
    one = case(farm(left_side), settings)
    composition = place.signs(one)
    assert composition is not None
    plates = set(one.failed_plates)
    # on every failing plate of P-00 the side fails; where another sign stands beside it the plate is shared
    assert composition.counts.sum() == pytest.approx(len(plates))
    assert composition.counts[SIGNS.index("off_plate")] > 0.75 * len(plates)
    assert int(np.argmax(composition.background)) == SIGNS.index("split")
    height = place.heights(one)
    assert height is not None
    # 6 base layers of 0.05 mm end at 0.3 mm: 0.2 mm is in the base
    assert list(HEIGHTS)[int(np.argmax(height.counts))] == "base"


@pytest.mark.parametrize(
    ("height", "answer"),
    [
        (lambda day: 18.0 + 0.2 * (day % 3), "one_height"),
        (lambda day: 0.6 + 0.2 * (day % 22), "low_body"),
        (lambda day: 6.0 + 1.3 * (day % 20), "body"),
        (lambda day: 0.4, "transition"),
    ],
)
def test_heights(height: Callable[[int], float], answer: str, settings: Settings) -> None:
    def fails(printer: str, day: int, part: int) -> dict[str, Any] | None:
        return {"sign": "split", "failure_height_mm": height(day)} if printer == "P-00" and part == day % 9 else None

    composition = place.heights(case(farm(fails), settings))
    assert composition is not None
    assert list(HEIGHTS)[int(np.argmax(composition.counts))] == answer


@pytest.mark.parametrize(
    ("detail", "low_mm", "answer"),
    [
        ({"from_mm": 0.0, "to_mm": 4.0}, 0.6, "low_body"),
        ({"from_mm": 1.0, "to_mm": 4.0}, 0.6, "low_body"),
        ({"from_mm": 8.0, "to_mm": 12.0}, 8.1, "one_height"),
        ({}, 8.1, "body"),
    ],
)
def test_a_window_of_the_finding_is_one_height_unless_it_lies_low(
    detail: dict[str, float], low_mm: float, answer: str, settings: Settings
) -> None:
    """Where the height stands beside another kind it comes without its window: then the failures themselves are asked."""

    def fails(printer: str, day: int, part: int) -> dict[str, Any] | None:
        height = low_mm + 0.15 * (day % 22)
        return {"sign": "split", "failure_height_mm": height} if printer == "P-00" and part == day % 9 else None

    composition = place.heights(case(farm(fails), settings, band="height", detail=detail))
    assert composition is not None
    assert list(HEIGHTS)[int(np.argmax(composition.counts))] == answer


def test_what_only_the_other_failures_have_written_is_not_the_faults(settings: Settings) -> None:
    """Fused parts have no failure height; the heights written are those of the usual failures."""

    def fails(printer: str, day: int, part: int) -> dict[str, Any] | None:
        if (day * 7 + part * 5 + int(printer[-1])) % 36 == 0:
            return {"sign": "off_plate", "failure_height_mm": 0.2}
        return {"sign": "fused"} if printer == "P-00" and day >= 20 and part == day % 9 else None

    one = case(farm(fails), settings, risk=1 / 36, observed=25.0, expected=5.0)
    signs, heights = place.signs(one), place.heights(one)
    assert signs is not None
    assert heights is not None
    assert signs.excess > 0.7
    assert heights.excess < 0.3


def test_the_run_speaks_for_its_parts_only_where_they_have_nothing_written(settings: Settings) -> None:
    def fails(printer: str, day: int, part: int) -> dict[str, Any] | None:
        if printer != "P-00" or day < 20 or part > 1:
            return None
        return {"sign": "fused"} if part == 0 or day == 21 else {"sign": "split", "failure_height_mm": 0.2}

    records = farm(fails, failure_height_mm=lambda printer, day: 0.2, days=22)
    context = case(records, settings).context
    # day 20: a fused part without a height beside one with its own; day 21: two without, for which the run's stands
    np.testing.assert_array_equal(context.failed_height_mm, [np.nan, 0.2, 0.2, 0.2])


def test_climb_by_hand() -> None:
    # six plates, one failure expected of each, none fail but the upper three, two each: residuals -1 -1 -1 1 1 1.
    # ranks 1/12, 3/12, ... 11/12, about their mean -5/12 ... 5/12: sum of lever x residual (1 + 3 + 5 + 5 + 3 + 1) / 12 =
    # 18/12; sum of squared levers 70/144; mean squared residual 1
    failures = np.array([0.0, 0.0, 0.0, 2.0, 2.0, 2.0])
    got = compare.climb(np.arange(6.0), failures, np.ones(6), np.ones(6))
    assert got.z == pytest.approx(1.5 / np.sqrt(70 / 144))
    # upper third (4 + .5) / (2 + .5), lower third .5 / 2.5
    assert got.ratio == pytest.approx(9.0)
    assert compare.climb(np.zeros(6), failures, np.ones(6), np.ones(6)).z == 0.0


def test_fuller_plates_that_fail_as_expected_of_them_are_no_climb() -> None:
    parts = np.array([2.0, 2.0, 2.0, 20.0, 20.0, 20.0])
    got = compare.climb(parts, parts / 2.0, parts, parts)
    assert got.z == pytest.approx(0.0, abs=1e-12)
    assert got.ratio == pytest.approx(1.0)


def test_cold_full_and_aligned_plates(settings: Settings) -> None:
    def on_odd_days(printer: str, day: int, part: int) -> dict[str, Any] | None:
        return {"sign": "split"} if printer == "P-00" and day % 2 and part < 3 else None

    cold = farm(on_odd_days, ambient_c=lambda printer, day: (17.0 if day % 2 else 22.0) + 0.01 * day)
    answer = compare.cold(case(cold, settings))
    assert answer is not None
    assert (answer.answer, answer.weight) == ("yes", 1.0)
    mild = compare.cold(case(farm(on_odd_days, ambient_c=lambda printer, day: 20.0 + day % 3), settings))
    assert mild is not None
    assert mild.answer == "no"
    assert compare.cold(case(farm(on_odd_days), settings)) is None
    same_load = compare.load(case(farm(on_odd_days), settings))
    assert same_load is not None
    assert same_load.answer == "no"

    full = farm(on_odd_days)
    odd = full.parts["run_id"].str[-1].astype(int) % 2 == 1
    fuller = Records(full.printers, full.lots, full.runs, full.parts.assign(footprint_mm2=np.where(odd, 400.0, 100.0)))
    answer = compare.load(case(fuller, settings))
    assert answer is not None
    assert answer.answer == "yes"
    staggered = full.parts["y_mm"] + np.where(odd, 0.0, 3.0 * full.parts["part_no"])
    answer = compare.aligned(
        case(Records(full.printers, full.lots, full.runs, full.parts.assign(y_mm=staggered)), settings)
    )
    assert answer is not None
    assert answer.answer == "yes"


@pytest.mark.parametrize(("beside", "answer"), [(True, "yes"), (False, "no")])
def test_neighbours(beside: bool, answer: str, settings: Settings) -> None:
    def fails(printer: str, day: int, part: int) -> dict[str, Any] | None:
        bad = (part == 4 and day % 2 == 0) or (beside and part in (3, 5) and day % 4 == 0)
        return {"sign": "split", "failure_height_mm": 18.0} if bad else None

    got = compare.neighbours(case(farm(fails), settings, subject=Subject("design", "D4"), since=0))
    assert got is not None
    assert got.answer == answer
    assert compare.neighbours(case(farm(fails), settings)) is None


@pytest.mark.parametrize(
    ("bad", "answer"),
    [
        (lambda day, part: part < 3 * (day - 19) // 10, "ramp"),
        (lambda day, part: day in (22, 29, 36), "now_and_then"),
        (lambda day, part: part == day % 9 or part == (day * 5) % 9, "lasting"),
    ],
)
def test_course(bad: Callable[[int, int], bool], answer: str, settings: Settings) -> None:
    def fails(printer: str, day: int, part: int) -> dict[str, Any] | None:
        own = printer == "P-00" and day >= 20 and bad(day, part)
        return {"sign": "split"} if own or (day * 7 + part * 5 + int(printer[-1])) % 41 == 0 else None

    got = compare.course(case(farm(fails), settings))
    assert got is not None
    assert got.answer == answer


def test_events_near_the_beginning_and_their_coincidence_by_hand(settings: Settings) -> None:
    changes = [
        ("2031-01-19T07:00Z", "printer", "P-00", "lamp_changed"),
        ("2031-01-05T07:00Z", "printer", "P-01", "lamp_changed"),
        ("2031-01-30T07:00Z", "printer", "P-02", "film_changed"),
    ]
    near = {event.event: event for event in onset.nearby(case(farm(left_side, service=changes), settings))}
    assert near["lamp_changed"].near
    assert not near["film_changed"].near
    assert "panel_changed" not in near  # this farm writes none down: no word says nothing
    # two lamps on four printers in 39 days, and half a one for want of more; the window: 3 days before to 1 after, 5 days
    assert near["lamp_changed"].coincidence == pytest.approx(1 - np.exp(-2.5 / (4 * 39) * 5))
    assert near["new_bottle"].near  # lot L1 from day 20


def test_settings_that_moved(settings: Settings) -> None:
    moved = farm(left_side, exposure_s=lambda printer, day: 2.6 if day >= 20 else 2.0)
    subject = Subject("profile", "std")
    assert [e.near for e in onset.nearby(case(moved, settings, subject=subject)) if e.event == "settings_changed"] == [
        True
    ]
    still = onset.nearby(case(farm(left_side), settings, subject=subject))
    assert [e.near for e in still if e.event == "settings_changed"] == [False]


def test_counters_rank_by_hand(settings: Settings) -> None:
    # ages 2 of lives 2, 4: (min(2,2) + min(2,4)) / 6 = 2/3
    assert onset._rank(2.0, np.array([2.0, 4.0])) == pytest.approx(2 / 3)
    films = [("2031-01-03T07:00Z", "printer", p, "film_changed") for p in ("P-00", "P-01", "P-02", "P-03")]
    films += [
        (f"2031-01-{day:02d}T07:00Z", "printer", p, "film_changed")
        for day in (13, 23)
        for p in ("P-01", "P-02", "P-03")
    ]
    ages = {age.counter: age for age in onset.ages(case(farm(left_side, service=films), settings))}
    assert set(ages) == {"film"}
    assert ages["film"].rank > 0.8


def test_first_plate(settings: Settings) -> None:
    late = case(farm(left_side), settings)
    assert onset.first_plate(late) is not None
    assert onset.first_plate(late).answer == "no"  # type: ignore[union-attr]
    lot = case(farm(left_side), settings, kind="rate_level", subject=Subject("lot", "L1"))
    assert (onset.first_plate(lot).answer, onset.first_plate(lot).weight) == ("yes", 1.0)  # type: ignore[union-attr]
    begun = case(farm(left_side), settings, kind="rate_level", since=0)
    assert onset.first_plate(begun).weight == pytest.approx(0.3)  # type: ignore[union-attr]


def test_names_that_cannot_be_told_apart_share_the_answer(settings: Settings) -> None:
    one = case(farm(left_side), settings, separable=False, rivals=(Subject("lot", "L1"), Subject("lot", "L2")))
    share = who(one.evidence).share
    assert share is not None
    assert share[SUBJECT_TYPES.index("printer")] == pytest.approx(1 / 3)
    assert share[SUBJECT_TYPES.index("lot")] == pytest.approx(2 / 3)


def test_what_stands_beside_a_finding_is_read(settings: Settings, table: CauseTable) -> None:
    also = [{"kind": "cure_offset", "direction": "over", "zone": None, "sign": "fused", "band": None}]
    one = case(farm(left_side), settings, detail={"also": also})
    pattern = read_pattern(Finding("F", one.evidence, START, START), None, table)
    assert pattern.answer("measure").answer == "growth_over"  # type: ignore[union-attr]
    assert pattern.compositions[0].counts[SIGNS.index("fused")] > 0


@pytest.mark.parametrize(
    ("detail", "direction", "answer"),
    [
        ({"measure": "peak_release_n"}, "up", "peel_up"),
        ({"measure": "body_release_n"}, "up", "peel_up"),
        ({"measure": "base_release_n"}, "down", "peel_down"),
        ({"measure": "ambient_c"}, "down", "room_colder"),
        ({"measure": "vat_c"}, "up", "vat_warmer"),
        ({"measure": "something"}, "up", "other"),
    ],
)
def test_measures(detail: dict[str, Any], direction: str, answer: str, settings: Settings, table: CauseTable) -> None:
    one = case(farm(left_side), settings, kind="signal_shift", direction=direction, detail=detail)
    pattern = read_pattern(Finding("F", one.evidence, START, START), None, table)
    assert pattern.answer("measure").answer == answer  # type: ignore[union-attr]
    assert answer in DISTRIBUTIONS["measure"]


def test_a_farm_without_parts_is_read_by_plates(settings: Settings, table: CauseTable) -> None:
    records = farm(
        lambda printer, day, part: None,
        outcome=lambda printer, day: "failed" if printer == "P-00" and day >= 20 and day % 2 else "good",
        sign=lambda printer, day: "stretch" if printer == "P-00" and day >= 20 and day % 2 else None,
        failure_height_mm=lambda printer, day: 9.0 + day / 4,
    )
    bare = Records(printers=records.printers, runs=records.runs)
    one = case(bare, settings)
    assert len(one.failed) == 10
    pattern = read_pattern(Finding("F", one.evidence, START, START), one.context, table)
    assert {c.question for c in pattern.compositions} == {"signs", "height"}
    causes, _ = diagnose(Finding("F", one.evidence, START, START), table, settings, one.context)
    assert causes[0].code == "film_worn"


@pytest.mark.parametrize("kind", SUBJECT_TYPES)
def test_a_subject_that_nobody_printed_with_is_no_error(kind: str, settings: Settings, table: CauseTable) -> None:
    one = case(farm(left_side, days=8), settings, subject=Subject(kind, "nobody"))  # type: ignore[arg-type]
    causes, _ = diagnose(Finding("F", one.evidence, START, START), table, settings, one.context)
    assert sum(cause.probability for cause in causes) > 0.75


def test_an_empty_farm_is_no_error(settings: Settings, table: CauseTable) -> None:
    night = join_history(Records()).night(START, settings)
    context = Context(Records(), settings, START, night.plates, night.parts, night.part_risk)
    one = case(farm(left_side, days=2), settings)
    causes, _ = diagnose(Finding("F", one.evidence, START, START), table, settings, context)
    assert causes


def test_a_room_that_got_colder_is_not_better(settings: Settings, table: CauseTable) -> None:
    one = case(farm(left_side, days=8), settings, kind="signal_shift", direction="down", subject=Subject("room", "R"),
               detail={"measure": "ambient_c"})  # fmt: skip
    causes, _ = diagnose(Finding("F", one.evidence, START, START), table, settings)
    assert causes[0].code == "cold_resin"


def test_a_room_that_got_warmer_says_so_itself(settings: Settings, table: CauseTable) -> None:
    """Spring came before it: that its days are colder than the winter before says nothing, as it got warmer for the season."""
    warm = {"kind": "signal_shift", "subject": Subject("room", "R"), "detail": {"measure": "ambient_c"}}
    one = case(farm(left_side), settings, **warm)
    pattern = read_pattern(Finding("F1", one.evidence, START, START), one.context, table)
    told = pattern.answer("measure")
    assert told is not None
    assert told.answer == "room_warmer"
    assert pattern.answer("cold") is None
    causes = diagnose(Finding("F1", one.evidence, START, START), table, settings, one.context)[0]
    assert {cause.code: cause.probability for cause in causes}.get("cold_resin", 0.0) < 0.02


def test_better_than_expected_has_no_cause(settings: Settings, table: CauseTable) -> None:
    one = case(farm(left_side, days=8), settings, direction="down")
    causes, checks = diagnose(Finding("F", one.evidence, START, START), table, settings, one.context)
    assert [cause.code for cause in causes] == ["unknown"]
    assert checks == ()


@pytest.mark.parametrize("cause", ["plate_tilt", "film_spot", "trapped_suction", "cold_resin"])
def test_a_planted_cause_is_first_from_its_plates_alone(cause: str, settings: Settings, table: CauseTable) -> None:
    """The finding names the subject and the day; where, how high and which signs are read from the plates."""
    planted = one_cause_farm(cause, seed=5)
    fault = planted.truth[0]
    as_of = fault.since + dt.timedelta(days=25)
    night = join_history(planted.records).night(as_of, settings)
    context = Context(planted.records, settings, as_of, night.plates, night.parts, night.part_risk)
    day = fault.since
    evidence = Evidence("rate_shift", fault.subject, day, day, day, 30.0, 8.0, 200.0, "parts", 4.0, 2.0, 8.0, "odds ratio",
                        0.01, 1.0, "up")  # fmt: skip
    causes, _ = diagnose(Finding("F", evidence, as_of, as_of), table, settings, context)
    assert causes[0].code == cause


def test_parts_on_plates_by_hand(settings: Settings) -> None:
    one = case(farm(left_side, printers=1, days=5), settings, since=0)
    assert one.context.parts_on(np.array([1, 3])).tolist() == [*range(9, 18), *range(27, 36)]
    assert one.context.parts_on(np.array([], int)).tolist() == []


def test_good_plates_after_a_mend_are_no_part_of_the_faults_pattern(settings: Settings, table: CauseTable) -> None:
    def healed(printer: str, day: int, part: int) -> dict[str, Any] | None:
        return left_side(printer, day, part) if day < 34 else None

    one = case(farm(healed), settings)
    finding = Finding("F1", one.evidence, START, START)
    on = START + dt.timedelta(days=33)
    assert len(one.plates) == 20
    assert len(open_case(one.evidence, one.context, on).plates) == 14
    whole = replace(one.context, naming=True)
    cleared = replace(finding, status="cleared", repair={"on": on})
    told = {status: read_pattern(each, whole, table).answer("course") for status, each in
            (("cleared", cleared), ("open", finding))}  # fmt: skip
    assert {status: None if answer is None else len(answer.run_ids) for status, answer in told.items()} == {
        "cleared": 14,
        "open": 20,
    }


def test_told_with_its_night_every_answer_lists_its_plates(settings: Settings, table: CauseTable) -> None:
    one = case(farm(left_side), settings)
    story = tell(Finding("F", one.evidence, START, START), table, settings, one.context)
    questions = {s.text.split(":")[0]: s.run_ids for s in story.paragraphs[1].sentences}
    own = {f"R00-{day:03d}" for day in range(20, 40)}
    for lead in ("Where", "How high", "How it looks"):
        assert questions[lead]
        assert set(questions[lead]) <= own
    plates, parts = one.context.plates, one.context.parts
    failing = set(plates["run_id"].iloc[parts["plate"][parts["failed"]]])
    assert set(questions["How it looks"]) == own & failing


def test_what_the_failures_of_others_do_not_show_says_little_of_the_fault(settings: Settings) -> None:
    """Most failures of a wide subject are not the fault's: that they are anywhere, and in line or not, clears nothing."""
    all_its_own = case(farm(left_side), settings, subject=Subject("printer", "P-02"), since=0, risk=0.001)
    usual = 0.9 * len(all_its_own.failed) / all_its_own.per_plate[0].sum()
    few_its_own = case(farm(left_side), settings, subject=Subject("printer", "P-02"), since=0, risk=usual,
                       observed=30.0, expected=27.0)  # fmt: skip
    assert all_its_own.excess > 0.8
    assert few_its_own.excess == pytest.approx(0.1, abs=0.02)
    for ask in (compare.aligned, compare.stood, place.where):
        sure, unsure = ask(all_its_own), ask(few_its_own)
        assert sure is not None
        assert unsure is not None
        assert sure.answer == unsure.answer
        assert unsure.weight < 0.35 * sure.weight
