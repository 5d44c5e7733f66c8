"""What the weekly report says, before any face of it."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from farmwatch.causes.table import load_causes
from farmwatch.detectors.night import join_history
from farmwatch.evidence import KINDS, Check, Subject
from farmwatch.records import Records, conform
from farmwatch.report.contents import build_contents
from farmwatch.report.finding_part import FindingPart, got_better, lost_in_week
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import (
    Attribution,
    Comparison,
    OverTime,
    PlateMap,
    SignalOverTime,
    WearCurve,
    WorkingCurve,
)
from farmwatch.report.showing import pictures_of
from farmwatch.report.unchecked import not_checked
from farmwatch.report.week import Week
from farmwatch.settings import load_settings

from .conftest import (
    AS_OF,
    ONSET,
    SEEN,
    WEEK,
    Case,
    contents_for,
    evidence,
    finding_of,
    make_records,
    night_of,
    one_of_each,
)


def part_of(case: Case, kind: str) -> FindingPart:
    return next(part for part in case.contents.findings if part.kind == kind)


def test_every_kind_has_a_headline_and_a_picture_with_words(case: Case) -> None:
    parts = {part.kind: part for part in case.contents.findings}
    assert set(parts) == set(KINDS)
    for kind, part in parts.items():
        assert part.headline[0].isupper(), kind
        assert part.headline.endswith("."), kind
        assert part.pictures, kind
        assert all(len(picture.alt) > 40 and picture.title for picture in part.pictures), kind
        assert [question for question, _ in part.five] == ["Who", "Where", "How high", "Since when", "How it looks"]


def test_headlines_are_plain(case: Case) -> None:
    heads = {part.kind: part.headline for part in case.contents.findings}
    assert heads["rate_shift"] == (
        "Printer P2: about 5 times as many parts as expected failed, since about 20 Mar 2031; most let go of the plate."
    )
    assert heads["plate_pattern"].startswith("Printer P2: in the front of the plate about 5 times as many parts")
    assert heads["cure_offset"] == "Lot L2 cures too deep: measured edges grow by 0.038 mm, since about 20 Mar 2031."
    assert heads["odd_run"].endswith("was unlike runs of its kind: exposure 3.9 s, expected 2.41 s.")
    for text in heads.values():
        assert not any(word in text for word in ("odds", "interval", "probability", "_"))


def test_what_was_not_checked_comes_in_words_and_broken_checks_first(case: Case) -> None:
    rows = case.contents.not_checked
    assert [row.failed for row in rows] == [True, False]
    assert rows[0].text == "Measured pieces of the whole farm: could not be checked (ValueError: singular)"
    assert rows[1].text == "Wear of 1 wash station: W1: too little to go on (fewer than two bath changes)"
    assert case.contents.checked == "Everything else was looked at (4 looks)."


def test_the_dearest_finding_comes_first(case: Case) -> None:
    lost = [part.lost for part in case.contents.needs_hand]
    assert lost == sorted(lost, reverse=True)
    # seven plates of P2 in the week lost three parts each, and plates of the farm were to lose about one in ten
    own = case.night.plates["printer_id"] == "P2"
    week = own & (case.night.plates["day"] >= pd.Timestamp(WEEK.first))
    rows = np.flatnonzero(week[case.night.parts["plate"]].to_numpy())
    excess = case.night.parts["failed"].to_numpy()[rows].sum() - case.night.part_risk[rows].sum()
    frames = Frames(
        case.night.plates,
        case.night.parts,
        case.night.part_risk,
        case.night.records.service,
        case.night.records.coupons,
    )
    pattern = next(finding for finding in case.findings if finding.evidence.kind == "plate_pattern")
    assert lost_in_week(pattern, frames, WEEK, AS_OF) == pytest.approx(excess)
    assert case.night.parts["failed"].to_numpy()[rows].sum() == 21


def test_a_part_that_two_findings_count_is_lost_once(case: Case) -> None:
    """The losses of all findings in force add up to no more than what was lost on the plates that they speak of."""
    night = case.night
    frames = Frames(night.plates, night.parts, night.part_risk, night.records.service, night.records.coupons)
    level = evidence("rate_level", Subject("printer", "P2"), score=9.0)
    pattern = next(finding for finding in case.findings if finding.evidence.kind == "plate_pattern")
    moved = next(finding for finding in case.findings if finding.evidence.kind == "signal_shift")
    over = finding_of(98, level, status="faded")
    own = [finding_of(99, level), pattern]
    alone = [lost_in_week(finding, frames, WEEK, AS_OF) for finding in own]
    shared = [lost_in_week(finding, frames, WEEK, AS_OF, [*own, moved, over]) for finding in own]
    assert alone == pytest.approx([alone[0]] * len(own))
    assert sum(shared) == pytest.approx(alone[0])
    assert shared[0] / shared[1] == pytest.approx(9.0 / pattern.evidence.score)


def test_bins_of_failures_add_up_to_the_records(case: Case) -> None:
    picture = next(p for p in part_of(case, "rate_shift").pictures if isinstance(p, OverTime))
    mine = (case.night.plates["printer_id"] == "P2").to_numpy()[case.night.parts["plate"].to_numpy()]
    assert sum(picture.failed) == case.night.parts["failed"].to_numpy()[mine].sum()
    assert sum(picture.expected) == pytest.approx(case.night.part_risk[mine].sum())
    assert [mark.text for mark in picture.services] == ["plate changed"]
    assert picture.starts[-1] + dt.timedelta(days=picture.span_days) == AS_OF + dt.timedelta(days=1)


def test_the_plate_map_puts_failures_where_they_were(case: Case) -> None:
    picture = next(p for p in part_of(case, "plate_pattern").pictures if isinstance(p, PlateMap))
    assert len(picture.failed_x) == 3 * 18
    assert set(picture.failed_y) == {-25.0}
    front, back = np.array(picture.ratio)[0], np.array(picture.ratio)[-1]
    assert np.nanmax(front) > 2.0
    assert np.nanmax(back) == 0.0
    assert picture.zone is not None
    assert (picture.zone.shape, picture.zone.back_mm) == ("box", -13.0)


@pytest.mark.parametrize(("inside", "outside", "shown"), [(20.0, 7.0, 27), (40.0, 14.0, 54)])
def test_the_plate_map_shows_the_failures_that_the_pattern_counts(
    case: Case, inside: float, outside: float, shown: int
) -> None:
    """Half of the printer's failures are given another sign: a pattern of one sign shows one half, and says so."""
    pattern = next(finding.evidence for finding in case.findings if finding.evidence.kind == "plate_pattern")
    parts = case.night.parts.astype({"sign": "str"})
    printer = case.night.plates["printer_id"].to_numpy()[parts["plate"].to_numpy()]
    failed = parts.index[parts["failed"].to_numpy() & (printer == pattern.subject.id)]
    parts.loc[failed[::2], "sign"] = "soft"
    frames = Frames(
        case.night.plates, parts, case.night.part_risk, case.night.records.service, case.night.records.coupons
    )
    told = dataclasses.replace(
        pattern, observed=inside, sign="soft", detail={**pattern.detail, "failed_outside": outside}
    )
    picture = next(p for p in pictures_of(told, frames, AS_OF) if isinstance(p, PlateMap))
    assert len(picture.failed_x) == shown
    assert ("with the sign soft" in picture.alt) == (shown == 27)
    assert ("with the sign soft" in picture.title) == (shown == 27)


def test_failures_at_a_height_are_counted_whatever_they_look_like(case: Case) -> None:
    frames = Frames(
        case.night.plates,
        case.night.parts,
        case.night.part_risk,
        case.night.records.service,
        case.night.records.coupons,
    )
    height = next(finding.evidence for finding in case.findings if finding.evidence.kind == "height_pattern")
    other = dataclasses.replace(height, sign="haze", observed=0.0)
    assert frames.counted(other)["failed"].sum() == frames.of(height.subject)["failed"].sum() > 0
    assert frames.sign_counted(other) == ""


def test_a_measure_is_shown_beside_what_was_expected_of_the_work(case: Case) -> None:
    picture = next(p for p in part_of(case, "signal_shift").pictures if isinstance(p, SignalOverTime))
    assert (picture.after, picture.expected) == (30.0, 22.0)
    assert "since then: 30 N, where 22 N was expected of such work." in picture.alt


def test_a_lot_stands_among_its_peers_with_rivals_marked(case: Case) -> None:
    picture = next(p for p in part_of(case, "rate_level").pictures if isinstance(p, Comparison))
    assert {row.name: row.role for row in picture.rows} == {"L2": "subject", "L1": "rival", "printer P2": "rival"}
    assert "Rivals: printer P2, " in picture.alt
    assert all(row.low <= row.ratio <= row.high for row in picture.rows)
    part = part_of(case, "rate_level")
    assert part.rivals == "The records cannot tell lot L2 from printer P2 or lot L1."


def test_wear_is_drawn_from_the_groups_of_its_finding(case: Case) -> None:
    picture = next(p for p in part_of(case, "wear").pictures if isinstance(p, WearCurve))
    assert picture.ratio == pytest.approx((0.8, 1.4, 2.0, 2.6, 3.2))
    assert picture.doubles_at == 23000.0


def test_the_working_curve_goes_through_its_films_and_advises(case: Case) -> None:
    picture = next(p for p in part_of(case, "cure_offset").pictures if isinstance(p, WorkingCurve))
    curve = picture.dp_mm * np.log(np.array(picture.exposure_s) / picture.ec_s)
    assert curve == pytest.approx(picture.depth_mm)
    assert picture.advised_s == pytest.approx(0.91 * picture.now_s)
    assert "Advised: " in picture.alt


def test_advice_stands_beside_its_caution(case: Case) -> None:
    for part in case.contents.findings:
        assert part.caution.startswith("Wear gloves.")
        assert "safety data sheet" in part.caution.rpartition(". ")[2]
    bare = finding_of(1, one_of_each()["rate_shift"])
    bare = dataclasses.replace(
        bare, next_checks=tuple(dataclasses.replace(c, caution="", code="") for c in bare.next_checks)
    )
    told = contents_for(case.night, (bare,), SEEN).new[0]
    assert "safety data sheet" in told.caution


def test_lifecycle_decides_where_a_finding_stands(case: Case) -> None:
    item = one_of_each()["rate_shift"]
    old = dt.date(2031, 3, 25)
    findings = (
        finding_of(1, item),
        finding_of(2, item, first_flagged_on=old, status="returned"),
        finding_of(3, item, first_flagged_on=old, status="watching", repair={"action": "plate_levelled", "on": AS_OF}),
        finding_of(4, item, first_flagged_on=old, status="cleared"),
        finding_of(5, item, first_flagged_on=old, status="faded"),
        finding_of(6, dataclasses.replace(item, direction="down")),
        finding_of(7, one_of_each()["odd_run"]),
    )
    told = contents_for(case.night, findings, SEEN)
    assert [part.finding_id for part in told.new] == ["F1"]
    assert {part.finding_id for part in told.going_on} == {"F2", "F3"}
    assert {part.finding_id for part in told.needs_hand} == {"F1", "F2"}
    assert [part.finding_id for part in told.better] == ["F6"]
    assert [part.finding_id for part in told.notes] == ["F7"]
    assert [row.status for row in told.ledger] == ["returned", "watching", "cleared", "faded"]
    assert told.ledger[1].repair == "Plate levelled on 6 Apr 2031."


def test_a_measure_that_fell_is_not_better_news() -> None:
    item = one_of_each()["signal_shift"]
    assert not got_better(finding_of(1, dataclasses.replace(item, direction="down")))


def test_a_watched_mend_says_how_many_plates_are_still_needed(case: Case) -> None:
    repair = {
        "action": "plate_levelled",
        "on": dt.date(2031, 4, 3),
        "plates": 4,
        "failures": 1,
        "expected": 2.2,
        "before": 5.0,
        "after": 0.45,
        "after_low": 0.06,
        "after_high": 2.96,
        "plates_needed_if_held": 5.2,
        "plates_needed_if_not": 3.0,
    }
    item = finding_of(1, one_of_each()["rate_shift"], status="watching", repair=repair)
    told = contents_for(case.night, (item,), SEEN).new[0]
    assert told.repair == (
        "Plate levelled on 3 Apr 2031.",
        "4 plates since: 1 failed of its sort, 2.2 were expected.",
        "Odds of failing against expected: 5 times before, 0.45 times since (95 % interval 0.06 to 3).",
        "About 6 more plates will tell whether it held.",
    )
    assert (told.mend_lead, told.checks_lead) == (
        "If it comes back, and is the first",
        "What to check if it comes back",
    )
    repair["plates_needed_if_held"] = 34470.0
    endless = finding_of(1, one_of_each()["rate_shift"], status="watching", repair=repair)
    last = contents_for(case.night, (endless,), SEEN).new[0].repair[-1]
    assert last == "So few such failures are expected that counting plates will hardly tell whether it held."


def test_the_ledger_tells_a_mend_with_its_effect_and_interval(case: Case) -> None:
    repair = {
        "action": "film_changed",
        "on": dt.date(2031, 3, 28),
        "plates": 12,
        "failures": 0,
        "expected": 1.6,
        "before": 5.9,
        "after": 0.19,
        "after_low": 0.01,
        "after_high": 1.8,
    }
    mended = finding_of(1, one_of_each()["rate_shift"], status="cleared", repair=repair)
    gone = finding_of(2, one_of_each()["rate_level"], status="faded")
    rows = contents_for(case.night, (mended, gone), SEEN).ledger
    assert (rows[0].done, rows[0].plates, rows[0].failed, rows[0].expected) == (
        "Film changed on 28 Mar 2031",
        12,
        0,
        1.6,
    )
    assert rows[0].effect == "5.9 times before, 0.19 times since (95 % interval 0.01 to 1.8)"
    assert (rows[1].done, rows[1].effect) == ("", "")
    assert math.isnan(rows[1].after)
    assert "12 plates since: 0 failed of its sort, 1.6 were expected." in rows[0].repair
    rare = dataclasses.replace(mended, repair={**repair, "expected": 0.02})  # of a rare sign nearly none is expected
    said = contents_for(case.night, (rare,), SEEN).ledger[0].repair
    assert "12 plates since: 0 failed of its sort, hardly any were expected." in said


def test_whose_fault_is_told_by_each_without_the_other(case: Case) -> None:
    picture = next(p for p in part_of(case, "rate_level").pictures if isinstance(p, Attribution))
    rows = {row.name: row for row in picture.rows}
    # rivals come first; lot L1, a rival too, never stood on a plate with lot L2
    assert [row.role for row in picture.rows].count("rival") == 1
    assert next(iter(rows)) == "printer P2"
    assert "lot L1" not in rows
    # lot L2 ran on three printers; its plates on the sound ones against those of P2 before and without it
    chances = Frames(
        case.night.plates,
        case.night.parts,
        case.night.part_risk,
        case.night.records.service,
        case.night.records.coupons,
    ).chances
    plates = case.night.plates.iloc[chances["plate"].to_numpy()]
    lot, printer = (plates["lot_id"] == "L2").to_numpy(), (plates["printer_id"] == "P2").to_numpy()
    for told, side in (
        (rows["printer P2"].subject_without, lot & ~printer),
        (rows["printer P2"].without_subject, printer & ~lot),
    ):
        assert told[0] == pytest.approx(chances["failed"][side].sum() / chances["expected"][side].sum())
        assert told[1] < told[0] < told[2]
    assert rows["printer P2"].plates_together == 15


def test_what_other_findings_explain_is_told_beside_what_sound_work_would_lose(case: Case) -> None:
    own = one_of_each()["rate_shift"]
    shared = dataclasses.replace(own, expected=40.0)
    told = contents_for(case.night, (finding_of(1, shared),), SEEN).new[0].numbers
    assert told[1].startswith("Of the 40 expected, sound work would lose about ")
    sound = int(told[1].partition("lose about ")[2].partition(";")[0])
    rest = int(told[1].partition("the other ")[2].partition(" ")[0])
    assert sound + rest == pytest.approx(40, abs=1)
    plain = dataclasses.replace(own, expected=float(sound))
    assert not any(
        "sound work" in line for line in contents_for(case.night, (finding_of(1, plain),), SEEN).new[0].numbers
    )


def test_the_first_step_is_a_check_or_else_the_mend(case: Case) -> None:
    item = one_of_each()["rate_shift"]
    told = contents_for(case.night, (finding_of(1, item), finding_of(2, item, next_checks=())), SEEN)
    steps = {part.finding_id: part.first_step for part in told.needs_hand}
    assert steps["F1"] == "First check: Print five thickness pads (about 30 minutes)."
    assert steps["F2"].startswith("First: Level the plate")


def test_a_farm_calls_its_causes_by_its_own_names(case: Case, tmp_path: Path) -> None:
    own = tmp_path / "causes.toml"
    own.write_text(
        '[causes.plate_tilt]\ntitle = "the arm has come loose"\nmend = "Tighten the arm."\n', encoding="utf-8"
    )
    night = case.night
    told = build_contents(
        WEEK,
        case.findings,
        case.checks,
        night.plates,
        night.parts,
        night.part_risk,
        night.records.service,
        night.settings,
        table=load_causes(own),
    ).new[0]
    assert told.causes[0].name == "the arm has come loose"
    assert told.mend == "Tighten the arm."
    assert case.contents.new[0].causes[0].name == "the plate is out of level"


def test_the_table_holds_every_printer_and_lot_with_its_trend(case: Case) -> None:
    rows = {row.subject_id: row for row in case.contents.printers}
    assert set(rows) == {"P1", "P2", "P3"}
    assert (rows["P2"].plates, rows["P2"].chances, rows["P2"].failed) == (7, 63, 21)
    assert rows["P2"].trend.failed[-1] == 21
    assert rows["P2"].ratio_low > 1.0 > rows["P1"].ratio
    assert set(rows["P2"].finding_ids) >= {"F0", "F2"}
    lots = {row.subject_id: row for row in case.contents.lots}
    assert lots["L1"].plates == 0
    assert sum(lots["L1"].trend.failed) > 0


def test_the_week_in_a_sentence(case: Case) -> None:
    assert case.contents.sentence.startswith("21 plates on 3 printers: ")
    assert "of 189;" in case.contents.sentence


def test_the_room_says_how_many_plates_began_cold() -> None:
    records = make_records()
    cold = records.runs.assign(ambient_c=19.0)
    night = night_of(dataclasses.replace(records, runs=cold))
    told = contents_for(night, (), ())
    assert any("21 plates of 21 started below 20 °C" in line for line in told.room.lines)
    assert told.room.mix[0].share == 100.0


def test_signs_scale_the_expectation() -> None:
    night = night_of(make_records())
    frames = Frames(night.plates, night.parts, night.part_risk, night.records.service, night.records.coupons)
    who = Subject("printer", "P2")
    every, signed = frames.of(who), frames.of(who, "soft")
    assert signed["failed"].sum() == 0
    # no failure elsewhere is soft: the share is that of half a failure among the others
    others = frames.chances["failed"].sum() - every["failed"].sum()
    assert signed["expected"].sum() == pytest.approx(every["expected"].sum() * 0.5 / (others + 1.0))


@pytest.mark.parametrize("what", ["nothing", "one run", "no parts", "all failed", "all good", "no lots"])
def test_thin_farms_give_a_sensible_week(what: str) -> None:
    records = make_records()
    if what == "nothing":
        records = Records()
    elif what == "one run":
        run = records.runs.iloc[-1:]
        records = Records(runs=run, parts=records.parts[records.parts["run_id"].isin(run["run_id"])])
    elif what == "no parts":
        records = dataclasses.replace(records, parts=Records().parts)
    elif what == "no lots":
        bare = records.runs.drop(columns=["lot_id", "profile", "ambient_c"])
        records = dataclasses.replace(records, lots=Records().lots, runs=conform(bare, "runs"))
    else:
        outcome = "failed" if what == "all failed" else "good"
        records = dataclasses.replace(records, parts=records.parts.assign(outcome=outcome))
    findings = tuple(finding_of(i, item) for i, item in enumerate(one_of_each().values()))
    for shown in ((), findings):
        told = contents_for(join_history(records).night(AS_OF, load_settings()), shown, ())
        assert told.checked == "No night was analysed in this week."
        assert told.unit == ("plates" if what in ("no parts", "nothing") else "parts")
        assert bool(told.needs_hand) == bool(shown)
        assert (told.sentence == "No plate was printed this week.") == (what == "nothing")
        assert all(math.isnan(row.ratio) or row.ratio >= 0 for row in told.printers)


def test_a_farm_without_plates_says_once_that_nothing_could_be_looked_at() -> None:
    night = join_history(Records()).night(AS_OF, load_settings())
    thin = [
        Check(name, "too_few", kind, None, "no plate names it") for name, kind in (("rates", "lot"), ("wear", "wash"))
    ]
    told = contents_for(night, (), thin)
    assert [row.text for row in told.not_checked] == ["Everything: too little to go on (no plate is known by then)"]
    assert (told.unchecked, told.checked) == ("Not checked: everything.", "Nothing was looked at.")
    broken = contents_for(night, (), [*thin, Check("wear", "failed", "printer", None, "broke")])
    assert [row.failed for row in broken.not_checked] == [True, False]


def test_weeks_are_iso_weeks() -> None:
    assert Week.of(dt.date(2031, 4, 6)) == Week.parse("2031-W14") == WEEK
    assert (WEEK.first, WEEK.last) == (dt.date(2031, 3, 31), dt.date(2031, 4, 6))
    # ISO 8601: 1 January 2027 is a Friday and belongs to week 53 of 2026
    assert str(Week.of(dt.date(2027, 1, 1))) == "2026-W53"
    for wrong in ("2031-14", "2031-W60", "2031-W00", "w", "2027-W53", "9999-W52"):
        with pytest.raises(ValueError, match="not an ISO week like 2031-W14"):
            Week.parse(wrong)


def test_an_exact_onset_is_said_without_about() -> None:
    item = evidence("rate_shift", Subject("printer", "P2"), since_low=ONSET, since_high=ONSET)
    from farmwatch.report.headlines import headline

    assert "since 20 Mar 2031" in headline(item)


def test_a_likely_cause_is_told_with_what_mends_it_and_its_caution(case: Case) -> None:
    part = part_of(case, "plate_pattern")
    assert "level" in part.mend.lower()
    assert part.caution.count("safety data sheet") >= 1
    unsure = dataclasses.replace(case.findings[0], causes=case.findings[0].causes[1:])
    assert contents_for(case.night, (unsure,), SEEN).new[0].mend == ""


def test_the_load_of_a_week_that_is_not_over_says_how_much_of_it_it_is(case: Case) -> None:
    assert any(line.startswith("Load: 21 plates this week; ") for line in case.contents.room.lines)
    second = dataclasses.replace(case.night, as_of=WEEK.first + dt.timedelta(days=1))
    told = contents_for(second, (), ())
    assert any(" plates in the first 2 days of this week; " in line for line in told.room.lines)


def test_what_was_not_checked_names_the_counter_of_wear() -> None:
    told = not_checked([Check("wear", "too_few", "printer", None, "lamp_hours: no lamp_changed on record", 12)])
    assert told[0].text == "Wear by lamp hours of 12 printers: too little to go on (no lamp changed on record)"
