"""Measured test pieces: bars and slots for growth, pads for a plate out of true, films for the working curve."""

from __future__ import annotations

import numpy as np
import pandas as pd

from farmwatch.simulate import world as names
from farmwatch.simulate.world import World

GROWTH_MM = 0.055
GROWTH_AT_ZERO_MM = 0.012
GAUGE_SD_MM = 0.008
PIECE_SD_MM = 0.004
WIDTHS_MM = (2.0, 5.0, 10.0)
LADDER = (0.75, 1.0, 1.35)
FILM_LADDER = (0.6, 1.0, 1.6, 2.5, 4.0)
LOG_DOSE_AT_ZERO = 1.3
PAD_MM = 0.3
DAYS_BETWEEN = 10
DAYS_BETWEEN_PADS = 30


def measure_coupons(world: World, end_h: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """All test pieces of a farm. ``end_h``: when each plate came off, (plates,).

    A bar's width is off by twice the growth of an edge plus the shrinkage of its width, a slot's by the same growth
    the other way. Growth is a straight line in ln exposure about the exposure that the lot needs; the depth of a film
    follows Cd = Dp ln(E / Ec) (Jacobs, 1992). Pads are as thick as the plate is far from the film at their place.
    """
    if not world.spec.coupons or not world.plan.file.size:
        return pd.DataFrame()
    own = _every(world, DAYS_BETWEEN, rng)
    of_lots = _first_of_lots(world)
    shrink = rng.normal(-0.002, 0.0008, len(world.spec.resins))
    depth = 0.1 * np.exp(rng.normal(0.0, 0.04, world.stock.lot_resin.size))
    rows = [
        _widths(world, own, (1.0,), shrink, rng),
        _widths(world, of_lots, LADDER, shrink, rng),
        _films(world, of_lots, depth, rng),
        _pads(world, _every(world, DAYS_BETWEEN_PADS, rng), rng),
    ]
    frame = pd.concat(rows, ignore_index=True)
    # the pieces of one plate are measured together
    frame["hour"] = (end_h + rng.uniform(1.0, 7.0, end_h.size).round(2))[frame["plate"]]
    frame["order"] = np.arange(len(frame))
    return frame.sort_values(["hour", "order"], ignore_index=True)


def _every(world: World, days: int, rng: np.random.Generator) -> np.ndarray:
    """One plate a printer each so many days, staggered; rows of plates."""
    offset = rng.integers(0, days, world.spec.printers)
    slot = (world.day + offset[world.plan.printer]) // days
    key = world.plan.printer * 100_000 + slot
    _, first = np.unique(key, return_index=True)
    return np.sort(first)


def _first_of_lots(world: World) -> np.ndarray:
    """The first plate of each lot: its test pieces are made when it is opened."""
    _, first = np.unique(world.plan.lot, return_index=True)
    return np.sort(first)


def _widths(
    world: World, plates: np.ndarray, ladder: tuple[float, ...], shrink: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    """A bar and a slot of each width, on each plate at each exposure of the ladder."""
    steps, widths = np.array(ladder), np.array(WIDTHS_MM)
    plate = np.repeat(plates, steps.size)
    factor = np.tile(steps, plates.size)
    growth = GROWTH_AT_ZERO_MM + GROWTH_MM * (world.log_dose[plate] + np.log(factor))
    growth = growth + rng.normal(0.0, PIECE_SD_MM, plate.size)
    index = np.repeat(np.arange(plate.size), 2 * widths.size)
    nominal = np.tile(np.repeat(widths, 2), plate.size)
    is_bar = np.tile([True, False], plate.size * widths.size)
    error = np.where(is_bar, 2.0, -2.0) * growth[index] + shrink[world.resin[plate[index]]] * nominal
    measured = nominal + error + rng.normal(0.0, GAUGE_SD_MM, nominal.size)
    x = np.tile(np.repeat((-18.0, 0.0, 18.0), 2), plate.size)
    return pd.DataFrame(
        {
            "plate": plate[index],
            "feature": np.where(is_bar, "bar", "slot"),
            "x_mm": x,
            "y_mm": np.where(is_bar, -6.0, 6.0),
            "exposure_s": np.round(world.exposure_s[plate[index]] * factor[index], 2),
            "nominal_mm": nominal,
            "measured_mm": np.round(measured, 3),
            # a ladder is printed for itself, not as part of a run
            "in_run": len(ladder) == 1,
        }
    )


def _films(world: World, plates: np.ndarray, depth: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    steps = np.array(FILM_LADDER)
    plate, factor = np.repeat(plates, steps.size), np.tile(steps, plates.size)
    dose = LOG_DOSE_AT_ZERO + world.log_dose[plate] + np.log(factor)
    cured = depth[world.plan.lot[plate]] * dose + rng.normal(0.0, 0.004, plate.size)
    return pd.DataFrame(
        {
            "plate": plate,
            "feature": "film",
            "x_mm": 0.0,
            "y_mm": 0.0,
            "exposure_s": np.round(world.exposure_s[plate] * factor, 2),
            "nominal_mm": 0.0,
            "measured_mm": np.round(np.maximum(cured, 0.005), 3),
            "in_run": False,
        }
    )


def _pads(world: World, plates: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Five pads as on the face of a die."""
    x, y = np.array([0.0, -0.8, 0.8, -0.8, 0.8]), np.array([0.0, -0.8, -0.8, 0.8, 0.8])
    plate = np.repeat(plates, x.size)
    share_x, share_y = np.tile(x, plates.size), np.tile(y, plates.size)
    error = np.zeros(plate.size)
    printer, day = world.plan.printer[plate], world.day[plate]
    for who, since, until, slope_x, slope_y, bow in world.uneven:
        now = (printer == who) & (day >= since) & (day < until)
        error += now * (slope_x * share_x + slope_y * share_y + bow * (share_x == 0.0))
    size = names.plate_sizes(world.stock)[printer]
    return pd.DataFrame(
        {
            "plate": plate,
            "feature": "pad",
            "x_mm": np.round(share_x * size[:, 0] / 2.0, 1),
            "y_mm": np.round(share_y * size[:, 1] / 2.0, 1),
            "exposure_s": np.round(world.base_exposure_s[plate], 1),
            "nominal_mm": PAD_MM,
            "measured_mm": np.round(np.maximum(PAD_MM + error + rng.normal(0.0, 0.01, plate.size), 0.02), 3),
            "in_run": True,
        }
    )
