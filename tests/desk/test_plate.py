"""The drawn plate: places as the contract counts them, and no two parts under one finger."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from farmwatch.desk.plate import draw_plate

PLACES = st.lists(
    st.tuples(st.floats(-100, 100), st.floats(-60, 60)),
    min_size=1,
    max_size=30,
    unique_by=lambda p: (round(p[0]), round(p[1])),
)


def part(number: int, x: float | None, y: float | None, area: float | None = 100.0) -> dict[str, float | None]:
    return {"part_no": number, "x_mm": x, "y_mm": y, "footprint_mm2": area}


def test_the_back_is_at_the_top_and_right_is_right() -> None:
    spots = draw_plate(200.0, 120.0, [part(1, 50.0, 40.0), part(2, -50.0, -40.0)]).spots
    assert [(spot.x_mm, spot.y_mm) for spot in spots] == [(50.0, -40.0), (-50.0, 40.0)]
    assert spots[0].radius_mm == math.sqrt(100.0 / math.pi)


def test_the_view_holds_the_whole_plate() -> None:
    left, top, width, depth = map(float, draw_plate(200.0, 120.0, []).view.split())
    assert left < -100 < 100 < left + width
    assert top < -60 < 60 < top + depth


def test_parts_without_a_place_are_listed_and_unknown_plates_guessed() -> None:
    drawing = draw_plate(None, None, [part(1, 90.0, 10.0, None), part(2, None, 3.0), part(3, 1e300, 0.0)])
    assert drawing.loose == (2, 3)
    assert not drawing.known
    assert drawing.width_mm > 180.0
    assert drawing.spots[0].radius_mm > 0


@given(PLACES)
def test_no_two_parts_lie_under_one_finger(places: list[tuple[float, float]]) -> None:
    drawing = draw_plate(200.0, 120.0, [part(n, x, y) for n, (x, y) in enumerate(places)])
    smallest = 0.01 * drawing.width_mm
    for one in drawing.spots:
        assert one.touch_mm >= smallest
        for other in drawing.spots:
            if other.part_no != one.part_no:
                apart = max(abs(one.x_mm - other.x_mm), abs(one.y_mm - other.y_mm))
                both = one.touch_mm + other.touch_mm
                assert both <= apart * (1 + 1e-9) or smallest in (one.touch_mm, other.touch_mm)


def test_a_dense_plate_is_drawn_wide_enough_for_a_glove() -> None:
    parts = [part(10 * i + j, 18.0 * i - 81.0, 18.0 * j - 40.0) for i in range(10) for j in range(5)]
    drawing = draw_plate(200.0, 120.0, parts)
    pixels = drawing.least_px / (drawing.width_mm + 2 * drawing.margin_mm)
    assert min(2 * spot.touch_mm * pixels for spot in drawing.spots) >= 48.0
    assert draw_plate(200.0, 120.0, [part(1, 0.0, 0.0)]).least_px < 360
