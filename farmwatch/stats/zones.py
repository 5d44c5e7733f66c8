"""The zones of a plate that a person can act on, and which parts lie in them.

Positions are normalised: ``u = x / half width`` and ``v = y / half depth`` run from -1 to 1, u to the right, v towards
the back (so the front is negative). Round zones are round in millimetres: their centre is normalised, their radius is in
units of the plate's shorter half side.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np

SIDE_CUTS = (0.0, 0.33, 0.6, 0.8)  # where a side begins: its half, a third, a fifth, a tenth of the way in
CORNER_CUTS = (0.0, 0.3, 0.55)  # where a corner begins on either axis
DISC_RADII = (0.4, 0.6, 0.8)  # of the centre
RIM_CUTS = (0.5, 0.65, 0.78)  # where the rim begins
BAND_CENTRES = (-0.4, -0.2, 0.0, 0.2, 0.4)  # of rows and columns
BAND_HALF_WIDTHS = (0.12, 0.2)  # one row of small parts, or of larger ones
# radius, and the places of the centres: neighbours overlap on a square plate, so that nothing falls between
SPOT_GRIDS = ((0.4, (-0.8, -0.4, 0.0, 0.4, 0.8)), (0.26, (-0.8, -0.48, -0.16, 0.16, 0.48, 0.8)))
FINE_STEP = 0.08  # half the smallest fine radius
FINE_REACH = 4  # steps to either side: as far as the next small spot of the dictionary
FINE_RADII = (
    0.16,
    0.22,
    0.3,
    0.4,
    0.52,
)  # from three fifths of the smallest spot of the dictionary to a third above the largest

# Prior weight of each name before any plate is seen; equal within a name. Names with several sides share theirs.
NAME_WEIGHTS = {
    "centre": 0.13,
    "rim": 0.13,
    "left": 0.055,
    "right": 0.055,
    "front": 0.055,
    "back": 0.055,
    "front_left": 0.06,
    "front_right": 0.06,
    "back_left": 0.06,
    "back_right": 0.06,
    "row": 0.07,
    "column": 0.07,
    "spot": 0.14,
}


@dataclass(frozen=True)
class Zones:
    """A dictionary of zones. Arrays have one entry a zone.

    ``shape``: 0 rectangle, 1 disc, 2 outside of the rectangle. ``low_u`` .. ``high_v``: edges of the rectangle,
    normalised, half open (low <= . < high; an edge at the plate's own lies beyond it). ``centre_u``, ``centre_v``:
    normalised centre of a disc, NaN otherwise. ``radius``: of a disc, in shorter half sides. ``weight``: prior weight,
    sums to 1.
    """

    name: tuple[str, ...]
    shape: np.ndarray
    low_u: np.ndarray
    high_u: np.ndarray
    low_v: np.ndarray
    high_v: np.ndarray
    centre_u: np.ndarray
    centre_v: np.ndarray
    radius: np.ndarray
    weight: np.ndarray

    def __len__(self) -> int:
        return len(self.name)


RECTANGLE, DISC, FRAME = 0, 1, 2
BEYOND = 2.0  # past every edge of the plate
ZONE_NUMBERS = ("low_u", "high_u", "low_v", "high_v", "centre_u", "centre_v", "radius")


@cache
def zone_dictionary() -> Zones:
    """All zones: centre discs, rims, sides at three offsets, corners of three sizes, rows, columns, spots on a grid.

    A row or column along the edge is left out: it is the same as a narrow side.
    """
    rows: list[tuple[str, int, float, float, float, float, float, float, float]] = []
    nan = float("nan")

    def rectangle(name: str, low_u: float, high_u: float, low_v: float, high_v: float, shape: int = RECTANGLE) -> None:
        rows.append((name, shape, low_u, high_u, low_v, high_v, nan, nan, nan))

    for radius in DISC_RADII:
        rows.append(("centre", DISC, nan, nan, nan, nan, 0.0, 0.0, radius))
    for cut in RIM_CUTS:
        rectangle("rim", -cut, cut, -cut, cut, FRAME)
    for cut in SIDE_CUTS:
        rectangle("left", -BEYOND, -cut, -BEYOND, BEYOND)
        rectangle("right", cut, BEYOND, -BEYOND, BEYOND)
        rectangle("front", -BEYOND, BEYOND, -BEYOND, -cut)
        rectangle("back", -BEYOND, BEYOND, cut, BEYOND)
    for cut in CORNER_CUTS:
        rectangle("front_left", -BEYOND, -cut, -BEYOND, -cut)
        rectangle("front_right", cut, BEYOND, -BEYOND, -cut)
        rectangle("back_left", -BEYOND, -cut, cut, BEYOND)
        rectangle("back_right", cut, BEYOND, cut, BEYOND)
    for half in BAND_HALF_WIDTHS:
        for centre in BAND_CENTRES:
            rectangle("row", -BEYOND, BEYOND, centre - half, centre + half)
            rectangle("column", centre - half, centre + half, -BEYOND, BEYOND)
    for radius, centres in SPOT_GRIDS:
        for centre_u in centres:
            for centre_v in centres:
                if (centre_u, centre_v, radius) != (0.0, 0.0, DISC_RADII[0]):
                    rows.append(("spot", DISC, nan, nan, nan, nan, centre_u, centre_v, radius))
    names = tuple(row[0] for row in rows)
    shape, low_u, high_u, low_v, high_v, centre_u, centre_v, radii = np.array([row[1:] for row in rows], dtype=float).T
    counts = {name: names.count(name) for name in NAME_WEIGHTS}
    weight = np.array([NAME_WEIGHTS[name] / counts[name] for name in names])
    weight = weight / weight.sum()
    return Zones(names, shape.astype(int), low_u, high_u, low_v, high_v, centre_u, centre_v, radii, weight)


def spots_around(centre_u: float, centre_v: float) -> Zones:
    """Spots on a fine grid around one of the dictionary, of five radii; weights as if the grid covered the plate."""
    steps = FINE_STEP * np.arange(-FINE_REACH, FINE_REACH + 1)
    grid = np.meshgrid(centre_u + steps, centre_v + steps, FINE_RADII, indexing="ij")
    u, v, radius = (axis.ravel() for axis in grid)
    kept = (np.abs(u) < 1.0) & (np.abs(v) < 1.0)
    u, v, radius = u[kept], v[kept], radius[kept]
    nan = np.full(len(u), np.nan)
    whole = len(FINE_RADII) * (2.0 / FINE_STEP) ** 2
    weight = np.full(len(u), NAME_WEIGHTS["spot"] / whole)
    return Zones(("spot",) * len(u), np.full(len(u), DISC), nan, nan, nan, nan, u, v, radius, weight)


def take_zones(zones: Zones, index: int, count: int = 1) -> Zones:
    """A dictionary of one, or of ``count`` that stand one after the other."""
    some = slice(index, index + count)
    arrays = (getattr(zones, name)[some] for name in Zones.__dataclass_fields__ if name != "name")
    return Zones(zones.name[some], *arrays)


def membership(
    zones: Zones, u: np.ndarray, v: np.ndarray, half_width: np.ndarray, half_depth: np.ndarray
) -> np.ndarray:
    """Which parts lie in which zones: float32 of shape (parts, zones), 1 inside and 0 outside.

    ``u``, ``v``: normalised positions, shape (parts,). ``half_width``, ``half_depth``: of each part's plate, mm. A part
    with an unknown position (NaN) lies in no zone.
    """
    if len(zones) == 1:  # sorted by place first it would take three times as long
        return _lookup(zones, u, v, half_width, half_depth)
    place, site = distinct_places(u, v, half_width, half_depth)
    return _lookup(zones, *place)[site]


def distinct_places(
    u: np.ndarray, v: np.ndarray, half_width: np.ndarray, half_depth: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The distinct places of parts, (4, sites) in the order of the arguments, and the site of each part, (parts,).

    Plates are laid out alike again and again: 96,000 parts of 100 printers stood on 2,200 sites.
    """
    if not len(u):
        return np.zeros((4, 0)), np.zeros(0, np.int32)
    places = np.stack([u, v, half_width, half_depth])
    order = np.lexsort(places)
    fresh = np.ones(len(u), bool)
    fresh[1:] = False
    for axis in places:
        inorder = axis[order]
        fresh[1:] |= inorder[1:] != inorder[:-1]
    site = np.empty(len(u), np.int32)
    site[order] = np.cumsum(fresh, dtype=np.int32) - 1
    return places[:, order[fresh]], site


def _lookup(zones: Zones, u: np.ndarray, v: np.ndarray, half_width: np.ndarray, half_depth: np.ndarray) -> np.ndarray:
    inside = np.zeros((len(u), len(zones)), dtype=np.float32)
    known = np.isfinite(u) & np.isfinite(v)
    box = np.flatnonzero(zones.shape != DISC)
    edges_u = _between(u, zones.low_u[box], zones.high_u[box])
    edges_v = _between(v, zones.low_v[box], zones.high_v[box])
    within = edges_u & edges_v
    frame = zones.shape[box] == FRAME
    within[:, frame] = ~within[:, frame] & known[:, None]
    inside[:, box] = within
    disc = np.flatnonzero(zones.shape == DISC)
    shorter = np.minimum(half_width, half_depth)
    scale_u = (half_width / shorter).astype(np.float32)[:, None]
    scale_v = (half_depth / shorter).astype(np.float32)[:, None]
    with np.errstate(invalid="ignore"):
        across = (u.astype(np.float32)[:, None] - zones.centre_u[disc].astype(np.float32)) * scale_u
        along = (v.astype(np.float32)[:, None] - zones.centre_v[disc].astype(np.float32)) * scale_v
        inside[:, disc] = across**2 + along**2 < zones.radius[disc].astype(np.float32) ** 2
    return inside


def _between(value: np.ndarray, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Half-open intervals, each distinct one compared once: bool of shape (values, intervals). NaN lies in none."""
    pairs, which = np.unique(np.stack([low, high]), axis=1, return_inverse=True)
    tested = (value[:, None] >= pairs[0]) & (value[:, None] < pairs[1])
    return tested[:, which.ravel()]


def geometry(zones: Zones, index: int, half_width: float, half_depth: float) -> dict[str, float | str]:
    """One zone in mm on a plate of the given half sides.

    A disc has ``x_mm``, ``y_mm``, ``radius_mm``; a rectangle (and a rim, the outside of one) has ``left_mm``,
    ``right_mm``, ``front_mm``, ``back_mm``, cut at the plate's edges, and its centre ``x_mm``, ``y_mm``.
    """
    if zones.shape[index] == DISC:
        return {
            "shape": "disc",
            "x_mm": float(zones.centre_u[index]) * half_width,
            "y_mm": float(zones.centre_v[index]) * half_depth,
            "radius_mm": float(zones.radius[index]) * min(half_width, half_depth),
        }
    left, right = np.clip([zones.low_u[index], zones.high_u[index]], -1.0, 1.0) * half_width
    front, back = np.clip([zones.low_v[index], zones.high_v[index]], -1.0, 1.0) * half_depth
    return {
        "shape": "outside" if zones.shape[index] == FRAME else "rectangle",
        "left_mm": float(left),
        "right_mm": float(right),
        "front_mm": float(front),
        "back_mm": float(back),
        "x_mm": float(left + right) / 2.0,
        "y_mm": float(front + back) / 2.0,
    }


def normalised_edges(zones: Zones, index: int) -> dict[str, float | int]:
    """One zone as plain numbers, enough for :func:`zone_mask` to find its parts on a plate of any size."""
    if zones.shape[index] == DISC:
        return {
            "shape": DISC,
            "centre_u": float(zones.centre_u[index]),
            "centre_v": float(zones.centre_v[index]),
            "radius": float(zones.radius[index]),
        }
    return {
        "shape": int(zones.shape[index]),
        "low_u": float(zones.low_u[index]),
        "high_u": float(zones.high_u[index]),
        "low_v": float(zones.low_v[index]),
        "high_v": float(zones.high_v[index]),
    }


def zone_mask(
    place: Mapping[str, float], x_mm: np.ndarray, y_mm: np.ndarray, width_mm: np.ndarray, depth_mm: np.ndarray
) -> np.ndarray:
    """Which parts lie in a zone: bool of shape (parts,); False where the position is unknown.

    ``place``: the zone as :func:`normalised_edges` tells it, kept in a pattern's detail under ``normalised``.
    ``width_mm``, ``depth_mm``: of each part's plate (or one number for all). Raises ``KeyError`` without a shape.
    """
    half_width = np.broadcast_to(np.asarray(width_mm, float) / 2.0, np.shape(x_mm))
    half_depth = np.broadcast_to(np.asarray(depth_mm, float) / 2.0, np.shape(x_mm))
    edges = {key: np.array([float(place.get(key, np.nan))]) for key in ZONE_NUMBERS}
    zone = Zones(("",), shape=np.array([int(place["shape"])]), weight=np.ones(1), **edges)
    u, v = np.asarray(x_mm, float) / half_width, np.asarray(y_mm, float) / half_depth
    return np.asarray(membership(zone, u, v, half_width, half_depth)[:, 0] > 0)
