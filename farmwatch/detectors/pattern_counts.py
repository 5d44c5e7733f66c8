"""The failures that make a pattern, cell by cell over the whole farm: what its rivals are weighed by.

A pattern is found among the failures of a plate alone; whether another name could be to blame for it is asked of all
plates since its onset, those that came out clean as well: a lot whose plates elsewhere held there is no rival.
"""

from __future__ import annotations

import numpy as np

from farmwatch.detectors.cells import SIGN_COUNT
from farmwatch.detectors.height_scene import PARTS_AT_ONCE, HeightScene, layers
from farmwatch.detectors.night import Night
from farmwatch.detectors.whose_fault import Counts
from farmwatch.evidence import BANDS, Evidence
from farmwatch.records import SIGNS
from farmwatch.stats.heights import band_shares
from farmwatch.stats.zones import Zones, membership


def counts_in_band(scene: HeightScene, rates: np.ndarray, evidence: Evidence) -> Counts:
    """Parts that reach the band of ``evidence`` and those lost in it, by cell; ``rates``: the others' hazards, (bins,)."""
    cells = scene.night.history.cells
    windows, column = np.zeros((0, 2)), BANDS.index(str(evidence.band))
    if evidence.band == "height":
        windows = np.array([[evidence.detail["from_mm"], evidence.detail["to_mm"]]])
    part_cell = cells.part_cell[scene.first_part : scene.first_part + len(scene.part_top)]
    reach = np.flatnonzero(scene.part_top > (windows[0, 0] if len(windows) else 0.0))
    base, low = layers(scene.night)
    due = np.empty(len(reach), np.float32)
    for start in range(0, len(reach), PARTS_AT_ONCE):
        some = reach[start : start + PARTS_AT_ONCE]
        top, plate, one = scene.part_top[some], scene.part_plate[some], np.zeros(len(some), dtype=int)
        shares = band_shares(top, top, base[plate], low[plate], rates[None], one, windows)
        due[start : start + PARTS_AT_ONCE] = shares.expected[:, column]
    one = np.zeros(len(scene.part), dtype=int)
    seen = band_shares(
        scene.height_mm, scene.part_height_mm, scene.base_mm, scene.low_mm, rates[None], one, windows
    ).observed[:, column]
    trials = np.bincount(part_cell[reach], minlength=len(cells.plate)).astype(float)
    share = np.bincount(part_cell[reach], weights=due, minlength=len(cells.plate)) / np.maximum(trials, 1.0)
    # a failure without a recorded height is in no band
    written = len(scene.part) / max(int(scene.night.parts["failed"].to_numpy()[scene.first_part :].sum()), 1)
    return Counts(np.bincount(scene.cell, weights=seen, minlength=len(cells.plate)), trials, share * min(written, 1.0))


def counts_in_zone(night: Night, zone: Zones, sign: int) -> Counts:
    """Parts inside ``zone`` (a dictionary of one) and those lost there, by cell; ``sign``: column of SIGNS, -1 for all."""
    cells, parts = night.history.cells, night.parts
    inside = _inside(night, zone)
    lost = inside[parts["failed"].to_numpy()[inside]]
    share = np.ones(len(cells.plate))
    if 0 <= sign < len(SIGNS):
        lost = lost[cells.part_sign[lost] == sign]
        if night.expectation is not None:
            share[: len(night.expectation.share)] = night.expectation.share[:, min(sign, SIGN_COUNT - 1)]
    failures, trials = (np.bincount(cells.part_cell[rows], minlength=len(cells.plate)) for rows in (lost, inside))
    return Counts(failures.astype(float), trials.astype(float), share)


def _inside(night: Night, zone: Zones) -> np.ndarray:
    """Rows of the parts with a known outcome that stand inside ``zone`` (a dictionary of one)."""
    parts, found = night.parts, [np.zeros(0, np.int64)]
    half_plate = night.plates[["plate_width_mm", "plate_depth_mm"]].to_numpy(dtype=float) / 2.0
    columns = [parts[name].to_numpy() for name in ("plate", "known", "x_mm", "y_mm")]
    for start in range(0, len(parts), PARTS_AT_ONCE):
        plate, known, x, y = (column[start : start + PARTS_AT_ONCE] for column in columns)
        half = half_plate[plate]
        place = np.column_stack([x, y]) / half
        usable = np.flatnonzero(known & np.isfinite(place).all(axis=1))
        within = membership(zone, *place[usable].T, *half[usable].T)[:, 0] > 0
        found.append(start + usable[within])
    return np.concatenate(found)
