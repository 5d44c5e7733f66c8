"""Simulated farms as files: what is written is what was simulated; the sample farm can be made again byte for byte."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from farmwatch.records import TABLES, conform
from farmwatch.simulate import FarmSpec, Fault, mixed_faults, scenarios, simulate, simulate_to, write_farm
from farmwatch.simulate.sample import write_sample
from farmwatch.simulate.write import truth_from_document

SAMPLES = Path(__file__).parents[2] / "data_samples"


def test_the_sample_farm_is_made_again_byte_for_byte(tmp_path: Path) -> None:
    written = write_sample(tmp_path)
    kept = sorted(path.name for path in SAMPLES.iterdir() if path.suffix in (".csv", ".json"))
    assert sorted(path.name for path in written) == kept
    for path in written:
        assert path.read_bytes() == (SAMPLES / path.name).read_bytes(), path.name
    assert sum(path.stat().st_size for path in written) < 3_000_000


def test_the_sample_readme_tells_the_truth() -> None:
    readme = (SAMPLES / "README.md").read_text(encoding="utf-8")
    faults = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["faults"]
    assert len(faults) == 6
    for fault in faults:
        row = next(line for line in readme.splitlines() if f"`{fault['subject']['id']}`" in line)
        assert fault["since"] in row
        assert fault["until"] is None or fault["until"] in row
    assert "invented" in readme
    assert "python -m farmwatch.simulate data_samples" in readme


def test_files_hold_what_was_simulated(tmp_path: Path) -> None:
    farm = simulate(FarmSpec(printers=4, days=40, start=pd.Timestamp("2031-03-01").date()), 2)
    write_farm(farm, tmp_path, by_month=True)
    for name in TABLES:
        frame: pd.DataFrame = getattr(farm.records, name)
        if frame.empty:
            continue
        pieces = [pd.read_csv(path, dtype={"run_id": str}) for path in sorted(tmp_path.glob(f"{name}*.csv"))]
        read = conform(pd.concat(pieces, ignore_index=True), name)
        pd.testing.assert_frame_equal(read, frame, check_exact=False, rtol=0, atol=6e-4)
    assert len(list(tmp_path.glob("runs-*.csv"))) == 2


def test_truth_survives_its_file(tmp_path: Path) -> None:
    faults = (
        Fault("film_spot", since_day=5),
        Fault("lot_fast", since_day=8),
        Fault("wash_spent", until_day=12, since_day=4),
    )
    farm = simulate(FarmSpec(printers=4, days=20, faults=faults), 2)
    write_farm(farm, tmp_path)
    read = truth_from_document(json.loads((tmp_path / "truth.json").read_text(encoding="utf-8")))
    assert [fault.subject for fault in read] == [fault.subject for fault in farm.truth]
    for kept, fault in zip(read, farm.truth, strict=True):
        assert (kept.cause, kept.since, kept.until, kept.first_plate_on) == (
            fault.cause,
            fault.since,
            fault.until,
            fault.first_plate_on,
        )
        assert (kept.kinds, kept.zones, kept.also) == (fault.kinds, fault.zones, fault.also)
        assert kept.odds_ratio == pytest.approx(fault.odds_ratio, abs=1e-3)


def test_large_farms_come_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scenarios, "PRINTERS_A_PIECE", 4)
    simulate_to(tmp_path, printers=7, days=12, seed=3, faults=2)
    printers = pd.concat([pd.read_csv(path) for path in tmp_path.glob("printers-*.csv")])
    runs = pd.concat([pd.read_csv(path) for path in tmp_path.glob("runs-*.csv")])
    parts = pd.concat([pd.read_csv(path) for path in tmp_path.glob("parts-*.csv")])
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert printers["printer_id"].is_unique
    assert len(printers) == 7
    assert runs["run_id"].is_unique
    assert set(runs["printer_id"]) == set(printers["printer_id"])
    assert set(parts["run_id"]) == set(runs["run_id"])
    assert truth["farm"]["printers"] == 7
    assert [fault["cause"] for fault in truth["faults"]] == ["lot_fast", "plate_tilt"]
    lots = pd.concat([pd.read_csv(path) for path in tmp_path.glob("lots-*.csv")])
    assert truth["faults"][0]["subject"]["id"] in set(lots["lot_id"])


def test_a_number_of_faults_makes_so_many_with_some_mended() -> None:
    faults = mixed_faults(6, 180, 1)
    assert len({fault.cause for fault in faults}) == 6
    assert sum(fault.until_day is not None for fault in faults) == 2
    onsets = np.array([fault.since_day for fault in faults])
    assert onsets.min() >= 36
    assert onsets.max() <= 126
    assert mixed_faults(6, 180, 1) == faults
    assert mixed_faults(6, 180, 2) != faults
    assert mixed_faults(0, 180, 1) == ()
