"""Columns put together piece by piece are the columns put together at once."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from farmwatch.detectors import part_columns
from farmwatch.detectors.cells import _cut
from farmwatch.detectors.part_columns import Measures, Numbers, Words, unfolded


@pytest.mark.parametrize("room", [2, 64])
def test_numbers_keep_the_smallest_type_that_holds_them_all(monkeypatch: pytest.MonkeyPatch, room: int) -> None:
    monkeypatch.setattr(part_columns, "FIRST_ROWS", room)
    pieces = [np.array([], np.int8), np.array([1, 2, 3], np.int8), np.array([300], np.int16), np.array([4], np.int8)]
    numbers = Numbers()
    for piece in pieces:
        numbers.add(piece)
    assert numbers.values.tolist() == [1, 2, 3, 300, 4]
    taken = numbers.take(np.array([4, 3, 0, 1, 2]))
    assert taken.tolist() == [4, 300, 1, 2, 3]
    assert taken.dtype == np.int16
    assert not len(numbers.values)
    numbers.add(np.array([-7], np.int8))
    assert numbers.values.tolist() == [-7]


def test_words_are_sorted_categories_whatever_order_they_came_in() -> None:
    pieces = [pd.Series(["pear", None, "fig"], dtype="str"), pd.Series(["apple", "fig"], dtype="str")]
    words = Words()
    for piece in pieces:
        words.add(piece)
    taken = words.take(np.array([3, 1, 0, 2, 4]))
    expected = pd.Categorical(pd.concat(pieces, ignore_index=True).iloc[[3, 1, 0, 2, 4]])
    pd.testing.assert_extension_array_equal(taken, expected)


def test_words_of_no_rows_have_no_categories() -> None:
    words = Words()
    words.add(pd.Series([], dtype="str"))
    taken = words.take(np.zeros(0, np.int64))
    assert len(taken) == 0
    assert taken.categories.dtype == "str"


def test_more_words_and_measures_than_two_bytes_name_come_back_as_they_were() -> None:
    number = np.random.default_rng(8).permutation(40_000)
    pieces = number[:30_000], number[20_000:]  # the second piece brings those too many, and some of the first again
    order = np.arange(len(number) + 10_000)[::-1]
    words, measures = Words(), Measures()
    for piece in pieces:
        words.add(pd.Series(piece.astype(str), dtype="str"))
        measures.add(piece / 8.0)
    all_of_them = np.concatenate(pieces)[order]
    np.testing.assert_array_equal(np.asarray(words.take(order)), all_of_them.astype(str))
    np.testing.assert_array_equal(unfolded(pd.Series(measures.take(order))), all_of_them / 8.0)


@pytest.mark.parametrize("most", [1 << 15, 4, 2])
def test_measures_are_the_numbers_that_came_however_many_differ(monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    monkeypatch.setattr(part_columns, "VALUES_AT_MOST", most)
    pieces = [np.array([0.3, np.nan, -2.5, 0.3]), np.array([]), np.array([7.0, 0.1 + 0.2]), np.array([-2.5, np.nan])]
    measures = Measures()
    for piece in pieces:
        measures.add(piece)
    order = np.array([5, 1, 0, 3, 2, 4, 7, 6])
    taken = measures.take(order)
    column = pd.DataFrame({"height_mm": taken}, copy=False)["height_mm"]
    np.testing.assert_array_equal(unfolded(column), np.concatenate(pieces)[order])
    np.testing.assert_array_equal(unfolded(column, slice(2, 5)), np.concatenate(pieces)[order][2:5])
    np.testing.assert_array_equal(unfolded(column, np.array([6, 0])), [np.nan, 0.1 + 0.2])
    assert isinstance(taken, pd.Categorical) == (most >= 4)  # 0.1 + 0.2 is not 0.3
    assert isinstance(taken, np.ndarray) or list(taken.categories) == [-2.5, 0.3, 0.1 + 0.2, 7.0]


def test_measures_of_no_rows_have_no_values() -> None:
    measures = Measures()
    measures.add(np.array([]))
    assert len(measures.take(np.zeros(0, np.int64))) == 0


def test_cells_cut_some_plates_after_the_other_are_the_cells_of_all(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    plate = np.sort(rng.integers(0, 40, 300)).astype(np.int32)
    design = rng.integers(-1, 6, 300).astype(np.int8)
    bare = rng.random(40) < 0.3
    whole = _cut(plate, design, bare)
    monkeypatch.setattr("farmwatch.detectors.cells.PLATES_AT_ONCE", 7)
    for one, other in zip(_cut(plate, design, bare), whole, strict=True):
        np.testing.assert_array_equal(one, other)
    cell_plate, cell_design, part_cell = whole
    np.testing.assert_array_equal(cell_plate[part_cell], plate)
    np.testing.assert_array_equal(cell_design[part_cell], design)
    pairs = {*zip(plate.tolist(), design.tolist(), strict=True), *((row, -1) for row in np.flatnonzero(bare).tolist())}
    assert sorted(pairs) == list(zip(cell_plate.tolist(), cell_design.tolist(), strict=True))
