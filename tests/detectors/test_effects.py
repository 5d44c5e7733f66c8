"""Joint effects: against an unshrunken regression, and whether their intervals hold what was put in."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from farmwatch.detectors.effects import joint_effects
from farmwatch.detectors.night import Night, join_history
from farmwatch.records import Records, conform
from farmwatch.settings import load_settings

FIRST = dt.date(2031, 1, 1)


def farm_of(seed: int, plates: int, size: int, printers: dict[str, float], lots: dict[str, float]) -> Night:
    """Plates of independent parts; printer and lot, drawn at random for each plate, add to the log odds of 1 in 9."""
    rng = np.random.default_rng(seed)
    machine = rng.choice(sorted(printers), plates)
    bottle = rng.choice(sorted(lots), plates)
    at = pd.Timestamp(FIRST, tz="UTC") + pd.to_timedelta(np.arange(plates) * 2.0, unit="h")
    odds = np.log(0.125) + np.array([printers[p] + lots[b] for p, b in zip(machine, bottle, strict=True)])
    failed = rng.random((plates, size)) < (1.0 / (1.0 + np.exp(-odds)))[:, None]
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i:05d}" for i in range(plates)],
            "printer_id": machine,
            "lot_id": bottle,
            "started_at": at,
            "ended_at": at + pd.Timedelta(hours=1),
            "outcome": np.where(failed.any(axis=1), "partial", "good"),
        }
    )
    parts = pd.DataFrame(
        {
            "run_id": np.repeat(runs["run_id"].to_numpy(), size),
            "part_no": np.tile(np.arange(1, size + 1), plates),
            "design_id": "D",
            "outcome": np.where(failed.ravel(), "failed", "good"),
        }
    )
    records = Records(runs=conform(runs, "runs"), parts=conform(parts, "parts"))
    return join_history(records).night(FIRST + dt.timedelta(days=plates // 12 + 2), load_settings())


def test_much_data_gives_what_a_plain_regression_gives() -> None:
    """Second route: logistic regression on dummies (statsmodels), compared as contrasts, which shrinkage leaves alone."""
    night = farm_of(1, 3000, 12, {"A": 0.0, "B": 0.9, "C": -0.4}, {"L": 0.0, "M": 0.7})
    plates = night.plates
    told = night.parts.groupby("plate")["failed"].agg(["sum", "size"])
    dummies = pd.get_dummies(plates[["printer_id", "lot_id"]], dtype=float).drop(columns=["printer_id_A", "lot_id_L"])
    counts = np.column_stack([told["sum"], told["size"] - told["sum"]])
    plain = sm.GLM(counts, sm.add_constant(dummies.to_numpy()), sm.families.Binomial()).fit()
    printers, lots = joint_effects(night, "printer"), joint_effects(night, "lot")
    ours = [np.log(printers.loc[name, "odds_ratio"] / printers.loc["A", "odds_ratio"]) for name in "BC"]
    ours.append(np.log(lots.loc["M", "odds_ratio"] / lots.loc["L", "odds_ratio"]))
    assert ours == pytest.approx(plain.params[1:], abs=0.04)


def test_intervals_hold_the_effects_put_in() -> None:
    """About 95 of 100 intervals hold the truth, which is told from the middle of the printers that there are."""
    held = total = 0
    for seed in range(12):
        rng = np.random.default_rng(1000 + seed)
        truth = {f"P{i}": float(value) for i, value in enumerate(rng.normal(0.0, 0.5, 8))}
        lots = {f"L{i}": float(value) for i, value in enumerate(rng.normal(0.0, 0.3, 6))}
        found = joint_effects(farm_of(seed, 300, 6, truth, lots), "printer")
        for name, value in truth.items():
            ratio = np.exp(value - np.mean(list(truth.values())))
            held += bool(found.loc[name, "odds_low"] <= ratio <= found.loc[name, "odds_high"])
            total += 1
    assert total == 96
    assert 0.88 <= held / total <= 0.995


def test_only_plates_since_the_day_count() -> None:
    night = farm_of(3, 600, 8, {"A": 0.0, "B": 1.5}, {"L": 0.0})
    whole, late = joint_effects(night, "printer"), joint_effects(night, "printer", FIRST + dt.timedelta(days=40))
    width = [np.log(frame.loc["B", "odds_high"] / frame.loc["B", "odds_low"]) for frame in (whole, late)]
    assert width[1] > width[0]
    assert joint_effects(night, "printer", FIRST + dt.timedelta(days=400)).empty
    assert joint_effects(night, "colour").empty
