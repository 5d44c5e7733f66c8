"""The streams of plates that are watched for a place that fails more: one a subject and group, weighed by restart sums.

All plates of a large farm are too many to hold against every zone at a time: streams are weighed piece by piece.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from farmwatch.detectors.plate_scene import ROWS_AT_ONCE, Scene, levels_of, shares_of
from farmwatch.evidence import SubjectType
from farmwatch.stats.onsets import candidate_days, restart_sums
from farmwatch.stats.plate_limit import FROM_FIRST, relief
from farmwatch.stats.plate_scan import log_e_values, reference_odds, steepest, tilt
from farmwatch.stats.zones import zone_dictionary

SIGNED_TYPES = ("printer", "family", "farm")
RATIOS = (2.5, 6.0)  # no odds ratio from 2 to 10 grows by less than seven eighths of what its own would


@dataclass(frozen=True)
class Streams:
    """One type's streams.

    ``order`` sorts the scene's rows by group, level, time, each with its ``day_weight``; ``start``, ``group``, ``level``,
    ``reference`` of each run of rows of one group and level, the shares ``summed`` over its plates, (2, streams, zones:
    observed and expected), and its log evidence ``log_e``, (streams,). Per level: ``log_sum`` evidence, ``score`` the same
    over the ``log_limit``, ``telling`` plates. ``per_month``: false findings a farm-month allowed to the type.
    """

    type: SubjectType
    names: tuple[str, ...]
    order: np.ndarray
    day_weight: np.ndarray
    start: np.ndarray
    group: np.ndarray
    level: np.ndarray
    summed: np.ndarray
    reference: np.ndarray
    log_e: np.ndarray
    log_limit: np.ndarray
    telling: np.ndarray
    per_month: float

    @property
    def plates(self) -> np.ndarray:
        """Of each stream, (streams,)."""
        return np.diff(np.append(self.start, len(self.order)))

    @property
    def log_sum(self) -> np.ndarray:
        """Logarithm of each subject's evidence over its groups of failures, (names,); -inf for none."""
        total = np.full(len(self.names), -np.inf)
        np.logaddexp.at(total, self.level, self.log_e)
        return total

    @property
    def score(self) -> np.ndarray:
        """Log of evidence over limit, (names,): above 0 a finding."""
        return self.log_sum - self.log_limit


def streams_of(scene: Scene, kind: SubjectType) -> Streams | None:
    """Restart sums of every subject of one type; None where the type has one level only and says nothing of its own."""
    settings, budget = scene.night.settings.plate_pattern, scene.night.settings.alarm_budget
    by_plate, names = levels_of(scene.night, kind)
    level = by_plate[scene.plate]
    whole = scene.group == 0
    telling = np.bincount(level[whole & (level >= 0)], minlength=len(names))
    seen = np.flatnonzero(telling >= settings.plates_at_least)
    if not len(seen) or (kind in ("family", "profile", "room") and (telling > 0).sum() < 2):
        return None
    # a sign has a place of its own through a machine; bottles, profiles and rooms are seen through all failures
    rows = np.flatnonzero(np.isin(level, seen) & (whole | (kind in SIGNED_TYPES)))
    order = rows[np.lexsort((scene.day[rows], level[rows], scene.group[rows]))]
    start = np.flatnonzero(np.diff(scene.group[order] * len(names) + level[order], prepend=-1))
    weight = candidate_days(scene.day[order], start, 0) + 0.0
    weight[start] += from_first(scene, by_plate, telling)[level[order][start]]
    allowed = budget.of_outcomes * budget.share_plate_pattern * settings.share_of(kind)
    zones = zone_dictionary()
    streams = Streams(
        type=kind,
        names=tuple(map(str, names)),
        order=order,
        day_weight=weight,
        start=start,
        group=scene.group[order][start],
        level=level[order][start],
        summed=np.zeros((2, len(start), len(zones))),
        reference=np.ones((len(start), len(zones)), dtype=np.float32),
        log_e=np.full(len(start), -np.inf),
        log_limit=_log_limits(scene, by_plate, telling, 30.0 * len(seen) / allowed),
        telling=telling,
        per_month=allowed,
    )
    every = np.ones(len(start), bool)
    streams = replace(streams, summed=_summed(scene, streams, every))
    return _weighed(scene, streams, _references(scene, streams), every)


def renewed(scene: Scene, streams: Streams, floor: float) -> Streams:
    """The streams after a finding. Those are looked at again that have plates of the latest one, and those that might now
    reach the score ``floor``, as what the others show has moved: by no more than their plates let them rise.
    """
    touched = np.zeros(len(streams.names), bool)
    touched[streams.level[np.logical_or.reduceat(scene.silent[-1].rows[streams.order], streams.start)]] = True
    mine = touched[streams.level]
    streams = replace(streams, summed=_summed(scene, streams, mine))
    reference = _references(scene, streams)
    fall = np.log(streams.reference / reference).max(axis=1)
    rise = np.zeros(len(streams.names))
    np.maximum.at(rise, streams.level, steepest(max(RATIOS)) * streams.plates * fall)
    return _weighed(scene, streams, reference, mine | (streams.score + rise >= floor)[streams.level])


def _pieces(streams: Streams, which: np.ndarray) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray, bool]]:
    """The rows of some streams, ``which``, the last ones first, not too many at a time: places in ``order``, which streams
    these are and where each begins among them; and whether the last of them goes on in the piece that came before.
    """
    number = np.flatnonzero(which)
    length = streams.plates[number]
    ends = np.cumsum(length)
    place = np.arange(ends[-1] if len(ends) else 0) + np.repeat(streams.start[number] - (ends - length), length)
    high = len(place)
    while high:
        low = max(high - ROWS_AT_ONCE, 0)
        border = (ends - length)[np.searchsorted(ends - length, low)] if low <= (ends - length)[-1] else high
        low = int(border) if border < high else low
        here = np.searchsorted(ends, [low, high - 1], side="right")
        inside = np.arange(here[0], here[1] + 1)
        yield place[low:high], number[inside], np.maximum((ends - length)[inside] - low, 0), bool(ends[here[1]] > high)
        high = low


def _summed(scene: Scene, streams: Streams, which: np.ndarray) -> np.ndarray:
    """``streams.summed`` with the sums of some streams, ``which``, made anew; a farm is compared with nobody."""
    summed = streams.summed.copy()
    if streams.type != "farm":
        summed[:, which] = 0.0
        for place, number, start, _ in _pieces(streams, which):
            for side, share in enumerate(shares_of(scene, streams.order[place])):
                summed[side, number] += np.add.reduceat(share, start)
    return summed


def _references(scene: Scene, streams: Streams) -> np.ndarray:
    """What each zone holds among the others, by stream, as odds against the rest of the plate, (streams, zones)."""
    if streams.type == "farm":
        return streams.reference
    group_start = np.flatnonzero(np.diff(streams.group, prepend=-1))
    prior = scene.night.settings.plate_pattern.reference_plates
    return reference_odds(streams.summed[0], streams.summed[1], streams.plates, group_start, prior).astype(np.float32)


def _weighed(scene: Scene, streams: Streams, reference: np.ndarray, which: np.ndarray) -> Streams:
    """The streams with the evidence of some of them, ``which``, made anew against ``reference``."""
    zones = zone_dictionary()
    log_e = np.full((len(RATIOS), len(streams.start)), -np.inf)
    carried = np.zeros((len(RATIOS), len(zones)), np.float32)
    for place, number, start, goes_on in _pieces(streams, which):
        observed, expected = shares_of(scene, streams.order[place])
        odds = np.repeat(reference[number], np.diff(np.append(start, len(place))), axis=0)
        # equal shares say nothing, nor shall they against the others' pattern
        expected = np.where(observed == expected, observed, tilt(expected, odds))
        for one, ratio in enumerate(RATIOS):
            each = log_e_values(observed, expected, ratio)
            if goes_on:
                each[-1] += carried[one]
            found = restart_sums(each, start, streams.day_weight[place], zones.weight)
            log_e[one, number] = np.logaddexp(log_e[one, number], found)
            carried[one] = each[: start[1] if len(start) > 1 else None].sum(axis=0)
    prior = group_prior(scene, streams.type)[streams.group] - np.log(len(RATIOS))
    return replace(
        streams,
        reference=np.where(which[:, None], reference, streams.reference),
        log_e=np.where(which, np.logaddexp.reduce(log_e, axis=0) + prior, streams.log_e),
    )


def _log_limits(scene: Scene, by_plate: np.ndarray, telling: np.ndarray, nights: float) -> np.ndarray:
    """Logarithm of each level's limit, (levels,): the bound for one false alarm in so many ``nights``, less what a stream of
    so few plates is below it."""
    a_day = _telling_a_day(scene, by_plate, telling)
    return np.asarray(np.log(nights) - relief(np.maximum(telling, 1), np.log(nights * a_day)))


def from_first(scene: Scene, by_plate: np.ndarray, telling: np.ndarray) -> np.ndarray:
    """For how many candidate days an onset at the subject's first plate counts on top, (levels,): as many as FROM_FIRST
    telling plates take; none where the window does not reach back to it."""
    settings, day = scene.night.settings.plate_pattern, scene.night.plates["day"].to_numpy()
    old = day < np.datetime64(scene.night.as_of - dt.timedelta(days=settings.window_days - 1))
    seen_before = np.bincount(by_plate[old & (by_plate >= 0)], minlength=len(telling)) > 0
    return np.where(seen_before, 0.0, FROM_FIRST / _telling_a_day(scene, by_plate, telling))


def _telling_a_day(scene: Scene, by_plate: np.ndarray, telling: np.ndarray) -> np.ndarray:
    """Telling plates of each level a day since its first, at least one in all, (levels,)."""
    whole = scene.group == 0
    level, day = by_plate[scene.plate[whole]], scene.day[whole]
    days = np.ones(len(telling))
    np.maximum.at(days, level[level >= 0], day[level >= 0] + 1)
    return np.asarray(np.maximum(telling, 1) / days)


def group_prior(scene: Scene, kind: SubjectType) -> np.ndarray:
    """Logarithm of each group's share of a subject's evidence, (groups,)."""
    signs = len(scene.groups) - 1 if kind in SIGNED_TYPES else 0
    share = scene.night.settings.plate_pattern.share_signs if signs else 0.0
    return np.log(np.array([1.0 - share, *[share / max(signs, 1)] * signs]))
