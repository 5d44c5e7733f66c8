"""The farm's own plates with outcomes drawn anew as if nothing were wrong: a parametric bootstrap of its records.

Which plate was printed where, when, of what, with which lot and after which service stays as it was. Drawn anew is what
failed: how many parts of each plate by the plate model round the night's expectation, which of them by their own risk,
with which sign by the habit of their design, and how high by the hazard of all parts. Coupons, telemetry and service stay,
so only what judges outcomes can be rehearsed on the result.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import betaincinv

from farmwatch.detectors.cells import SIGN_COUNT
from farmwatch.detectors.expected import Expectation
from farmwatch.detectors.night import History, Night
from farmwatch.detectors.part_columns import unfolded
from farmwatch.records import SIGNS
from farmwatch.stats.plate_model import LOSS, LOSS_MEAN

HEIGHTS_AT_LEAST = 10  # written failure heights of a sign before it has a hazard of its own


def redraw(night: Night, rng: np.random.Generator) -> History:
    """The history known by ``night`` with outcomes drawn under its expectation, in which known faults have no part.

    Raises ValueError without an expectation.
    """
    expectation = night.expectation
    if expectation is None:
        raise ValueError("outcomes are drawn under the night's fitted expectation")
    history, cells = night.history, night.history.cells
    plates, parts = night.plates.copy(), night.parts.copy()
    plate, known = parts["plate"].to_numpy(), parts["known"].to_numpy()
    failed = known & failed_parts(night.part_risk[:], plate, known, len(plates), expectation, rng)
    sign = _signs(night, expectation, failed, rng)
    parts["failed"] = failed
    names = np.array([*SIGNS, None], dtype=object)
    parts["sign"] = pd.Categorical(names[np.where(failed, sign, SIGN_COUNT - 1)], categories=sorted(SIGNS))
    parts["failure_height_mm"] = np.where(failed, _heights(night, sign, rng), np.nan)

    whole = np.flatnonzero(cells.whole_run[: len(expectation.risk)])
    spoilt = rng.random(len(whole)) < expectation.risk[whole]
    count, lost = (np.bincount(plate, weights=of, minlength=len(plates)) for of in (known, failed))
    outcome = plates["outcome"].to_numpy(dtype=object)
    judged = (count > 0) & (outcome != "stopped")
    outcome[judged] = np.where(lost == 0, "good", np.where(lost < count, "partial", "failed"))[judged]
    outcome[cells.plate[whole]] = np.where(spoilt, "failed", "good")
    plates["outcome"], plates["failures"] = outcome, lost
    plates["sign"], plates["failure_height_mm"] = pd.Series(None, plates.index, dtype="str"), np.nan
    late = history.late_parts[history.late_parts.index < len(parts)]
    return replace(history, plates=plates, parts=parts, late_parts=late)


def failed_parts(
    risk: np.ndarray,
    plate: np.ndarray,
    known: np.ndarray,
    plates: int,
    expectation: Expectation,
    rng: np.random.Generator,
) -> np.ndarray:
    """Which parts fail, bool (parts,): the plate model of ``expectation`` round each part's ``risk``, (parts,).

    The luck of a plate is one for all its parts, whatever their risk: each stands at the same quantile of its beta law.
    """
    model = expectation.model
    count = np.bincount(plate, weights=known, minlength=plates)
    mean = np.bincount(plate, weights=known * risk, minlength=plates) / np.maximum(count, 1.0)
    accident = np.minimum(model.accident_share * mean / LOSS_MEAN, 0.9)
    lost = rng.random(plates) < accident
    share_lost, luck = rng.beta(*LOSS, plates), rng.random(plates)
    rest = np.clip((1.0 - model.accident_share) * risk / (1.0 - accident[plate]), 1e-9, 1.0 - 1e-9)
    size = (1.0 - model.rho) / model.rho
    # parts of one design on one plate share risk and luck: one quantile serves them all
    pairs, of_pair = np.unique(np.column_stack([plate, rest]), axis=0, return_inverse=True)
    usual = betaincinv(pairs[:, 1] * size, (1.0 - pairs[:, 1]) * size, luck[pairs[:, 0].astype(int)])[of_pair]
    return rng.random(len(plate)) < np.where(lost[plate], share_lost[plate], usual)


def _signs(night: Night, expectation: Expectation, failed: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A column of signs for each part, (parts,); failures of one plate agree as often as those of the records do."""
    cells = night.history.cells
    plate, cell = night.parts["plate"].to_numpy(), cells.part_cell[: len(failed)]
    rows = np.flatnonzero(failed)
    share = expectation.share[cell[rows]]
    own = _drawn(share, rng.random(len(rows)))
    together = np.flatnonzero(np.diff(plate[rows], prepend=-1))
    length = np.diff(np.append(together, len(rows)))
    of_plate = np.repeat(own[together], length)
    alike = np.sqrt(sign_agreement(night, expectation))
    result = np.full(len(failed), SIGN_COUNT - 1)
    result[rows] = np.where(rng.random(len(rows)) < alike, of_plate, own)
    return result


def sign_agreement(night: Night, expectation: Expectation) -> float:
    """How far two failures of one plate share a sign beyond chance, in [0, 1]; 0 where no plate has two."""
    cells = night.history.cells
    failed = np.flatnonzero(night.parts["failed"].to_numpy() & expectation.sound[cells.part_cell[: len(night.parts)]])
    table = np.zeros((len(night.plates), SIGN_COUNT))
    np.add.at(table, (night.parts["plate"].to_numpy()[failed], cells.part_sign[failed]), 1.0)
    total = table.sum(axis=1)
    pairs = float((total * (total - 1.0)).sum())
    if pairs == 0.0:
        return 0.0
    alike, chance = float((table * (table - 1.0)).sum()) / pairs, float((expectation.farm_share**2).sum())
    return float(np.clip((alike - chance) / max(1.0 - chance, 1e-9), 0.0, 1.0))


def _heights(night: Night, sign: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A failure height for each part, mm, (parts,), NaN where none would be written.

    From the written failure heights of the same sign that lie within the part, each weighted by the parts that did not
    reach it: the hazard of all parts, cut off at this height. One luck a plate: what fails together fails at one height.
    """
    parts = night.parts
    height, at = unfolded(parts["height_mm"]), unfolded(parts["failure_height_mm"])
    written = parts["failed"].to_numpy() & np.isfinite(at)
    told = night.history.cells.part_sign[: len(parts)]
    luck = rng.random(len(night.plates))[parts["plate"].to_numpy()]
    known_heights = np.sort(height[np.isfinite(height)])
    result = np.full(len(parts), np.nan)
    for column in np.unique(sign):
        mine = sign == column
        failures = parts["failed"].to_numpy() & (told == column)
        enough = written & failures if (written & failures).sum() >= HEIGHTS_AT_LEAST else written
        if not enough.any():
            continue
        share = (written & failures).sum() / max(failures.sum(), 1)
        donors = np.sort(at[enough])
        at_risk = len(known_heights) - np.searchsorted(known_heights, donors, side="left")
        mass = np.append(0.0, np.cumsum(1.0 / np.maximum(at_risk, 1)))
        within = np.searchsorted(donors, np.nan_to_num(height[mine], nan=np.inf), side="right")
        place = np.searchsorted(mass, luck[mine] * mass[within], side="right") - 1
        drawn = donors[np.clip(place, 0, len(donors) - 1)]
        kept = (within > 0) & (rng.random(int(mine.sum())) < share)
        result[mine] = np.where(kept, drawn, np.nan)
    return result


def _drawn(share: np.ndarray, luck: np.ndarray) -> np.ndarray:
    """A column for each row of ``share``, (rows, columns), whose rows add up to one."""
    return np.minimum((np.cumsum(share, axis=1) < luck[:, None]).sum(axis=1), share.shape[1] - 1)
