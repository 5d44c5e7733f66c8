"""A simulated farm: rows that pass the contract, the same seed the same farm, ordinary troubles of an ordinary farm."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pandas as pd
import pytest

from farmwatch.records import FEATURES, ID_LIMIT, SERVICE_SUBJECTS, SIGNS, TABLES, Records
from farmwatch.simulate import FarmSpec, Fault, SimulatedFarm, quiet_farm, simulate


@cache
def quiet(seed: int = 1) -> SimulatedFarm:
    return quiet_farm(seed, printers=16, days=120)


def test_every_row_is_as_the_contract_asks() -> None:
    records = quiet().records
    for name, table in TABLES.items():
        frame: pd.DataFrame = getattr(records, name)
        assert not frame.duplicated(list(table.key)).any(), name
        assert frame[list(table.required)].notna().all(axis=None), name
        for column in table.columns:
            if column.kind == "id":
                lengths = frame[column.name].dropna().str.len()
                assert lengths.between(1, ID_LIMIT).all(), (name, column.name)
            if column.choices:
                assert set(frame[column.name].dropna()) <= set(column.choices), (name, column.name)
    assert len(records.coupons) > 500
    assert set(records.coupons["feature"]) == set(FEATURES)
    assert set(records.service["subject_type"]) <= set(SERVICE_SUBJECTS)


def test_plates_follow_one_another_on_each_printer() -> None:
    runs = quiet().records.runs.sort_values(["printer_id", "started_at"])
    assert (runs["ended_at"] > runs["started_at"]).all()
    before = runs.groupby("printer_id")["ended_at"].shift()
    assert not (before > runs["started_at"]).any()


def test_parts_stand_on_their_plate_and_fail_below_their_top() -> None:
    records = quiet().records
    parts = records.parts.merge(records.runs[["run_id", "printer_id"]], on="run_id", validate="many_to_one")
    parts = parts.merge(records.printers, on="printer_id")
    assert len(parts) == len(records.parts)
    assert (parts["x_mm"].abs() <= parts["plate_width_mm"] / 2).all()
    assert (parts["y_mm"].abs() <= parts["plate_depth_mm"] / 2).all()
    assert not (parts["failure_height_mm"] > parts["height_mm"]).any()
    assert (parts["failure_height_mm"].dropna() > 0).all()
    good = parts["outcome"] != "failed"
    assert parts.loc[good, ["sign", "failure_height_mm"]].isna().all(axis=None)


def test_run_outcomes_agree_with_their_parts() -> None:
    records = quiet().records
    known = records.parts[records.parts["outcome"] != "unknown"]
    lost = (known["outcome"] == "failed").groupby(known["run_id"]).mean()
    outcome = records.runs.set_index("run_id")["outcome"].reindex(lost.index)
    assert (outcome[lost > 0] != "good").all()
    assert (lost[outcome == "failed"] == 1.0).all()
    assert (lost[outcome == "good"] == 0.0).all()


def test_ids_are_registered() -> None:
    records = quiet().records
    assert set(records.runs["printer_id"]) <= set(records.printers["printer_id"])
    assert set(records.runs["lot_id"]) <= set(records.lots["lot_id"])
    assert set(records.parts["run_id"]) == set(records.runs["run_id"])
    assert set(records.coupons["run_id"].dropna()) <= set(records.runs["run_id"])
    opened = records.runs.merge(records.lots, on="lot_id")
    assert (opened["opened_on"] <= opened["started_at"]).mean() > 0.999


def test_the_same_seed_gives_the_same_farm() -> None:
    spec = FarmSpec(printers=6, days=25, faults=(Fault("plate_tilt", since_day=10),))
    first, second, other = simulate(spec, 5), simulate(spec, 5), simulate(spec, 6)
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(first.records, name), getattr(second.records, name))
    assert first.truth == second.truth
    assert not first.records.parts["outcome"].equals(other.records.parts["outcome"])


@pytest.mark.parametrize("cause", ["plain_rate", "film_spot", "trapped_suction"])
def test_a_fault_changes_only_the_plates_under_it(cause: str) -> None:
    spec = FarmSpec(printers=8, days=50)
    without = simulate(spec, 3)
    with_fault = simulate(dataclasses.replace(spec, faults=(Fault(cause, since_day=20),)), 3)
    a, b = without.records, with_fault.records
    pd.testing.assert_frame_equal(
        a.runs[["run_id", "printer_id", "started_at", "lot_id", "file_id", "operator"]],
        b.runs[["run_id", "printer_id", "started_at", "lot_id", "file_id", "operator"]],
    )
    changed = set(a.parts.loc[a.parts["outcome"] != b.parts["outcome"], "run_id"])
    fault = with_fault.truth[0]
    if fault.subject.type == "printer":
        own = b.runs.loc[b.runs["printer_id"] == fault.subject.id]
    else:
        own = b.runs[b.runs["run_id"].isin(b.parts.loc[b.parts["design_id"] == fault.subject.id, "run_id"])]
    days = b.local_dates(own["started_at"])
    under = set(own.loc[days >= pd.Timestamp(fault.since), "run_id"])
    assert changed
    assert changed <= under
    assert fault.plates == len(under)


@cache
def quiet_farms() -> tuple[SimulatedFarm, ...]:
    return tuple(quiet_farm(seed, 12, 60) for seed in range(5))


def test_a_quiet_farm_loses_a_few_parts_in_a_hundred() -> None:
    rates = [(farm.records.parts["outcome"] == "failed").mean() for farm in quiet_farms()]
    assert 0.025 < np.mean(rates) < 0.042
    assert min(rates) > 0.012
    assert max(rates) < 0.07


def test_the_stated_risk_is_what_happens() -> None:
    """Failures over stated risk in ten classes of risk, pooled over farms; the error is counted over plates."""
    bins: list[tuple[float, float, float]] = []
    farms = quiet_farms()
    risk = np.concatenate([farm.quiet_risk for farm in farms])
    failed = np.concatenate([(farm.records.parts["outcome"] == "failed").to_numpy() for farm in farms])
    known = np.concatenate([(farm.records.parts["outcome"] != "unknown").to_numpy() for farm in farms])
    plate = np.concatenate([farm.records.parts["run_id"].to_numpy() + str(i) for i, farm in enumerate(farms)])
    group = np.searchsorted(np.quantile(risk, np.linspace(0, 1, 11)[1:-1]), risk)
    for g in range(10):
        mine = known & (group == g)
        excess = pd.Series(failed[mine] - risk[mine]).groupby(plate[mine]).sum()
        bins.append((float(excess.sum()), float(np.sqrt((excess**2).sum())), float(risk[mine].sum())))
    z = np.array([excess / error for excess, error, _ in bins])
    assert np.abs(z).max() < 4.0
    assert abs(sum(b[0] for b in bins)) / sum(b[2] for b in bins) < 0.06


def within_plate_correlation(records: Records, risk: np.ndarray) -> float:
    failed = (records.parts["outcome"] == "failed").to_numpy()
    plate = pd.factorize(records.parts["run_id"])[0]
    residual, sd = failed - risk, np.sqrt(risk * (1 - risk))
    pairs = np.bincount(plate, residual) ** 2 - np.bincount(plate, residual**2)
    scale = np.bincount(plate, sd) ** 2 - np.bincount(plate, sd**2)
    return float(pairs.sum() / scale.sum())


def test_parts_of_one_plate_fail_together() -> None:
    farm = quiet()
    assert 0.05 < within_plate_correlation(farm.records, farm.quiet_risk) < 0.3
    alone = simulate(dataclasses.replace(farm.spec, plate_loss=0.0, plate_sd=0.0, neighbour_pull=0.0), farm.seed)
    assert abs(within_plate_correlation(alone.records, alone.quiet_risk)) < 0.015


def test_whole_plates_are_lost_now_and_then() -> None:
    records = quiet().records
    lost = (records.parts["outcome"] == "failed").groupby(records.parts["run_id"]).agg(["mean", "size"])
    share = (lost.loc[lost["size"] >= 4, "mean"] > 0.7).mean()
    assert 0.001 < share < 0.015


def test_suction_takes_neighbours_at_the_same_height() -> None:
    spec = FarmSpec(printers=10, days=60, designs=20, faults=(Fault("trapped_suction", since_day=5, strength=4.0),))
    farm = simulate(spec, 4)
    parts = farm.records.parts.reset_index(drop=True)
    fault = farm.truth[0]
    at = fault.detail["height_mm"]
    failed = (parts["outcome"] == "failed") & ((parts["failure_height_mm"] - at).abs() < 1.0)
    own = parts["design_id"] == fault.subject.id
    struck = set(parts.loc[failed & own, "run_id"])
    tall = ~own & (parts["height_mm"] > at + 1.0)
    beside_struck = failed[tall & parts["run_id"].isin(struck)].mean()
    elsewhere = failed[tall & ~parts["run_id"].isin(struck)].mean()
    assert beside_struck > 10 * elsewhere


def test_lots_and_printers_cross() -> None:
    runs = quiet().records.runs
    printers_of_lot = runs.groupby("lot_id")["printer_id"].nunique()
    lots_of_printer = runs.groupby("printer_id")["lot_id"].nunique()
    assert (printers_of_lot[runs.groupby("lot_id").size() > 60] >= 3).all()
    assert (lots_of_printer >= 4).all()


def test_designs_arrive_and_the_mix_of_jobs_shifts() -> None:
    records = quiet().records
    parts = records.parts.merge(records.runs[["run_id", "started_at", "printer_id"]], on="run_id")
    day = (parts["started_at"] - parts["started_at"].min()).dt.days
    first = day.groupby(parts["design_id"]).min()
    assert (first > 20).sum() >= 5
    week = pd.crosstab(parts["design_id"], day // 7)
    share = week / week.sum()
    assert (share.max(axis=1) > 2.5 * share.mean(axis=1)).mean() > 0.3


def test_the_middle_of_the_plate_is_filled_first() -> None:
    records = quiet().records
    parts = records.parts.merge(records.runs[["run_id", "printer_id"]], on="run_id").merge(
        records.printers, on="printer_id"
    )
    x, y = parts["x_mm"] / parts["plate_width_mm"] * 2, parts["y_mm"] / parts["plate_depth_mm"] * 2
    assert ((x.abs() < 0.5) & (y.abs() < 0.5)).mean() > 0.35


def test_rooms_follow_the_season() -> None:
    runs = quiet().records.runs
    by_month = runs["ambient_c"].groupby(runs["started_at"].dt.month).mean()
    assert by_month[1] < by_month[4] - 0.3
    assert runs["ambient_c"].between(15, 30).mean() > 0.97
    assert 0.005 < runs["ambient_c"].isna().mean() < 0.05
    assert (runs["vat_c"] > runs["ambient_c"]).mean() > 0.9


def test_peel_force_grows_with_the_footprint() -> None:
    records = quiet().records
    area = records.parts.groupby("run_id")["footprint_mm2"].sum()
    force = records.runs.set_index("run_id")["peak_release_n"].reindex(area.index)
    known = force.notna()
    slope = np.polyfit(np.log(area[known]), np.log(force[known]), 1)[0]
    assert slope == pytest.approx(0.8, abs=0.08)


@pytest.mark.parametrize(("printers", "days"), [(1, 1), (1, 20), (3, 2)])
def test_small_farms_work(printers: int, days: int) -> None:
    farm = simulate(FarmSpec(printers=printers, days=days), 1)
    assert len(farm.records.runs) >= printers
    assert farm.truth == []


def test_unknown_causes_and_subjects_are_refused() -> None:
    with pytest.raises(ValueError, match="no such cause"):
        simulate(FarmSpec(printers=2, days=3, faults=(Fault("gremlins"),)), 1)
    with pytest.raises(ValueError, match="no printer P99"):
        simulate(FarmSpec(printers=2, days=3, faults=(Fault("lamp_hot", ("printer", "P99")),)), 1)


def test_signs_are_of_many_kinds_in_a_quiet_farm() -> None:
    parts = quiet().records.parts
    seen = parts.loc[parts["outcome"] == "failed", "sign"].value_counts(normalize=True)
    assert set(seen.index) >= set(SIGNS) - {"block"}
    assert seen.iloc[0] < 0.4
