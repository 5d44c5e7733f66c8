"""One type's failures by unit, and where each unit's failures lay and were due: unfolded for some units at a time.

Over all bands and units of a large farm it would be hundreds of MiB for each type of subject.

What is due rests on the hazards of the others, up to the part's own height, and on the design's own habit on the others:
a design with a closed cavity fails at that height on every printer, and a subject that prints it much is not to blame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.height_scene import HeightScene
from farmwatch.evidence import Subject, SubjectType
from farmwatch.stats.heights import BandShares, due_in_bands, places, seen_in_bands
from farmwatch.stats.plate_scan import zone_shares


@dataclass(frozen=True)
class Habits:
    """Where designs failed, one row each and one for no design: ``seen`` (designs + 1, bands) is the sum over their plates
    of the shares of their failures, ``plates`` (designs + 1,) the number of these plates. ``prior``: plates' worth of what
    is due by height alone."""

    seen: np.ndarray
    plates: np.ndarray
    prior: float


@dataclass(frozen=True)
class HeightUnits:
    """The units of one type (a plate; for designs, a design's parts on a plate), sorted by level, then time.

    ``level``, ``day``, ``plate`` (units,). ``entry``: the scene's entries, sorted by unit; ``bound``: where those of each
    unit begin, and the end, (units + 1,). ``rates``: hazards of the others, (levels, bins). ``windows``: (windows, 2) mm.
    ``habits``: None where what designs do elsewhere is not asked for.
    """

    level: np.ndarray
    day: np.ndarray
    plate: np.ndarray
    entry: np.ndarray
    bound: np.ndarray
    rates: np.ndarray
    windows: np.ndarray
    habits: Habits | None


@dataclass(frozen=True)
class HeightStreams:
    """One type's streams over its units.

    ``start``: first unit of each stream; ``level`` of each stream; per stream ``log_sum``, ``score``. ``cell_level``: level
    of each cell of the farm.
    """

    type: SubjectType
    names: np.ndarray
    units: HeightUnits
    level: np.ndarray
    start: np.ndarray
    cell_level: np.ndarray
    log_sum: np.ndarray
    score: np.ndarray
    per_month: float
    too_few: int

    def subject(self, index: int) -> Subject:
        return Subject(self.type, str(self.names[self.level[index]]))

    def rows(self, index: int) -> slice:
        """The units of one stream."""
        return slice(int(self.start[index]), int(np.append(self.start, len(self.units.level))[index + 1]))


def unit_shares(scene: HeightScene, units: HeightUnits, rows: slice) -> BandShares:
    """Observed and expected shares of some units, (units, bands). With habits ``rows`` are whole streams."""
    bound = units.bound[rows.start : rows.stop + 1]
    entries = units.entry[bound[0] : bound[-1]]
    number = np.diff(bound)
    level = np.repeat(units.level[rows], number)
    base, low = scene.base_mm[entries], scene.low_mm[entries]
    seen = seen_in_bands(scene.height_mm[entries], base, low, units.windows)
    due = due_in_bands(scene.part_height_mm[entries], base, low, units.rates, level, units.windows)
    if units.habits is not None:
        due = _with_habits(scene, entries, level, seen, due, units.habits)
    each, own = 1.0 / np.repeat(number, number), np.arange(len(entries))
    observed, expected = (zone_shares(each, bound - bound[0], own, shares) for shares in (seen, due))
    return BandShares(observed, np.clip(expected, 0.0, 1.0, out=expected))


def habits_of(scene: HeightScene, entries: np.ndarray, windows: np.ndarray, prior: float) -> Habits | None:
    """Where the designs of ``entries`` failed; None where no design is recorded."""
    design = _designs(scene, entries)
    wide = int(design.max(initial=-1)) + 2
    if wide == 1:
        return None
    weight = _plate_weight(scene, entries, design)
    group = np.where(design >= 0, design, wide - 1)
    place, bands = places(scene.height_mm[entries], scene.base_mm[entries], scene.low_mm[entries], windows)
    by_place = np.bincount(group * len(bands) + place, weights=weight, minlength=wide * len(bands))
    seen = by_place.reshape(wide, -1).astype(np.float32) @ bands
    return Habits(seen, np.bincount(group, weights=weight, minlength=wide), prior)


def _with_habits(
    scene: HeightScene, entries: np.ndarray, level: np.ndarray, seen: np.ndarray, due: np.ndarray, habits: Habits
) -> np.ndarray:
    """What is due of each failure, (entries, bands), once its design's failures on the others are mixed in.

    The plates on which the design failed elsewhere count one each, what is due by its height alone ``habits.prior`` of them.
    ``entries``: all of each level that is among them.
    """
    design = _designs(scene, entries)
    weight = _plate_weight(scene, entries, design)
    keys, pair = np.unique(level * len(habits.plates) + design + 1, return_inverse=True)
    of = keys % len(habits.plates) - 1  # design of each pair of level and design: -1, the last row, is none
    elsewhere = habits.seen[of]
    elsewhere -= _summed(pair, weight, seen, len(keys))
    np.maximum(elsewhere, 0.0, out=elsewhere)
    number = np.maximum(habits.plates[of] - np.bincount(pair, weights=weight), 0.0)
    elsewhere[of < 0], number[of < 0] = 0.0, 0.0
    mixed = habits.prior * due
    mixed += elsewhere[pair]
    mixed /= (habits.prior + number).astype(due.dtype)[pair, None]
    return mixed


def _designs(scene: HeightScene, entries: np.ndarray) -> np.ndarray:
    """Level of the design of each entry, (entries,); -1 where it is unknown."""
    return scene.night.history.cells.codes[scene.cell[entries], FACTORS.index("design")].astype(np.int64)


def _plate_weight(scene: HeightScene, entries: np.ndarray, design: np.ndarray) -> np.ndarray:
    """What each failure counts so that a design's failures on one plate count one; 0 without a design."""
    wide = int(design.max(initial=-1)) + 2
    _, own, lost = np.unique(scene.plate[entries] * np.int64(wide) + design, return_inverse=True, return_counts=True)
    return np.asarray((design >= 0) / lost[own])


def _summed(group: np.ndarray, weight: np.ndarray, values: np.ndarray, groups: int) -> np.ndarray:
    """Weighted sums of the rows of ``values`` by group."""
    rows = csr_matrix((weight.astype(values.dtype), (group, np.arange(len(group)))), shape=(groups, len(group)))
    return np.asarray(rows @ values)
