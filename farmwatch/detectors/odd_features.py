"""What is measured of a run, made comparable between runs: one number a feature, near zero for an ordinary run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.stats.odd import foretell
from farmwatch.stats.robust import huber_regression

CURVE_RUNS = 30  # before a curve is drawn through them

SETTINGS_UNITS = {
    "layer_height_mm": "mm",
    "exposure_s": "s",
    "base_exposure_s": "s",
    "base_layers": "layers",
    "transition_layers": "layers",
    "rest_s": "s",
    "lift_speed_mm_min": "mm/min",
}


@dataclass(frozen=True)
class Feature:
    """One feature of runs. ``value`` is what the model sees, ``observed`` and ``expected`` are in ``unit``, (runs,)."""

    name: str
    words: str
    unit: str
    value: np.ndarray
    observed: np.ndarray
    expected: np.ndarray


def features_of(plates: pd.DataFrame, learn: np.ndarray) -> tuple[Feature, ...]:
    """Features of ``plates``, NaN where unknown. ``learn``: rows that say what is usual, bool, (runs,).

    A duration is read only of a run that went to its end; everything else is read of every run.
    """
    return (_duration(plates, learn), _peel(plates, learn), _vat(plates, learn), _ambient(plates))


def _duration(plates: pd.DataFrame, learn: np.ndarray) -> Feature:
    """Duration against plan, on the log scale, less what is usual for the printer."""
    took = (plates["ended_at"] - plates["started_at"]).dt.total_seconds().to_numpy(dtype=float)
    took = np.where(plates["outcome"].isin(["good", "partial"]).to_numpy(), took, np.nan)
    planned = plates["planned_s"].to_numpy(dtype=float)
    planned = np.where(planned > 0, planned, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(took > 0, np.log(took / planned), np.nan)
    usual = _own_level(ratio, plates["printer_id"], learn)
    return Feature("duration", "duration against plan", "s", ratio - usual, took, planned * np.exp(usual))


def _peel(plates: pd.DataFrame, learn: np.ndarray) -> Feature:
    """Peel force grows with the footprint, by the farm's own curve, and what a file adds of its own is taken from its other
    runs: a run is odd among runs of its file, not because its file is the smallest."""
    peak = plates["peak_release_n"].to_numpy(dtype=float)
    footprint = plates["footprint_mm2"].to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_peak = np.where(peak > 0, np.log(peak), np.nan)
        log_area = np.where(footprint > 0, np.log(footprint), np.nan)
    rest = log_peak - _curve(log_area, log_peak, learn)
    rest = rest - _own_level(rest, plates["printer_id"], learn)
    file = foretell(rest, pd.factorize(plates["file_id"])[0], learn)
    rest = rest - file.level
    return Feature(
        "peel", "largest peel force for its footprint", "N", rest / file.wider, peak, np.exp(log_peak - rest)
    )


def _curve(log_area: np.ndarray, log_peak: np.ndarray, learn: np.ndarray) -> np.ndarray:
    """The farm's log peel force at each log footprint: a parabola, since an area that pulls and a drag that does not add up to
    no power. NaN beyond the footprints learnt from, of which it knows nothing; at an unknown one that of the middle."""
    both = learn & np.isfinite(log_area) & np.isfinite(log_peak)
    if both.sum() < CURVE_RUNS:
        return np.zeros(log_area.size)
    middle = float(np.median(log_area[both]))
    x = np.nan_to_num(log_area, nan=middle) - middle
    design = np.column_stack([np.ones(x.size), x, x**2])
    drawn = design @ huber_regression(design[both], log_peak[both], tolerance=1e-4).coefficients
    return np.where((x >= x[both].min()) & (x <= x[both].max()), drawn, np.nan)


def _vat(plates: pd.DataFrame, learn: np.ndarray) -> Feature:
    """Over its room's temperature of that day where that is known, since a vat follows its room."""
    vat, room = plates["vat_c"].to_numpy(dtype=float), _room_of_the_day(plates)
    over = vat - room if np.isfinite(vat - room).mean() > 0.5 else vat
    usual = _own_level(over, plates["printer_id"], learn)
    return Feature("vat", "vat temperature", "degC", over - usual, vat, vat - over + usual)


def _ambient(plates: pd.DataFrame) -> Feature:
    """Against the other runs of that room and day, so that a cold day makes no run odd."""
    ambient, usual = plates["ambient_c"].to_numpy(dtype=float), _room_of_the_day(plates)
    return Feature("ambient", "room temperature", "degC", ambient - usual, ambient, usual)


def _room_of_the_day(plates: pd.DataFrame) -> np.ndarray:
    """Median room temperature of each run's room on its day, (runs,), NaN where nobody wrote one."""
    place = plates["room"].astype("str").fillna("").to_numpy()
    return plates["ambient_c"].groupby([place, plates["day"].to_numpy()]).transform("median").to_numpy(dtype=float)


def _own_level(values: np.ndarray, printer: pd.Series, learn: np.ndarray) -> np.ndarray:
    """Each printer's own median, so that a printer that always differs is no row of odd runs; a new one gets the farm's."""
    known = pd.Series(values[learn])
    level = known.groupby(printer.to_numpy()[learn]).median()
    return printer.map(level).astype(float).fillna(known.median()).to_numpy()
