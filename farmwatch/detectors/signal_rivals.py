"""Could another name have moved a measure as well: the lot, file, profile, ... that came with the printer's step.

A step is given to one printer's runs since its onset. Another name whose runs since then, on whatever printer, explain as
much is its rival (:mod:`farmwatch.stats.separable`); runs of the one without the other tell them apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pandas as pd

from farmwatch.detectors.cells import FACTOR_COLUMN
from farmwatch.detectors.whose_fault import FREE, one_without_the_other
from farmwatch.evidence import Subject, SubjectType
from farmwatch.stats.separable import reading_rivals
from farmwatch.stats.separating import readings_to_separate

# what comes after the print moves none of its measures; of a room's air only what carries the gauge could be at fault
NAMES: dict[str, tuple[str, ...]] = {
    "printer": ("printer", "lot", "profile", "file", "operator", "room", "family"),
    "room": ("room", "printer", "family"),
}
RIVALS_AT_MOST = 5


@dataclass(frozen=True)
class Readings:
    """One measure of all runs of the window, (runs,): ``rest`` after drivers and what all share, NaN unknown; ``level``: runs
    that share an unknown level, -1 for none; ``day`` of the window."""

    rest: np.ndarray
    level: np.ndarray
    day: np.ndarray


def rivals_of(
    subject: Subject, readings: Readings, window: pd.DataFrame, onset: int, step: float, error: float, daily: bool
) -> tuple[tuple[Subject, ...], dict[str, Any]]:
    """Who else could have moved the measure, closest first, and for the finding's detail what would tell.

    ``onset``: day of the window; ``step``, ``error``: its size and standard error; ``daily``: whether every day goes its own
    way, so that days decide and more runs of one day do not.
    """
    names = NAMES.get(subject.type)
    rows = np.flatnonzero(np.isfinite(readings.rest) & (readings.level >= 0))
    if names is None or not error > 0.0:
        return (), {}
    factors = [pd.factorize(window[FACTOR_COLUMN[name]].to_numpy(dtype=object)[rows]) for name in names]
    own = np.flatnonzero(factors[0][1] == subject.id)
    late = readings.day[rows] >= onset
    mine = (factors[0][0] == own[0]) & late
    level = np.unique(readings.level[rows], return_inverse=True)[1]
    apart = mine - (np.bincount(level, weights=mine) / np.bincount(level))[level]
    error_sd = error * float(np.sqrt(apart @ apart))
    if not error_sd > 0.0:
        return (), {}
    codes = np.column_stack([code for code, _ in factors])
    found = reading_rivals(readings.rest[rows], level, late, codes, (0, int(own[0])), error_sd)[:RIVALS_AT_MOST]
    rivals = tuple(
        Subject(cast(SubjectType, names[rival.factor]), str(factors[rival.factor][1][rival.level])) for rival in found
    )
    if not rivals:
        return (), {}
    would = one_without_the_other(subject, rivals[0])
    if not daily and {subject.type, rivals[0].type} <= set(FREE):
        would = f"about {readings_to_separate(step, error_sd):.0f} {would} (enough four times in five)"
    return rivals, {"would_separate": would}
