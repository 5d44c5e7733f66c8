"""One run beside runs like it."""

from __future__ import annotations

import math

import numpy as np

from farmwatch.evidence import Evidence
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import Habit, OddRun
from farmwatch.report.showing.measures import measured

ODD_MEASURES = (
    "exposure_s",
    "base_exposure_s",
    "base_layers",
    "rest_s",
    "lift_speed_mm_min",
    "layer_height_mm",
    "ambient_c",
    "vat_c",
    "peak_release_n",
    "duration_ratio",
    "footprint_mm2",
)


def odd_run(evidence: Evidence, frames: Frames) -> OddRun | None:
    """The run's measures beside those of runs with its profile (of the whole farm, where it has none)."""
    plates = frames.plates
    at = np.flatnonzero((plates["run_id"] == evidence.subject.id).to_numpy(dtype=bool))
    if not len(at):
        return None
    profile = plates["profile"].iloc[at[0]]
    like = (
        (plates["profile"] == profile).to_numpy(dtype=bool, copy=True)
        if isinstance(profile, str)
        else np.ones(len(plates), bool)
    )
    like[at[0]] = False
    rows = []
    for column in ODD_MEASURES:
        values = measured(column, plates)
        others = values[like & np.isfinite(values)]
        if math.isfinite(values[at[0]]) and len(others) >= 5:
            low, middle, high = np.quantile(others, [0.05, 0.5, 0.95]).tolist()
            name, unit = words.measure(column)
            rows.append(Habit(name, unit, float(values[at[0]]), low, middle, high))
    if not rows:
        return None
    outside = [row for row in rows if not row.low <= row.value <= row.high]
    said = words.listed(
        f"{row.name} {words.number_text(row.value)} {row.unit} (usually {words.number_text(row.low)} to "
        f"{words.number_text(row.high)})"
        for row in outside
    )
    return OddRun(
        title=f"{words.sentence(evidence.subject.words)} beside {int(like.sum())} runs like it",
        alt=f"Outside the middle 90 % of runs like it: {said or 'no single measure'}.",
        run=evidence.subject.id,
        rows=tuple(rows),
    )
