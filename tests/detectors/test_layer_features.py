"""Per-layer telemetry reduced to runs: by hand on two runs, and a shift that only the layers show."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from farmwatch.detectors import signal_shift
from farmwatch.detectors.layer_features import FEATURES, keep_reduced, layer_features, of_history
from farmwatch.detectors.night import join_history
from farmwatch.evidence import Subject
from farmwatch.records import Records, conform, empty
from farmwatch.settings import load_settings
from farmwatch.simulate import FarmSpec, simulate


def plates(**columns: object) -> pd.DataFrame:
    base = {"run_id": ["A", "B", "C"], "layer_height_mm": 0.05, "base_layers": 2.0, "transition_layers": 3.0}
    return pd.DataFrame({**base, **columns})


def test_two_runs_by_hand() -> None:
    number = np.arange(1, 31)
    release = np.where(number <= 2, 20.0, np.where(number <= 5, 15.0, 10.0))
    release[17] = 31.0
    rows = pd.DataFrame(
        {
            "run_id": ["A"] * 30 + ["B"] * 4 + ["other"],
            "layer_no": [*number, 1, 2, 3, 4, 1],
            "release_n": [*release, 1.0, 2.0, 3.0, 4.0, 99.0],
            "vat_c": [*(25.0 + number / 10.0), *[20.0] * 5],
            "layer_s": [*(8.0 + 0.5 * (number % 2)), *[1.0] * 5],
        }
    ).sample(frac=1.0, random_state=3)
    found = layer_features(conform(rows, "layers"), plates())
    first = found.loc[0]
    assert (first["base_release_n"], first["transition_release_n"], first["body_release_n"]) == (20.0, 15.0, 31.0)
    assert first["peak_height_mm"] == pytest.approx(18 * 0.05)
    assert first["vat_warm_up_c"] == pytest.approx(2.7)
    body = 8.0 + 0.5 * (np.arange(6, 31) % 2)
    assert first["layer_time_sd_s"] == pytest.approx(body.std())
    assert found.loc[[1, 2], list(FEATURES)].isna().all(axis=None)


def test_no_telemetry_no_features() -> None:
    assert layer_features(empty("layers"), plates())[list(FEATURES)].isna().all(axis=None)


@pytest.mark.parametrize("rows", [1, 7, 33, 1000])
def test_pieces_however_cut_give_what_the_whole_gives(rows: int) -> None:
    """Also a run that came in two deliveries and lies in two places, rows of no run, and runs without any."""
    rng = np.random.default_rng(6)
    began = pd.Timestamp("2031-01-06T08:00Z")
    runs = plates(printer_id="birch", started_at=began, ended_at=began + pd.Timedelta(hours=3), outcome="good")
    history = join_history(Records(runs=conform(runs, "runs")))
    names = ["A"] * 40 + ["nobody"] * 5 + ["B"] * 30 + ["A"] * 9
    layers = pd.DataFrame({"run_id": names, "layer_no": np.arange(1, len(names) + 1)})
    layers[["release_n", "vat_c", "layer_s"]] = rng.normal(10.0, 1.0, (len(names), 3))
    layers["recorded_at"] = pd.Timestamp("2031-01-06T12:00Z") + pd.to_timedelta(np.arange(len(names)), unit="min")
    layers = conform(layers, "layers")
    whole = layer_features(layers, history.plates)
    cut = [layers.iloc[start : start + rows] for start in range(0, len(layers), rows)]
    found = of_history(keep_reduced(history, lambda: iter(cut)))
    pd.testing.assert_frame_equal(found, whole)
    assert found["body_release_n"].notna().sum() == 2


def test_times_written_in_hundredths_have_a_spread_that_does_not_jump() -> None:
    """Of times that scatter by 0.02 s and are rounded to 0.01 s every run shows nearly that; a median took three values."""
    rng = np.random.default_rng(7)
    run = plates().iloc[[0] * 60].assign(run_id=[f"r{number}" for number in range(60)])
    layers = pd.DataFrame(
        {"run_id": np.repeat(run["run_id"].to_numpy(), 150), "layer_no": np.tile(np.arange(1, 151), 60)}
    )
    layers["layer_s"] = np.round(8.0 + rng.normal(0, 0.02, len(layers)), 2)
    layers.loc[layers["layer_no"] == 77, "layer_s"] = 60.0  # somebody looked after the machine
    found = layer_features(conform(layers, "layers"), run.reset_index(drop=True))["layer_time_sd_s"]
    assert found.median() == pytest.approx(np.sqrt(0.02**2 + 0.01**2 / 12), rel=0.1)
    assert found.std() == pytest.approx(found.median() / np.sqrt(2 * 150), rel=0.35)
    assert found.nunique() > 50


def test_a_shift_that_only_the_layers_show() -> None:
    spec = FarmSpec(printers=6, days=60, designs=20)
    records = simulate(spec, 4).records
    runs = records.runs
    rng = np.random.default_rng(1)
    count = 40
    plate = np.repeat(np.arange(len(runs)), count)
    late = (records.local_dates(runs["started_at"]).dt.date >= spec.start + dt.timedelta(days=35)).to_numpy()
    worse = late & (runs["printer_id"] == "P02").to_numpy()
    layers = pd.DataFrame(
        {
            "run_id": runs["run_id"].to_numpy()[plate],
            "layer_no": np.tile(np.arange(1, count + 1), len(runs)),
            "release_n": 10.0 * np.exp(rng.normal(0, 0.1, plate.size)),
            "vat_c": 25.0 + rng.normal(0, 0.2, plate.size),
            "layer_s": 8.0 + rng.normal(0, 0.1, plate.size) * np.where(worse, 2.0, 1.0)[plate],
        }
    )
    history = join_history(dataclasses.replace(records, layers=conform(layers, "layers")))
    found = signal_shift.detect(history.night(spec.start + dt.timedelta(days=55), load_settings())).evidence
    assert [(each.subject, each.detail["measure"], each.direction) for each in found] == [
        (Subject("printer", "P02"), "layer_time_sd_s", "up")
    ]
    assert found[0].effect == pytest.approx(0.1, rel=0.2)


def test_an_empty_farm_has_no_layers() -> None:
    assert len(layer_features(empty("layers"), join_history(Records()).plates)) == 0
