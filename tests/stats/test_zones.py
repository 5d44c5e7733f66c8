"""Zones: where they lie, which parts they hold, and that evidence carries enough to find its parts again."""

from __future__ import annotations

import numpy as np
import pytest

from farmwatch.evidence import ZONES
from farmwatch.stats.zones import (
    NAME_WEIGHTS,
    geometry,
    membership,
    normalised_edges,
    spots_around,
    take_zones,
    zone_dictionary,
    zone_mask,
)


def _grid(number: int, half_width: float, half_depth: float) -> tuple[np.ndarray, ...]:
    u, v = (axis.ravel() for axis in np.meshgrid(*[(np.arange(number) + 0.5) / number * 2 - 1] * 2))
    return u, v, np.full(u.size, half_width), np.full(u.size, half_depth)


def test_every_published_name_is_there_and_weights_sum_to_one() -> None:
    zones = zone_dictionary()
    assert set(zones.name) == set(ZONES)
    assert zones.weight.sum() == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("name", "u", "v"),
    [
        ("left", -0.9, 0.0),
        ("right", 0.9, 0.0),
        ("front", 0.0, -0.9),
        ("back", 0.0, 0.9),
        ("front_left", -0.9, -0.9),
        ("front_right", 0.9, -0.9),
        ("back_left", -0.9, 0.9),
        ("back_right", 0.9, 0.9),
        ("centre", 0.0, 0.0),
        ("rim", -0.9, 0.3),
    ],
)
def test_front_is_negative_y_and_right_is_positive_x(name: str, u: float, v: float) -> None:
    zones = zone_dictionary()
    inside = membership(zones, np.array([u]), np.array([v]), np.array([72.0]), np.array([45.0]))[0]
    named = np.array(zones.name) == name
    assert inside[named].all()


def test_shares_of_the_plate_agree_with_geometry() -> None:
    zones = zone_dictionary()
    inside = membership(zones, *_grid(400, 100.0, 60.0)).mean(axis=0)
    for index in range(len(zones)):
        place = geometry(zones, index, 100.0, 60.0)
        if place["shape"] == "disc":
            if (
                abs(zones.centre_u[index]) + zones.radius[index] > 1
                or abs(zones.centre_v[index]) + zones.radius[index] > 1
            ):
                continue  # cut off by the plate's edge
            share = np.pi * float(place["radius_mm"]) ** 2 / 24000.0
        else:
            area = (place["right_mm"] - place["left_mm"]) * (place["back_mm"] - place["front_mm"]) / 24000.0
            share = 1.0 - area if place["shape"] == "outside" else area
        assert inside[index] == pytest.approx(share, rel=0.05, abs=0.003), zones.name[index]


@pytest.mark.parametrize(("half_width", "half_depth"), [(100.0, 60.0), (60.0, 100.0)])
def test_mask_of_a_zone_told_in_numbers_equals_membership(half_width: float, half_depth: float) -> None:
    zones = zone_dictionary()
    u, v, _, _ = grid = _grid(37, half_width, half_depth)
    inside = membership(zones, *grid) > 0
    for index in range(len(zones)):
        place = normalised_edges(zones, index)
        mask = zone_mask(place, u * half_width, v * half_depth, 2 * half_width, 2 * half_depth)
        assert (mask == inside[:, index]).all()


def test_unknown_positions_lie_nowhere() -> None:
    unknown = membership(zone_dictionary(), np.array([np.nan]), np.array([0.1]), np.array([50.0]), np.array([50.0]))
    assert unknown.sum() == 0


def test_alike_places_are_looked_up_once_but_plates_of_other_shape_apart() -> None:
    zones = zone_dictionary()
    u, v = np.full(4, 0.5), np.full(4, 0.3)
    width, depth = np.array([50.0, 50.0, 100.0, 50.0]), np.full(4, 50.0)
    each = np.concatenate([membership(zones, u[i:][:1], v[i:][:1], width[i:][:1], depth[i:][:1]) for i in range(4)])
    assert (membership(zones, u, v, width, depth) == each).all()


def test_fine_spots_stay_on_the_plate_and_single_zones_keep_their_numbers() -> None:
    spots = spots_around(0.8, -0.8)
    assert (np.abs(spots.centre_u) < 1).all()
    assert (np.abs(spots.centre_v) < 1).all()
    one = take_zones(spots, 7)
    assert len(one) == 1
    assert normalised_edges(one, 0) == normalised_edges(spots, 7)


@pytest.mark.parametrize(
    ("name", "u_way", "v_way"),
    [
        ("left", -1, 0), ("right", 1, 0), ("front", 0, -1), ("back", 0, 1),
        ("front_left", -1, -1), ("front_right", 1, -1), ("back_left", -1, 1), ("back_right", 1, 1),
    ],
)  # fmt: skip
def test_every_side_and_corner_lies_on_its_own_half(name: str, u_way: int, v_way: int) -> None:
    zones = zone_dictionary()
    u, v, *_ = grid = _grid(40, 80.0, 50.0)
    inside = membership(zones, *grid) > 0
    mine = [index for index in range(len(zones)) if zones.name[index] == name]
    shares = [inside[:, index].mean() for index in mine]
    assert max(shares) <= (0.5 if 0 in (u_way, v_way) else 0.25)
    assert len(set(shares)) == len(shares)
    for index in mine:
        assert (u[inside[:, index]] * u_way >= 0).all()
        assert (v[inside[:, index]] * v_way >= 0).all()


def test_no_two_zones_are_one() -> None:
    inside = membership(zone_dictionary(), *_grid(60, 60.0, 60.0)) > 0
    assert len(np.unique(inside, axis=1).T) == inside.shape[1]


def test_fine_spots_weigh_as_if_their_grid_covered_the_plate() -> None:
    spots = spots_around(0.0, 0.0)
    whole = 5 * (2.0 / 0.08) ** 2
    assert spots.weight.sum() == pytest.approx(NAME_WEIGHTS["spot"] * len(spots) / whole)


def test_a_zone_told_in_mm_has_its_point_in_its_middle_on_the_plate() -> None:
    zones = zone_dictionary()
    told = [geometry(zones, index, 100.0, 60.0) for index in range(len(zones))]
    boxes = [place for place in told if "left_mm" in place]
    assert len(boxes) > 20
    for place in boxes:
        assert place["x_mm"] == pytest.approx((place["left_mm"] + place["right_mm"]) / 2.0)
        assert place["y_mm"] == pytest.approx((place["front_mm"] + place["back_mm"]) / 2.0)
        assert -100.0 <= place["left_mm"] < place["right_mm"] <= 100.0
        assert -60.0 <= place["front_mm"] < place["back_mm"] <= 60.0
