"""Words for sizes, dates, cautions; cells that a spreadsheet would run."""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.crew import DETECTORS
from farmwatch.evidence import BANDS, KINDS, SUBJECT_NAMES, SUBJECT_TYPES, ZONES
from farmwatch.records import ACTIONS, SIGNS
from farmwatch.report import cautions, words
from farmwatch.report.answers import safe_csv_cell
from farmwatch.report.charts import DRAWERS
from farmwatch.report.headlines import numbers
from farmwatch.report.pictures import Picture
from farmwatch.report.unchecked import DETECTOR_WORDS
from tests.report.conftest import one_of_each


def test_every_code_has_words() -> None:
    assert set(words.SIGN_VERBS) == set(SIGNS)
    assert set(words.ACTION_WORDS) == set(ACTIONS)
    assert set(words.ZONE_WORDS) == set(ZONES)
    assert set(words.BAND_WORDS) == set(BANDS)
    assert set(words.KIND_WORDS) == set(KINDS)
    assert set(SUBJECT_NAMES) == set(SUBJECT_TYPES)


@pytest.mark.parametrize(
    ("ratio", "said"),
    [
        (0.2, "less than half as many parts as expected"),
        (0.5, "about half as many parts as expected"),
        (0.75, "about three quarters as many parts as expected"),
        (0.9, "slightly fewer parts than expected"),
        (1.0, "about as many parts as expected"),
        (1.05, "slightly more parts than expected"),
        (1.25, "about a quarter more parts than expected"),
        (1.5, "about half as many parts again as expected"),
        (2.0, "about twice as many parts as expected"),
        (3.3, "about 3 times as many parts as expected"),
        (math.inf, "more parts than expected"),
    ],
)
def test_ratios_read_as_people_say_them(ratio: float, said: str) -> None:
    assert words.many_parts(ratio) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.0, "0"),
        (3.0, "3"),
        (1234567.0, "1,234,567"),
        (0.03756, "0.0376"),
        (4.2, "4.2"),
        (151.7, "152"),
        (-0.5, "-0.5"),
        (math.nan, "unknown"),
    ],
)
def test_numbers_have_three_digits_and_no_more(value: float, said: str) -> None:
    assert words.number_text(value) == said


@settings(max_examples=60, deadline=None)
@given(st.floats(min_value=1e-3, max_value=1e9))
def test_numbers_read_back_within_their_digits(value: float) -> None:
    assert float(words.number_text(value).replace(",", "")) == pytest.approx(value, rel=0.006)


def test_dates_do_not_depend_on_the_reader() -> None:
    assert words.date(dt.date(2031, 3, 9)) == "9 Mar 2031"


def test_lists() -> None:
    assert [words.listed(x) for x in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


def test_cautions_are_said_once_and_end_in_deferring() -> None:
    one = "Wear gloves. The maker's safety data sheet comes first."
    other = "Never look into the light. Wear gloves. The maker's safety data sheet comes first."
    assert cautions.together([one, "", other]) == (
        "Wear gloves. Never look into the light. The maker's safety data sheet comes first."
    )


def test_causes_are_called_as_in_the_table() -> None:
    assert words.cause("plate_tilt") == "the plate is out of level"
    assert words.cause("unknown") == "something that is not in the list"
    assert words.cause("made_by_a_farm") == "made by a farm"


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-2", "@SUM(A1)", "\t=1", "\r=1", " =1", "\ufeff=1", "＝1", "|cmd", "\n=1", "\u200b=1", "\xa0=1"],
)
def test_formulas_are_neutralised(text: str) -> None:
    assert safe_csv_cell(text) == "'" + text


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=12))
def test_no_cell_starts_like_a_formula(text: str) -> None:
    cell = safe_csv_cell(text)
    assert isinstance(cell, str)
    lead = unicodedata.normalize("NFKC", cell).strip()[:1]
    assert lead not in set("=+-@") or cell.startswith("'")
    assert cell in (text, "'" + text)


def test_numbers_and_blanks_are_left() -> None:
    assert [safe_csv_cell(value) for value in (-1.5, 3, None, "P-1", "")] == [-1.5, 3, None, "P-1", ""]


def test_what_stands_beside_is_called_by_its_name_and_failures_are_told_whole() -> None:
    beside = [
        {"kind": "signal_shift", "measure": "pad_tilt_mm", "observed": 0.85, "expected": 0.0074},
        {"kind": "height_pattern", "observed": 12.6, "expected": 3.3, "unit": "plates"},
    ]
    rate = one_of_each()["rate_shift"]
    told = " ".join(numbers(replace(rate, detail={**rate.detail, "also": beside})))
    assert "Seen beside it (tilt of the thickness pads over the plate in mm): 0.85, where 0.0074 was expected." in told
    assert "Seen beside it (one height): 13 plates failed, 3.3 were expected." in told


def test_a_spot_is_told_with_its_place_on_the_plate() -> None:
    front = one_of_each()["plate_pattern"]
    assert words.place(front) == "the front of the plate"
    spot = replace(front, zone="spot", detail={"x_mm": -43.6, "y_mm": 34.7, "radius_mm": 32.2})
    assert words.place(spot) == "one small spot on the plate, 44 mm left of the middle and 35 mm behind it"
    other = replace(spot, detail={"x_mm": 20.4, "y_mm": -8.0})
    assert words.place(other) == "one small spot on the plate, 20 mm right of the middle and 8 mm in front of it"
    assert words.place(replace(spot, detail={})) == "one small spot on the plate"
    assert words.place(replace(front, zone=None)) is None


def test_every_detector_has_its_words_and_every_picture_its_hand() -> None:
    assert {name for name, _ in DETECTORS} <= set(DETECTOR_WORDS)
    assert set(get_args(Picture)) <= set(DRAWERS)
