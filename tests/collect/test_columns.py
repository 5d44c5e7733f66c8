"""One column and one row at a time: what each kind of column takes, up to the last value that it takes."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from farmwatch.collect.columns import read_column, read_own
from farmwatch.collect.raw import FIELD_LIMIT
from farmwatch.collect.rules import REASONS, ROUNDING, ROW_RULES, reason_of, too_low
from farmwatch.records import ID_LIMIT, TABLES, Column


def column(table: str, name: str) -> Column:
    return next(each for each in TABLES[table].columns if each.name == name)


def read(values: list[Any], declared: Column, kind: pa.DataType | None = None) -> tuple[list[Any], list[bool]]:
    typed = read_column(pa.chunked_array([pa.array(values, kind)]), declared, "UTC")
    return typed.values.to_pylist(), typed.bad.tolist()


@pytest.mark.parametrize(
    ("text", "number"),
    [("1.5", 1.5), (" 2 ", 2.0), ("+3", 3.0), ("-4", -4.0), (".5", 0.5), ("6.", 6.0), ("1e3", 1000.0), ("7E-1", 0.7)],
)
def test_a_number_may_be_written_so(text: str, number: float) -> None:
    # beside one that only the slow way understands, and by itself
    assert read([text, "+1"], column("runs", "exposure_s")) == ([number, 1.0], [False, False])
    assert read([text], column("runs", "exposure_s")) == ([number], [False])


@pytest.mark.parametrize(
    "text", ["1,5", "1 000", "nan", "inf", "-Infinity", "0x10", "1e999", "--1", "1.2.3", "e3", "."]
)
def test_this_is_no_number(text: str) -> None:
    assert read([text, "2"], column("runs", "exposure_s")) == ([None, 2.0], [True, False])


def test_empty_and_blank_is_unknown_and_not_bad() -> None:
    assert read(["", "  ", None, "+1"], column("runs", "exposure_s")) == ([None, None, None, 1.0], [False] * 4)


def test_numbers_of_other_kinds() -> None:
    exposure = column("runs", "exposure_s")
    assert read([2, None], exposure, pa.int16()) == ([2.0, None], [False, False])
    assert read([2.5, float("nan"), float("inf")], exposure, pa.float32()) == ([2.5, None, None], [False, True, True])
    assert read([True, None], exposure, pa.bool_()) == ([None, None], [True, False])
    assert read([(1 << 60) + 1], exposure, pa.int64()) == ([float(1 << 60)], [False])
    assert read([Decimal("2.50"), None], exposure, pa.decimal128(5, 2)) == ([2.5, None], [False, False])


def test_a_count_is_whole_and_no_larger_than_a_number_holds() -> None:
    most = 1 << 53
    values, bad = read(
        ["3", "3.0", "3.5", str(most), str(-most), str(most + 2), "", "0"], column("runs", "base_layers")
    )
    assert values == [3, 3, None, most, -most, None, None, 0]
    assert bad == [False, False, True, False, False, True, False, False]


def test_an_id_has_as_many_characters_as_the_limit_says() -> None:
    name = column("runs", "run_id")
    longest = "é" * ID_LIMIT
    assert read([longest, longest + "x", " ", "\t", " a", None], name) == (
        [longest, None, None, None, " a", None],
        [False, True, True, True, False, False],
    )
    assert read([17, None], name, pa.int64()) == (["17", None], [False, False])
    assert read([1.0, None], name, pa.float64()) == ([None, None], [True, False])


def test_text_has_as_many_bytes_as_the_limit_says() -> None:
    longest = "é" * (FIELD_LIMIT // 2)
    assert read([longest, longest + "x"], column("runs", "note")) == ([longest, None], [False, True])


def test_a_strict_code_is_one_of_those_listed_and_another_is_kept() -> None:
    assert read(["good", "Good", None, ""], column("runs", "outcome")) == (
        ["good", None, None, None],
        [False, True, False, False],
    )
    assert read(["melted"], column("runs", "sign")) == (["melted"], [False])


def test_a_column_of_the_farms_own_is_text() -> None:
    assert read_own(pa.chunked_array([pa.array([1, None])])).to_pylist() == ["1", None]
    assert read_own(pa.chunked_array([["a"], ["", "b"]])).to_pylist() == ["a", None, "b"]


def test_every_reason_comes_from_its_column() -> None:
    assert reason_of(None) == "bad_id"
    wanted = {
        ("runs", "exposure_s"): "bad_number",
        ("runs", "base_layers"): "bad_number",
        ("runs", "started_at"): "bad_time",
        ("runs", "outcome"): "unknown_outcome",
        ("coupons", "feature"): "unknown_feature",
        ("service", "subject_type"): "bad_id",
        ("runs", "run_id"): "bad_id",
    }
    assert {key: reason_of(column(*key)) for key in wanted} == wanted
    assert set(wanted.values()) <= set(REASONS)


@pytest.mark.parametrize(
    ("name", "refused"),
    [("plate_width_mm", [True, True, False]), ("exposure_s", [True, False, False]), ("layer_no", [True, False, False])],
)
def test_sizes_lie_above_zero_and_measures_not_below(name: str, refused: list[bool]) -> None:
    low = too_low(name, pa.array([-1, 0, 1]))
    assert low is not None
    assert low.to_pylist() == refused


def test_temperatures_and_places_may_be_below_zero() -> None:
    assert [too_low(name, pa.array([-1.0])) for name in ("ambient_c", "x_mm")] == [None, None]


def test_a_run_may_end_when_it_starts_and_a_part_fail_at_its_top() -> None:
    times = pa.array(np.array(["2031-03-01T10:00", "2031-03-01T10:00", "2031-03-01T10:00"], "datetime64[us]"))
    ends = pa.array(np.array(["2031-03-01T10:00", "2031-03-01T09:59", "NaT"], "datetime64[us]"))
    (run,) = ROW_RULES["runs"]
    assert run.broken(pa.table({"started_at": times, "ended_at": ends})).to_pylist() == [False, True, None]
    (part,) = ROW_RULES["parts"]
    height = np.array([20.0, 20.0, 20.0, 0.0])
    failed = np.array([20.0, 20.0 * (1.0 + 0.5 * ROUNDING), 20.0 * (1.0 + 4.0 * ROUNDING), 2.0 * ROUNDING])
    broken = part.broken(pa.table({"height_mm": height, "failure_height_mm": failed})).to_pylist()
    assert broken == [False, False, True, True]
