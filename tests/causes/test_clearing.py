"""After standing, clears on stirring, clears on a power cycle; and who was new when it began."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from farmwatch.causes import clearing, compare, onset
from farmwatch.causes.answers import who
from farmwatch.evidence import SUBJECT_TYPES, Subject
from farmwatch.settings import Settings
from tests.causes.test_answers import START, case, farm


def _day(number: int, hour: int = 12) -> str:
    return f"{START + dt.timedelta(days=number)}T{hour:02d}:00Z"


def _blocks(printer: str, day: int, part: int) -> dict[str, Any] | None:
    """Every fifth day from the 20th the plate of P-00 is all blocks."""
    if printer == "P-00" and day >= 20 and day % 5 == 0:
        return {"sign": "block", "failure_height_mm": 0.0}
    return {"sign": "split"} if (day * 7 + part * 5 + int(printer[-1])) % 41 == 0 else None


def test_a_panel_that_clears_when_switched_off_and_on(settings: Settings) -> None:
    after_each = [(_day(day), "printer", "P-00", "power_cycled") for day in (20, 25, 30)]
    found = clearing.clears(case(farm(_blocks, service=after_each), settings), "power_clears")
    assert found is not None
    assert (found.answer, found.weight) == ("yes", 1.0)
    assert "3 of 3" in found.words
    elsewhen = [(_day(day), "printer", "P-00", "power_cycled") for day in (22, 27, 32)]
    missed = clearing.clears(case(farm(_blocks, service=elsewhen), settings), "power_clears")
    assert missed is not None
    assert missed.answer == "no"
    assert 0.0 < missed.weight < 1.0
    others = [(_day(20), "printer", "P-01", "power_cycled"), (_day(20), "printer", "P-00", "vat_cleaned")]
    assert clearing.clears(case(farm(_blocks, service=others), settings), "power_clears") is None


def test_an_action_before_the_beginning_or_far_from_any_plate_says_nothing(settings: Settings) -> None:
    rows = [(_day(10), "printer", "P-00", "power_cycled"), (_day(58), "printer", "P-00", "power_cycled")]
    assert clearing.clears(case(farm(_blocks, service=rows), settings), "power_clears") is None


def test_stirring_is_read_on_the_lot_and_on_the_printers_that_run_it(settings: Settings) -> None:
    lot = {"subject": Subject("lot", "L1")}
    on_printers = [(_day(day), "printer", "P-00", "resin_stirred") for day in (20, 25, 30, 35)]
    found = clearing.clears(case(farm(_blocks, service=on_printers), settings, **lot), "stirring_clears")
    assert found is not None
    assert found.answer == "yes"
    on_lot = [(_day(20, 9), "lot", "L1", "resin_stirred")]  # between the plates of P-00 and P-01
    # once, between a failing plate and a good one, where many plates fail: that may well be chance
    assert clearing.clears(case(farm(_blocks, service=on_lot), settings, **lot), "stirring_clears") is None


def test_twice_may_be_chance_and_counts_half(settings: Settings) -> None:
    rows = [(_day(day), "printer", "P-00", "power_cycled") for day in (20, 25)]
    found = clearing.clears(case(farm(_blocks, service=rows), settings), "power_clears")
    assert found is not None
    assert (found.answer, found.weight) == ("yes", 0.5)


def test_hours_stood_are_from_the_end_of_the_printers_plate_before(settings: Settings) -> None:
    context = case(farm(_blocks), settings).context
    first = context.plates["day"] == context.plates["day"].min()
    assert np.isnan(context.stood_h[first]).all()
    assert context.stood_h[~first] == pytest.approx(22.0)  # two hours a plate, one a day


def test_plates_after_standing_fail_more(settings: Settings) -> None:
    def starts(name: str, day: int) -> str:
        # every third plate begins late, after more hours of standing
        return f"{START + dt.timedelta(days=day)}T{7 if day % 3 else 8:02d}:00Z"

    def fails(printer: str, day: int, part: int) -> dict[str, Any] | None:
        return {"sign": "strings"} if printer == "P-00" and day >= 20 and day % 3 == 0 and part < 4 else None

    found = compare.stood(case(farm(fails, started_at=starts), settings, subject=Subject("printer", "P-00")))
    assert found is not None
    assert found.answer == "yes"

    def always(printer: str, day: int, part: int) -> dict[str, Any] | None:
        return {"sign": "strings"} if printer == "P-00" and day >= 20 and part == day % 9 else None

    steady = compare.stood(case(farm(always, started_at=starts), settings))
    assert steady is not None
    assert steady.answer == "no"


def test_of_suspects_the_one_that_ran_first_when_it_began_weighs_more(settings: Settings) -> None:
    rivals = {"rivals": (Subject("lot", "L1"),), "separable": False}
    one = case(farm(_blocks), settings, **rivals)  # L1 is first run on day 20, when it began; P-00 is old
    assert onset.newcomers(one) == (Subject("lot", "L1"),)
    share = dict(zip(SUBJECT_TYPES, who(one.evidence, onset.newcomers(one)).share, strict=True))  # type: ignore[arg-type]
    assert share["lot"] == pytest.approx(onset.NEWCOMER / (onset.NEWCOMER + 1.0))
    first = onset.first_plate(one)
    assert first is not None
    assert first.answer == "yes"
    assert first.share is not None
    assert first.share[0] == pytest.approx(share["lot"])
    assert first.words == "the lot ran first when it began"
    # a record that begins makes nobody new
    begun = case(farm(_blocks), settings, since=0, **{**rivals, "rivals": (Subject("lot", "L0"),)})
    assert onset.newcomers(begun) == ()


def test_settings_that_moved_are_seen_of_a_rival_profile(settings: Settings) -> None:
    records = farm(_blocks, exposure_s=lambda name, day: 2.0 if day < 20 else 2.6)
    alone = case(records, settings)
    assert "settings_changed" not in {event.event for event in onset.nearby(alone)}
    rival = replace(alone, evidence=replace(alone.evidence, rivals=(Subject("profile", "std"),), separable=False))
    assert "settings_changed" in {event.event for event in onset.nearby(rival) if event.near}


def test_what_is_expected_is_the_least_of_risk_and_finding(settings: Settings) -> None:
    """Risk that has learned the fault expects it; the finding's own numbers do not."""
    one = case(farm(_blocks), settings, risk=0.2, observed=36.0, expected=4.0)
    assert one.expected == pytest.approx(max(len(one.failed) - 32.0, len(one.failed) / 9.0))
    measured = case(farm(_blocks), settings, risk=0.2, effect_unit="mm", unit="coupons")
    assert measured.expected == pytest.approx(0.2 * measured.per_plate[0].sum())
