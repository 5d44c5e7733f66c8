"""A simulated farm as files: the tables of the contract as CSV, and its truth as JSON."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from pathlib import Path
from typing import Any

import pandas as pd

from farmwatch.evidence import Subject
from farmwatch.records import TABLES
from farmwatch.simulate.spec import PlantedFault, SimulatedFarm


def write_farm(farm: SimulatedFarm, folder: Path | str, by_month: bool = False, piece: str = "") -> list[Path]:
    """Write ``TABLE.csv`` files and ``truth.json`` into ``folder``; returns the paths written.

    ``by_month``: runs and parts a month each. ``piece`` goes into the file names, so that several farms can be
    written into one folder (no truth file then).

    Columns that hold nothing are left out. The same farm gives the same bytes.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    records = farm.records
    months = records.local_dates(records.runs["started_at"]).dt.strftime("%Y-%m")
    month_of_run = pd.Series(months.to_numpy(), index=records.runs["run_id"].to_numpy())
    written = []
    for table in TABLES:
        frame: pd.DataFrame = getattr(records, table)
        if frame.empty:
            continue
        shown = as_text(frame, records.timezone)
        if by_month and table in ("runs", "parts"):
            for month, rows in shown.groupby(month_of_run.reindex(frame["run_id"]).to_numpy()):
                written.append(_to_csv(rows, folder / f"{table}-{piece}{month}.csv"))
        else:
            written.append(_to_csv(shown, folder / (f"{table}-{piece}.csv" if piece else f"{table}.csv")))
    return written if piece else [*written, write_truth([farm], folder)]


def write_truth(farms: list[SimulatedFarm], folder: Path) -> Path:
    """The truth about one farm, or about the pieces of one, as ``truth.json``."""
    document = truth_document(farms[0])
    document["faults"] = [fault for farm in farms for fault in truth_document(farm)["faults"]]
    document["farm"]["printers"] = sum(farm.spec.printers for farm in farms)
    path = folder / "truth.json"
    path.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8", newline="\n")
    return path


def _to_csv(frame: pd.DataFrame, path: Path) -> Path:
    frame.to_csv(path, index=False, lineterminator="\n")
    return path


def as_text(frame: pd.DataFrame, timezone: str) -> pd.DataFrame:
    """Times as ISO 8601 with the farm's offset, numbers in their shortest form, empty columns left out."""
    shown = frame.dropna(axis="columns", how="all").copy()
    for name in shown.columns:
        column = shown[name]
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            local = column.dt.tz_convert(timezone)
            text = local.dt.strftime("%Y-%m-%dT%H:%M:%S%z")
            shown[name] = text.str.slice(0, -2) + ":" + text.str.slice(-2)
        elif column.dtype == "float64":
            shown[name] = _shortest(column)
    return shown


def _shortest(column: pd.Series) -> pd.Series:
    values = column.dropna()
    if (values == values.round()).all():
        return column.astype("Int64")
    return column.round(3)


def truth_document(farm: SimulatedFarm) -> dict[str, Any]:
    """The truth as plain values: spec, seed and planted faults."""
    spec = dataclasses.asdict(farm.spec)
    spec.pop("faults")
    return {
        "seed": farm.seed,
        "farm": {key: _plain(value) for key, value in spec.items()},
        "faults": [_plain(dataclasses.asdict(fault)) for fault in farm.truth],
    }


def truth_from_document(document: dict[str, Any]) -> list[PlantedFault]:
    """The inverse of :func:`truth_document` for the faults, as scoring needs them."""
    faults = []
    for row in document["faults"]:
        fields = dict(row)
        fields["subject"] = Subject(**row["subject"])
        fields["also"] = tuple(Subject(**subject) for subject in row["also"])
        for name in ("kinds", "signs", "zones", "bands"):
            fields[name] = tuple(row[name])
        for name in ("since", "until", "first_plate_on"):
            fields[name] = dt.date.fromisoformat(row[name]) if row[name] else None
        fields["odds_ratio"] = float("nan") if row["odds_ratio"] is None else row["odds_ratio"]
        faults.append(PlantedFault(**fields))
    return faults


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(item) for item in value]
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, float):
        return None if value != value else round(value, 4)
    return value
