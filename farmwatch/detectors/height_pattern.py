"""How high: does a subject's work fail in one band (base, transition, body, one height) more than comparable work does?

Given that a part failed at a recorded height, the hazards of the other subjects' plates say in which band it was due,
up to the part's own height (``stats.heights``). The failures of one plate count as one, for one bad cavity takes its
neighbours at the same height. One height on one design everywhere is the file's; one machine height on one printer
whatever it prints is the machine's. The strongest pattern is taken first and its failures set aside.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.height_account import account_for, carrying_printer
from farmwatch.detectors.height_scene import (
    HeightScene,
    HeightStreams,
    band_weights,
    set_height_scene,
    shares_of,
    windows_of,
)
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.stats.heights import pooled_hazards
from farmwatch.stats.onsets import candidate_days, restart_sums
from farmwatch.stats.plate_scan import log_e_values, zone_shares

TYPES: tuple[SubjectType, ...] = ("printer", "design", "file", "profile", "lot", "family", "room")
WIDER: tuple[SubjectType, ...] = ("profile", "lot", "family", "room")
WINDOWED: tuple[SubjectType, ...] = ("printer", "design", "file")
FAR_BELOW = 3.0
RATIOS = (2.5, 12.0)
NO_HEIGHTS = "no failed part has a recorded height"


def detect(night: Night) -> Verdicts:
    """Evidence of every subject whose failures prefer a height (down to a tenth of the limit: it may be going on)."""
    scene = set_height_scene(night)
    if scene is None:
        return Verdicts((), (Check("height_pattern", "too_few", "farm", "farm", NO_HEIGHTS),))
    settings = night.settings.height_pattern
    evidence: list[Evidence] = []
    dismissed: set[Subject] = set()
    families = _all_streams(scene)
    checks = _checks(families)
    while len(evidence) < settings.findings_at_most:
        best = _strongest(families, dismissed, -settings.keep_within)
        if best is None:
            break
        streams, index = _narrowed(scene, families, best, -settings.keep_within)
        made, taken = account_for(scene, streams, index)
        if not _needs_a_hand(night, made):
            # too weak to need a hand, or not its own; and so is the wider subject that it was narrowed from
            dismissed |= {made.subject, best[0].subject(best[1])}
            continue
        evidence.append(made)
        scene = _set_aside(scene, taken)
        families = _renewed(scene, families, streams.type, -settings.keep_within)
    flagged = {made.subject for made in evidence}
    return Verdicts(tuple(evidence), tuple(_marked(check, flagged) for check in checks))


def _narrowed(
    scene: HeightScene, families: list[HeightStreams], best: tuple[HeightStreams, int], floor: float
) -> tuple[HeightStreams, int]:
    """The printer instead of a wider subject, where it carries most of the wider one's evidence and stands by itself."""
    streams, index = best
    if streams.type not in WIDER:
        return best
    level = carrying_printer(scene, streams, index)
    printers = next((family for family in families if family.type == "printer"), None)
    if level is None or printers is None:
        return best
    own = np.flatnonzero((printers.level == level) & (printers.score >= floor))
    return (printers, int(own[0])) if len(own) else best


def _all_streams(scene: HeightScene) -> list[HeightStreams]:
    return [streams for kind in TYPES if (streams := _streams(scene, kind)) is not None]


def _renewed(
    scene: HeightScene, families: list[HeightStreams], found: SubjectType, floor: float
) -> list[HeightStreams]:
    """Streams after a finding: its own type and every type in which something stands near the limit, looked at again.

    What lies far below cannot rise that far: the comparison with others moves by what one subject weighs among them.
    """
    renewed = []
    for streams in families:
        if streams.type == found or streams.score.max() >= floor - FAR_BELOW:
            again = _streams(scene, streams.type)
            renewed += [] if again is None else [again]
        else:
            renewed.append(streams)
    return renewed


def _set_aside(scene: HeightScene, cells: np.ndarray) -> HeightScene:
    """The scene without some cells (bool): they neither testify nor serve as anyone's comparison."""
    return replace(scene, exposed=np.where(cells[:, None], 0.0, scene.exposed), live=scene.live & ~cells[scene.cell])


def _needs_a_hand(night: Night, made: Evidence) -> bool:
    """Not what is too weak to matter, nor what designs do on any good farm, each at its own height now and then; and one
    height on a printer only where several designs show it."""
    settings = night.settings.height_pattern
    if made.effect_low < settings.odds_ratio_at_least:
        return False
    if made.band != "height" and made.subject.type not in ("design", "file"):
        return True
    if made.detail["rate_in_band"] < settings.rate_at_least:
        return False
    shared = made.detail["largest_design_share"]
    return made.subject.type != "printer" or not shared > settings.design_share_at_most


def _marked(check: Check, flagged: set[Subject]) -> Check:
    return replace(check, state="flagged") if Subject(check.subject_type, check.subject_id or "") in flagged else check


def _streams(scene: HeightScene, kind: SubjectType) -> HeightStreams | None:
    """Restart sums of every subject of one type; None where fewer than two subjects could be compared."""
    settings, budget = scene.night.settings.height_pattern, scene.night.settings.alarm_budget
    cells, factor = scene.night.history.cells, FACTORS.index(kind)
    cell_level, names = cells.codes[:, factor], cells.levels[factor]
    entry_level = cell_level[scene.cell]
    live = np.flatnonzero(scene.live & (entry_level >= 0))
    if not len(live) or len(names) < 2:
        return None
    order = live[np.lexsort((scene.plate[live], scene.day[live], entry_level[live]))]
    level, plate = entry_level[order], scene.plate[order]
    new_unit = (np.diff(level, prepend=-1) != 0) | (np.diff(plate, prepend=-1) != 0)
    units = np.bincount(level[new_unit], minlength=len(names))
    seen = units >= settings.plates_at_least
    too_few = int(((units > 0) & ~seen).sum())
    rates, others = _rates_of_others(scene, entry_level, cell_level, len(names))
    seen &= others >= settings.reference_plates
    kept = seen[level]
    if not kept.any():
        return None
    order, level, plate = order[kept], level[kept], plate[kept]
    entry_start = np.flatnonzero((np.diff(level, prepend=-1) != 0) | (np.diff(plate, prepend=-1) != 0))
    windows = windows_of(scene) if kind in WINDOWED else np.zeros((0, 2))
    shares = shares_of(scene, order, rates, level, windows)
    ends = np.append(entry_start, len(order))
    each = 1.0 / np.repeat(np.diff(ends), np.diff(ends))
    observed = zone_shares(each, ends, np.arange(len(order)), shares.observed)
    expected = np.clip(zone_shares(each, ends, np.arange(len(order)), shares.expected), 0.0, 1.0)
    unit_level, day = level[entry_start], scene.day[order][entry_start]
    start = np.flatnonzero(np.diff(unit_level, prepend=-1))
    weights = band_weights(len(windows))
    day_weight = candidate_days(day, start, 0)
    log_sum = np.logaddexp.reduce(
        [restart_sums(log_e_values(observed, expected, ratio), start, day_weight, weights) for ratio in RATIOS], axis=0
    ) - np.log(len(RATIOS))
    allowed = budget.false_findings_per_month * budget.share_height_pattern * settings.share_of(kind)
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


def _rates_of_others(
    scene: HeightScene, entry_level: np.ndarray, cell_level: np.ndarray, levels: int
) -> tuple[np.ndarray, np.ndarray]:
    """Hazards by bin of all plates but each subject's own, (levels, bins), and on how many failing plates they rest.

    Every failing plate counts once, however many parts it lost.
    """
    live = scene.live
    per_plate = np.bincount(scene.plate[live], minlength=int(scene.plate.max()) + 1)
    weight = live / np.maximum(per_plate[scene.plate], 1)
    bins = scene.exposed.shape[1]
    code = np.where(entry_level >= 0, entry_level, levels)
    own = np.bincount(code * bins + scene.bin, weights=weight, minlength=(levels + 1) * bins).reshape(-1, bins)
    owner = np.where(cell_level >= 0, cell_level, levels)
    through = np.stack([np.bincount(owner, weights=c, minlength=levels + 1) for c in scene.exposed.T], axis=1)
    others = own.sum(axis=0) - own[:levels]
    return pooled_hazards(others, through.sum(axis=0) - through[:levels]), others.sum(axis=1)


def _strongest(
    families: list[HeightStreams], dismissed: set[Subject], floor: float
) -> tuple[HeightStreams, int] | None:
    best: tuple[HeightStreams, int] | None = None
    for streams in families:
        for index in np.argsort(-streams.score, kind="stable"):
            if streams.score[index] < floor:
                break
            if streams.subject(int(index)) in dismissed:
                continue
            if best is None or streams.score[index] > best[0].score[best[1]]:
                best = (streams, int(index))
            break
    return best


def _checks(families: list[HeightStreams]) -> tuple[Check, ...]:
    checks = []
    for streams in families:
        for index in range(len(streams.start)):
            subject = streams.subject(index)
            checks.append(Check("height_pattern", "clear", subject.type, subject.id))
        if streams.too_few:
            reason = "too few plates with a recorded failure height"
            checks.append(Check("height_pattern", "too_few", streams.type, None, reason, streams.too_few))
    return tuple(checks)
