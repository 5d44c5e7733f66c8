"""The plates that can tell one place from another, as arrays: some parts failed, some did not, positions known."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.expected import spell_mask
from farmwatch.detectors.night import Night, Spell
from farmwatch.detectors.part_columns import unfolded
from farmwatch.evidence import SubjectType
from farmwatch.records import SIGNS
from farmwatch.stats.plate_scan import conditional_inclusion, zone_effect, zone_shares
from farmwatch.stats.zones import Zones, distinct_places, membership, zone_dictionary

ALL_SIGNS = -1  # stands where a sign's number would: failures of every sign
MOST_SHARED = 0.25  # of two zones: the share of the smaller one's parts that may lie in both
# signs that may have a place of their own; what shows after washing, or on every wall, has none
PLACED_SIGNS = ("off_plate", "split", "missing", "soft", "strings", "flake", "block")


ROWS_AT_ONCE = 4_096  # that are held against every zone at a time, 114 of them: 2 MiB, which stays near the processor


@dataclass(frozen=True)
class Silent:
    """A zone known to be bad: ``rows`` of the scene, (rows,), say no more about the zones of the dictionary that overlap it,
    ``zones``, (zones,)."""

    zone: Zones
    plates: np.ndarray
    rows: np.ndarray
    zones: np.ndarray


@dataclass(frozen=True)
class Scene:
    """The night's telling plates as arrays. A row is a plate as seen by one group: all failures, or those of one sign.

    ``place`` (4, sites: u, v, half width, half depth, see ``stats.zones``) and ``inside`` (sites, zones). Part arrays:
    ``site``, ``part_sign`` (column of SIGNS). Entry arrays (a part in a row): ``part``, ``failed``, ``odds``, ``due``
    (expected share of the row's failures). Row arrays: ``start`` (rows + 1), ``plate`` (row of ``night.plates``), ``group``
    (index into ``groups``), ``day`` (days since ``first_day``), ``failures``. What each row shows of each zone is made of
    these when it is wanted (:func:`shares_of`): all at once it would take 200 MiB for 1,000 printers.
    ``plate_day``: day of every row of ``night.plates``, telling or not (negative before ``first_day``). ``silent``:
    zones known to be bad and on which plates (see :func:`explained`).
    """

    night: Night
    place: np.ndarray
    inside: np.ndarray
    site: np.ndarray
    part_sign: np.ndarray
    part: np.ndarray
    failed: np.ndarray
    odds: np.ndarray
    due: np.ndarray
    start: np.ndarray
    plate: np.ndarray
    group: np.ndarray
    day: np.ndarray
    failures: np.ndarray
    groups: tuple[int, ...]
    plate_day: np.ndarray
    first_day: dt.date
    silent: tuple[Silent, ...] = ()


def set_scene(night: Night) -> Scene | None:
    """The telling plates of the window; None where there are none."""
    settings = night.settings.plate_pattern
    plates, parts = night.plates, night.parts
    if not len(parts):
        return None
    since = np.datetime64(night.as_of - dt.timedelta(days=settings.window_days - 1))
    day = plates["day"].to_numpy()
    half = plates[["plate_width_mm", "plate_depth_mm"]].to_numpy(dtype=float) / 2.0
    usable = (day >= since) & np.isfinite(half).all(axis=1) & ~ended_plates(night)
    plate, failed = parts["plate"].to_numpy(), parts["failed"].to_numpy()
    usable &= np.bincount(plate[failed], minlength=len(plates)) > 0
    rows = np.flatnonzero(usable[plate] & parts["known"].to_numpy())
    place = _places(parts, rows)
    rows = rows[np.isfinite(place).all(axis=1)]
    plate, failed = plate[rows], failed[rows]
    number = np.bincount(plate, minlength=len(plates))
    sums = np.bincount(plate[failed], minlength=len(plates))
    telling = (sums > 0) & (sums < number)
    keep = telling[plate]
    rows, plate, failed = rows[keep], plate[keep], failed[keep]
    if not len(rows):
        return None
    place = _places(parts, rows)
    size = half[plate]
    sites = distinct_places(*(place / size).T, *size.T)
    risk = np.clip(night.part_risk[rows], 1e-4, 0.95)
    sign = night.history.cells.part_sign[rows]
    return _stacked(night, sites, risk / (1.0 - risk), plate, failed, sign, day)


def _places(parts: pd.DataFrame, rows: np.ndarray) -> np.ndarray:
    """Where some parts stand, mm from the middle of the plate, (rows, 2)."""
    return np.column_stack([unfolded(parts[name], rows) for name in ("x_mm", "y_mm")])


def _stacked(
    night: Night,
    sites: tuple[np.ndarray, np.ndarray],
    odds: np.ndarray,
    plate: np.ndarray,
    failed: np.ndarray,
    sign: np.ndarray,
    day: np.ndarray,
) -> Scene:
    """Rows for all failures, then for those of each sign that is seen often enough; plates in order of day in each."""
    least = night.settings.plate_pattern.sign_plates_at_least
    starts = np.flatnonzero(np.diff(plate, prepend=-1))
    size = np.diff(np.append(starts, len(plate)))
    groups = [ALL_SIGNS]
    for code in map(SIGNS.index, PLACED_SIGNS):
        if np.logical_or.reduceat(failed & (sign == code), starts).sum() >= least:
            groups.append(code)
    part, fails, lengths, row_plate, row_group = [], [], [], [], []
    for index, code in enumerate(groups):
        mine = failed if code == ALL_SIGNS else failed & (sign == code)
        has = np.logical_or.reduceat(mine, starts)
        part.append(np.flatnonzero(np.repeat(has, size)).astype(np.int32))
        fails.append(mine[part[-1]])
        lengths.append(size[has])
        row_plate.append(plate[starts[has]])
        row_group.append(np.full(int(has.sum()), index))
    part_all, plates, failing = (np.concatenate(each) for each in (part, row_plate, fails))
    start = np.concatenate([[0], np.cumsum(np.concatenate(lengths))])
    first_day = day[plates].min()
    plate_day = ((day - first_day) / np.timedelta64(1, "D")).astype("int64")
    place, site = sites
    scene = Scene(
        night=night,
        place=place,
        inside=membership(zone_dictionary(), *place),
        site=site,
        part_sign=sign,
        part=part_all,
        failed=failing,
        odds=odds[part_all],
        due=np.empty(len(part_all), np.float32),
        start=start,
        plate=plates,
        group=np.concatenate(row_group),
        day=plate_day[plates],
        plate_day=plate_day,
        failures=np.add.reduceat(failing, start[:-1], dtype="int64"),
        groups=tuple(groups),
        first_day=first_day.astype("datetime64[D]").astype(dt.date),
    )
    for first in range(0, len(plates), ROWS_AT_ONCE):
        rows = np.arange(first, min(first + ROWS_AT_ONCE, len(plates)))
        scene.due[start[first] : start[rows[-1] + 1]] = due_of(scene, rows, scene.odds)
    return scene


def due_of(scene: Scene, rows: np.ndarray, odds: np.ndarray) -> np.ndarray:
    """Share of its row's failures that each entry of ``rows`` is expected to be, (entries,), by the ``odds`` of all entries."""
    entries, start = entries_of(scene, rows)
    failures = scene.failures[rows]
    return np.asarray(conditional_inclusion(odds[entries], start, failures) / np.repeat(failures, np.diff(start)))


def shares_of(scene: Scene, rows: np.ndarray, zones: slice = slice(None)) -> tuple[np.ndarray, np.ndarray]:
    """Observed and expected shares of the failures of ``rows`` in some ``zones`` of the dictionary, float32 (rows, zones).

    Where known patterns forbid a row to testify the observed share is the expected one.
    """
    entries, start = entries_of(scene, rows)
    site, inside = scene.site[scene.part[entries]], np.ascontiguousarray(scene.inside[:, zones])
    failed = scene.failed[entries] / np.repeat(scene.failures[rows], np.diff(start))
    observed, expected = (zone_shares(share, start, site, inside) for share in (failed, scene.due[entries]))
    for silent in scene.silent:
        np.copyto(observed, expected, where=silent.rows[rows][:, None] & silent.zones[zones])
    return observed, expected


def entries_of(scene: Scene, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Entries of the given rows and where each row's begin among them, (rows + 1,)."""
    length = np.diff(scene.start)[rows]
    start = np.concatenate([[0], np.cumsum(length)])
    return np.arange(start[-1]) + np.repeat(scene.start[rows] - start[:-1], length), start


def in_zone(scene: Scene, zone: Zones, entries: np.ndarray) -> np.ndarray:
    """Which ``entries`` lie in ``zone`` (a dictionary of one), bool (entries,)."""
    return np.asarray((membership(zone, *scene.place)[:, 0] > 0)[scene.site[scene.part[entries]]])


def explained(scene: Scene, zone: Zones, plates: np.ndarray) -> Scene:
    """The scene once ``zone`` is known to be bad on ``plates`` (rows of ``night.plates``).

    The zone's effect goes into the odds of its parts, by group; and about zones that overlap it these plates testify no
    more, for themselves or for anyone who shares them: a fault's outline is never known so well that nothing is left.
    """
    odds, due = scene.odds.copy(), scene.due.copy()
    mine = np.isin(scene.plate, plates)
    for group in range(len(scene.groups)):
        rows = np.flatnonzero((scene.group == group) & mine)
        if not len(rows):
            continue
        entries, start = entries_of(scene, rows)
        failures, inside = scene.failures[rows], in_zone(scene, zone, entries)
        share = conditional_inclusion(odds[entries], start, failures)
        share = np.add.reduceat(share * inside, start[:-1]) / failures
        seen = np.add.reduceat(scene.failed[entries] & inside, start[:-1], dtype=float)
        odds[entries[inside]] *= max(zone_effect(seen, failures.astype(float), share).ratio, 1.0)
        due[entries] = due_of(scene, rows, odds)
    silent = Silent(zone, plates, mine, overlapping(scene, zone, np.flatnonzero(mine), scene.inside))
    return replace(scene, odds=odds, due=due, silent=(*scene.silent, silent))


def overlapping(scene: Scene, zone: Zones, rows: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Which zones share too many parts of ``rows`` with ``zone``, bool (zones,); ``inside``: (sites, zones) of them."""
    part = np.unique(scene.part[entries_of(scene, rows)[0]])
    number = np.bincount(scene.site[part], minlength=len(inside)).astype(np.float32)
    taken = number * membership(zone, *scene.place)[:, 0]
    return np.asarray(taken @ inside > MOST_SHARED * np.minimum(number @ inside, taken.sum()))


def ended_plates(night: Night) -> np.ndarray:
    """Plates under a known finding that has ended (mended or faded): bool, shape (plates,). They are old news."""
    ended = np.zeros(len(night.plates), dtype=bool)
    for spell in night.spells:
        if spell.until is not None:
            ended |= under_spell(night, spell)
    return ended


def under_spell(night: Night, spell: Spell) -> np.ndarray:
    """Plates of the spell's subject within its days: bool, shape (plates,)."""
    cells = night.history.cells
    number = int(np.searchsorted(cells.plate, len(night.plates), side="left"))
    under = np.zeros(len(night.plates), dtype=bool)
    under[cells.plate[:number][spell_mask(spell, cells, number, night)]] = True
    return under


def levels_of(night: Night, kind: SubjectType) -> tuple[np.ndarray, np.ndarray]:
    """Level of each plate (-1 unknown), shape (plates,), and the names of the levels."""
    cells = night.history.cells
    if kind == "farm":
        return np.zeros(len(night.plates), dtype="int64"), np.array(["farm"], dtype=object)
    factor = FACTORS.index(kind)
    level = np.full(len(night.plates), -1, dtype="int64")
    known = np.searchsorted(cells.plate, len(night.plates), side="left")
    level[cells.plate[:known]] = cells.codes[:known, factor]
    return level, cells.levels[factor]
