"""The rates' night as arrays: expected failures of every cell by sign, what known effects add, the streams by day."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from farmwatch.detectors.cells import FACTORS, SIGN_COUNT, Cells
from farmwatch.detectors.expected import HELD_OUT, Expectation, cell_pieces, spell_mask
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
PLACES = 1 << np.arange(SIGN_COUNT)  # of each sign in a number that stands for several
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
    ends; ``row``: (units,) the stream day of each plate that has cells, of each cell for designs, -1 for none;
    ``observed``: failures from each day on, by sign and of all, (stream days, signs + 2); ``parts_a_plate``: mean.
    """

    levels: np.ndarray
    members: dict[int, np.ndarray]
    level: np.ndarray
    end: np.ndarray
    row: np.ndarray
    observed: np.ndarray
    parts_a_plate: float

    @cached_property
    def first(self) -> np.ndarray:
        """Where the days of each level begin, (levels,)."""
        return np.flatnonzero(np.diff(self.level, prepend=-1))


@dataclass(frozen=True)
class Due:
    """What the streams of one type are expected to lose, and what that makes of them. ``sums``: expected failures by day,
    (stream days, signs + 1), in single precision, which bounds bear; ``bound``: on the score of each stream, (levels,
    signs + 2), -inf where it is not watched."""

    sums: np.ndarray
    bound: np.ndarray


@dataclass(frozen=True)
class Raised:
    """What known effects do to a part's risk: by what factor they raise it, and what they add to it that is the same for
    every part, however risky.

    Cells under the same effects share a row, so that a find costs 4 bytes a cell and not 160; row 0 is that of none.
    ``row``: (cells,); ``lift``, ``added``: (rows, signs + 1).
    """

    row: np.ndarray
    lift: np.ndarray
    added: np.ndarray

    @staticmethod
    def nothing(cells: int) -> Raised:
        return Raised(np.zeros(cells, np.int32), np.ones((1, SIGN_COUNT)), np.zeros((1, SIGN_COUNT)))

    def differs(self, other: Raised) -> np.ndarray:
        """Of which cells another risk is expected than in ``other``, bool (cells,)."""
        result = self.row != other.row  # rows are only ever added, so that the same number means the same row
        at = np.flatnonzero(result)
        one, two = self.row[at], other.row[at]
        result[at] = (self.lift[one] != other.lift[two]).any(axis=1) | (self.added[one] != other.added[two]).any(axis=1)
        return result


@dataclass(frozen=True)
class Scene:
    """The night as arrays: what every pass of the explaining away shares. ``plate``, ``day``, ``trials``: (cells,);
    ``failures``: (cells, signs + 1); ``first``: (plates,) the first cell of each plate that has cells; ``sign_failures``:
    (signs + 1,) of the whole farm, known faults apart; ``raised``: what known effects do. Filled when they are asked for:
    ``rolls``, ``plain`` (risk without known effects, by what is held out) and, of this scene alone, ``due`` (by type).
    ``only``: the subjects that are judged in this scene, None for all: of others nothing is summed."""

    night: Night
    expectation: Expectation
    cells: Cells
    trials: np.ndarray
    failures: np.ndarray
    plate: np.ndarray
    day: np.ndarray
    first: np.ndarray
    sign_failures: np.ndarray
    raised: Raised
    table: ShiftTable
    rolls: dict[SubjectType, Roll]
    plain: dict[tuple[str, ...], np.ndarray]
    due: dict[SubjectType, Due]
    only: frozenset[Subject] | None = None


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
        Raised.nothing(number),
        ShiftTable(expectation.model),
        {},
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
    if not gone.any():
        return scene
    trials, failures = np.where(gone, 0.0, scene.trials), np.where(gone[:, None], 0, scene.failures)
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
    share = scene.expectation.share[cells] if own_share else scene.expectation.farm_share[None, :]
    row = scene.raised.row[cells]
    by_sign = _plain_risk(scene, held_out)[cells, None] * share * scene.raised.lift[row] + scene.raised.added[row]
    total = by_sign @ np.ones(SIGN_COUNT)
    over = total > MOST_RISK
    if over.any():
        by_sign[over] *= (MOST_RISK / total[over])[:, None]
    return by_sign


def _plain_risk(scene: Scene, held_out: tuple[str, ...]) -> np.ndarray:
    """Of every cell, of every sign together, without known effects: what no pass changes is reckoned once a night, and kept in
    single precision."""
    if held_out not in scene.plain:
        scene.plain[held_out] = (1.0 / (1.0 + np.exp(-scene.expectation.log_odds(held_out)))).astype(np.float32)
    return scene.plain[held_out]


def risk_of_sign(scene: Scene, held_out: tuple[str, ...], cells: np.ndarray, own_share: bool, sign: int) -> np.ndarray:
    """One column of ``expected_risk``, (cells,): most streams are of one sign, and need not pay for ten."""
    plain, raised, risk = _plain_risk(scene, held_out), scene.raised, np.empty(len(cells))
    most_lift, most_added = raised.lift.max(axis=1), raised.added.sum(axis=1)
    for piece in cell_pieces(len(cells)):
        some = cells[piece]
        of_all, row = plain[some], raised.row[some]
        share = scene.expectation.share[some, sign] if own_share else scene.expectation.farm_share[sign]
        risk[piece] = of_all * share * raised.lift[row, sign] + raised.added[row, sign]
        # the shares of a cell add up to 1, so that all signs together come to no more than this
        over = np.flatnonzero(of_all * most_lift[row] + most_added[row] > 0.999 * MOST_RISK)
        if len(over):
            risk[piece][over] = expected_risk(scene, held_out, some[over], own_share)[:, sign]
    return risk


def risk_of_all(scene: Scene, held_out: tuple[str, ...], cells: np.ndarray, own_share: bool) -> np.ndarray:
    """The sum of ``expected_risk`` over the signs, (cells,): most cells are under no known effect, and there it is plain."""
    risk = np.minimum(_plain_risk(scene, held_out)[cells], MOST_RISK, dtype=float)
    under = np.flatnonzero(scene.raised.row[cells])
    for piece in cell_pieces(len(under)):
        some = under[piece]
        risk[some] = expected_risk(scene, held_out, cells[some], own_share).sum(axis=1)
    return risk


def stream_risk(scene: Scene, kind: SubjectType, cells: np.ndarray) -> np.ndarray:
    """Expected failure probability by sign where a subject of this type is under test: without its own effect and habit."""
    return expected_risk(scene, HELD_OUT[kind], cells, own_share=kind != "design")


def own_risk(scene: Scene, stream: Stream, members: np.ndarray) -> np.ndarray:
    """Expected failure probability, in the stream's sign or in all, of a part of each of the stream's cells ``members``, same
    shape, as ``stream_risk``; the share of one sign is that of everybody else: a rare sign that one printer shows often
    would otherwise be expected of it."""
    if stream.sign == ALL_SIGNS:
        return risk_of_all(scene, HELD_OUT[stream.type], members, stream.type != "design")
    risk = risk_of_sign(scene, HELD_OUT[stream.type], members, stream.type != "design", stream.sign)
    if stream.type == "farm":
        return risk
    sound = scene.expectation.sound
    own = scene.failures[members[sound[members]]].sum(axis=0)
    whole, others = scene.sign_failures, scene.sign_failures - own
    farm_share = (whole[stream.sign] + 0.5) / (whole.sum() + 0.5 * SIGN_COUNT)
    # few failures of others say little of their share: it is drawn towards the farm's
    share = (others[stream.sign] + OTHERS_TELL * farm_share) / (others.sum() + OTHERS_TELL)
    even = scene.raised.added[scene.raised.row[members], stream.sign]
    return np.asarray((risk - even) * min(share / farm_share, 1.0) + even)


def with_effect(scene: Scene, inside: np.ndarray, sign: int, sign_sd: float = SIGN_SD, only_up: bool = False) -> Scene:
    """The scene with the effect seen on the cells ``inside`` put into it: observed over expected, by sign and stretch of
    time, so that what grows is explained as it grows. Of each sign a share lies evenly over the parts, as far as the
    failures bear that out, and the rest in proportion to each part's risk: a spent bath spoils easy work as much as hard
    work, and a strong fault most of what is printed. ``only_up``: nothing is taken from what is expected."""
    if not inside.any():
        return scene
    cells = np.flatnonzero(inside)
    day = scene.day[cells]
    stretch = STRETCHES * (day - day.min()) // (day.max() - day.min() + 1)
    trials = np.bincount(stretch, weights=scene.trials[cells], minlength=STRETCHES)
    lost, due = np.zeros((STRETCHES, SIGN_COUNT)), np.zeros((STRETCHES, SIGN_COUNT))
    failing: list[np.ndarray] = []
    for piece in cell_pieces(len(cells)):
        some, when = cells[piece], stretch[piece]
        expected = expected_risk(scene, (), some) * scene.trials[some, None]
        np.add.at(due, when, expected)
        told = scene.failures[some].any(axis=1)
        np.add.at(lost, when[told], scene.failures[some[told]])
        failing.append(expected[told])
    asked = np.ones(SIGN_COUNT, bool) if sign == ALL_SIGNS else np.arange(SIGN_COUNT) == sign
    seen, whole = lost.sum(axis=0), due.sum(axis=0)
    # each sign's ratio is drawn towards that of all signs asked about, each stretch's towards that of the whole time
    overall = ratio_towards(seen[asked].sum(), whole[asked].sum(), 1.0, OVERALL_SD)
    ratio = ratio_towards(seen, whole, overall, sign_sd)
    lossy = cells[scene.failures[cells].any(axis=1)]
    even = even_share(scene.failures[lossy], np.concatenate(failing), scene.trials[lossy], whole, trials.sum())
    evenly = even * whole / max(trials.sum(), 1e-300)
    # of each stretch: what lies as expected of the parts, and what lies evenly over them
    here = ratio_towards(lost, (1.0 - even) * due + trials[:, None] * evenly, ratio, STRETCH_SD)
    factor, added = here * (1.0 - even), here * evenly
    signs = np.full(len(cells), asked @ PLACES)
    if only_up:
        for piece in cell_pieces(len(cells)):
            risk, when = expected_risk(scene, (), cells[piece]), stretch[piece]
            signs[piece] = (asked & (factor[when] * risk + added[when] >= risk)) @ PLACES
    return replace(scene, raised=_raised_by(scene.raised, cells, stretch, factor, added, signs), due={})


def _raised_by(
    raised: Raised, cells: np.ndarray, stretch: np.ndarray, factor: np.ndarray, added: np.ndarray, signs: np.ndarray
) -> Raised:
    """``raised`` with an effect on ``cells``, of the stretch of time of each; ``factor``, ``added``: (stretches, signs + 1);
    ``signs``: (cells,) to which signs of each cell, a bit for each."""
    key = (raised.row[cells].astype(np.int64) * STRETCHES + stretch) << SIGN_COUNT | signs
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    old, at, to = raised.row[cells[first]], stretch[first], (signs[first, None] & PLACES) > 0
    lift = raised.lift[old] * np.where(to, factor[at], 1.0)
    extra = np.where(to, factor[at] * raised.added[old] + added[at], raised.added[old])
    row = raised.row.copy()
    row[cells] = len(raised.lift) + inverse
    return Raised(row, np.concatenate([raised.lift, lift]), np.concatenate([raised.added, extra]))


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
    order = used[np.argsort(codes[used], kind="stable")].astype(np.int32)
    levels, start = np.unique(codes[order], return_index=True)
    members = dict(zip(levels.tolist(), np.split(order, start[1:]), strict=True)) if len(levels) else {}
    if kind == "design":
        units, failures = used, scene.failures[used]
    else:
        kept = codes[scene.first] >= 0
        units, failures = scene.first[kept], by_plate(scene, scene.failures)[kept]
    days = int(scene.day.max(initial=0)) + 1
    rows, row_of = np.unique(codes[units] * days + scene.day[units], return_inverse=True)
    level = (rows // days).astype(np.int32)
    end = np.searchsorted(level, level, side="right").astype(np.int32)
    plates = max(len(np.unique(scene.plate[used])), 1)
    most = int(np.bincount(level, weights=np.bincount(row_of, failures.sum(axis=1)), minlength=1).max(initial=0))
    observed = np.empty((len(rows), SIGN_COUNT + 1), np.int16 if most < 1 << 15 else np.int32)
    for column in range(SIGN_COUNT):  # one sign after the other: all at once would take 40 bytes a part
        observed[:, column] = since_sums(sums_by_row(row_of, failures[:, [column]], len(rows)), end)[:, 0]
    observed[:, SIGN_COUNT] = observed[:, :SIGN_COUNT].sum(axis=1)
    row = np.full(number if kind == "design" else len(scene.first), -1, np.int32)
    row[used if kind == "design" else kept] = row_of
    return Roll(levels, members, level, end, row, observed, float(scene.trials[used].sum() / plates))


def sums_by_row(row: np.ndarray, values: np.ndarray, rows: int) -> np.ndarray:
    """Sums of ``values`` (units, columns) over the units of each row, (rows, columns)."""
    result = np.empty((rows, values.shape[1]))
    for column in range(values.shape[1]):  # whole numbers of two bytes would be unfolded to eight all at once
        result[:, column] = np.bincount(row, weights=values[:, column], minlength=rows)
    return result


def by_plate(scene: Scene, of_cells: np.ndarray) -> np.ndarray:
    """Sums over the cells of each plate that has cells, (plates, ...)."""
    return np.add.reduceat(of_cells, scene.first, axis=0) if len(scene.first) else of_cells[:0]


def with_total(by_sign: np.ndarray) -> np.ndarray:
    return np.column_stack([by_sign, by_sign.sum(axis=1)])


def since_sums(rows: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Sums from each row to the last row of its level, same shape as ``rows``."""
    total = np.vstack([np.zeros(rows.shape[1]), np.cumsum(rows, axis=0)])
    return total[end] - total[:-1]
