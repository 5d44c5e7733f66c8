"""Findings from night to night, and one fault as one finding."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from farmwatch.evidence import Evidence, Finding, Subject
from farmwatch.findings.life import update
from farmwatch.findings.merge import draw_together

DAY = dt.date(2031, 3, 10)
LATER = dt.timedelta(days=1)


def evidence(**changes: object) -> Evidence:
    base = Evidence(
        kind="rate_shift",
        subject=Subject("printer", "heron"),
        since=DAY - 5 * LATER,
        since_low=DAY - 8 * LATER,
        since_high=DAY - 3 * LATER,
        observed=20.0,
        expected=6.0,
        opportunities=200.0,
        unit="parts",
        effect=3.5,
        effect_low=2.0,
        effect_high=6.0,
        effect_unit="odds ratio",
        error_rate=0.1,
        score=2.0,
        direction="up",
        run_ids=("a", "b", "c", "d"),
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def opened(**changes: object) -> Finding:
    (finding,) = update((), [evidence(**changes)], DAY)
    return finding


def test_the_same_thing_keeps_its_name() -> None:
    first = opened()
    assert first.status == "open"
    assert first.first_flagged_on == first.last_seen_on == DAY
    moved = evidence(since=DAY - 6 * LATER, score=5.0)
    (second,) = update((first,), [moved], DAY + LATER)
    assert second.finding_id == first.finding_id
    assert second.first_flagged_on == DAY
    assert second.last_seen_on == DAY + LATER
    assert second.evidence is moved


def test_a_night_run_twice_changes_nothing() -> None:
    first = opened()
    assert update((first,), [first.evidence], DAY) == (first,)
    assert update((), [first.evidence], DAY) == (first,)


def test_weak_evidence_opens_nothing_but_keeps_a_finding_alive() -> None:
    assert update((), [evidence(score=-0.1)], DAY) == ()
    (kept,) = update((opened(),), [evidence(score=-1.0)], DAY + LATER)
    assert kept.status == "open"
    assert kept.last_seen_on == DAY + LATER


def test_unseen_findings_fade_after_three_nights_and_come_back_under_their_name() -> None:
    first = opened()
    (second,) = update((first,), [], DAY + 3 * LATER)
    assert second.status == "open"
    (third,) = update((second,), [], DAY + 4 * LATER)
    assert third.status == "faded"
    assert third.last_seen_on == DAY
    (fourth,) = update((third,), [evidence(score=3.0)], DAY + 5 * LATER)
    assert (fourth.finding_id, fourth.status) == (first.finding_id, "open")


def test_another_subject_that_explains_the_same_plates_takes_the_findings_place() -> None:
    first = opened()
    lot = evidence(subject=Subject("lot", "amber-7"), run_ids=("a", "b", "c", "x", "y"))
    (second,) = update((first,), [lot], DAY + LATER)
    assert second.finding_id == first.finding_id
    assert second.evidence.subject == Subject("lot", "amber-7")


def test_another_subject_with_plates_of_its_own_is_another_finding() -> None:
    other = evidence(subject=Subject("printer", "wren"), run_ids=("p", "q"))
    both = update((opened(),), [evidence(), other], DAY + LATER)
    assert {finding.evidence.subject.id for finding in both} == {"heron", "wren"}
    assert len({finding.finding_id for finding in both}) == 2


@pytest.mark.parametrize("status", ["watching", "cleared"])
def test_what_was_so_before_the_mend_is_not_told_again(status: str) -> None:
    mended = replace(opened(), status=status, repair={"on": DAY})  # type: ignore[arg-type]
    assert update((mended,), [evidence(score=8.0)], DAY + 2 * LATER) == (mended,)


def test_trouble_after_a_cleared_mend_is_the_same_trouble_returned() -> None:
    cleared = replace(opened(), status="cleared", repair={"on": DAY})
    back = evidence(since=DAY + 9 * LATER, since_low=DAY + 7 * LATER, since_high=DAY + 10 * LATER)
    (finding,) = update((cleared,), [back], DAY + 12 * LATER)
    assert (finding.finding_id, finding.status) == (cleared.finding_id, "returned")
    late = evidence(since=DAY + 90 * LATER, since_low=DAY + 88 * LATER, since_high=DAY + 91 * LATER)
    assert len(update((cleared,), [late], DAY + 92 * LATER)) == 2


def test_signs_and_directions_part_faults() -> None:
    first = opened(sign="fused")
    assert len(update((first,), [evidence(sign="off_plate")], DAY + LATER)) == 2
    assert len(update((first,), [evidence(direction="down")], DAY + LATER)) == 2


def test_evidence_of_one_fault_is_drawn_together_and_the_most_telling_kind_speaks() -> None:
    place = evidence(kind="plate_pattern", zone="back_left", sign="off_plate", score=1.0, run_ids=("a", "z"))
    rate = evidence(score=4.0)
    (one,) = draw_together([rate, place])
    assert (one.kind, one.zone, one.sign, one.score) == ("plate_pattern", "back_left", "off_plate", 4.0)
    assert [item["kind"] for item in one.detail["also"]] == ["rate_shift"]
    assert one.run_ids == ("a", "z", "b", "c", "d")


def test_evidence_below_its_limit_does_not_speak_before_evidence_above() -> None:
    place = evidence(kind="plate_pattern", zone="spot", score=-1.0)
    (one,) = draw_together([place, evidence(score=0.5)])
    assert one.kind == "rate_shift"


def test_faults_far_apart_in_time_of_other_signs_or_other_subjects_stay_apart() -> None:
    old = evidence(
        kind="plate_pattern",
        zone="spot",
        since=DAY - 90 * LATER,
        since_low=DAY - 95 * LATER,
        since_high=DAY - 88 * LATER,
    )
    assert len(draw_together([evidence(), old])) == 2
    assert (
        len(draw_together([evidence(sign="fused"), evidence(kind="plate_pattern", sign="off_plate", zone="rim")])) == 2
    )
    assert len(draw_together([evidence(), evidence(subject=Subject("lot", "amber-7"))])) == 2
    assert len(draw_together([evidence(), evidence(direction="down")])) == 2


def test_a_pattern_of_a_room_that_is_its_printers_is_theirs() -> None:
    room = evidence(kind="height_pattern", band="body", subject=Subject("room", "cellar"), score=1.0)
    stronger = evidence(score=4.0, run_ids=("a", "b", "c"))
    assert draw_together([room, stronger]) == (stronger,)
    elsewhere = replace(room, run_ids=("a", "p", "q", "r"))
    assert len(draw_together([elsewhere, stronger])) == 2


def test_what_the_records_cannot_tell_apart_is_one_finding() -> None:
    design = evidence(kind="height_pattern", band="height", subject=Subject("design", "lantern"), score=6.0)
    file = evidence(kind="rate_level", subject=Subject("file", "F7"), rivals=(Subject("design", "lantern"),), score=3.0)
    (told,) = draw_together([file, design])
    assert told == replace(design, separable=False, rivals=(file.subject,))  # who stands aside is named
    profile = replace(file, subject=Subject("profile", "fine"), rivals=())
    assert len(draw_together([profile, design])) == 2


def test_rivals_that_change_places_are_one_trouble() -> None:
    family, profile = Subject("family", "heath"), Subject("profile", "fine")
    first = opened(subject=family, separable=False, rivals=(profile,))
    turned = evidence(subject=profile, separable=False, rivals=(family,), run_ids=("c", "d"))
    (same,) = update((first,), [turned], DAY + LATER)
    assert same.finding_id == first.finding_id
    assert same.evidence.subject == profile
    stranger = replace(turned, separable=True, rivals=())
    assert len(update((opened(subject=family),), [stranger], DAY + LATER)) == 2


def test_the_rivals_of_the_rates_stay_beside_the_pattern_that_speaks() -> None:
    lot = Subject("lot", "amber-7")
    (told,) = draw_together([evidence(kind="plate_pattern", zone="rim"), evidence(separable=False, rivals=(lot,))])
    assert told.kind == "plate_pattern"
    assert told.rivals == (lot,)
    assert not told.separable


def test_a_file_and_its_design_are_one_story() -> None:
    design = evidence(kind="height_pattern", band="height", subject=Subject("design", "lantern"), score=6.0)
    file = evidence(kind="rate_level", subject=Subject("file", "F7"), score=3.0)
    assert draw_together([file, design]) == (design,)
    assert len(draw_together([replace(file, run_ids=("p", "q", "r")), design])) == 2


def test_a_measure_that_goes_back_at_a_mend_is_no_finding() -> None:
    mended = replace(opened(), status="cleared", repair={"on": DAY + 3 * LATER})
    back = evidence(
        kind="signal_shift",
        direction="down",
        since=DAY + 4 * LATER,
        since_low=DAY + 3 * LATER,
        since_high=DAY + 5 * LATER,
    )
    assert update((mended,), [back], DAY + 6 * LATER) == (mended,)
    later = replace(back, since=DAY + 20 * LATER, since_low=DAY + 18 * LATER, since_high=DAY + 21 * LATER)
    assert len(update((mended,), [later], DAY + 22 * LATER)) == 2


def test_a_counter_is_no_second_fault_beside_its_subjects_finding() -> None:
    first = opened(sign="stretch")
    counter = evidence(kind="wear", sign="split", score=9.0)
    assert update((first,), [first.evidence, counter], DAY + LATER) == (replace(first, last_seen_on=DAY + LATER),)
    assert len(update((), [counter], DAY)) == 1
