"""What failure rate each plate should have had: a shrunken crossed logistic model of the farm, refitted every night.

Covariates (plate load, height, cold room) and random intercepts for every name a plate carries, fitted on cells with
weights for plate correlation. A subject under test is judged against the expectation with its own intercept, and those
nested in it, held out. Plates inside the spell of a known finding have a level of their own in the fit, one for each
fortnight, which is no part of the expectation, and count little: a fault does not become the norm, and a name that has
no other plates still gets its level from them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from farmwatch.detectors.cells import FACTORS, CellCounts, Cells, count_cells
from farmwatch.detectors.night import Night, RiskOfParts, Spell
from farmwatch.stats.crossed import CrossedFit, Start, fit_crossed
from farmwatch.stats.plate_model import PlateModel, fit_plate_model

# what is held out with a subject: its own intercept, and the intercepts nested in it that would soak up its trouble
HELD_OUT = {
    "printer": ("printer",),
    "lot": ("lot",),
    "design": ("design", "file"),
    "file": ("file",),
    "profile": ("profile",),
    "wash": ("wash",),
    "operator": ("operator",),
    "room": ("room", "printer"),
    "family": ("family", "printer"),
    "farm": (),
}
SD_SCALE = np.array([0.3, 0.3, 0.7, 0.3, 0.3, 0.3, 0.2, 0.2, 0.2, 0.2])  # half-normal prior of each factor's spread
FIXED_SD = np.array([10.0, 3.0, 1.0, 0.7, 0.7])  # prior of the covariates' slopes: few failures must not make them wild
SPELL_SD, SPELL_DAYS = 2.0, 14  # spread of a known fault's effect on the log odds, and how long it is taken as steady
# such plates count little beside sound ones, for a fault does not add on the log odds as the model has it, but where a
# name has no others they must do
SPELL_WEIGHT = 0.15
SOUND_AT_LEAST = 0.1  # share of the parts, below which what known faults leave does not say what is usual
CELLS_AT_ONCE = 32_768  # of a stream, whose moves are reckoned together: those of a whole farm took 50 bytes a part
START_RHO, START_MODEL = 0.15, PlateModel(0.1, 0.2)  # until a farm has failures enough to tell its own


@dataclass(frozen=True)
class Fitted:
    """The fit behind an expectation: ``weights`` (cells,) with which each cell counted, 0 where it was left out;
    ``fixed``: (cells, columns) the covariates that were fitted; ``codes``: a column (cells,) for each factor and, last, for
    known spells."""

    fit: CrossedFit
    weights: np.ndarray
    fixed: np.ndarray
    codes: tuple[np.ndarray, ...]


@dataclass(frozen=True)
class ShareOfCells:
    """Rows (cells, columns) that cells of one design have in common, kept once a design: 4 bytes a cell instead of 116.

    ``row``: (cells,) the row of each cell in ``rows``.
    """

    row: np.ndarray
    rows: np.ndarray

    def __len__(self) -> int:
        return len(self.row)

    def __getitem__(self, at: Any) -> np.ndarray:
        cells, column = at if isinstance(at, tuple) else (at, slice(None))
        return self.rows[:, column][self.row[cells]]  # one column or several, as of an array


@dataclass(frozen=True)
class EffectsOfCells:
    """What each name of a cell adds to its log odds, (cells, factors), kept once a name: nothing a cell instead of 80 bytes.

    ``codes``: (cells, factors) level of each factor, -1 where unknown; ``effects``: of each factor's levels.
    """

    codes: np.ndarray
    effects: tuple[np.ndarray, ...]

    def of(self, factor: int, cells: Any = slice(None)) -> np.ndarray:
        # code -1, an unknown name, meets the zero at the end
        return np.append(self.effects[factor], 0.0)[self.codes[cells, factor]]

    def sums(self) -> np.ndarray:
        """What all names of a cell add together, (cells,)."""
        return np.concatenate([np.zeros(0), *(self[piece].sum(axis=1) for piece in cell_pieces(len(self.codes)))])

    def __getitem__(self, at: Any) -> np.ndarray:
        if isinstance(at, tuple):
            return self.of(at[1], at[0])
        return np.column_stack([self.of(factor, at) for factor in range(len(self.effects))])


@dataclass(frozen=True)
class Expectation:
    """The farm's expectation on the cells known by a night.

    ``base``: log odds of each cell from covariates, (cells,); ``effects``: (cells, factors) what each name adds; ``sd``:
    spread of each factor's levels; ``model``: how parts of a plate fail together; ``rho``: the correlation of two parts
    of one plate that follows from it; ``share``: (cells, signs + 1) share of each sign among a cell's expected failures,
    with its design's habit; ``farm_share``: (signs + 1,) the same over the farm; ``sound``: (cells,) whether a cell was
    under no known fault, as those were that the shares rest on.
    """

    base: np.ndarray
    effects: EffectsOfCells
    sd: dict[str, float]
    rho: float
    model: PlateModel
    share: ShareOfCells
    farm_share: np.ndarray
    sound: np.ndarray
    counts: CellCounts
    fitted: Fitted | None = None

    @cached_property
    def risk(self) -> np.ndarray:
        """Expected failure probability of a part of each cell, (cells,)."""
        return 1.0 / (1.0 + np.exp(-self.log_odds()))

    @cached_property
    def failed(self) -> np.ndarray:
        """Failures of every sign, (cells,)."""
        return self.counts.failures.sum(axis=1)

    def log_odds(self, held_out: tuple[str, ...] = ()) -> np.ndarray:
        """Expected log odds of failure of a part of each cell, (cells,), without the factors ``held_out``."""
        total = np.zeros(len(self.base))
        for column, factor in enumerate(FACTORS):
            if factor not in held_out:
                total += self.effects.of(column)
        return self.base + total

    def without_shift(
        self, cells: np.ndarray, more: np.ndarray, stream: np.ndarray, held_out: tuple[str, ...]
    ) -> tuple[np.ndarray, float]:
        """What the expectation of a stream would be had it not soaked up the stream's shift.

        A printer's trouble lifts the fitted effects of the lots and designs that it ran, and so hides in them. One joint
        Newton step takes it out again: ``cells`` (k,) are the shifted cells, ``more`` (k,) the failures that the shift
        adds to each; ``stream`` (m,) all cells of the stream. Returns the change of the stream's log odds, (m,), and
        what the rest of the records gains in log-likelihood by the move.
        """
        if self.fitted is None:
            return np.zeros(len(stream)), 0.0
        fitted, fit = self.fitted, self.fitted.fit
        slope = np.zeros(len(fit.coefficients))
        for piece in cell_pieces(len(cells)):
            some = cells[piece]
            pull = -fitted.weights[some] * more[piece]
            slope[_fixed_slice(fit)] += fitted.fixed[some].T @ pull
            for where, column in zip(fit.slices, fitted.codes, strict=True):
                code = column[some]
                slope[where] += np.bincount(code[code >= 0], pull[code >= 0], where.stop - where.start)
        step = fit.precision.solve(slope)
        moves = [np.append(step[where], 0.0) for where in fit.slices]
        stays = [factor is not None and factor not in held_out for factor in (*FACTORS, None)]
        result, gain = np.empty(len(stream)), -0.5 * float(step @ slope)
        for piece in cell_pieces(len(stream)):
            some = stream[piece]
            kept, left = fitted.fixed[some] @ step[_fixed_slice(fit)], np.zeros(len(some))
            for move, column, stay in zip(moves, fitted.codes, stays, strict=True):
                np.add(kept, move[column[some]], out=kept) if stay else np.add(left, move[column[some]], out=left)
            whole = kept + left
            risk, weight, trials = self.risk[some], fitted.weights[some], self.counts.trials[some]
            residual = weight * (self.failed[some] - trials * risk)
            curvature = weight * trials * risk * (1.0 - risk)
            gain += float(0.5 * curvature @ whole**2 - residual @ whole)
            result[piece] = kept
        return result, max(gain, 0.0)


def cell_pieces(cells: int) -> list[slice]:
    """So many cells, CELLS_AT_ONCE at a time."""
    return [slice(start, start + CELLS_AT_ONCE) for start in range(0, cells, CELLS_AT_ONCE)]


def fit_expectation(night: Night) -> Expectation:
    """Fit the farm's expectation on the cells known by ``night``, the spells of known findings apart."""
    cells = night.history.cells
    counts = count_cells(cells, night.parts["known"].to_numpy(), night.parts["failed"].to_numpy(), len(night.plates))
    number = len(counts.trials)
    plate, codes, fixed = cells.plate[:number], cells.codes[:number], cells.fixed[:number]
    failures = counts.failures.sum(axis=1)
    usable = counts.trials > 0
    spells = spell_codes(night, number)
    if counts.trials[spells < 0].sum() < SOUND_AT_LEAST * counts.trials.sum():
        spells = np.full(number, -1)  # nearly everything is what is usual: held against a few days, all would stand out
    sound = usable & (spells < 0)
    share, farm_share = _sign_shares(counts.failures, codes, sound)
    if sound.sum() < 5 or failures[sound].sum() < 1:
        rate = (failures[sound].sum() + 0.5) / (counts.trials[sound].sum() + 10.0)
        base = np.full(number, np.log(rate / (1.0 - rate)))
        sd = dict(zip(FACTORS, SD_SCALE.tolist(), strict=True))
        nothing = EffectsOfCells(codes, tuple(np.zeros(len(names)) for names in cells.levels))
        return Expectation(base, nothing, sd, START_RHO, START_MODEL, share, farm_share, sound, counts)

    moving = [column for column in range(fixed.shape[1]) if column == 0 or np.ptp(fixed[usable, column]) > 1e-6]
    covariates = fixed if len(moving) == fixed.shape[1] else fixed[:, moving]
    plate_trials = np.bincount(plate, weights=counts.trials, minlength=len(night.plates))
    with_spells = (*codes.T, spells.astype(np.int32))
    levels = (*(len(names) for names in cells.levels), int(spells.max(initial=-1)) + 1)
    known_sd = np.append(np.full(len(FACTORS), np.nan), SPELL_SD)

    def fit_with(rho: float, start: Start | None) -> tuple[CrossedFit, np.ndarray]:
        """The fit where parts of a plate fail together by ``rho``, and the weight that it gave each cell, (cells,)."""
        weights = np.where(sound, 1.0, SPELL_WEIGHT) / (1.0 + (plate_trials[plate] - 1.0).clip(0.0) * rho)
        fit = fit_crossed(
            failures,
            counts.trials,
            covariates,
            with_spells,
            levels,
            weights=weights,
            sd=known_sd if start is None else start.sd,
            sd_prior_scale=np.append(SD_SCALE, np.inf),
            max_sd=1.5,
            start=start,
            fixed_prior_sd=FIXED_SD[moving],
        )
        return fit, weights

    def told_by(fit: CrossedFit) -> tuple[np.ndarray, EffectsOfCells, float, PlateModel]:
        """Log odds without names, what names add, and the plate correlation and model that go with them."""
        base = covariates @ fit.fixed_effects
        effects = EffectsOfCells(codes, fit.effects[:-1])
        risk = 1.0 / (1.0 + np.exp(-(base + effects.sums())))
        return base, effects, *_plate_model(plate, counts.trials * sound, failures * sound, risk, len(night.plates))

    # the first fit tells the plate correlation of the second, and goes before that one comes
    first = fit_with(START_RHO, None)[0]
    rho, start = told_by(first)[2], first.start
    del first
    fit, weights = fit_with(rho, start)
    base, effects, rho, model = told_by(fit)
    sd = dict(zip(FACTORS, fit.sd[:-1].tolist(), strict=True))
    fitted = Fitted(fit, weights * usable, covariates, with_spells)
    return Expectation(base, effects, sd, rho, model, share, farm_share, sound, counts, fitted)


def with_expectation(night: Night, expectation: Expectation) -> Night:
    """The night with what was expected of it, also of each of its parts."""
    cell = night.history.cells.part_cell[: len(night.parts)]
    return replace(night, expectation=expectation, part_risk=RiskOfParts(expectation.risk, cell))


def _fixed_slice(fit: CrossedFit) -> slice:
    """Where the fixed effects stand among the coefficients: before the largest factor, which comes last."""
    size = len(fit.coefficients)
    dense = next((where.start for where in fit.slices if where.stop == size and where.stop > where.start), size)
    return slice(dense - len(fit.fixed_effects), dense)


def _plate_model(
    plate: np.ndarray, trials: np.ndarray, failures: np.ndarray, risk: np.ndarray, plates: int
) -> tuple[float, PlateModel]:
    n = np.bincount(plate, weights=trials, minlength=plates)
    y = np.bincount(plate, weights=failures, minlength=plates)
    expected = np.bincount(plate, weights=trials * risk, minlength=plates)
    several = n > 1
    if several.sum() < 100 or y[several].sum() < 20:
        return START_RHO, START_MODEL
    probability = np.clip(expected[several] / n[several], 1e-6, 0.97)
    model = fit_plate_model(y[several], n[several], probability)
    return float(np.clip(model.correlation(float(probability.mean())), 0.01, 0.8)), model


def _sign_shares(failures: np.ndarray, codes: np.ndarray, usable: np.ndarray) -> tuple[ShareOfCells, np.ndarray]:
    """Share of each sign: over the farm with half a failure of each for a start, and by design drawn towards the farm."""
    kept = failures * usable[:, None]
    farm = (kept.sum(axis=0) + 0.5) / (kept.sum() + 0.5 * failures.shape[1])
    design = codes[:, FACTORS.index("design")]
    by_design = np.zeros((design.max(initial=-1) + 2, failures.shape[1]))
    np.add.at(by_design, design + 1, kept)
    by_design[0] = 0.0
    strength = 20.0  # failures of its own before a design's habit counts as much as the farm's
    shares = (by_design + strength * farm) / (by_design.sum(axis=1, keepdims=True) + strength)
    return ShareOfCells(design + 1, shares), farm


def spell_codes(night: Night, number: int) -> np.ndarray:
    """Which known faults each of the first ``number`` cells was under, and in which fortnight: a code, -1 for none.

    A design's fault also marks what stands beside it on its plates, for one bad cavity takes its neighbours. Plates after a
    mend that is being watched are marked as well: were they taken as sound and the mend did not hold, the fault would
    become what is expected, and no verdict could find it there still.
    """
    cells = night.history.cells
    plate = cells.plate[:number]
    code = np.zeros(number, np.int64)
    for spell in night.spells:
        inside = spell_mask(replace(spell, until=None) if spell.watched else spell, cells, number, night)
        marks = [inside]
        if spell.subject.type == "design":
            marks.append(np.isin(plate, plate[inside]) & ~inside)
        for mark in marks:  # small numbers again after each doubling, 0 staying 0
            code = pd.factorize(np.append(0, 2 * code + mark), sort=True)[0][1:]
    fortnight = cells.day[plate] // SPELL_DAYS
    under = np.flatnonzero(code > 0)
    result = np.full(number, -1, np.int64)
    result[under] = pd.factorize(code[under] * (fortnight.max(initial=0) + 1) + fortnight[under], sort=True)[0]
    return result


def spell_mask(spell: Spell, cells: Cells, number: int, night: Night) -> np.ndarray:
    """Which of the first ``number`` cells are plates of the spell's subject within its days, bool (cells,)."""
    days = cells.day[cells.plate[:number]]
    since = (np.datetime64(spell.since) - cells.first_day.to_datetime64()) // np.timedelta64(1, "D")
    inside = days >= since
    if spell.until is not None:
        inside &= days <= (np.datetime64(spell.until) - cells.first_day.to_datetime64()) // np.timedelta64(1, "D")
    if spell.subject.type == "farm":
        return inside
    if spell.subject.type == "run":
        return inside & (night.plates["run_id"].to_numpy() == spell.subject.id)[cells.plate[:number]]
    column = FACTORS.index(spell.subject.type)
    at = np.flatnonzero(cells.levels[column] == spell.subject.id)
    return inside & np.isin(cells.codes[:number, column], at)
