"""Failures with a recorded height as arrays, with the layer settings of their runs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from farmwatch.detectors.night import Night
from farmwatch.detectors.part_columns import unfolded
from farmwatch.detectors.plate_scene import ended_plates
from farmwatch.stats.heights import BINS, exposure, hazard_bin, window_edges

WINDOW_WIDTHS_MM = (1.5, 3.0, 6.0)  # from the height of one feature to that of a small part
PARTS_AT_ONCE = 65_536  # looked at together, for memory: what comes of them is the same
BAND_WEIGHTS = (0.3, 0.1, 0.2, 0.4)  # base, transition, body, all windows together


@dataclass(frozen=True)
class HeightScene:
    """One entry a failed part with a recorded height, in order of plates.

    Entry arrays: ``plate`` (row of ``night.plates``), ``cell``, ``day`` (since ``first_day``), ``height_mm``,
    ``part_height_mm``, ``base_mm``, ``low_mm`` (top of the base and of the transition), ``bin`` (hazard bin), ``sign``.
    Parts at risk in groups of one height in one cell, in order of cells: ``group_cell``, ``group_height_mm``,
    ``group_parts`` (how many), ``exposed`` (bins, groups), of all of them together. ``open``: (cells,) of the farm, not yet
    explained by a pattern found. ``failed``: failed parts of the window, with a height or without. ``plate_day``: day of every
    row of ``night.plates`` (negative before ``first_day``).
    """

    night: Night
    plate: np.ndarray
    cell: np.ndarray
    day: np.ndarray
    height_mm: np.ndarray
    part_height_mm: np.ndarray
    base_mm: np.ndarray
    low_mm: np.ndarray
    bin: np.ndarray
    sign: np.ndarray
    group_cell: np.ndarray
    group_height_mm: np.ndarray
    group_parts: np.ndarray
    exposed: np.ndarray
    open: np.ndarray
    failed: int
    plate_day: np.ndarray
    first_day: dt.date


def set_height_scene(night: Night) -> HeightScene | None:
    """The failures with a recorded height in the window; None where there are none."""
    plates, cells = night.plates, night.history.cells
    if not len(night.parts):
        return None
    since = np.datetime64(night.as_of - dt.timedelta(days=night.settings.height_pattern.window_days - 1))
    day = plates["day"].to_numpy()
    inside = day >= since
    if not inside.any():
        return None
    base, low = layers(night)
    usable = inside & ~ended_plates(night)
    # plates lie in the order in which they became known, nearly that of their days: what is older is cut off at once
    first_part = int(np.searchsorted(night.parts["plate"].to_numpy(), int(np.argmax(inside))))
    pieces = [_piece(night, rows, usable) for rows in _whole_plates(night, first_part)]
    part, top, height, group_cell, group_height, group_parts = (
        np.concatenate(column) for column in zip(*pieces, strict=True)
    )
    if not len(part):
        return None
    p = night.parts["plate"].to_numpy()[part]
    first_day = day[p].min()
    plate_day = ((day - first_day) / np.timedelta64(1, "D")).astype("int64")
    return HeightScene(
        night=night,
        plate=p,
        cell=cells.part_cell[part],
        day=plate_day[p],
        height_mm=height,
        part_height_mm=top,
        base_mm=base[p],
        low_mm=low[p],
        bin=hazard_bin(height, base[p], low[p]),
        sign=cells.part_sign[part],
        group_cell=group_cell,
        group_height_mm=group_height,
        group_parts=group_parts,
        exposed=_exposed(cells.plate[group_cell], group_height, group_parts, base, low),
        open=np.ones(len(cells.plate), dtype=bool),
        failed=int(night.parts["failed"].to_numpy()[first_part:].sum()),
        plate_day=plate_day,
        first_day=first_day.astype("datetime64[D]").astype(dt.date),
    )


def _whole_plates(night: Night, start: int) -> Iterator[slice]:
    """Rows of the parts of some plates after the other, from the row ``start`` on."""
    plate = night.parts["plate"].to_numpy()
    while start < len(plate):
        last = plate[min(start + PARTS_AT_ONCE, len(plate)) - 1]
        end = int(np.searchsorted(plate, last, side="right"))
        yield slice(start, end)
        start = end


def _piece(night: Night, rows: slice, usable_plate: np.ndarray) -> tuple[np.ndarray, ...]:
    """Of some parts: row, own height and failure height of those that failed at a recorded height; cell, height and number
    of those at risk, by cell and height."""
    parts = night.parts
    plate, top = parts["plate"].to_numpy()[rows], unfolded(parts["height_mm"], rows)
    usable = parts["known"].to_numpy()[rows] & np.isfinite(top) & usable_plate[plate]
    cell, at_risk = night.history.cells.part_cell[rows][usable], top[usable]
    order = np.lexsort((at_risk, cell))
    cell, at_risk = cell[order], at_risk[order]
    first = np.flatnonzero((np.diff(cell, prepend=-1) != 0) | (np.diff(at_risk, prepend=np.nan) != 0))
    number = np.diff(np.append(first, len(cell)))
    height = unfolded(parts["failure_height_mm"], rows)
    height = np.where(np.isnan(height), night.plates["failure_height_mm"].to_numpy()[plate], height)
    failing = np.flatnonzero(usable & parts["failed"].to_numpy()[rows] & np.isfinite(height))
    own = np.minimum(height[failing], top[failing])
    return failing + rows.start, top[failing], own, cell[first], at_risk[first], number


def _exposed(
    plate: np.ndarray, height_mm: np.ndarray, number: np.ndarray, base: np.ndarray, low: np.ndarray
) -> np.ndarray:
    """How much of each bin the parts of each group go through, (bins, groups): see ``exposure``."""
    exposed = np.empty((BINS, len(plate)), np.float32)
    for start in range(0, len(plate), PARTS_AT_ONCE):
        some = slice(start, start + PARTS_AT_ONCE)
        own = plate[some]
        exposed[:, some] = (exposure(height_mm[some], base[own], low[own]) * number[some, None]).T
    return exposed


def layers(night: Night) -> tuple[np.ndarray, np.ndarray]:
    """Top of the base and of the transition of each plate, mm; what a run leaves unsaid is the farm's usual."""
    plates = night.plates
    layer, base, transition = (
        _filled(plates[name].to_numpy(dtype=float)) for name in ("layer_height_mm", "base_layers", "transition_layers")
    )
    return layer * base, layer * (base + transition)


def _filled(values: np.ndarray) -> np.ndarray:
    """With the median of the others where a value is missing; 0 where none is known."""
    known = values[np.isfinite(values)]
    return np.where(np.isfinite(values), values, np.median(known) if len(known) else 0.0)


def windows_of(scene: HeightScene) -> np.ndarray:
    """Edges of the windows in which one height is looked for, in mm, up to the tallest part, (windows, 2)."""
    return window_edges(float(scene.part_height_mm.max()), WINDOW_WIDTHS_MM)


def band_weights(windows: int) -> np.ndarray:
    """Prior share of each band and window, adding up to 1, (3 + windows,): those of one height share theirs."""
    if not windows:
        return np.array(BAND_WEIGHTS[:3]) / sum(BAND_WEIGHTS[:3])
    return np.concatenate([BAND_WEIGHTS[:3], np.full(windows, BAND_WEIGHTS[3] / windows)])
