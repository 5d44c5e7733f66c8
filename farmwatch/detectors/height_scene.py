"""Failures with a recorded height as arrays, with the layer settings of their runs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from farmwatch.detectors.night import Night
from farmwatch.detectors.part_columns import unfolded
from farmwatch.detectors.plate_scene import ended_plates
from farmwatch.evidence import Subject, SubjectType
from farmwatch.stats.heights import BINS, BandShares, band_shares, exposure, hazard_bin, window_edges

WINDOW_WIDTHS_MM = (1.5, 3.0, 6.0)  # from the height of one feature to that of a small part
PARTS_AT_ONCE = 65_536  # looked at together, for memory: the sums are the same
BAND_WEIGHTS = (0.3, 0.1, 0.2, 0.4)  # base, transition, body, all windows together


@dataclass(frozen=True)
class HeightScene:
    """One entry a failed part with a recorded height, in order of plates.

    Entry arrays: ``part`` (row of ``night.parts``), ``plate`` (row of ``night.plates``), ``day`` (since ``first_day``),
    ``height_mm``, ``part_height_mm``, ``base_mm``, ``low_mm`` (top of the base and of the transition), ``bin`` (hazard
    bin), ``sign``; ``live``: not yet explained by a pattern found. Arrays of the window's parts, from row ``first_part`` of
    ``night.parts``: ``part_plate``, ``part_top`` (own height, mm; 0 where not at risk). ``exposed``: of the parts of each
    cell of the farm (cells, bins), see ``Cells``; ``cell`` of each entry. ``plate_day``: day of every row of
    ``night.plates`` (negative before ``first_day``).
    """

    night: Night
    part: np.ndarray
    plate: np.ndarray
    day: np.ndarray
    height_mm: np.ndarray
    part_height_mm: np.ndarray
    base_mm: np.ndarray
    low_mm: np.ndarray
    bin: np.ndarray
    sign: np.ndarray
    live: np.ndarray
    cell: np.ndarray
    exposed: np.ndarray
    part_plate: np.ndarray
    part_top: np.ndarray
    first_part: int
    plate_day: np.ndarray
    first_day: dt.date


@dataclass(frozen=True)
class HeightStreams:
    """One type's streams over its units (a plate; for designs, a design's parts on a plate).

    Unit arrays, sorted by level, then time: ``unit_level``, ``day``, ``plate``, ``observed``, ``expected`` (units, bands).
    ``entry``: the scene's entries, sorted by unit; ``entry_start`` of each unit. ``start``: first unit of each stream;
    ``level`` of each stream; per stream ``log_sum``, ``score``. ``rates``: hazards of the others, (levels, bins).
    ``cell_level``: level of each cell of the farm.
    """

    type: SubjectType
    names: np.ndarray
    level: np.ndarray
    start: np.ndarray
    day: np.ndarray
    plate: np.ndarray
    observed: np.ndarray
    expected: np.ndarray
    entry: np.ndarray
    entry_start: np.ndarray
    windows: np.ndarray
    rates: np.ndarray
    cell_level: np.ndarray
    log_sum: np.ndarray
    score: np.ndarray
    per_month: float
    too_few: int

    def subject(self, index: int) -> Subject:
        return Subject(self.type, str(self.names[self.level[index]]))


def set_height_scene(night: Night) -> HeightScene | None:
    """The failures with a recorded height in the window; None where there are none."""
    plates, parts = night.plates, night.parts
    if not len(parts):
        return None
    since = np.datetime64(night.as_of - dt.timedelta(days=night.settings.height_pattern.window_days - 1))
    day = plates["day"].to_numpy()
    inside = day >= since
    if not inside.any():
        return None
    # plates lie in the order in which they became known, nearly that of their days: what is older is cut off at once
    first_plate = int(np.argmax(inside))
    first_part = int(np.searchsorted(parts["plate"].to_numpy(), first_plate))
    known = parts["known"].to_numpy()[first_part:]
    plate = parts["plate"].to_numpy()[first_part:]
    top = unfolded(parts["height_mm"], slice(first_part, None))
    base, low = layers(night)
    usable = known & np.isfinite(top) & (inside & ~ended_plates(night))[plate]
    cells = night.history.cells
    part_cell = cells.part_cell[first_part : len(parts)]
    exposed = np.zeros((len(cells.plate), BINS))
    for piece in _whole_plates(plate):
        at_risk, own = usable[piece], plate[piece]
        of_part = exposure(np.where(at_risk, top[piece], 0.0), base[own], low[own]) * at_risk[:, None]
        order = np.argsort(part_cell[piece], kind="stable")
        cell = part_cell[piece][order]
        starts = np.flatnonzero(np.diff(cell, prepend=-1))
        exposed[cell[starts]] = np.add.reduceat(of_part[order], starts, axis=0)
    height = unfolded(parts["failure_height_mm"], slice(first_part, None))
    height = np.where(np.isnan(height), plates["failure_height_mm"].to_numpy()[plate], height)
    failing = np.flatnonzero(usable & parts["failed"].to_numpy()[first_part:] & np.isfinite(height))
    if not len(failing):
        return None
    own, p = np.minimum(height[failing], top[failing]), plate[failing]
    first_day = day[p].min()
    plate_day = ((day - first_day) / np.timedelta64(1, "D")).astype("int64")
    return HeightScene(
        night=night,
        part=failing + first_part,
        plate=p,
        day=plate_day[p],
        height_mm=own,
        part_height_mm=top[failing],
        base_mm=base[p],
        low_mm=low[p],
        bin=hazard_bin(own, base[p], low[p]),
        sign=night.history.cells.part_sign[failing + first_part],
        live=np.ones(len(failing), dtype=bool),
        cell=part_cell[failing],
        exposed=exposed,
        part_plate=plate,
        part_top=np.where(usable, top, 0.0),
        first_part=first_part,
        plate_day=plate_day,
        first_day=first_day.astype("datetime64[D]").astype(dt.date),
    )


def _whole_plates(plate: np.ndarray) -> Iterator[slice]:
    """Rows of some plates after the other; exposures of all parts at once would take 300 bytes a part."""
    start = 0
    while start < len(plate):
        last = plate[min(start + PARTS_AT_ONCE, len(plate)) - 1]
        end = int(np.searchsorted(plate, last, side="right"))
        yield slice(start, end)
        start = end


def layers(night: Night) -> tuple[np.ndarray, np.ndarray]:
    """Top of the base and of the transition of each plate, mm; what a run leaves unsaid is the farm's usual."""
    plates = night.plates
    layer, base, transition = (
        _filled(plates[name].to_numpy(dtype=float)) for name in ("layer_height_mm", "base_layers", "transition_layers")
    )
    return layer * base, layer * (base + transition)


def _filled(values: np.ndarray) -> np.ndarray:
    known = values[np.isfinite(values)]
    return np.where(np.isfinite(values), values, np.median(known) if len(known) else 0.0)


def windows_of(scene: HeightScene) -> np.ndarray:
    return window_edges(float(scene.part_height_mm.max()), WINDOW_WIDTHS_MM)


def band_weights(windows: int) -> np.ndarray:
    if not windows:
        return np.array(BAND_WEIGHTS[:3]) / sum(BAND_WEIGHTS[:3])
    return np.concatenate([BAND_WEIGHTS[:3], np.full(windows, BAND_WEIGHTS[3] / windows)])


def shares_of(
    scene: HeightScene, entries: np.ndarray, rates: np.ndarray, stream: np.ndarray, windows: np.ndarray
) -> BandShares:
    return band_shares(
        scene.height_mm[entries],
        scene.part_height_mm[entries],
        scene.base_mm[entries],
        scene.low_mm[entries],
        rates,
        stream,
        windows,
    )
