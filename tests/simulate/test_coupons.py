"""Test pieces obey the geometry and the working curve that they are made from."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from farmwatch.simulate import FarmSpec, Fault, SimulatedFarm, one_cause_farm, simulate
from farmwatch.simulate.coupons import FILM_LADDER, GROWTH_MM, PAD_MM


@cache
def quiet() -> SimulatedFarm:
    return simulate(FarmSpec(printers=12, days=90), 11)


def growth(coupons: pd.DataFrame) -> pd.Series:
    """Growth of an edge by piece (lot, time, exposure): bars' mean error less slots', over 4."""
    wide = coupons[coupons["feature"].isin(["bar", "slot"])].assign(
        error=lambda f: f["measured_mm"] - f["nominal_mm"],
    )
    by = wide.pivot_table(index=["lot_id", "measured_at", "exposure_s"], columns="feature", values="error")
    return (by["bar"] - by["slot"]) / 4.0


def test_growth_climbs_with_the_logarithm_of_exposure() -> None:
    coupons = quiet().records.coupons
    ladders = growth(coupons[coupons["run_id"].isna()]).reset_index(name="growth")
    slopes = [
        np.polyfit(np.log(group["exposure_s"]), group["growth"], 1)[0]
        for _, group in ladders.groupby("lot_id")
        if len(group) == 3
    ]
    assert len(slopes) >= 8
    error = np.std(slopes, ddof=1) / np.sqrt(len(slopes))
    assert abs(np.mean(slopes) - GROWTH_MM) < 4 * error
    assert error < 0.2 * GROWTH_MM


def test_films_follow_the_working_curve() -> None:
    """Cd = Dp ln(E / Ec) (Jacobs, 1992): straight in ln E over each lot's ladder, Dp near 0.1 mm."""
    films = quiet().records.coupons.query("feature == 'film'")
    slopes, residuals = [], []
    for _, ladder in films.groupby("lot_id"):
        assert len(ladder) == len(FILM_LADDER)
        x = np.log(ladder["exposure_s"])
        fit = np.polyfit(x, ladder["measured_mm"], 1)
        slopes.append(fit[0])
        residuals.extend(ladder["measured_mm"] - np.polyval(fit, x))
    assert np.mean(slopes) == pytest.approx(0.1, abs=0.004)
    assert np.std(residuals) < 0.006


def test_a_fast_lot_grows_on_all_its_printers_and_no_other_lot_does() -> None:
    farm = one_cause_farm("lot_fast", 11)
    lot = farm.truth[0].subject.id
    with_fault, without = (f.records.coupons.query("run_id == run_id") for f in (farm, quiet()))
    change = growth(with_fault) - growth(without)
    own = change.index.get_level_values("lot_id") == lot
    assert own.sum() >= 5
    assert change[own].to_numpy() == pytest.approx(0.36 * GROWTH_MM, abs=0.002)
    assert change[~own].to_numpy() == pytest.approx(0.0, abs=1e-9)
    assert with_fault.loc[with_fault["lot_id"] == lot, "printer_id"].nunique() >= 3


def test_pads_show_a_tilted_and_a_bowed_plate() -> None:
    for cause in ("plate_tilt", "plate_bow"):
        detail = {"zone": "right"} if cause == "plate_tilt" else {}
        fault = Fault(cause, ("printer", "P03"), since_day=20, detail=detail)
        coupons = simulate(FarmSpec(printers=12, days=90, faults=(fault,)), 11).records.coupons
        pads = coupons[(coupons["feature"] == "pad") & (coupons["printer_id"] == "P03")]
        late = pads[pads["measured_at"] > pads["measured_at"].min() + pd.Timedelta(days=35)]
        assert len(late) >= 5
        middle = late["x_mm"] == 0
        if cause == "plate_tilt":
            right = late.loc[late["x_mm"] > 0, "measured_mm"].mean() - late.loc[late["x_mm"] < 0, "measured_mm"].mean()
            assert right == pytest.approx(2 * 0.8 * 0.27, abs=0.06)
        else:
            bow = late.loc[middle, "measured_mm"].mean() - late.loc[~middle, "measured_mm"].mean()
            assert bow == pytest.approx(0.15, abs=0.04)


def test_level_plates_give_even_pads() -> None:
    pads = quiet().records.coupons.query("feature == 'pad'")
    assert pads["measured_mm"].mean() == pytest.approx(PAD_MM, abs=0.004)
    assert pads["measured_mm"].std() < 0.025


def test_a_farm_may_measure_nothing() -> None:
    assert simulate(FarmSpec(printers=2, days=5, coupons=False), 1).records.coupons.empty
