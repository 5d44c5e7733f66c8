"""The streams of one type of subject: where its failures lay, where comparable work's would have, and the evidence.

Plates under a known finding of a narrower subject testify for nobody else.
"""

from __future__ import annotations

import numpy as np

from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.height_scene import HeightScene, band_weights, windows_of
from farmwatch.detectors.height_units import HeightStreams, HeightUnits, habits_of, unit_shares
from farmwatch.detectors.plate_scene import under_spell
from farmwatch.evidence import SubjectType
from farmwatch.stats.heights import pooled_hazards
from farmwatch.stats.onsets import candidate_days, restart_sums
from farmwatch.stats.own_bands import band_sums, whole_streams
from farmwatch.stats.plate_scan import log_e_values

WINDOWED: tuple[SubjectType, ...] = ("printer", "design", "file")
RATIOS = (2.5, 12.0)  # a moderate and a drastic odds ratio: what lies between is caught by either
NARROW: tuple[SubjectType, ...] = ("printer", "lot", "design", "file")
UNITS_AT_ONCE = 1024  # unfolded together, in whole streams: a few MiB, which stay near the processor


def height_streams(scene: HeightScene, kind: SubjectType) -> HeightStreams | None:
    """Restart sums of every subject of one type; None where fewer than two subjects could be compared."""
    settings, budget = scene.night.settings.height_pattern, scene.night.settings.alarm_budget
    cells, factor = scene.night.history.cells, FACTORS.index(kind)
    cell_level, names = cells.codes[:, factor], cells.levels[factor]
    entry_level = cell_level[scene.cell]
    heard = _heard(scene, kind)
    entry_heard = scene.open[scene.cell] & heard[scene.plate]
    live = np.flatnonzero(entry_heard & (entry_level >= 0))
    if not len(live) or len(names) < 2:
        return None
    order = live[np.lexsort((scene.plate[live], scene.day[live], entry_level[live]))]
    level, plate = entry_level[order], scene.plate[order]
    new_unit = (np.diff(level, prepend=-1) != 0) | (np.diff(plate, prepend=-1) != 0)
    number = np.bincount(level[new_unit], minlength=len(names))
    seen = number >= settings.plates_at_least
    too_few = int(((number > 0) & ~seen).sum())
    rates, others, reference_sd = _rates_of_others(scene, entry_heard, heard, entry_level, cell_level, len(names))
    seen &= others >= settings.reference_plates
    kept = seen[level]
    if not kept.any():
        return None
    order, begin = order[kept], np.flatnonzero(new_unit[kept])
    windows = windows_of(scene) if kind in WINDOWED else np.zeros((0, 2))
    units = HeightUnits(
        level=entry_level[order[begin]],
        day=scene.day[order[begin]],
        plate=scene.plate[order[begin]],
        entry=order,
        bound=np.append(begin, len(order)),
        rates=rates,
        windows=windows,
        habits=None if kind == "design" else habits_of(scene, order, windows, settings.habit_plates),
    )
    start = np.flatnonzero(np.diff(units.level, prepend=-1))
    stream_level = units.level[start]
    log_sum = _log_sums(scene, units, start, reference_sd[stream_level], settings.band_sd)
    allowed = budget.of_outcomes * budget.share_height_pattern * settings.share_of(kind)
    return HeightStreams(
        type=kind,
        names=names,
        units=units,
        level=stream_level,
        start=start,
        cell_level=cell_level,
        log_sum=log_sum,
        score=log_sum - np.log(30.0 * len(start) / allowed),
        per_month=allowed,
        too_few=too_few,
    )


def _log_sums(
    scene: HeightScene, units: HeightUnits, start: np.ndarray, reference_sd: np.ndarray, usual_sd: float
) -> np.ndarray:
    """Bands with the subject's own level integrated out, windows of height without."""
    weights, day_weight = band_weights(len(units.windows)), candidate_days(units.day, start, 0)
    observed, expected = np.empty((2, len(units.day), 3))
    by_window = np.full(len(start), -np.inf)
    for some, rows, begin in whole_streams(start, len(units.day), UNITS_AT_ONCE):
        shares = unit_shares(scene, units, rows)
        observed[rows], expected[rows] = shares.observed[:, :3], shares.expected[:, :3]
        if len(units.windows):
            by_ratio = [
                restart_sums(
                    # sums over hundreds of plates, of which small differences are taken
                    log_e_values(shares.observed[:, 3:], shares.expected[:, 3:], ratio).astype(float),
                    begin,
                    day_weight[rows],
                    weights[3:],
                )
                for ratio in RATIOS
            ]
            by_window[some] = np.logaddexp.reduce(by_ratio, axis=0) - np.log(len(RATIOS))
    bands = band_sums(observed, expected, start, day_weight, weights[:3], RATIOS, reference_sd, usual_sd)
    return np.asarray(np.logaddexp(bands, by_window))


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
    bins = len(scene.exposed)
    code = np.where(entry_level >= 0, entry_level, levels)
    own = np.bincount(code * bins + scene.bin, weights=weight, minlength=(levels + 1) * bins).reshape(-1, bins)
    plate = scene.night.history.cells.plate[scene.group_cell]
    owner = cell_level[scene.group_cell]
    owner = np.where(owner >= 0, owner, levels)
    owner[~(heard[plate] & scene.open[scene.group_cell])] = levels + 1
    through = np.stack(
        [np.bincount(owner, weights=of_bin, minlength=levels + 2)[:-1] for of_bin in scene.exposed], axis=1
    )
    others = own.sum(axis=0) - own[:levels]
    number = others.sum(axis=1)
    banded = np.column_stack([others[:, :2], others[:, 2:].sum(axis=1)]) + 0.5
    reference_sd = np.sqrt(1.0 / banded + 1.0 / np.maximum(number[:, None] + 1.0 - banded, 0.5))
    return pooled_hazards(others, through.sum(axis=0) - through[:levels]), number, reference_sd
