"""Where on the plate: does one place fail more than the plate around it, plate after plate, and whose is it?

Every plate is its own control (``stats.plate_scan``): only plates on which some parts failed and some did not speak, and
each counts once, so a plate whose parts pull each other down is no alarm. A subject is compared with what the other
subjects' plates show, so that a pattern of the whole farm is not filed as each printer's. The strongest pattern is taken
first and put into the expectation, and everything is looked at again.
"""

from __future__ import annotations

import datetime as dt
import zlib
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.records import SIGNS
from farmwatch.stats.onsets import OnsetPosterior, candidate_days, onset_posterior, restart_sums, suffix_sums
from farmwatch.stats.plate_scan import (
    conditional_inclusion,
    log_e_values,
    one_failure_each,
    reference_odds,
    scan_p_value,
    tilt,
    zone_effect,
    zone_shares,
)
from farmwatch.stats.zones import geometry, membership, normalised_edges, zone_dictionary

TYPES: tuple[SubjectType, ...] = ("printer", "family", "profile", "lot", "room", "farm")
RATIOS = (3.0, 10.0)
FINE_RATIOS = (2.0, 3.0, 5.0, 10.0, 30.0)
SIGNED_TYPES = ("printer", "family", "farm")
ALL_SIGNS = -1
RELABELLED_PLATES = 300
RUNS_NAMED = 200


@dataclass(frozen=True)
class Scene:
    """The night's telling plates as arrays. A row is a plate as seen by one group: all failures, or those of one sign.

    Part arrays: ``inside`` (parts, zones), ``part_sign`` (column of SIGNS). Entry arrays (a part in a row): ``part``,
    ``failed``, ``odds``. Row arrays: ``start`` (rows + 1), ``plate`` (row of ``night.plates``), ``group`` (index into
    ``groups``), ``day`` (days since ``first_day``), ``failures``, and per zone ``observed``, ``expected`` shares of the
    plate's failures.
    """

    night: Night
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
    first_day: dt.date


@dataclass(frozen=True)
class Streams:
    """One type's streams: ``order`` sorts rows by group, level, time; ``start`` of each (group, level) run of rows."""

    type: SubjectType
    names: tuple[str, ...]
    order: np.ndarray
    start: np.ndarray
    group: np.ndarray
    level: np.ndarray
    reference: np.ndarray
    score: np.ndarray
    log_sum: np.ndarray
    telling: np.ndarray


@dataclass(frozen=True)
class Located:
    """The best account of one stream: zone and group (index), onset, and the rows of the plates since."""

    zone: int
    group: int
    onset: OnsetPosterior
    rows: np.ndarray
    reference: np.ndarray


def detect(night: Night) -> Verdicts:
    """Evidence of every subject whose failures prefer a place; see the module."""
    scene = _scene(night)
    if scene is None:
        return Verdicts(
            (),
            (
                Check(
                    "plate_pattern",
                    "too_few",
                    "farm",
                    "farm",
                    "no plate with both good and failed parts at known positions",
                ),
            ),
        )
    settings = night.settings.plate_pattern
    evidence: list[Evidence] = []
    dismissed: set[Subject] = set()
    checks = None
    for _ in range(settings.findings_at_most):
        families = [streams for kind in TYPES if (streams := _streams(scene, kind)) is not None]
        checks = _checks(scene, families) if checks is None else checks
        best = _strongest(families, dismissed, -settings.keep_within)
        if best is None:
            break
        streams, level = best
        subject = Subject(streams.type, streams.names[level])
        found = _locate(scene, streams, level)
        made = _evidence(scene, streams, level, found)
        if made.effect_low < settings.odds_ratio_at_least:
            dismissed.add(subject)
            continue
        evidence.append(made)
        scene = _explained(scene, found)
    flagged = {made.subject for made in evidence}
    done = tuple(
        replace(c, state="flagged") if Subject(c.subject_type, c.subject_id or "") in flagged else c
        for c in checks or ()
    )
    return Verdicts(tuple(evidence), done)


def _scene(night: Night) -> Scene | None:
    settings = night.settings.plate_pattern
    plates, parts = night.plates, night.parts
    if not len(parts):
        return None
    since = np.datetime64(night.as_of - dt.timedelta(days=settings.window_days - 1))
    day = plates["day"].to_numpy()
    half = plates[["plate_width_mm", "plate_depth_mm"]].to_numpy(dtype=float) / 2.0
    usable = (day >= since) & np.isfinite(half).all(axis=1)
    plate, failed = parts["plate"].to_numpy(), parts["failed"].to_numpy()
    usable &= np.bincount(plate, weights=failed, minlength=len(plates)) > 0
    rows = np.flatnonzero(usable[plate] & parts["known"].to_numpy())
    place = parts[["x_mm", "y_mm"]].to_numpy(dtype=float)[rows]
    rows = rows[np.isfinite(place).all(axis=1)]
    plate, failed = plate[rows], failed[rows]
    number = np.bincount(plate, minlength=len(plates))
    sums = np.bincount(plate, weights=failed, minlength=len(plates))
    telling = (sums > 0) & (sums < number)
    keep = telling[plate]
    rows, plate, failed = rows[keep], plate[keep], failed[keep]
    if not len(rows):
        return None
    place = parts[["x_mm", "y_mm"]].to_numpy(dtype=float)[rows]
    size = half[plate]
    zones = zone_dictionary()
    inside = membership(zones, place[:, 0] / size[:, 0], place[:, 1] / size[:, 1], size[:, 0], size[:, 1])
    risk = np.clip(night.part_risk[rows], 1e-4, 0.95)
    sign = night.history.cells.part_sign[rows]
    return _stacked(night, inside, risk / (1.0 - risk), plate, failed, sign, day)


def _stacked(
    night: Night,
    inside: np.ndarray,
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
    for code in range(len(SIGNS)):
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
    scene = Scene(
        night=night,
        inside=inside,
        part_sign=sign,
        part=part_all,
        failed=failing,
        odds=odds[part_all],
        start=start,
        plate=plates,
        group=np.concatenate(row_group),
        day=((day[plates] - first_day) / np.timedelta64(1, "D")).astype("int64"),
        failures=np.add.reduceat(failing, start[:-1], dtype="int64"),
        observed=np.zeros(0),
        expected=np.zeros(0),
        groups=tuple(groups),
        first_day=first_day.astype("datetime64[D]").astype(dt.date),
    )
    length = np.diff(start)
    share = failing / np.repeat(scene.failures, length)
    scene = replace(scene, observed=zone_shares(share, start, part_all, inside))
    return replace(scene, expected=_expected(scene, scene.odds))


def _expected(scene: Scene, odds: np.ndarray) -> np.ndarray:
    share = conditional_inclusion(odds, scene.start, scene.failures) / np.repeat(scene.failures, np.diff(scene.start))
    return zone_shares(share, scene.start, scene.part, scene.inside)


def _levels(night: Night, kind: SubjectType) -> tuple[np.ndarray, np.ndarray]:
    """Level of each plate (-1 unknown) and the names of the levels."""
    cells = night.history.cells
    if kind == "farm":
        return np.zeros(len(night.plates), dtype="int64"), np.array(["farm"], dtype=object)
    factor = FACTORS.index(kind)
    level = np.full(len(night.plates), -1, dtype="int64")
    known = np.searchsorted(cells.plate, len(night.plates), side="left")
    level[cells.plate[:known]] = cells.codes[:known, factor]
    return level, cells.levels[factor]


def _streams(scene: Scene, kind: SubjectType) -> Streams | None:
    """Restart sums of every subject of one type; None where the type has one level only and says nothing of its own."""
    settings, budget = scene.night.settings.plate_pattern, scene.night.settings.alarm_budget
    by_plate, names = _levels(scene.night, kind)
    level = by_plate[scene.plate]
    whole = scene.group == 0
    telling = np.bincount(level[whole & (level >= 0)], minlength=len(names))
    seen = np.flatnonzero(telling >= settings.plates_at_least)
    if not len(seen) or (kind in ("family", "profile", "room") and (telling > 0).sum() < 2):
        return None
    # a sign has a place of its own through a machine; bottles, profiles and rooms are seen through all failures
    rows = np.flatnonzero(np.isin(level, seen) & (whole | (kind in SIGNED_TYPES)))
    order = rows[np.lexsort((scene.day[rows], level[rows], scene.group[rows]))]
    key = scene.group[order] * len(names) + level[order]
    start = np.flatnonzero(np.diff(key, prepend=-1))
    group_start = np.flatnonzero(np.diff(scene.group[order], prepend=-1))
    observed, expected = scene.observed[order], scene.expected[order]
    if kind == "farm":
        reference = np.ones((len(start), observed.shape[1]), dtype=np.float32)
    else:
        reference = reference_odds(observed, expected, group_start, start, settings.reference_plates).astype(np.float32)
    length = np.diff(np.append(start, len(order)))
    expected = tilt(expected, np.repeat(reference, length, axis=0))
    weight = candidate_days(scene.day[order], start, 0)
    zones = zone_dictionary()
    by_ratio = [restart_sums(log_e_values(observed, expected, ratio), start, weight, zones.weight) for ratio in RATIOS]
    group = scene.group[order][start]
    prior = _group_prior(scene, kind)[group] - np.log(len(RATIOS))
    total = np.full(len(names), -np.inf)
    for one in by_ratio:
        np.logaddexp.at(total, level[order][start], one + prior)
    allowed = budget.false_findings_per_month * budget.share_plate_pattern * settings.share_of(kind)
    return Streams(
        kind,
        tuple(map(str, names)),
        order,
        start,
        group,
        level[order][start],
        reference,
        total - np.log(30.0 * len(seen) / allowed),
        total,
        telling,
    )


def _group_prior(scene: Scene, kind: SubjectType) -> np.ndarray:
    signs = len(scene.groups) - 1 if kind in SIGNED_TYPES else 0
    share = scene.night.settings.plate_pattern.share_signs if signs else 0.0
    return np.log(np.array([1.0 - share, *[share / max(signs, 1)] * signs]))


def _strongest(families: list[Streams], dismissed: set[Subject], floor: float) -> tuple[Streams, int] | None:
    best: tuple[Streams, int] | None = None
    for streams in families:
        for level in np.argsort(-streams.score, kind="stable"):
            if streams.score[level] < floor:
                break
            if Subject(streams.type, streams.names[level]) in dismissed:
                continue
            if best is None or streams.score[level] > best[0].score[best[1]]:
                best = (streams, int(level))
            break
    return best


def _locate(scene: Scene, streams: Streams, level: int) -> Located:
    """Which shape, which sign, since when: by posterior weight over zones, odds ratios and onset days."""
    zones = zone_dictionary()
    prior = _group_prior(scene, streams.type)
    mass: list[np.ndarray] = []
    pieces = np.flatnonzero(streams.level == level)
    tables, segments = [], []
    for piece in pieces:
        rows = _rows_of(streams, int(piece))
        expected = tilt(scene.expected[rows], streams.reference[piece]).astype(float)
        weight = candidate_days(scene.day[rows], np.array([0]), 0)
        since = np.stack(
            [
                suffix_sums(log_e_values(scene.observed[rows].astype(float), expected, r), np.array([0]))
                for r in FINE_RATIOS
            ]
        )
        with np.errstate(divide="ignore"):
            days = np.log(weight)[None, :, None]
        by_zone = _log_sum(_log_sum(since + days, axis=1), axis=0)
        mass.append(by_zone + np.log(zones.weight) + prior[streams.group[piece]])
        tables.append(since)
        segments.append((rows, weight))
    table = np.array(mass)
    names = np.array(zones.name)
    distinct = sorted(set(zones.name))
    by_name = {name: _log_sum(table[:, names == name].ravel(), axis=0) for name in distinct}
    name = max(distinct, key=lambda n: float(by_name[n]))
    inside_name = np.flatnonzero(names == name)
    flat = int(np.argmax(table[:, inside_name]))
    piece_number, zone = flat // len(inside_name), int(inside_name[flat % len(inside_name)])
    rows, weight = segments[piece_number]
    since_zone = _log_sum(tables[piece_number][:, :, zone], axis=0)
    onset = onset_posterior(since_zone, scene.day[rows], weight)
    chosen = pieces[piece_number]
    return Located(
        zone, int(streams.group[chosen]), onset, rows[scene.day[rows] >= onset.day], streams.reference[chosen]
    )


def _rows_of(streams: Streams, piece: int) -> np.ndarray:
    end = streams.start[piece + 1] if piece + 1 < len(streams.start) else len(streams.order)
    return streams.order[streams.start[piece] : end]


def _log_sum(values: np.ndarray, axis: int) -> np.ndarray:
    top = values.max(axis=axis, keepdims=True)
    return np.asarray(np.log(np.exp(values - top).sum(axis=axis)) + np.squeeze(top, axis=axis))


def _entries(scene: Scene, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Entries of the given rows and where each row's begin among them, (rows + 1,)."""
    length = np.diff(scene.start)[rows]
    start = np.concatenate([[0], np.cumsum(length)])
    return np.arange(start[-1]) + np.repeat(scene.start[rows] - start[:-1], length), start


def _evidence(scene: Scene, streams: Streams, level: int, found: Located) -> Evidence:
    night, settings = scene.night, scene.night.settings.plate_pattern
    rows, zone = found.rows, found.zone
    subject = Subject(streams.type, streams.names[level])
    failures = scene.failures[rows].astype(float)
    inside_count = scene.observed[rows, zone] * failures
    expected = tilt(scene.expected[rows, zone].astype(float), float(found.reference[zone]))
    effect = zone_effect(inside_count, failures, expected)
    entries, _ = _entries(scene, rows)
    in_zone = scene.inside[scene.part[entries], zone] > 0
    failed = scene.failed[entries]
    budget = night.settings.alarm_budget
    error = budget.false_findings_per_month * budget.share_plate_pattern * settings.share_of(streams.type)
    failing = scene.plate[rows[inside_count > 0]]
    code = scene.groups[found.group]
    return Evidence(
        kind="plate_pattern",
        subject=subject,
        since=_date(scene, found.onset.day),
        since_low=_date(scene, found.onset.low),
        since_high=_date(scene, found.onset.high),
        observed=float(inside_count.sum()),
        expected=float((failures * expected).sum()),
        opportunities=float(in_zone.sum()),
        unit="parts",
        effect=effect.ratio,
        effect_low=effect.low,
        effect_high=effect.high,
        effect_unit="odds ratio",
        error_rate=float(min(error * np.exp(-streams.score[level]), 30.0)),
        score=float(streams.score[level]),
        direction="up",
        sign=SIGNS[code] if code != ALL_SIGNS else _leading_sign(scene, found),
        zone=zone_dictionary().name[zone],
        detail={
            **_place(scene, found),
            "plates": len(rows),
            "plates_with_failures_inside": len(failing),
            "rate_inside": _rate(failed, in_zone),
            "rate_outside": _rate(failed, ~in_zone),
            "failed_outside": float((failures - inside_count).sum()),
            "p_value": _p_value(scene, found, subject),
            "farm_odds_ratio": float(found.reference[zone]),
            "log_evidence": float(streams.log_sum[level]),
        },
        run_ids=tuple(night.plates["run_id"].iloc[failing[-RUNS_NAMED:]].astype(str)),
    )


def _rate(failed: np.ndarray, where: np.ndarray) -> float:
    return float(failed[where].mean()) if where.any() else float("nan")


def _place(scene: Scene, found: Located) -> dict[str, Any]:
    """The zone in mm on the subject's most usual plate, and normalised for plates of other sizes."""
    sizes = scene.night.plates[["plate_width_mm", "plate_depth_mm"]].to_numpy(dtype=float)[scene.plate[found.rows]]
    distinct, number = np.unique(sizes, axis=0, return_counts=True)
    width, depth = distinct[np.argmax(number)]
    zones = zone_dictionary()
    return {
        **geometry(zones, found.zone, width / 2.0, depth / 2.0),
        "plate_width_mm": float(width),
        "plate_depth_mm": float(depth),
        "normalised": normalised_edges(zones, found.zone),
    }


def _leading_sign(scene: Scene, found: Located) -> str | None:
    """The sign of at least seven tenths of the failures inside the zone, if there is one."""
    entries, _ = _entries(scene, found.rows)
    inside = scene.failed[entries] & (scene.inside[scene.part[entries], found.zone] > 0)
    sign = scene.part_sign[scene.part[entries[inside]]]
    counts = np.bincount(sign, minlength=len(SIGNS) + 1)
    top = int(np.argmax(counts))
    return SIGNS[top] if top < len(SIGNS) and counts[top] >= max(0.7 * counts.sum(), 3) else None


def _p_value(scene: Scene, found: Located, subject: Subject) -> float:
    """By relabelling within plates, one failed part a plate; the latest plates only where there are very many."""
    night = scene.night
    entries, start = _entries(scene, found.rows[-RELABELLED_PLATES:])
    length = np.diff(start)
    total = np.repeat(scene.failures[found.rows[-RELABELLED_PLATES:]], length)
    odds = scene.odds[entries]
    expected = conditional_inclusion(odds, start, scene.failures[found.rows[-RELABELLED_PLATES:]]) / total
    seed = zlib.crc32(f"{subject.type}:{subject.id}:{night.as_of}".encode())
    drawn = one_failure_each(expected, start, night.settings.plate_pattern.relabellings, np.random.default_rng(seed))
    labels = np.zeros((len(drawn), len(entries)), dtype=np.float32)
    labels[np.arange(len(drawn))[:, None], drawn] = 1.0
    inside = scene.inside[scene.part[entries]]
    return scan_p_value(scene.failed[entries] / total, expected, start, inside, labels)


def _explained(scene: Scene, found: Located) -> Scene:
    """The scene with the found pattern's effect in the odds of the parts inside the zone on the plates since, by group."""
    odds = scene.odds.copy()
    plates = scene.plate[found.rows]
    for group in range(len(scene.groups)):
        rows = np.flatnonzero((scene.group == group) & np.isin(scene.plate, plates))
        if not len(rows):
            continue
        failures = scene.failures[rows].astype(float)
        ratio = zone_effect(
            scene.observed[rows, found.zone] * failures, failures, scene.expected[rows, found.zone].astype(float)
        ).ratio
        entries, _ = _entries(scene, rows)
        within = entries[scene.inside[scene.part[entries], found.zone] > 0]
        odds[within] *= max(ratio, 1.0)
    return replace(scene, odds=odds, expected=_expected(scene, odds))


def _date(scene: Scene, day: int) -> dt.date:
    return scene.first_day + dt.timedelta(days=int(day))


def _checks(scene: Scene, families: list[Streams]) -> tuple[Check, ...]:
    least = scene.night.settings.plate_pattern.plates_at_least
    checks = []
    for streams in families:
        for level, name in enumerate(streams.names):
            if streams.telling[level] >= least:
                checks.append(Check("plate_pattern", "clear", streams.type, name))
        few = int(((streams.telling > 0) & (streams.telling < least)).sum())
        if few:
            reason = f"fewer than {least} plates with both good and failed parts"
            checks.append(Check("plate_pattern", "too_few", streams.type, None, reason, few))
    return tuple(checks)
