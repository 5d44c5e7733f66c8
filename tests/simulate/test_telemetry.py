"""Per-layer telemetry agrees with the plate it comes from."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from farmwatch.records import TABLES
from farmwatch.simulate import FarmSpec, Fault, SimulatedFarm, simulate

SPEC = FarmSpec(printers=4, days=20, layers_every=10)


@cache
def farm() -> SimulatedFarm:
    return simulate(SPEC, 5)


def test_every_tenth_layer_of_every_plate() -> None:
    layers, runs = farm().records.layers, farm().records.runs
    assert not layers.duplicated(list(TABLES["layers"].key)).any()
    assert set(layers["run_id"]) == set(runs["run_id"])
    assert ((layers["layer_no"] - 1) % 10 == 0).all()
    tall = farm().records.parts.groupby("run_id")["height_mm"].max()
    last = layers.groupby("run_id")["layer_no"].max() * 0.05
    whole = runs.loc[runs["outcome"] != "stopped", "run_id"]
    assert ((tall - last)[whole] < 0.56).all()
    assert ((tall - last)[whole] > -0.06).all()


def test_force_follows_the_area_still_printed() -> None:
    """By hand for each plate: footprints of the parts that reach above a layer, over all footprints."""
    layers, parts = farm().records.layers, farm().records.parts
    runs = farm().records.runs.set_index("run_id")
    quiet_designs = set(parts["design_id"]) - set(parts.loc[parts["sign"] == "missing", "design_id"])
    checked = 0
    for run_id in runs.index[runs["peak_release_n"].notna()][:60]:
        own = parts[parts["run_id"] == run_id]
        if not set(own["design_id"]) <= quiet_designs:
            continue
        rows = layers[layers["run_id"] == run_id]
        height = rows["layer_no"].to_numpy() * 0.05
        left = np.array([own.loc[own["height_mm"] >= z - 1e-9, "footprint_mm2"].sum() for z in height])
        expected = runs.loc[run_id, "peak_release_n"] * left / own["footprint_mm2"].sum()
        above = left > 0
        ratio = rows["release_n"].to_numpy()[above] / expected[above]
        assert np.median(ratio) == pytest.approx(1.0, abs=0.05)
        checked += 1
    assert checked >= 5


def test_a_cavity_pulls_at_its_height() -> None:
    spec = FarmSpec(printers=4, days=20, layers_every=10, faults=(Fault("trapped_suction", since_day=2, strength=3.0),))
    torn = simulate(spec, 5)
    fault = torn.truth[0]
    own = set(torn.records.parts.loc[torn.records.parts["design_id"] == fault.subject.id, "run_id"])
    key = ["run_id", "layer_no"]
    both = torn.records.layers.merge(farm().records.layers, on=key, suffixes=("", "_quiet"))
    both["more"] = both["release_n"] / both["release_n_quiet"]
    at = both["layer_no"] * 0.05 - fault.detail["height_mm"]
    mine = both["run_id"].isin(own) & (both["release_n_quiet"] > 0)
    assert both.loc[mine & at.between(0.0, 0.5), "more"].median() > 1.3
    assert both.loc[mine & ~at.between(-0.6, 1.0), "more"].median() == pytest.approx(1.0, abs=0.01)


def test_base_layers_take_longer() -> None:
    layers = farm().records.layers
    first = layers.loc[layers["layer_no"] == 1, "layer_s"].mean()
    body: pd.Series = layers.loc[layers["layer_no"] > 20, "layer_s"]
    assert first > 3 * body.mean()
    assert body.std() < 1.0


def test_none_unless_asked_for() -> None:
    assert simulate(FarmSpec(printers=2, days=3), 1).records.layers.empty
