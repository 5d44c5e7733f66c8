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
from farmwatch.stats.zones import Zones, membership, site_membership, zone_dictionary

ALL_SIGNS = -1  # stands where a sign's number would: failures of every sign
MOST_SHARED = 0.25  # of two zones: the share of the smaller one's parts that may lie in both
# signs that may have a place of their own; what shows after washing, or on every wall, has none
PLACED_SIGNS = ("off_plate", "split", "missing", "soft", "strings", "flake", "block")


@dataclass(frozen=True)
class Scene:
    """The night's telling plates as arrays. A row is a plate as seen by one group: all failures, or those of one sign.

    Part arrays: ``place`` (4, parts: u, v, half width, half depth, see ``stats.zones``), ``site`` (row of ``inside``, which
    is (sites, zones)), ``part_sign`` (column of SIGNS). Entry arrays (a part in a row): ``part``, ``failed``, ``odds``. Row
    arrays: ``start`` (rows + 1), ``plate`` (row of ``night.plates``), ``group`` (index into ``groups``), ``day`` (days since
    ``first_day``), ``failures``, and per zone ``observed``, ``expected`` shares of the plate's failures.
    ``plate_day``: day of every row of ``night.plates``, telling or not (negative before ``first_day``). ``silent``:
    zones known to be bad and on which plates (see :func:`explained`).
    """

    night: Night
    place: np.ndarray
    site: np.ndarray
    inside: np.ndarray
    part_sign: np.ndarray
    part: np.ndarray
    failed: np.ndarray
    odds: np.ndarray
    start: np.ndarray
    plate: np.ndarray
    group: np.ndarray
    day: np.ndarray
    failures: np.ndarray
    observed: np.ndarray
    expected: np.ndarray
    groups: tuple[int, ...]
    plate_day: np.ndarray
    first_day: dt.date
    silent: tuple[tuple[Zones, np.ndarray], ...] = ()


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
    usable &= np.bincount(plate, weights=failed, minlength=len(plates)) > 0
    rows = np.flatnonzero(usable[plate] & parts["known"].to_numpy())
    place = _places(parts, rows)
    rows = rows[np.isfinite(place).all(axis=1)]
    plate, failed = plate[rows], failed[rows]
    number = np.bincount(plate, minlength=len(plates))
    sums = np.bincount(plate, weights=failed, minlength=len(plates))
    telling = (sums > 0) & (sums < number)
    keep = telling[plate]
    rows, plate, failed = rows[keep], plate[keep], failed[keep]
    if not len(rows):
        return None
    place = _places(parts, rows)
    size = half[plate]
    placed = np.stack([*(place / size).T, *size.T])
    risk = np.clip(night.part_risk[rows], 1e-4, 0.95)
    sign = night.history.cells.part_sign[rows]
    return _stacked(night, placed, risk / (1.0 - risk), plate, failed, sign, day)


def _places(parts: pd.DataFrame, rows: np.ndarray) -> np.ndarray:
    """Where some parts stand, mm from the middle of the plate, (rows, 2)."""
    return np.column_stack([unfolded(parts[name], rows) for name in ("x_mm", "y_mm")])


def _stacked(
    night: Night,
    place: np.ndarray,
    odds: np.ndarray,
    plate: np.ndarray,
    failed: np.ndarray,
    sign: np.ndarray,
    day: np.ndarray,
) -> Scene:
    """Rows for all failures, then for those of each sign that is seen often enough; plates in order of day in each."""
    least = night.settings.plate_pattern.sign_plates_at_least
    starts = np.flatnonzero(np.diff(plate, prepend=-1))
    groups = [ALL_SIGNS]
    for code in map(SIGNS.index, PLACED_SIGNS):
        if np.logical_or.reduceat(failed & (sign == code), starts).sum() >= least:
            groups.append(code)
    part, fails, lengths, row_plate, row_group = [], [], [], [], []
    for index, code in enumerate(groups):
        mine = failed if code == ALL_SIGNS else failed & (sign == code)
        has = np.logical_or.reduceat(mine, starts)
        entries = np.flatnonzero(np.repeat(has, np.diff(np.append(starts, len(plate)))))
        part.append(entries)
        fails.append(mine[entries])
        lengths.append(np.diff(np.append(starts, len(plate)))[has])
        row_plate.append(plate[starts[has]])
        row_group.append(np.full(int(has.sum()), index))
    part_all, plates = np.concatenate(part), np.concatenate(row_plate)
    failing = np.concatenate(fails)
    start = np.concatenate([[0], np.cumsum(np.concatenate(lengths))])
    first_day = day[plates].min()
    plate_day = ((day - first_day) / np.timedelta64(1, "D")).astype("int64")
    inside, site = site_membership(zone_dictionary(), *place)
    scene = Scene(
        night=night,
        place=place,
        site=site,
        inside=inside,
        part_sign=sign,
        part=part_all,
        failed=failing,
        odds=odds[part_all],
        start=start,
        plate=plates,
        group=np.concatenate(row_group),
        day=plate_day[plates],
        plate_day=plate_day,
        failures=np.add.reduceat(failing, start[:-1], dtype="int64"),
        observed=np.zeros(0),
        expected=np.zeros(0),
        groups=tuple(groups),
        first_day=first_day.astype("datetime64[D]").astype(dt.date),
    )
    length = np.diff(start)
    share = failing / np.repeat(scene.failures, length)
    scene = replace(scene, observed=zone_shares(share, start, site[part_all], inside))
    share = conditional_inclusion(scene.odds, start, scene.failures) / np.repeat(scene.failures, length)
    return replace(scene, expected=zone_shares(share, start, site[part_all], inside))


def entries_of(scene: Scene, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Entries of the given rows and where each row's begin among them, (rows + 1,)."""
    length = np.diff(scene.start)[rows]
    start = np.concatenate([[0], np.cumsum(length)])
    return np.arange(start[-1]) + np.repeat(scene.start[rows] - start[:-1], length), start


def explained(scene: Scene, zone: Zones, plates: np.ndarray) -> Scene:
    """The scene once ``zone`` is known to be bad on ``plates`` (rows of ``night.plates``).

    The zone's effect goes into the odds of its parts, by group; and about zones that overlap it these plates testify no
    more, for themselves or for anyone who shares them: a fault's outline is never known so well that nothing is left.
    """
    odds, expected, observed = scene.odds.copy(), scene.expected.copy(), scene.observed.copy()
    mine = np.isin(scene.plate, plates)
    for group in range(len(scene.groups)):
        rows = np.flatnonzero((scene.group == group) & mine)
        if not len(rows):
            continue
        entries, start = entries_of(scene, rows)
        part, failures = scene.part[entries], scene.failures[rows]
        inside = membership(zone, *scene.place[:, part])[:, 0] > 0
        share = conditional_inclusion(odds[entries], start, failures)
        share = np.add.reduceat(share * inside, start[:-1]) / failures
        seen = np.add.reduceat(scene.failed[entries] & inside, start[:-1], dtype=float)
        odds[entries[inside]] *= max(zone_effect(seen, failures.astype(float), share).ratio, 1.0)
        share = conditional_inclusion(odds[entries], start, failures) / np.repeat(failures, np.diff(start))
        expected[rows] = zone_shares(share, start, scene.site[part], scene.inside)
    scene = replace(scene, odds=odds, expected=expected, silent=(*scene.silent, (zone, plates)))
    return replace(scene, observed=silence(scene, np.arange(len(observed)), scene.inside, observed, expected))


def silence(
    scene: Scene, rows: np.ndarray, inside: np.ndarray, observed: np.ndarray, expected: np.ndarray
) -> np.ndarray:
    """``observed`` with what known patterns forbid to testify set to ``expected``: shape (rows, zones).

    ``inside``: (sites of the scene, zones) of the zones in question.
    """
    observed = observed.copy()
    for zone, plates in scene.silent:
        mine = np.flatnonzero(np.isin(scene.plate[rows], plates))
        part = np.unique(scene.part[entries_of(scene, rows[mine])[0]])
        taken = membership(zone, *scene.place[:, part])[:, 0]
        there = inside[scene.site[part]]
        shared, mass = taken @ there, there.sum(axis=0)
        overlapping = np.flatnonzero(shared > MOST_SHARED * np.minimum(mass, taken.sum()))
        cut = np.ix_(mine, overlapping)
        observed[cut] = expected[cut]
    return observed


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
