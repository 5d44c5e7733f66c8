"""Whose failure rate moved, or stands above its peers: every printer, lot, design, ... and every sign, at once.

Each stream's failures are held against its expectation; the evidence is that of ``stats.rate_scan``. The subject that
explains most is taken first, its effect is put into the expectation, and everything is looked at again, until nothing
is above its limit: so that a lot's trouble is not also filed as that of its printers.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from farmwatch.detectors.cells import FACTORS, SIGN_COUNT, Cells
from farmwatch.detectors.expected import HELD_OUT, Expectation, spell_mask
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.detectors.whose_fault import with_rivals
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.records import SIGNS
from farmwatch.stats.rate_scan import (
    DOWN_STEPS,
    UP_STEPS,
    Onset,
    ShiftTable,
    marginal,
    onset_interval,
    scan_shifts,
    shift_posterior,
)

TYPES: tuple[SubjectType, ...] = (
    "printer",
    "lot",
    "design",
    "file",
    "profile",
    "wash",
    "operator",
    "room",
    "family",
    "farm",
)
ALL_SIGNS = SIGN_COUNT  # the column of failures of every sign together
AFTER_WASH = ("tacky", "haze")
NEAR = 6.0  # log-likelihood within which another stream may be the better explanation
MOST = 0.75  # share of a group's failures from which they are one member's
RECAST = 2  # times that a shift is taken out of the expectation it was measured against
NARROW = ("printer", "lot", "design", "file")
STRETCHES = 4  # pieces of time over which a known effect may grow, as wear does
SAME_TIME_DAYS = 21  # onsets of one subject closer than this are of one fault


@dataclass(frozen=True)
class Stream:
    """One subject of one type, failures of one sign (a column) or of all."""

    type: SubjectType
    level: int
    sign: int


@dataclass(frozen=True)
class Candidate:
    """A stream that was looked at: ln R, how far it stands above its limit ``scale``, its onset, and its cells.

    ``moved``: (plates,) change of the stream's expected log odds once its shift is taken out of what others' effects
    soaked up; ``ratio``: observed over expected failures since the onset.
    """

    stream: Stream
    direction: int
    log_evidence: float
    score: float
    scale: float
    onset: Onset
    cells: np.ndarray
    moved: np.ndarray
    ratio: float


@dataclass(frozen=True)
class Roll:
    """The streams of one type by day, which no pass changes.

    ``codes``: (cells,); ``seen``: levels with plates; ``usable``: (cells used,) their numbers; ``level``, ``end``: (stream
    days,) the level of each sum, in order, and where its level ends; ``collect``: (stream days, cells used) sums cells;
    ``observed``: failures from each day on, by sign and of all, (stream days, signs + 2).
    """

    codes: np.ndarray
    seen: int
    usable: np.ndarray
    level: np.ndarray
    end: np.ndarray
    collect: sparse.csr_array
    observed: np.ndarray


@dataclass(frozen=True)
class Scene:
    """The night as arrays: what every pass of the explaining away shares. ``lift``: (cells, signs + 1) factors by
    which known effects raise each sign's expected failures."""

    night: Night
    expectation: Expectation
    cells: Cells
    trials: np.ndarray
    failures: np.ndarray
    plate: np.ndarray
    day: np.ndarray
    lift: np.ndarray
    table: ShiftTable
    rolls: dict[SubjectType, Roll]
    plain: dict[tuple[tuple[str, ...], bool], np.ndarray]


def detect(night: Night) -> Verdicts:
    """Evidence of every stream above its limit (and, down to a tenth of it, of what may be going on already)."""
    if night.expectation is None:
        raise ValueError("the rates need the night's fitted expectation")
    scene = _scene(night, night.expectation)
    told: list[tuple[Candidate, Scene, list[str]]] = []
    for candidate, others in _backward(scene, _forward(scene)):
        signs = next((signs for leader, _, signs in told if _one_story(leader, candidate)), None)
        if signs is None:
            told.append((candidate, others, []))
        elif candidate.stream.sign < len(SIGNS):
            signs.append(SIGNS[candidate.stream.sign])
    evidence = [with_rivals(_evidence(c, others, signs), night) for c, others, signs in told]
    return Verdicts(tuple(evidence), _checks(scene))


def _forward(scene: Scene) -> list[Candidate]:
    """Take the stream that explains most, put its effect into the expectation, look again, until nothing is left."""
    found: list[Candidate] = []
    known = {spell.subject for spell in scene.night.spells}
    floor = -scene.night.settings.rates.keep_within
    weighed: dict[Stream, list[Candidate]] = {}
    for _ in range(scene.night.settings.rates.findings_at_most):
        candidates = [c for c in _look(scene, weighed) if c.score >= floor and not _taken(c, found)]
        # what is below its limit counts only where it keeps a known finding alive
        candidates = [c for c in candidates if c.score >= 0 or subject_of(c.stream, scene.cells) in known]
        if not candidates:
            break
        best = _preferred(candidates, found, scene)
        found.append(best)
        lift = _lifted(scene, best)
        moved = np.flatnonzero((lift != scene.lift).any(axis=1))
        weighed = {
            stream: seen for stream, seen in weighed.items() if not np.isin(seen[0].cells, moved, kind="table").any()
        }
        scene = replace(scene, lift=lift)
    return found


def _backward(scene: Scene, found: list[Candidate]) -> list[tuple[Candidate, Scene]]:
    """Each find weighed once more with all the others explained: what was taken too early drops out here.

    Weakest first; returns what stands, in the order found, with the scene in which the others are explained.
    """
    floor = -scene.night.settings.rates.keep_within
    standing = list(found)
    weighed: dict[int, tuple[Candidate, Scene]] = {}
    for candidate in sorted(found, key=lambda c: c.score):
        others = scene
        for other in standing:
            if other is not candidate:
                others = replace(others, lift=_lifted(others, other))
        codes, _ = _codes(scene, candidate.stream.type)
        risk = _risk(others, HELD_OUT[candidate.stream.type], own_share=candidate.stream.type != "design")
        seen = len(np.unique(codes[(codes >= 0) & (scene.trials > 0)]))
        again = [c for c in _weigh(others, candidate.stream, codes, risk, seen) if c.direction == candidate.direction]
        if again and again[0].score >= floor:
            weighed[id(candidate)] = again[0], others
        else:
            standing.remove(candidate)
    return [weighed[id(candidate)] for candidate in standing]


def _one_story(one: Candidate, other: Candidate) -> bool:
    """Streams of one subject that moved at about the same time: one fault with several signs."""
    return (one.stream.type, one.stream.level, one.direction) == (
        other.stream.type,
        other.stream.level,
        other.direction,
    ) and abs(one.onset.day - other.onset.day) <= SAME_TIME_DAYS


def subject_of(stream: Stream, cells: Cells) -> Subject:
    if stream.type == "farm":
        return Subject("farm", "farm")
    return Subject(stream.type, str(cells.levels[FACTORS.index(stream.type)][stream.level]))


def _scene(night: Night, expectation: Expectation) -> Scene:
    cells = night.history.cells
    number = len(expectation.counts.trials)
    plate = cells.plate[:number]
    scene = Scene(
        night,
        expectation,
        cells,
        expectation.counts.trials,
        expectation.counts.failures,
        plate,
        cells.day[plate],
        np.ones((number, SIGN_COUNT)),
        ShiftTable(expectation.model),
        {},
        {},
    )
    lift, gone = scene.lift, np.zeros(number, bool)
    for spell in night.spells:
        if spell.until is not None:
            inside = spell_mask(spell, cells, number, night)
            if spell.sign is None or spell.subject.type in NARROW:
                gone |= inside  # what was at fault then testifies no more, for itself or against others
            else:
                lift = _lift_mask(replace(scene, lift=lift), inside, _sign_column(spell.sign))
    trials, failures = np.where(gone, 0.0, scene.trials), np.where(gone[:, None], 0.0, scene.failures)
    return replace(scene, lift=lift, trials=trials, failures=failures)


def _sign_column(sign: str | None) -> int:
    return ALL_SIGNS if sign is None else SIGNS.index(sign) if sign in SIGNS else SIGNS.index("other")


def _risk(
    scene: Scene, held_out: tuple[str, ...], own_share: bool, cells: np.ndarray | slice = slice(None)
) -> np.ndarray:
    """Expected failure probability by sign of a part of each of ``cells``, (cells, signs + 1), known effects in it."""
    key = held_out, own_share
    if key not in scene.plain:  # what no pass changes is reckoned once a night
        risk = 1.0 / (1.0 + np.exp(-scene.expectation.log_odds(held_out)))
        share = scene.expectation.share if own_share else scene.expectation.farm_share[None, :]
        scene.plain[key] = risk[:, None] * share
    by_sign = scene.plain[key][cells] * scene.lift[cells]
    total = by_sign @ np.ones(SIGN_COUNT)
    over = total > 0.95
    if over.any():
        by_sign[over] *= (0.95 / total[over])[:, None]
    return by_sign


def _codes(scene: Scene, kind: SubjectType) -> tuple[np.ndarray, int]:
    if kind == "farm":
        return np.zeros(len(scene.plate), dtype="int64"), 1
    column = FACTORS.index(kind)
    return scene.cells.codes[: len(scene.plate), column], len(scene.cells.levels[column])


def _look(scene: Scene, weighed: dict[Stream, list[Candidate]]) -> list[Candidate]:
    """The streams that may explain most, with their evidence; ``weighed``: what is known already, and is added to.

    Likeliest first by the cheap screen, until no stream left can come near the best.
    """
    waiting = []
    for kind in TYPES:
        if kind == "farm" and len(scene.cells.levels[FACTORS.index("room")]) == 1:
            continue  # one room is the farm; the room says more
        roll = _roll(scene, kind)
        if roll.seen == 0:
            continue
        risk = _risk(scene, HELD_OUT[kind], own_share=kind != "design")
        waiting += [(bound, stream, roll, risk) for bound, stream in _screen(scene, kind, roll, risk)]
    waiting.sort(key=lambda item: -item[0])
    candidates: list[Candidate] = []
    best = -np.inf
    for bound, stream, roll, risk in waiting:
        if bound < best - NEAR:
            break
        if stream not in weighed:
            weighed[stream] = _weigh(scene, stream, roll.codes, risk, roll.seen)
        candidates += weighed[stream]
        best = max(best, *(candidate.score for candidate in weighed[stream]))
    return candidates


def _roll(scene: Scene, kind: SubjectType) -> Roll:
    """The streams of one type, made once a night."""
    if kind not in scene.rolls:
        codes, _ = _codes(scene, kind)
        usable = np.flatnonzero((codes >= 0) & (scene.trials > 0))
        days = int(scene.day.max(initial=0)) + 1
        rows, row_of = np.unique(codes[usable] * days + scene.day[usable], return_inverse=True)
        shape = (len(rows), len(usable))
        collect = sparse.csr_array((np.ones(len(usable)), (row_of, np.arange(len(usable)))), shape=shape)
        level = rows // days
        end = np.searchsorted(level, level, side="right")
        observed = _since_sums(collect @ _with_total(scene.failures[usable]), end)
        scene.rolls[kind] = Roll(codes, len(np.unique(level)), usable, level, end, collect, observed)
    return scene.rolls[kind]


def _screen(scene: Scene, kind: SubjectType, roll: Roll, risk: np.ndarray) -> list[tuple[float, Stream]]:
    """Streams whose failures since some day lie far enough from their expectation to be worth the full look, each with a
    generous bound on its score.

    The signed deviance of a Poisson count, deflated for plate correlation, bounds the likelihood ratio well enough.
    """
    settings = scene.night.settings.rates
    observed = roll.observed
    usable = roll.usable
    expected = _since_sums(roll.collect @ _with_total(risk[usable] * scene.trials[usable, None]), roll.end)
    expected = np.maximum(expected, 1e-9)
    parts = scene.trials[usable].sum() / max(len(np.unique(scene.plate[usable])), 1)
    inflation = 1.0 + max(parts - 1.0, 0.0) * scene.expectation.rho * 0.5
    deviance = (observed * np.log(np.maximum(observed, 1e-300) / expected) - (observed - expected)) / inflation
    more = observed > expected
    enough = more & (observed >= settings.failures_at_least)
    enough[:, ALL_SIGNS] |= ~more[:, ALL_SIGNS]  # a single sign is not watched downwards
    bound = np.where(enough, deviance, 0.0) - _limits(scene, kind, roll.seen) + settings.screen
    bound[:, SIGN_COUNT - 1] = -1.0  # failures without a written sign are no sign
    first = np.flatnonzero(np.diff(roll.level, prepend=-1))
    top = np.maximum.reduceat(bound, first, axis=0)
    return [
        (float(top[row, sign]), Stream(kind, int(roll.level[first[row]]), int(sign)))
        for row, sign in np.argwhere(top > 0)
    ]


def _limits(scene: Scene, kind: SubjectType, streams: int) -> np.ndarray:
    """Limit on ln R of each sign's stream and of all signs together, (signs + 2,), upwards."""
    return np.array([np.log(_scale(scene, kind, streams, sign, 1)) for sign in range(SIGN_COUNT + 1)])


def _scale(scene: Scene, kind: SubjectType, streams: int, sign: int, direction: int) -> float:
    """What R must reach: so many nights to a false alarm of one stream that all of its kind keep to their budget."""
    settings, budget = scene.night.settings.rates, scene.night.settings.alarm_budget
    share = settings.share_of(kind)
    if direction < 0:
        share *= settings.share_down
    else:
        share *= 1.0 - settings.share_down
        share *= 1.0 - settings.share_signs if sign == ALL_SIGNS else settings.share_signs / len(SIGNS)
    return settings.limit_factor * 30.0 * streams / (budget.false_findings_per_month * budget.share_rates * share)


def _with_total(by_sign: np.ndarray) -> np.ndarray:
    return np.column_stack([by_sign, by_sign.sum(axis=1)])


def _since_sums(rows: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Sums from each row to the last row of its level, same shape as ``rows``."""
    total = np.vstack([np.zeros(rows.shape[1]), np.cumsum(rows, axis=0)])
    return total[end] - total[:-1]


@dataclass(frozen=True)
class StreamPlates:
    """A stream's plates in order of day: ``failures``, ``trials``, ``log_odds``, ``day``, ``plate``, each (plates,)."""

    failures: np.ndarray
    trials: np.ndarray
    log_odds: np.ndarray
    day: np.ndarray
    plate: np.ndarray


def _stream_plates(scene: Scene, sign: int, members: np.ndarray, risk: np.ndarray) -> StreamPlates:
    plate, row = np.unique(scene.plate[members], return_inverse=True)
    by_sign = scene.failures[members]
    y = by_sign.sum(axis=1) if sign == ALL_SIGNS else by_sign[:, sign]
    p = risk[members].sum(axis=1) if sign == ALL_SIGNS else risk[members, sign]
    n = scene.trials[members]
    trials = np.bincount(row, weights=n)
    mean = np.clip(np.bincount(row, weights=n * p) / trials, 1e-6, 0.97)
    failures = np.bincount(row, weights=y)
    order = np.argsort(scene.cells.day[plate], kind="stable")
    return StreamPlates(
        failures[order],
        trials[order],
        np.log(mean / (1.0 - mean))[order],
        scene.cells.day[plate][order],
        plate[order],
    )


def own_spread(expectation: Expectation, kind: SubjectType, sign: int) -> float:
    """Spread of a stream's own level among its peers: the fitted one, kept between what is credible for small farms."""
    sd = expectation.sd.get(kind, 0.15)
    low, high = (0.3, 1.0) if kind in ("design", "file") else (0.12, 0.45)
    sd = float(np.clip(sd, low, high))
    return sd if sign == ALL_SIGNS else float(np.hypot(sd, 0.3))


def _weigh(scene: Scene, stream: Stream, codes: np.ndarray, risk: np.ndarray, seen: int) -> list[Candidate]:
    """The stream's evidence upwards and, for failures of every sign, downwards."""
    members = np.flatnonzero((codes == stream.level) & (scene.trials > 0))
    plates = _stream_plates(scene, stream.sign, members, risk)
    sd = own_spread(scene.expectation, stream.type, stream.sign)
    by_day = _by_day(scene, plates)
    null = marginal(by_day[None], sd)
    out = []
    for direction in (1, -1) if stream.sign == ALL_SIGNS else (1,):
        scale = _scale(scene, stream.type, seen, stream.sign, direction)
        moved = np.zeros(len(plates.day))
        found = _candidate(stream, direction, plates, by_day, sd, scale, members, null, moved)
        for _ in range(RECAST):
            if found.score < -scene.night.settings.rates.screen:
                break  # too far below its limit for what others soaked up to matter
            moved, gain = _recast(scene, found, plates, risk)
            recast = replace(plates, log_odds=plates.log_odds + moved)
            found = _candidate(
                stream, direction, recast, _by_day(scene, recast), sd, scale, members, null - gain, moved
            )
        out.append(found)
    return out


def _by_day(scene: Scene, plates: StreamPlates) -> np.ndarray:
    """Log-likelihoods of the stream's days with a plate, (days, offsets)."""
    table = scene.table(plates.failures, plates.trials, plates.log_odds)
    return np.add.reduceat(table, np.unique(plates.day, return_index=True)[1], axis=0)


def _candidate(
    stream: Stream,
    direction: int,
    plates: StreamPlates,
    by_day: np.ndarray,
    sd: float,
    scale: float,
    members: np.ndarray,
    null: np.ndarray,
    moved: np.ndarray,
) -> Candidate:
    days = np.unique(plates.day)
    steps = UP_STEPS if direction > 0 else DOWN_STEPS
    scan = scan_shifts(by_day[None], np.ones((1, len(days)), bool), sd, steps, direction < 0, null)
    evidence = float(scan.log_evidence[0])
    onset = onset_interval(scan.onset_log_weight[0])
    after = plates.day >= days[onset.day]
    odds = (plates.failures[after].sum() + 1.0) / (plates.trials / (1.0 + np.exp(-plates.log_odds)) @ after + 1.0)
    onset = replace(onset, day=int(days[onset.day]), low=_low_day(days, onset), high=int(days[onset.high]))
    return Candidate(
        stream, direction, evidence, evidence - float(np.log(scale)), scale, onset, members, moved, float(odds)
    )


def _recast(scene: Scene, found: Candidate, plates: StreamPlates, risk: np.ndarray) -> tuple[np.ndarray, float]:
    """How the stream's log odds move, (plates,), once its shift is taken out of what others' effects soaked up."""
    members = found.cells
    by_sign = risk[members].sum(axis=1) if found.stream.sign == ALL_SIGNS else risk[members, found.stream.sign]
    after = scene.day[members] >= found.onset.day
    more = scene.trials[members] * np.minimum(by_sign * (found.ratio - 1.0), 0.95 - by_sign)
    move, gain = scene.expectation.without_shift(members[after], more[after], members, HELD_OUT[found.stream.type])
    row = np.searchsorted(np.sort(plates.plate), scene.plate[members])
    weight = np.bincount(row, weights=scene.trials[members])
    mean = np.bincount(row, weights=scene.trials[members] * np.clip(move, -2.0, 2.0)) / weight
    return mean[np.argsort(np.argsort(plates.plate))], gain


def _low_day(days: np.ndarray, onset: Onset) -> int:
    """The interval's lower end on the calendar: the day after the last plate that lies before it."""
    return int(days[onset.low - 1]) + 1 if onset.low > 0 else int(days[0])


def _taken(candidate: Candidate, found: list[Candidate]) -> bool:
    """Whether this stream was taken already, at about this time or in the other direction."""
    return any(
        candidate.stream == earlier.stream
        and (candidate.direction != earlier.direction or abs(candidate.onset.day - earlier.onset.day) <= SAME_TIME_DAYS)
        for earlier in found
    )


def _preferred(candidates: list[Candidate], found: list[Candidate], scene: Scene) -> Candidate:
    """The candidate that explains most; of near ties a subject that is at fault already, the wash station for what shows
    after washing, and the one printer that holds most of the failures of its family, room or farm."""
    best = max(candidates, key=lambda c: c.score)
    culprits = {(c.stream.type, c.stream.level) for c in found}
    again = [
        c
        for c in candidates
        if (c.stream.type, c.stream.level) in culprits and c.log_evidence > best.log_evidence - 3.0
    ]
    if again:
        return max(again, key=lambda c: c.score)
    close = [c for c in candidates if c.direction == best.direction and c.log_evidence > best.log_evidence - 5.0]
    if best.stream.sign < len(SIGNS) and SIGNS[best.stream.sign] in AFTER_WASH:
        close = [c for c in close if c.stream.type == "wash"]
    elif best.stream.type in ("family", "room", "farm"):
        fails = scene.failures.sum(axis=1)
        mine = best.cells[scene.day[best.cells] >= best.onset.day]
        close = [
            c
            for c in close
            if c.stream.type == "printer" and fails[np.intersect1d(mine, c.cells)].sum() >= MOST * fails[mine].sum()
        ]
    else:
        return best
    return max(close, key=lambda c: c.score, default=best)


def _lifted(scene: Scene, found: Candidate) -> np.ndarray:
    inside = np.zeros(len(scene.plate), bool)
    inside[found.cells] = scene.day[found.cells] >= found.onset.day
    return _lift_mask(scene, inside, found.stream.sign)


def _lift_mask(scene: Scene, inside: np.ndarray, sign: int) -> np.ndarray:
    """``lift`` with the effect seen on the cells ``inside`` put into it: observed over expected, by sign and stretch of
    time, so that what grows is explained as it grows."""
    if not inside.any():
        return scene.lift
    cells = np.flatnonzero(inside)
    added = _risk(scene, (), True, cells) * scene.trials[cells, None]
    failures, day = scene.failures[cells], scene.day[cells]
    stretch = STRETCHES * (day - day.min()) // (day.max() - day.min() + 1)
    asked = np.ones(SIGN_COUNT, bool) if sign == ALL_SIGNS else np.arange(SIGN_COUNT) == sign
    # each sign's factor is drawn towards that of all signs asked about, each stretch's towards that of the whole time
    observed, expected = failures.sum(axis=0), added.sum(axis=0)
    overall = (observed[asked].sum() + 1.0) / (expected[asked].sum() + 1.0)
    whole = (observed + 2.0 * overall) / (expected + 2.0)
    lift = scene.lift.copy()
    for number in range(STRETCHES):
        part = stretch == number
        observed, expected = failures[part].sum(axis=0), added[part].sum(axis=0)
        lift[cells[part]] *= np.where(asked, (observed + 3.0 * whole) / (expected + 3.0), 1.0)
    return lift


def _evidence(found: Candidate, scene: Scene, other_signs: list[str]) -> Evidence:
    stream, onset = found.stream, found.onset
    risk = _risk(scene, HELD_OUT[stream.type], own_share=stream.type != "design")
    plates = _stream_plates(scene, stream.sign, found.cells, risk)
    plates = replace(plates, log_odds=plates.log_odds + found.moved)
    table = scene.table(plates.failures, plates.trials, plates.log_odds)
    after = plates.day >= onset.day
    sd = own_spread(scene.expectation, stream.type, stream.sign)
    shift = shift_posterior(table[~after].sum(axis=0), table[after].sum(axis=0), sd)
    level = onset.first_mass >= 0.5 or not (~after).any()
    own = 0.0 if level else shift.own_level
    expected = plates.trials / (1.0 + np.exp(-(plates.log_odds + own)))
    failing = plates.plate[after & (plates.failures > 0)]
    return Evidence(
        kind="rate_level" if level else "rate_shift",
        subject=subject_of(stream, scene.cells),
        since=_date(scene, int(plates.day[0]) if level else onset.day),
        since_low=_date(scene, int(plates.day[0]) if level else onset.low),
        since_high=_date(scene, onset.high),
        observed=float(plates.failures[after].sum()),
        expected=float(expected[after].sum()),
        opportunities=float(plates.trials[after].sum()),
        unit="parts" if scene.night.plates["parts"].iloc[plates.plate].sum() > 0 else "plates",
        effect=float(np.exp(shift.log_odds_ratio)),
        effect_low=float(np.exp(shift.low)),
        effect_high=float(np.exp(shift.high)),
        effect_unit="odds ratio",
        error_rate=float(min(scene.night.settings.alarm_budget.false_findings_per_month * np.exp(-found.score), 30.0)),
        score=found.score,
        direction="up" if found.direction > 0 else "down",
        sign=_leading_sign(found, scene),
        detail={
            "plates": int(after.sum()),
            "plates_with_failures": len(failing),
            "own_level_log_odds": shift.own_level,
            "log_odds_ratio": shift.log_odds_ratio,
            "standard_error": shift.standard_error,
            "plate_correlation": scene.expectation.rho,
            "log_evidence": found.log_evidence,
            "other_signs": other_signs,
        },
        run_ids=tuple(scene.night.plates["run_id"].iloc[failing].astype(str)),
    )


def _leading_sign(found: Candidate, scene: Scene) -> str | None:
    """The sign that carries at least seven tenths of the excess, else None."""
    if found.stream.sign != ALL_SIGNS:
        return SIGNS[found.stream.sign]
    inside = found.cells[scene.day[found.cells] >= found.onset.day]
    risk = _risk(scene, HELD_OUT[found.stream.type], own_share=found.stream.type != "design")
    excess = scene.failures[inside].sum(axis=0) - (risk[inside] * scene.trials[inside, None]).sum(axis=0)
    gain = np.maximum(excess * found.direction, 0.0)
    top = int(np.argmax(gain))
    return SIGNS[top] if top < len(SIGNS) and gain[top] >= 0.7 * gain.sum() and gain[top] >= 3.0 else None


def _date(scene: Scene, day: int) -> dt.date:
    return (scene.cells.first_day + np.timedelta64(day, "D")).date()


def _checks(scene: Scene) -> tuple[Check, ...]:
    """How many subjects of each type were looked at, and which types the records do not name."""
    checks = []
    for kind in TYPES:
        codes, _ = _codes(scene, kind)
        seen = np.unique(codes[(codes >= 0) & (scene.trials > 0)])
        if len(seen) == 0:
            checks.append(Check("rates", "too_few", kind, None, f"no plate names its {kind}"))
        else:
            checks.append(Check("rates", "clear", kind, None, "", len(seen)))
    return tuple(checks)
