"""The failures that make a pattern, cell by cell over the whole farm: what its rivals are weighed by.

A pattern is found among the failures of a plate alone; whether another name could be to blame for it is asked of all
plates since its onset, those that came out clean as well: a lot whose plates elsewhere held there is no rival.
"""

from __future__ import annotations

import numpy as np

from farmwatch.detectors.cells import FACTORS, SIGN_COUNT, Cells
from farmwatch.detectors.height_scene import PARTS_AT_ONCE, HeightScene, layers
from farmwatch.detectors.night import Night
from farmwatch.detectors.part_columns import unfolded
from farmwatch.detectors.whose_fault import Counts
from farmwatch.evidence import BANDS, Evidence
from farmwatch.records import SIGNS
from farmwatch.stats.heights import due_in_bands, seen_in_bands
from farmwatch.stats.zones import Zones, membership


def counts_in_band(scene: HeightScene, rates: np.ndarray, evidence: Evidence) -> Counts:
    """Parts that reach the band of ``evidence`` and those lost in it, by cell; ``rates``: the others' hazards, (bins,)."""
    cells = scene.night.history.cells
    windows, column = np.zeros((0, 2)), BANDS.index(str(evidence.band))
    if evidence.band == "height":
        windows = np.array([[evidence.detail["from_mm"], evidence.detail["to_mm"]]])
    base, low = layers(scene.night)
    reach = np.flatnonzero(scene.group_height_mm > (windows[0, 0] if len(windows) else 0.0))
    cell, number = scene.group_cell[reach], scene.group_parts[reach]
    due = np.empty(len(reach))
    for start in range(0, len(reach), PARTS_AT_ONCE):
        some = slice(start, start + PARTS_AT_ONCE)
        plate, one = cells.plate[cell[some]], np.zeros(len(cell[some]), dtype=int)
        top = scene.group_height_mm[reach[some]]
        due[some] = due_in_bands(top, base[plate], low[plate], rates[None], one, windows)[:, column]
    seen = seen_in_bands(scene.height_mm, scene.base_mm, scene.low_mm, windows)[:, column]
    trials = np.bincount(cell, weights=number, minlength=len(cells.plate))
    share = np.bincount(cell, weights=due * number, minlength=len(cells.plate)) / np.maximum(trials, 1.0)
    # a failure without a recorded height is in no band
    written = len(scene.plate) / max(scene.failed, 1)
    return Counts(np.bincount(scene.cell, weights=seen, minlength=len(cells.plate)), trials, share * min(written, 1.0))


def counts_in_zone(night: Night, zone: Zones, sign: int, evidence: Evidence | None = None) -> Counts:
    """Parts inside ``zone`` (a dictionary of one) and those lost there, by cell; ``sign``: column of SIGNS, -1 for all.

    With ``evidence`` only cells that its rivals are weighed by are counted: all since its onset, and its subject's.
    """
    cells, parts = night.history.cells, night.parts
    inside = _inside(night, zone, np.ones(len(cells.plate), bool) if evidence is None else _asked(cells, evidence))
    lost = inside[parts["failed"].to_numpy()[inside]]
    share = np.ones(len(cells.plate))
    if 0 <= sign < len(SIGNS):
        lost = lost[cells.part_sign[lost] == sign]
        if night.expectation is not None:
            share[: len(night.expectation.share)] = night.expectation.share[:, min(sign, SIGN_COUNT - 1)]
    failures, trials = (np.bincount(cells.part_cell[rows], minlength=len(cells.plate)) for rows in (lost, inside))
    return Counts(failures.astype(float), trials.astype(float), share)


def _asked(cells: Cells, evidence: Evidence) -> np.ndarray:
    """Which cells are since the onset of ``evidence``, or its subject's, bool (cells,)."""
    since = (np.datetime64(evidence.since) - cells.first_day.to_datetime64()) // np.timedelta64(1, "D")
    asked = cells.day[cells.plate] >= since
    if evidence.subject.type in FACTORS:
        own = FACTORS.index(evidence.subject.type)
        asked |= np.isin(cells.codes[:, own], np.flatnonzero(cells.levels[own] == evidence.subject.id))
    return np.asarray(asked)


def _inside(night: Night, zone: Zones, asked: np.ndarray) -> np.ndarray:
    """Rows of the parts with a known outcome that stand inside ``zone`` (a dictionary of one), of the cells ``asked``."""
    parts, found = night.parts, [np.zeros(0, np.int64)]
    half_plate = night.plates[["plate_width_mm", "plate_depth_mm"]].to_numpy(dtype=float) / 2.0
    plate, known = (parts[name].to_numpy() for name in ("plate", "known"))
    for start in range(0, len(parts), PARTS_AT_ONCE):
        piece = slice(start, start + PARTS_AT_ONCE)
        rows = start + np.flatnonzero(known[piece] & asked[night.history.cells.part_cell[: len(parts)][piece]])
        half = half_plate[plate[rows]]
        place = np.column_stack([unfolded(parts[name], rows) for name in ("x_mm", "y_mm")]) / half
        usable = np.flatnonzero(np.isfinite(place).all(axis=1))
        within = membership(zone, *place[usable].T, *half[usable].T)[:, 0] > 0
        found.append(rows[usable[within]])
    return np.concatenate(found)
