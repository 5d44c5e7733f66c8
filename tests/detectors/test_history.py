"""The join: in pieces or at once the same, nothing of a plate lost, and what was written late is known late."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from farmwatch.detectors.layer_features import COLUMNS as LAYER_COLUMNS
from farmwatch.detectors.layer_features import of_history
from farmwatch.detectors.night import MEASURES, PART_COLUMNS, History, join_history
from farmwatch.nightly import history_of
from farmwatch.records import TABLES, Records
from farmwatch.settings import load_settings
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec
from farmwatch.store import Farm, tables

SETTINGS = load_settings()


@pytest.fixture(scope="module")
def records() -> Records:
    return simulate(FarmSpec(printers=4, days=45), 5).records


def same(one: History, two: History) -> None:
    pd.testing.assert_frame_equal(one.plates, two.plates, check_exact=True)
    pd.testing.assert_frame_equal(one.parts, two.parts, check_exact=True)
    pd.testing.assert_series_equal(one.late_parts, two.late_parts)


def test_parts_joined_in_pieces_of_any_order_are_the_parts_joined_whole(records: Records) -> None:
    mixed = np.random.default_rng(1).permutation(len(records.parts))
    pieces = [records.parts[list(PART_COLUMNS)].iloc[rows] for rows in np.array_split(mixed, 7)]
    same(join_history(records), join_history(records, pieces))


def test_every_part_stands_on_its_plate(records: Records) -> None:
    history = join_history(records)
    run = history.plates["run_id"].iloc[history.parts["plate"]].to_numpy()
    measures = dict.fromkeys(MEASURES, "float64")
    told = history.parts.assign(run_id=run).astype(
        {"design_id": "str", "sign": "str", "part_no": "float64", **measures}
    )
    merged = told.merge(records.parts, on=["run_id", "part_no"], suffixes=("", "_written"), validate="one_to_one")
    assert len(merged) == len(records.parts)
    for name in ("design_id", "sign", "x_mm", "y_mm", "height_mm", "failure_height_mm"):
        pd.testing.assert_series_equal(merged[name], merged[f"{name}_written"], check_names=False)
    assert (merged["failed"] == (merged["outcome"] == "failed")).all()
    assert (merged["known"] == (merged["outcome"] != "unknown")).all()
    area = records.parts.groupby("run_id")["footprint_mm2"].sum()
    np.testing.assert_allclose(history.plates["footprint_mm2"], area[history.plates["run_id"]], rtol=1e-12)


def test_a_farm_read_piece_by_piece_is_the_farm_read_whole(
    records: Records, tmp_path: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tables, "GROUP_ROWS", 500)
    farm = Farm.create(f"{tmp_path}/farm")
    for table in TABLES:
        rows = getattr(records, table)
        farm.put(table, tables.fit(tables.pa.Table.from_pandas(rows), tables.declared_schema(table)))
    assert len(list(farm.pieces("parts", PART_COLUMNS))) > 3
    same(history_of(farm), join_history(farm.records()))


def test_telemetry_read_piece_by_piece_gives_the_features_of_the_whole(
    tmp_path: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    records = simulate(FarmSpec(printers=2, days=8, layers_every=5), 6).records
    monkeypatch.setattr(tables, "GROUP_ROWS", 150)
    farm = Farm.create(f"{tmp_path}/farm")
    for table in TABLES:
        rows = getattr(records, table)
        farm.put(table, tables.fit(tables.pa.Table.from_pandas(rows), tables.declared_schema(table)))
    assert len(list(farm.pieces("layers", LAYER_COLUMNS))) > 10
    read = history_of(farm)
    assert read.records.layers.empty  # it never stands whole
    whole = of_history(join_history(records))
    assert whole["body_release_n"].notna().sum() > 20
    pd.testing.assert_frame_equal(of_history(read), whole)


def test_a_part_written_after_its_plate_is_not_known_before(records: Records) -> None:
    run = records.runs.sort_values("ended_at").iloc[100]
    wrote = run["ended_at"] + pd.Timedelta(days=3)
    mine = ((records.parts["run_id"] == run["run_id"]) & (records.parts["part_no"] == 1)).to_numpy()
    assert mine.sum() == 1
    written = records.parts["recorded_at"].mask(mine, wrote)
    parts = records.parts.assign(recorded_at=written, outcome=records.parts["outcome"].mask(mine, "failed"))
    history = join_history(replace(records, parts=parts))
    row = int(np.flatnonzero((history.plates["run_id"] == run["run_id"]).to_numpy())[0])
    part = int(np.flatnonzero((history.parts["plate"] == row) & (history.parts["part_no"] == 1))[0])
    assert wrote in set(history.late_parts[history.late_parts.index == part])
    for days, known in ((1, False), (4, True)):
        night = history.night(run["ended_at"].date() + dt.timedelta(days=days), SETTINGS)
        assert night.parts["known"].iloc[part] == known
        assert night.parts["failed"].iloc[part] == known
    assert history.parts["failed"].iloc[part]


def test_columns_of_the_farms_own_change_nothing_whatever_they_are_called(records: Records) -> None:
    """The records keep what they do not know; a column `room` in the runs must not stand in for that of the printer."""
    own = ("room", "family", "resin", "opened_on", "day", "parts", "failures", "known_at", "plate_width_mm")
    runs = records.runs.assign(**dict.fromkeys(own, "mine"))
    parts = records.parts.assign(**dict.fromkeys(("plate", "known", "failed"), "mine"))
    same(join_history(replace(records, runs=runs, parts=parts)), join_history(records))
