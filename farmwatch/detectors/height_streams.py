"""The streams of one type of subject: where its failures lay, where comparable work's would have, and the evidence.

What is due rests on the hazards of the others, up to the part's own height, and on the design's own habit on the others:
a design with a closed cavity fails at that height on every printer, and a subject that prints it much is not to blame.
Plates under a known finding of a narrower subject testify for nobody else.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_matrix

from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.height_scene import HeightScene, HeightStreams, band_weights, shares_of, windows_of
from farmwatch.detectors.plate_scene import under_spell
from farmwatch.evidence import SubjectType
from farmwatch.stats.heights import pooled_hazards
from farmwatch.stats.onsets import candidate_days, restart_sums
from farmwatch.stats.own_bands import band_sums
from farmwatch.stats.plate_scan import log_e_values, zone_shares

WINDOWED: tuple[SubjectType, ...] = ("printer", "design", "file")
RATIOS = (2.5, 12.0)  # a moderate and a drastic odds ratio: what lies between is caught by either
NARROW: tuple[SubjectType, ...] = ("printer", "lot", "design", "file")


def height_streams(scene: HeightScene, kind: SubjectType) -> HeightStreams | None:
    """Restart sums of every subject of one type; None where fewer than two subjects could be compared."""
    settings, budget = scene.night.settings.height_pattern, scene.night.settings.alarm_budget
    cells, factor = scene.night.history.cells, FACTORS.index(kind)
    cell_level, names = cells.codes[:, factor], cells.levels[factor]
    entry_level = cell_level[scene.cell]
    heard = _heard(scene, kind)
    entry_heard = scene.live & heard[scene.plate]
    live = np.flatnonzero(entry_heard & (entry_level >= 0))
    if not len(live) or len(names) < 2:
        return None
    order = live[np.lexsort((scene.plate[live], scene.day[live], entry_level[live]))]
    level, plate = entry_level[order], scene.plate[order]
    new_unit = (np.diff(level, prepend=-1) != 0) | (np.diff(plate, prepend=-1) != 0)
    units = np.bincount(level[new_unit], minlength=len(names))
    seen = units >= settings.plates_at_least
    too_few = int(((units > 0) & ~seen).sum())
    rates, others, reference_sd = _rates_of_others(scene, entry_heard, heard, entry_level, cell_level, len(names))
    seen &= others >= settings.reference_plates
    kept = seen[level]
    if not kept.any():
        return None
    order, level, plate = order[kept], level[kept], plate[kept]
    entry_start = np.flatnonzero((np.diff(level, prepend=-1) != 0) | (np.diff(plate, prepend=-1) != 0))
    windows = windows_of(scene) if kind in WINDOWED else np.zeros((0, 2))
    shares = shares_of(scene, order, rates, level, windows)
    # entries by bands: what is in the way is let go of at once, 50 bytes a part in all
    seen_of, due = shares.observed, np.clip(shares.expected, 0.0, 1.0, out=shares.expected)
    del shares
    if kind != "design":
        due = _with_habits(scene, order, level, seen_of, due, settings.habit_plates)
    ends = np.append(entry_start, len(order))
    each = 1.0 / np.repeat(np.diff(ends), np.diff(ends))
    observed = zone_shares(each, ends, np.arange(len(order)), seen_of)
    expected = zone_shares(each, ends, np.arange(len(order)), due)
    del seen_of, due
    np.clip(expected, 0.0, 1.0, out=expected)
    unit_level, day = level[entry_start], scene.day[order][entry_start]
    start = np.flatnonzero(np.diff(unit_level, prepend=-1))
    log_sum = _log_sums(observed, expected, start, day, len(windows), reference_sd[unit_level[start]], settings.band_sd)
    allowed = budget.of_outcomes * budget.share_height_pattern * settings.share_of(kind)
    return HeightStreams(
        type=kind,
        names=names,
        level=unit_level[start],
        start=start,
        day=day,
        plate=plate[entry_start],
        observed=observed,
        expected=expected,
        entry=order,
        entry_start=entry_start,
        windows=windows,
        rates=rates,
        cell_level=cell_level,
        log_sum=log_sum,
        score=log_sum - np.log(30.0 * len(start) / allowed),
        per_month=allowed,
        too_few=too_few,
    )


def _log_sums(
    observed: np.ndarray,
    expected: np.ndarray,
    start: np.ndarray,
    day: np.ndarray,
    windows: int,
    reference_sd: np.ndarray,
    usual_sd: float,
) -> np.ndarray:
    """Bands with the subject's own level integrated out, windows of height without."""
    weights, day_weight = band_weights(windows), candidate_days(day, start, 0)
    bands = band_sums(
        observed[:, :3].astype(float),
        expected[:, :3].astype(float),
        start,
        day_weight,
        weights[:3],
        RATIOS,
        reference_sd,
        usual_sd,
    )
    if not windows:
        return bands
    by_ratio = [
        restart_sums(log_e_values(observed[:, 3:], expected[:, 3:], ratio), start, day_weight, weights[3:])
        for ratio in RATIOS
    ]
    return np.asarray(np.logaddexp(bands, np.logaddexp.reduce(by_ratio, axis=0) - np.log(len(RATIOS))))


def _heard(scene: HeightScene, kind: SubjectType) -> np.ndarray:
    """Plates that testify in the streams of ``kind``, bool (plates,): not those under a finding of somebody else.

    A finding of a printer, lot, design or file is nobody else's trouble; one of a wider subject is no other wide
    subject's. Its own plates go on testifying for it.
    """
    night = scene.night
    heard = np.ones(len(night.plates), dtype=bool)
    for spell in night.spells:
        if spell.subject.type == kind or not (spell.subject.type in NARROW or kind not in NARROW):
            continue
        heard[under_spell(night, spell)] = False
    return heard


def _rates_of_others(
    scene: HeightScene,
    entry_heard: np.ndarray,
    heard: np.ndarray,
    entry_level: np.ndarray,
    cell_level: np.ndarray,
    levels: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hazards by bin of all plates but each subject's own, (levels, bins); on how many failing plates they rest,
    (levels,); and what the log odds of the three bands are uncertain by for it, (levels, 3).

    Every failing plate counts once, however many parts it lost.
    """
    per_plate = np.bincount(scene.plate[entry_heard], minlength=int(scene.plate.max()) + 1)
    weight = entry_heard / np.maximum(per_plate[scene.plate], 1)
    bins = scene.exposed.shape[1]
    code = np.where(entry_level >= 0, entry_level, levels)
    own = np.bincount(code * bins + scene.bin, weights=weight, minlength=(levels + 1) * bins).reshape(-1, bins)
    owner = np.where(cell_level >= 0, cell_level, levels)
    plate = scene.night.history.cells.plate
    cell_heard = np.append(heard, np.ones(max(int(plate.max()) + 1 - len(heard), 0), dtype=bool))[plate]
    through = np.stack(
        [np.bincount(owner, weights=c * cell_heard, minlength=levels + 1) for c in scene.exposed.T], axis=1
    )
    others = own.sum(axis=0) - own[:levels]
    number = others.sum(axis=1)
    banded = np.column_stack([others[:, :2], others[:, 2:].sum(axis=1)]) + 0.5
    reference_sd = np.sqrt(1.0 / banded + 1.0 / np.maximum(number[:, None] + 1.0 - banded, 0.5))
    return pooled_hazards(others, through.sum(axis=0) - through[:levels]), number, reference_sd


def _with_habits(
    scene: HeightScene, order: np.ndarray, level: np.ndarray, observed: np.ndarray, due: np.ndarray, prior: float
) -> np.ndarray:
    """What is due of each failure, (entries, bands), once its design's failures on the others are mixed in.

    The plates on which the design failed elsewhere count one each, what is due by its height alone ``prior`` of them.
    """
    cells = scene.night.history.cells
    design = cells.codes[scene.cell[order], FACTORS.index("design")]
    known = design >= 0
    designs = int(design.max(initial=-1)) + 1
    if not designs:
        return due
    wide = np.int64(designs + 1)
    _, plate_row, lost = np.unique(scene.plate[order] * wide + design, return_inverse=True, return_counts=True)
    weight = known / lost[plate_row]
    _, pair = np.unique(level * wide + design, return_inverse=True)
    of_design, number = _summed(np.where(known, design, designs), weight, observed)
    of_pair, own_number = _summed(pair, weight, observed)
    at = np.where(known, design, designs)
    elsewhere = of_design[at]
    elsewhere -= of_pair[pair]
    np.maximum(elsewhere, 0.0, out=elsewhere)
    elsewhere[~known] = 0.0
    count = np.where(known, np.maximum(number[at] - own_number[pair], 0.0), 0.0)[:, None]
    mixed = prior * due
    mixed += elsewhere
    del elsewhere
    return np.asarray(mixed / (prior + count))


def _summed(group: np.ndarray, weight: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Weighted sums of the rows of ``values`` by group, and of the weights."""
    rows = csr_matrix(
        (weight.astype(values.dtype), (group, np.arange(len(group)))), shape=(group.max() + 1, len(group))
    )
    return np.asarray(rows @ values), np.bincount(group, weights=weight)
