"""Where on the plate: does one place fail more than the plate around it, plate after plate, and whose is it?

Every plate is its own control (``stats.plate_scan``): only plates on which some parts failed and some did not speak, and
each counts once, so a plate whose parts pull each other down is no alarm. A subject is compared with what the other
subjects' plates show, so that a pattern of the whole farm is not filed as each printer's. The strongest pattern is taken
first and put into the expectation, and everything is looked at again.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np

from farmwatch.detectors.night import Night, Verdicts
from farmwatch.detectors.pattern_counts import counts_in_zone
from farmwatch.detectors.plate_account import Account, Segment, account_for, carrying_printer, evidence_of, segment_of
from farmwatch.detectors.plate_scene import Scene, explained, levels_of, set_scene
from farmwatch.detectors.whose_fault import with_rivals
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.stats.onsets import candidate_days, restart_sums
from farmwatch.stats.plate_limit import FROM_FIRST, relief
from farmwatch.stats.plate_scan import log_e_values, reference_odds, tilt
from farmwatch.stats.zones import zone_dictionary

TYPES: tuple[SubjectType, ...] = ("printer", "family", "profile", "lot", "room", "farm")
SIGNED_TYPES = ("printer", "family", "farm")
FAR_BELOW = 3.0  # log evidence that the finding of one subject may lend to another, at most
RATIOS = (2.5, 6.0)  # no odds ratio from 2 to 10 grows by less than seven eighths of what its own would
NO_PLATES = "no plate with both good and failed parts at known positions"


@dataclass(frozen=True)
class Streams:
    """One type's streams.

    ``order`` sorts the scene's rows by group, level, time; ``start``, ``group``, ``level``, ``reference`` of each run of
    rows of one group and level. Per level: ``log_sum`` evidence, ``score`` the same over the limit, ``telling`` plates.
    ``per_month``: false findings a farm-month allowed to the type.
    """

    type: SubjectType
    names: tuple[str, ...]
    order: np.ndarray
    start: np.ndarray
    group: np.ndarray
    level: np.ndarray
    reference: np.ndarray
    log_sum: np.ndarray
    score: np.ndarray
    telling: np.ndarray
    per_month: float


def detect(night: Night) -> Verdicts:
    """Evidence of every subject whose failures prefer a place (and, down to a tenth of the limit, of what is going on)."""
    scene = set_scene(night)
    if scene is None:
        return Verdicts((), (Check("plate_pattern", "too_few", "farm", "farm", NO_PLATES),))
    settings = night.settings.plate_pattern
    evidence: list[Evidence] = []
    dismissed: set[Subject] = set()
    known = {spell.subject for spell in night.spells}
    families = _all_streams(scene)
    checks = _checks(scene, families)
    while len(evidence) < settings.findings_at_most:
        best = _strongest(families, dismissed, known, -settings.keep_within)
        if best is None:
            break
        streams, level, account = _narrowed(scene, families, best, -settings.keep_within)
        subject = Subject(streams.type, streams.names[level])
        made = evidence_of(scene, subject, account, float(streams.score[level]), streams.per_month)
        if made.effect_low < settings.odds_ratio_at_least:
            # too weak to need a hand; and so is the wider subject that it was narrowed from
            dismissed |= {subject, Subject(best[0].type, best[0].names[best[1]])}
            continue
        counts = counts_in_zone(night, account.zone, scene.groups[account.group], made)
        evidence.append(with_rivals(made, night, counts))
        scene = explained(scene, account.zone, _touched(scene, streams.type, level, account))
        families = _renewed(scene, families, streams.type, -settings.keep_within)
    flagged = {made.subject for made in evidence}
    return Verdicts(tuple(evidence), tuple(_marked(check, flagged) for check in checks))


def _narrowed(
    scene: Scene, families: list[Streams], best: tuple[Streams, int], floor: float
) -> tuple[Streams, int, Account]:
    """The account of ``best``, or of the printer that carries most of a wider subject's evidence and stands by itself."""
    streams, level = best
    account = account_for(scene, _segments(scene, streams, level))
    printer = None if streams.type == "printer" else carrying_printer(scene, account)
    printers = next((family for family in families if family.type == "printer"), None)
    if printer is None or printers is None or printers.score[printer] < floor:
        return streams, level, account
    return printers, printer, account_for(scene, _segments(scene, printers, printer))


def _all_streams(scene: Scene) -> list[Streams]:
    return [streams for kind in TYPES if (streams := streams_of(scene, kind)) is not None]


def _renewed(scene: Scene, families: list[Streams], found: SubjectType, floor: float) -> list[Streams]:
    """Streams after a finding: its own type and every type in which something stands near the limit, looked at again.

    What lies far below cannot rise that far: the comparison with others moves by what one subject weighs among them.
    """
    renewed = []
    for streams in families:
        if streams.type == found or streams.score.max() >= floor - FAR_BELOW:
            again = streams_of(scene, streams.type)
            renewed += [] if again is None else [again]
        else:
            renewed.append(streams)
    return renewed


def _touched(scene: Scene, kind: SubjectType, level: int, account: Account) -> np.ndarray:
    """Rows of ``night.plates``: the subject's telling plates since the earliest credible onset."""
    by_plate, _ = levels_of(scene.night, kind)
    return np.unique(scene.plate[(by_plate[scene.plate] == level) & (scene.day >= account.onset.low)])


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
    key = scene.group[order] * len(names) + level[order]
    start = np.flatnonzero(np.diff(key, prepend=-1))
    group_start = np.flatnonzero(np.diff(scene.group[order], prepend=-1))
    observed, expected = scene.observed[order], scene.expected[order]
    if kind == "farm":
        reference = np.ones((len(start), observed.shape[1]), dtype=np.float32)
    else:
        reference = reference_odds(observed, expected, group_start, start, settings.reference_plates).astype(np.float32)
    length = np.diff(np.append(start, len(order)))
    # equal shares say nothing, nor shall they against the others' pattern
    expected = np.where(observed == expected, observed, tilt(expected, np.repeat(reference, length, axis=0)))
    weight = candidate_days(scene.day[order], start, 0) + 0.0
    weight[start] += _from_first(scene, by_plate, telling)[level[order][start]]
    zones = zone_dictionary()
    by_ratio = [restart_sums(log_e_values(observed, expected, ratio), start, weight, zones.weight) for ratio in RATIOS]
    group = scene.group[order][start]
    prior = _group_prior(scene, kind)[group] - np.log(len(RATIOS))
    total = np.full(len(names), -np.inf)
    for one in by_ratio:
        np.logaddexp.at(total, level[order][start], one + prior)
    allowed = budget.of_outcomes * budget.share_plate_pattern * settings.share_of(kind)
    return Streams(
        type=kind,
        names=tuple(map(str, names)),
        order=order,
        start=start,
        group=group,
        level=level[order][start],
        reference=reference,
        log_sum=total,
        score=total - _log_limits(scene, by_plate, telling, 30.0 * len(seen) / allowed),
        telling=telling,
        per_month=allowed,
    )


def _log_limits(scene: Scene, by_plate: np.ndarray, telling: np.ndarray, nights: float) -> np.ndarray:
    """Logarithm of each level's limit, (levels,): the bound for one false alarm in so many ``nights``, less what a stream of
    so few plates is below it."""
    a_day = _telling_a_day(scene, by_plate, telling)
    return np.asarray(np.log(nights) - relief(np.maximum(telling, 1), np.log(nights * a_day)))


def _from_first(scene: Scene, by_plate: np.ndarray, telling: np.ndarray) -> np.ndarray:
    """For how many candidate days an onset at the subject's first plate counts on top, (levels,): as many as FROM_FIRST
    telling plates take; none where the window does not reach back to it."""
    settings, day = scene.night.settings.plate_pattern, scene.night.plates["day"].to_numpy()
    old = day < np.datetime64(scene.night.as_of - dt.timedelta(days=settings.window_days - 1))
    seen_before = np.bincount(by_plate[old & (by_plate >= 0)], minlength=len(telling)) > 0
    return np.where(seen_before, 0.0, FROM_FIRST / _telling_a_day(scene, by_plate, telling))


def _telling_a_day(scene: Scene, by_plate: np.ndarray, telling: np.ndarray) -> np.ndarray:
    whole = scene.group == 0
    level, day = by_plate[scene.plate[whole]], scene.day[whole]
    days = np.ones(len(telling))
    np.maximum.at(days, level[level >= 0], day[level >= 0] + 1)
    return np.asarray(np.maximum(telling, 1) / days)


def _segments(scene: Scene, streams: Streams, level: int) -> list[Segment]:
    prior = _group_prior(scene, streams.type)
    ends = np.append(streams.start[1:], len(streams.order))
    by_plate, _ = levels_of(scene.night, streams.type)
    plates = np.flatnonzero((by_plate == level) & (scene.plate_day >= 0))
    from_first = float(_from_first(scene, by_plate, streams.telling)[level])
    return [
        segment_of(
            scene,
            int(streams.group[piece]),
            streams.order[streams.start[piece] : ends[piece]],
            plates,
            streams.reference[piece],
            float(prior[streams.group[piece]]),
            from_first,
        )
        for piece in np.flatnonzero(streams.level == level)
    ]


def _group_prior(scene: Scene, kind: SubjectType) -> np.ndarray:
    signs = len(scene.groups) - 1 if kind in SIGNED_TYPES else 0
    share = scene.night.settings.plate_pattern.share_signs if signs else 0.0
    return np.log(np.array([1.0 - share, *[share / max(signs, 1)] * signs]))


def _strongest(
    families: list[Streams], dismissed: set[Subject], known: set[Subject], floor: float
) -> tuple[Streams, int] | None:
    """What stands highest over its limit; below it, down to ``floor``, only who is ``known``."""
    best: tuple[Streams, int] | None = None
    for streams in families:
        for level in np.argsort(-streams.score, kind="stable"):
            score = streams.score[level]
            if score < floor:
                break
            subject = Subject(streams.type, streams.names[level])
            if subject in dismissed or (score < 0.0 and subject not in known):
                continue
            if best is None or score > best[0].score[best[1]]:
                best = (streams, int(level))
            break
    return best


def _marked(check: Check, flagged: set[Subject]) -> Check:
    return replace(check, state="flagged") if Subject(check.subject_type, check.subject_id or "") in flagged else check


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
