"""The rates' night as arrays: expected failures of every cell by sign, what known effects add, the streams by day."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse

from farmwatch.detectors.cells import FACTORS, SIGN_COUNT, Cells
from farmwatch.detectors.expected import HELD_OUT, Expectation, spell_mask
from farmwatch.detectors.night import Night
from farmwatch.evidence import SUBJECT_TYPES, Subject, SubjectType
from farmwatch.records import SIGNS
from farmwatch.stats.raised import even_share, ratio_towards
from farmwatch.stats.rate_scan import ShiftTable

TYPES = tuple(kind for kind in SUBJECT_TYPES if kind != "run")
ALL_SIGNS = SIGN_COUNT  # the column of failures of every sign together
NARROW = ("printer", "lot", "design", "file")
RATE_KINDS = ("rate_shift", "rate_level")
STRETCHES = 4  # pieces of time over which a known effect may grow, as wear does
# spreads, on the log scale, of a fault's effect: on all signs, on one of them (most are none of its business), in one
# stretch of its time; a judgement, and wide
OVERALL_SD, SIGN_SD, STRETCH_SD = 1.5, 2.0, 0.7
TOLD_SIGN_SD = 0.3  # of one sign where the rates have not looked whose it is
OTHERS_TELL = 20.0  # failures of everybody else before their share of a sign counts as much as the farm's
MOST_RISK = 0.95  # a part's failure is never taken for certain


@dataclass(frozen=True)
class Stream:
    """One subject of one type, failures of one sign (a column) or of all."""

    type: SubjectType
    level: int
    sign: int


@dataclass(frozen=True)
class Roll:
    """The streams of one type by day, which no pass of the explaining away changes.

    A unit is what the type's names go by: a plate, or for designs a cell. ``levels``: those with plates; ``members``:
    the cells of each of them; ``level``, ``end``: (stream days,) the level of each sum, in order, and where its level
    ends; ``collect``: (stream days, units) sums units; ``observed``: failures from each day on, by sign and of all,
    (stream days, signs + 2); ``parts_a_plate``: mean.
    """

    levels: np.ndarray
    members: dict[int, np.ndarray]
    level: np.ndarray
    end: np.ndarray
    collect: sparse.csr_array
    observed: np.ndarray
    parts_a_plate: float


@dataclass(frozen=True)
class Scene:
    """The night as arrays: what every pass of the explaining away shares. ``plate``, ``day``, ``trials``: (cells,);
    ``failures``, ``lift``, ``added``: (cells, signs + 1), by what factor known effects raise a part's risk, and what they add
    to it that is the same for every part, however risky;
    ``first``: (plates,) the first cell of each plate that has cells; ``sign_failures``: (signs + 1,) of the whole farm, known
    faults apart."""

    night: Night
    expectation: Expectation
    cells: Cells
    trials: np.ndarray
    failures: np.ndarray
    plate: np.ndarray
    day: np.ndarray
    first: np.ndarray
    sign_failures: np.ndarray
    lift: np.ndarray
    added: np.ndarray
    table: ShiftTable
    rolls: dict[SubjectType, Roll]
    plain: dict[tuple[str, ...], np.ndarray]


def set_scene(night: Night, expectation: Expectation) -> Scene:
    """The scene with the spells of mended findings out of it: their plates testify no more, or, of a wider subject or one
    sign of it, the effect seen is put into the expectation."""
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
        np.flatnonzero(np.diff(plate, prepend=-1)),
        expectation.counts.failures[expectation.sound].sum(axis=0),
        np.ones((number, SIGN_COUNT)),
        np.zeros((number, SIGN_COUNT)),
        ShiftTable(expectation.model),
        {},
        {},
    )
    gone = np.zeros(number, bool)
    for spell in night.spells:
        if spell.until is not None:
            inside = spell_mask(spell, cells, number, night)
            if spell.sign is None or spell.subject.type in NARROW:
                gone |= inside
            else:
                scene = with_effect(scene, inside, sign_column(spell.sign))
    trials, failures = np.where(gone, 0.0, scene.trials), np.where(gone[:, None], 0.0, scene.failures)
    sign_failures = failures[expectation.sound].sum(axis=0)
    return replace(scene, trials=trials, failures=failures, sign_failures=sign_failures)


def sign_column(sign: str | None) -> int:
    return ALL_SIGNS if sign is None else SIGNS.index(sign) if sign in SIGNS else SIGNS.index("other")


def subject_of(stream: Stream, cells: Cells) -> Subject:
    if stream.type == "farm":
        return Subject("farm", "farm")
    return Subject(stream.type, str(cells.levels[FACTORS.index(stream.type)][stream.level]))


def expected_risk(scene: Scene, held_out: tuple[str, ...], cells: np.ndarray, own_share: bool = True) -> np.ndarray:
    """Expected failure probability by sign of a part of each of ``cells``, (cells, signs + 1), known effects in it."""
    if held_out not in scene.plain:  # what no pass changes is reckoned once a night
        scene.plain[held_out] = 1.0 / (1.0 + np.exp(-scene.expectation.log_odds(held_out)))
    share = scene.expectation.share[cells] if own_share else scene.expectation.farm_share[None, :]
    by_sign = scene.plain[held_out][cells, None] * share * scene.lift[cells] + scene.added[cells]
    total = by_sign @ np.ones(SIGN_COUNT)
    over = total > MOST_RISK
    if over.any():
        by_sign[over] *= (MOST_RISK / total[over])[:, None]
    return by_sign


def stream_risk(scene: Scene, kind: SubjectType, cells: np.ndarray) -> np.ndarray:
    """Expected failure probability by sign where a subject of this type is under test: without its own effect and habit."""
    return expected_risk(scene, HELD_OUT[kind], cells, own_share=kind != "design")


def own_risk(scene: Scene, stream: Stream, members: np.ndarray) -> np.ndarray:
    """``stream_risk`` of the stream's cells ``members``, the share of its sign being that of everybody else: a rare sign
    that one printer shows often would otherwise be expected of it."""
    risk = stream_risk(scene, stream.type, members)
    if stream.sign >= SIGN_COUNT or stream.type == "farm":
        return risk
    sound = scene.expectation.sound
    own = scene.failures[members[sound[members]]].sum(axis=0)
    whole, others = scene.sign_failures, scene.sign_failures - own
    farm_share = (whole[stream.sign] + 0.5) / (whole.sum() + 0.5 * SIGN_COUNT)
    # few failures of others say little of their share: it is drawn towards the farm's
    share = (others[stream.sign] + OTHERS_TELL * farm_share) / (others.sum() + OTHERS_TELL)
    even = scene.added[members, stream.sign]
    risk[:, stream.sign] = (risk[:, stream.sign] - even) * min(share / farm_share, 1.0) + even
    return risk


def with_effect(scene: Scene, inside: np.ndarray, sign: int, sign_sd: float = SIGN_SD, only_up: bool = False) -> Scene:
    """The scene with the effect seen on the cells ``inside`` put into it: observed over expected, by sign and stretch of
    time, so that what grows is explained as it grows. Of each sign a share lies evenly over the parts, as far as the
    failures bear that out, and the rest in proportion to each part's risk: a spent bath spoils easy work as much as hard
    work, and a strong fault most of what is printed. ``only_up``: nothing is taken from what is expected."""
    if not inside.any():
        return scene
    cells = np.flatnonzero(inside)
    risk, trials = expected_risk(scene, (), cells), scene.trials[cells]
    due = risk * trials[:, None]
    failures, day = scene.failures[cells], scene.day[cells]
    stretch = STRETCHES * (day - day.min()) // (day.max() - day.min() + 1)
    asked = np.ones(SIGN_COUNT, bool) if sign == ALL_SIGNS else np.arange(SIGN_COUNT) == sign
    seen, whole = failures.sum(axis=0), due.sum(axis=0)
    # each sign's ratio is drawn towards that of all signs asked about, each stretch's towards that of the whole time
    overall = ratio_towards(seen[asked].sum(), whole[asked].sum(), 1.0, OVERALL_SD)
    ratio = ratio_towards(seen, whole, overall, sign_sd)
    even = even_share(failures, due, trials)
    evenly = even * whole / max(trials.sum(), 1e-300)
    factor, added = np.ones_like(risk), np.zeros_like(risk)
    for number in range(STRETCHES):
        part = stretch == number
        lying = trials[part] @ ((1.0 - even) * risk[part] + evenly)
        here = ratio_towards(failures[part].sum(axis=0), lying, ratio, STRETCH_SD)
        factor[part], added[part] = here * (1.0 - even), here * evenly
    given = asked & ((factor * risk + added >= risk) | (not only_up))
    lift, extra = scene.lift.copy(), scene.added.copy()
    lift[cells] *= np.where(given, factor, 1.0)
    extra[cells] = np.where(given, factor * extra[cells] + added, extra[cells])
    return replace(scene, lift=lift, added=extra)


def with_pull(scene: Scene, inside: np.ndarray, sign: int, sign_sd: float = SIGN_SD) -> Scene:
    """The same for a design, with what it takes down beside it, for one bad cavity takes its neighbours: their failures are
    not trouble of their own, nor of what they share."""
    beside = np.isin(scene.plate, scene.plate[inside]) & ~inside
    return with_effect(with_effect(scene, inside, sign, sign_sd), beside, ALL_SIGNS, sign_sd, only_up=True)


def told_elsewhere(scene: Scene) -> tuple[Scene, frozenset[Subject]]:
    """The scene with what other detectors' open findings account for explained, and whose findings those are.

    A bad corner or height of one printer, lot or design is known without the rates, and its failures are no news of what
    it shares with others. Its signs are lifted much alike: one that stands out on its plates may be another's, a wash
    station's for one. What the rates themselves found of others may yet prove to be another's, a file's its design's;
    of a design it hardly does, and its plates, in every sign, are not in the expectation: a piece of work that is
    hard by nature would be laid at the door of all that print it.
    """
    known = [
        spell
        for spell in scene.night.spells
        if spell.until is None and spell.subject.type in (("design",) if spell.kind in RATE_KINDS else NARROW)
    ]
    for spell in known:
        inside = spell_mask(spell, scene.cells, len(scene.plate), scene.night)
        effect = with_pull if spell.subject.type == "design" else with_effect
        sign = ALL_SIGNS if spell.kind in RATE_KINDS else sign_column(spell.sign)
        scene = effect(scene, inside, sign, TOLD_SIGN_SD)
    return scene, frozenset(spell.subject for spell in known)


def roll_of(scene: Scene, kind: SubjectType) -> Roll:
    """The streams of one type, made once a night."""
    if kind not in scene.rolls:
        scene.rolls[kind] = _roll(scene, kind)
    return scene.rolls[kind]


def _roll(scene: Scene, kind: SubjectType) -> Roll:
    number = len(scene.plate)
    named = np.zeros(number) if kind == "farm" else scene.cells.codes[:number, FACTORS.index(kind)]
    codes = named.astype(np.int64)
    used = np.flatnonzero((codes >= 0) & (scene.trials > 0))
    order = used[np.argsort(codes[used], kind="stable")]
    levels, start = np.unique(codes[order], return_index=True)
    members = dict(zip(levels.tolist(), np.split(order, start[1:]), strict=True)) if len(levels) else {}
    if kind == "design":
        units, failures = used, scene.failures[used]
    else:
        kept = codes[scene.first] >= 0
        units, failures = scene.first[kept], by_plate(scene, scene.failures)[kept]
    days = int(scene.day.max(initial=0)) + 1
    rows, row_of = np.unique(codes[units] * days + scene.day[units], return_inverse=True)
    shape = (len(rows), len(units))
    collect = sparse.csr_array((np.ones(len(units)), (row_of, np.arange(len(units)))), shape=shape)
    level = rows // days
    end = np.searchsorted(level, level, side="right")
    plates = max(len(np.unique(scene.plate[used])), 1)
    observed = since_sums(collect @ with_total(failures), end)
    return Roll(levels, members, level, end, collect, observed, float(scene.trials[used].sum() / plates))


def by_plate(scene: Scene, of_cells: np.ndarray) -> np.ndarray:
    """Sums over the cells of each plate that has cells, (plates, ...)."""
    return np.add.reduceat(of_cells, scene.first, axis=0) if len(scene.first) else of_cells[:0]


def with_total(by_sign: np.ndarray) -> np.ndarray:
    return np.column_stack([by_sign, by_sign.sum(axis=1)])


def since_sums(rows: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Sums from each row to the last row of its level, same shape as ``rows``."""
    total = np.vstack([np.zeros(rows.shape[1]), np.cumsum(rows, axis=0)])
    return total[end] - total[:-1]
