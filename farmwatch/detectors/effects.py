"""Whose doing, in numbers for a reader: the odds of failing with one printer, lot, ... given all else on its plates.

The same crossed model as the expectation, over every plate since a day, known faults included: an effect is how the odds
of failing with this name differ from the middle of its kind, once printer, lot, design, settings, wash, operator, room,
load, height and cold of the same plates have taken their share. Drawn towards 1 where few plates speak; the interval
allows for not knowing how far the members of a kind differ. A fault that
came and went inside the span is told as its mean, and what else ran on those days may take a part of it: choose the span.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from farmwatch.detectors.cells import FACTORS, count_cells
from farmwatch.detectors.expected import FIXED_SD, SD_SCALE, START_RHO
from farmwatch.detectors.night import Night
from farmwatch.stats.crossed import Cells, fit_cells
from farmwatch.stats.crossed_intervals import effect_intervals

MAX_SD = 1.5  # as in the expectation


def joint_effects(night: Night, factor: str, since: dt.date = dt.date.min) -> pd.DataFrame:
    """Odds ratio of every level of one factor that has a plate since a day, with a 95 % interval; index: its name.

    Columns ``odds_ratio``, ``odds_low``, ``odds_high``. Empty for a factor that plates do not have, and without failures.
    """
    empty = pd.DataFrame({name: pd.Series(dtype="float64") for name in ("odds_ratio", "odds_low", "odds_high")})
    if factor not in FACTORS:
        return empty
    cells = night.history.cells
    counts = count_cells(cells, night.parts["known"].to_numpy(), night.parts["failed"].to_numpy(), len(night.plates))
    number = len(counts.trials)
    plate, codes, fixed = cells.plate[:number], cells.codes[:number], cells.fixed[:number]
    failures = counts.failures.sum(axis=1)
    first = (pd.Timestamp(max(since, dt.date(1970, 1, 1))) - cells.first_day).days
    use = (counts.trials > 0) & (cells.day[plate] >= first)
    if use.sum() < 5 or failures[use].sum() < 1:
        return empty
    moving = [column for column in range(fixed.shape[1]) if column == 0 or np.ptp(fixed[use, column]) > 1e-6]
    size = np.bincount(plate[use], weights=counts.trials[use], minlength=len(night.plates))
    rho = START_RHO if night.expectation is None else night.expectation.rho
    model = Cells.of(
        failures[use],
        counts.trials[use],
        fixed[use][:, moving],
        codes[use],
        tuple(len(names) for names in cells.levels),
        weights=1.0 / (1.0 + (size[plate[use]] - 1.0).clip(0.0) * rho),
        fixed_prior_sd=FIXED_SD[moving],
    )
    fit = fit_cells(model, np.full(len(FACTORS), np.nan), SD_SCALE, MAX_SD)
    column = FACTORS.index(factor)
    found = effect_intervals(model, fit, column, sd_prior_scale=float(SD_SCALE[column]))
    seen = np.unique(codes[use, column])
    seen = seen[seen >= 0]
    sides = {"odds_ratio": found.mean, "odds_low": found.low, "odds_high": found.high}
    return pd.DataFrame(
        {name: np.exp(values[seen]) for name, values in sides.items()}, index=cells.levels[column][seen]
    )
