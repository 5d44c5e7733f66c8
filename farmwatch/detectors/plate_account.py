"""The account of one subject's pattern: which shape, which sign, since when, how strong; and its evidence."""

from __future__ import annotations

import datetime as dt
import zlib
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from farmwatch.detectors.plate_scene import (
    ALL_SIGNS,
    Scene,
    due_of,
    entries_of,
    in_zone,
    levels_of,
    overlapping,
    shares_of,
)
from farmwatch.evidence import Evidence, Subject
from farmwatch.records import SIGNS
from farmwatch.stats.onsets import OnsetPosterior, candidate_days, carrier, onset_posterior, suffix_sums
from farmwatch.stats.plate_scan import (
    log_e_values,
    one_failure_each,
    scan_p_value,
    tilt,
    zone_effect,
    zone_shares,
)
from farmwatch.stats.zones import (
    Zones,
    geometry,
    membership,
    normalised_edges,
    spots_around,
    take_zones,
    zone_dictionary,
)

FINE_RATIOS = (1.7, 3.0, 5.0, 10.0, 30.0)  # a finer bank than the nightly one: which zone and since when, not whether
ZONES_AT_ONCE = 16  # whose shares stand for every row of a segment at a time
RELABELLED_PLATES = 300  # latest plates: more would make the second opinion no other, only dearer
RUNS_NAMED = 200  # latest plates that failed there: enough to walk to the shelf with
CARRIED_SHARE = 0.7  # of a wider subject's evidence: brought by one printer, it is the printer's


@dataclass(frozen=True)
class Segment:
    """A subject's rows of one group with what is expected of them.

    ``rows``: rows of the scene in order of day; ``plates``: all the subject's plates of the window, telling or not;
    ``day_weight``: candidate onset days of each row; ``reference``: odds ratio of each zone of the dictionary among the
    other subjects; ``log_prior``: of the group.
    """

    group: int
    rows: np.ndarray
    plates: np.ndarray
    day_weight: np.ndarray
    reference: np.ndarray
    log_prior: float


@dataclass(frozen=True)
class Account:
    """``zone``: a dictionary of one; ``rows``: rows of the scene since the onset; ``inside``: whether each entry of those
    rows lies in the zone; ``expected``: expected share of each row; ``log_sum``: evidence.
    """

    zone: Zones
    group: int
    onset: OnsetPosterior
    rows: np.ndarray
    inside: np.ndarray
    expected: np.ndarray
    reference: float
    log_sum: float


@dataclass(frozen=True)
class _Table:
    """Log evidence of one segment's ``zones``, ``total``, (zones,): of the dictionary, or of the fine grid around one of its
    spots, ``around``."""

    segment: Segment
    zones: Zones
    around: int | None
    total: np.ndarray


def account_for(scene: Scene, segments: list[Segment]) -> Account:
    """The most probable account: the name with most posterior weight over its zones, then the name's best zone."""
    names = np.array(zone_dictionary().name)
    tables = [_dictionary_table(scene, segment) for segment in segments]
    log_sum = float(np.logaddexp.reduce(np.concatenate([table.total for table in tables])))
    # the spots of the dictionary stand far apart: around the best of them a finer grid takes their place
    of_spots = [np.where(names == "spot", table.total, -np.inf) for table in tables]
    finest = int(np.argmax([totals.max() for totals in of_spots]))
    fine = _spot_table(scene, segments[finest], int(np.argmax(of_spots[finest])))
    tables = [*(_without(table, names == "spot") for table in tables), fine]
    by_name = {
        name: np.logaddexp.reduce(np.concatenate([table.total[np.array(table.zones.name) == name] for table in tables]))
        for name in sorted(set(names))
    }
    name = max(by_name, key=lambda n: float(by_name[n]))
    of_name = [np.where(np.array(table.zones.name) == name, table.total, -np.inf) for table in tables]
    which = int(np.argmax([totals.max() for totals in of_name]))
    return _settle(scene, tables[which], int(np.argmax(of_name[which])), log_sum)


def carrying_printer(scene: Scene, account: Account) -> int | None:
    """The one printer whose plates carry a wider subject's evidence, if there is one: level of the printer."""
    entries, start = entries_of(scene, account.rows)
    seen = np.add.reduceat(scene.failed[entries] & account.inside, start[:-1], dtype=float)
    gain = log_e_values(seen / scene.failures[account.rows], account.expected, 4.0)
    by_plate, _ = levels_of(scene.night, "printer")
    return carrier(gain, by_plate[scene.plate[account.rows]], CARRIED_SHARE)


def _without(table: _Table, where: np.ndarray) -> _Table:
    """The table with the zones at ``where`` out of the running."""
    return replace(table, total=np.where(where, -np.inf, table.total))


def _dictionary_table(scene: Scene, segment: Segment) -> _Table:
    """Evidence of every zone of the coarse dictionary over one segment."""
    return _table(scene, segment, zone_dictionary(), None)


def _spot_table(scene: Scene, segment: Segment, spot: int) -> _Table:
    """Evidence of finer spots around one spot of the coarse dictionary over one segment."""
    coarse = zone_dictionary()
    zones = spots_around(float(coarse.centre_u[spot]), float(coarse.centre_v[spot]))
    return _table(scene, segment, zones, spot)


def _table(scene: Scene, segment: Segment, zones: Zones, around: int | None) -> _Table:
    """Evidence of each of ``zones``, (zones,) logarithms, over all onsets and ratios; -inf for a zone without parts."""
    total = np.empty(len(zones))
    for first in range(0, len(zones), ZONES_AT_ONCE):
        some = slice(first, first + ZONES_AT_ONCE)
        observed, expected = _shares(scene, segment, zones, around, some)
        with np.errstate(divide="ignore"):
            since = _since(observed, expected) + np.log(segment.day_weight)[:, None]
        # a zone without parts says nothing and must not profit from its prior weight
        total[some] = np.where(expected.max(axis=0) > 0, np.logaddexp.reduce(since, axis=0), -np.inf)
    return _Table(segment, zones, around, total - np.log(len(FINE_RATIOS)) + np.log(zones.weight) + segment.log_prior)


def _shares(
    scene: Scene, segment: Segment, zones: Zones, around: int | None, some: slice
) -> tuple[np.ndarray, np.ndarray]:
    """Observed and expected shares of the segment's failures in some of the ``zones`` of a table, (rows, zones)."""
    rows = segment.rows
    if around is None:
        observed, plain = shares_of(scene, rows, some)
        expected = tilt(plain, segment.reference[some]).astype(float)
        return np.where(observed == plain, expected, observed), expected
    entries, start = entries_of(scene, rows)
    site = scene.site[scene.part[entries]]
    inside = np.zeros((len(scene.inside), len(zones.name[some])), dtype=np.float32)
    used = np.unique(site)
    inside[used] = membership(take_zones(zones, some.start, inside.shape[1]), *scene.place[:, used])
    failed = scene.failed[entries] / np.repeat(scene.failures[rows], np.diff(start))
    observed, expected = (
        zone_shares(share, start, site, inside).astype(float) for share in (failed, scene.due[entries])
    )
    expected = tilt(expected, float(segment.reference[around]))
    for silent in scene.silent:
        mine = silent.rows[rows]
        shared = overlapping(scene, silent.zone, rows[mine], inside)
        np.copyto(observed, expected, where=mine[:, None] & shared)
    return observed, expected


def _since(observed: np.ndarray, expected: np.ndarray) -> np.ndarray:
    """Log evidence of an onset at each row, summed over FINE_RATIOS, (rows, zones)."""
    since = np.full(observed.shape, -np.inf)
    for ratio in FINE_RATIOS:
        np.logaddexp(since, suffix_sums(log_e_values(observed, expected, ratio), np.array([0])), out=since)
    return since


def _settle(scene: Scene, table: _Table, index: int, log_sum: float) -> Account:
    """The account of one zone of the table: its onset, its plates since, and what of them lies inside."""
    zone, segment = take_zones(table.zones, index), table.segment
    observed, expected = _shares(scene, segment, table.zones, table.around, slice(index, index + 1))
    onset = _onset(scene, _since(observed, expected)[:, 0], segment, zone)
    after = scene.day[segment.rows] >= onset.day
    rows = segment.rows[after]
    inside = in_zone(scene, zone, entries_of(scene, rows)[0])
    coarse = zone_dictionary()
    same = [i for i in range(len(coarse)) if coarse.name[i] == zone.name[0]]
    reference = float(np.median(segment.reference[same]))
    return Account(zone, segment.group, onset, rows, inside, expected[after, 0], reference, log_sum)


def _onset(scene: Scene, since: np.ndarray, segment: Segment, zone: Zones) -> OnsetPosterior:
    """The onset, with the subject's telling plates that failed outside the zone only or not at all in this group."""
    day = scene.day[segment.rows]
    start_day = min(int(scene.plate_day[segment.plates].min()), int(day[0]))
    first = onset_posterior(since, day, start_day)
    entries, start = entries_of(scene, segment.rows)
    inside = in_zone(scene, zone, entries)
    hit = np.add.reduceat(scene.failed[entries] & inside, start[:-1], dtype="int64") > 0
    hits = int((hit & (day >= first.day)).sum())
    cells = segment.plates
    number = int((scene.plate_day[cells] >= first.day).sum())
    clean = np.setdiff1d(cells, scene.plate[segment.rows[hit]])
    return onset_posterior(since, day, start_day, scene.plate_day[clean], hits, number)


def segment_of(
    scene: Scene,
    group: int,
    rows: np.ndarray,
    plates: np.ndarray,
    reference: np.ndarray,
    log_prior: float,
    from_first: float,
) -> Segment:
    """``from_first``: candidate days that an onset at the first of ``rows`` counts for on top of its own."""
    weight = candidate_days(scene.day[rows], np.array([0]), 0) + 0.0
    weight[0] += from_first
    return Segment(group, rows, plates, weight, reference, log_prior)


def evidence_of(scene: Scene, subject: Subject, account: Account, score: float, per_month: float) -> Evidence:
    """``score``: log evidence over the limit; ``per_month``: false findings a farm-month at the limit."""
    night, rows = scene.night, account.rows
    failures = scene.failures[rows].astype(float)
    entries, start = entries_of(scene, rows)
    failed = scene.failed[entries]
    seen = np.add.reduceat(failed & account.inside, start[:-1], dtype=float)
    effect = zone_effect(seen, failures, account.expected)
    code = scene.groups[account.group]
    failing = scene.plate[rows[seen > 0]]
    return Evidence(
        kind="plate_pattern",
        subject=subject,
        since=_date(scene, account.onset.day),
        since_low=_date(scene, account.onset.low),
        since_high=_date(scene, account.onset.high),
        observed=float(seen.sum()),
        expected=float((failures * account.expected).sum()),
        opportunities=float(account.inside.sum()),
        unit="parts",
        effect=effect.ratio,
        effect_low=effect.low,
        effect_high=effect.high,
        effect_unit="odds ratio",
        error_rate=float(min(per_month * np.exp(-score), 30.0)),
        score=score,
        direction="up",
        sign=SIGNS[code] if code != ALL_SIGNS else _leading_sign(scene, entries, account),
        zone=account.zone.name[0],
        detail={
            **_place(scene, account),
            "plates": len(rows),
            "plates_with_failures_inside": len(failing),
            "rate_inside": _rate(failed, account.inside),
            "rate_outside": _rate(failed, ~account.inside),
            "failed_outside": float(failures.sum() - seen.sum()),
            "p_value": _p_value(scene, account, subject),
            "others_odds_ratio": account.reference,
            "log_evidence": account.log_sum,
        },
        run_ids=tuple(night.plates["run_id"].iloc[failing[-RUNS_NAMED:]].astype(str)),
    )


def _rate(failed: np.ndarray, where: np.ndarray) -> float:
    """Share of the parts ``where`` that failed; NaN where there are none."""
    return float(failed[where].mean()) if where.any() else float("nan")


def _place(scene: Scene, account: Account) -> dict[str, Any]:
    """The zone in mm on the subject's most usual plate, and normalised for plates of other sizes."""
    sizes = scene.night.plates[["plate_width_mm", "plate_depth_mm"]].to_numpy(dtype=float)[scene.plate[account.rows]]
    distinct, number = np.unique(sizes, axis=0, return_counts=True)
    width, depth = distinct[np.argmax(number)]
    return {
        **geometry(account.zone, 0, width / 2.0, depth / 2.0),
        "plate_width_mm": float(width),
        "plate_depth_mm": float(depth),
        "normalised": normalised_edges(account.zone, 0),
    }


def _leading_sign(scene: Scene, entries: np.ndarray, account: Account) -> str | None:
    """The sign of at least seven tenths of the failures inside the zone, if there is one."""
    sign = scene.part_sign[scene.part[entries[scene.failed[entries] & account.inside]]]
    counts = np.bincount(sign, minlength=len(SIGNS) + 1)
    top = int(np.argmax(counts))
    return SIGNS[top] if top < len(SIGNS) and counts[top] >= max(0.7 * counts.sum(), 3) else None


def _p_value(scene: Scene, account: Account, subject: Subject) -> float:
    """By relabelling within plates, one failed part a plate; the latest plates only where there are very many."""
    rows = account.rows[-RELABELLED_PLATES:]
    entries, start = entries_of(scene, rows)
    total, expected = np.repeat(scene.failures[rows], np.diff(start)), due_of(scene, rows, scene.odds)
    seed = zlib.crc32(f"{subject.type}:{subject.id}:{scene.night.as_of}".encode())
    count = scene.night.settings.plate_pattern.relabellings
    drawn = one_failure_each(expected, start, count, np.random.default_rng(seed))
    labels = np.zeros((count, len(entries)), dtype=np.float32)
    labels[np.arange(count)[:, None], drawn] = 1.0
    return scan_p_value(
        scene.failed[entries] / total, expected, start, scene.inside[scene.site[scene.part[entries]]], labels
    )


def _date(scene: Scene, day: int) -> dt.date:
    return scene.first_day + dt.timedelta(days=int(day))
