"""Where on the plate the failed parts stood."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from farmwatch.evidence import Evidence
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import PlateMap
from farmwatch.report.zones import zone_of


def plate_map(evidence: Evidence, frames: Frames, until: dt.date) -> PlateMap | None:
    """The subject's plate from above, in mm: its failed parts since the onset, and rates by field; None without places."""
    who = evidence.subject
    rows = frames.counted(evidence)
    if rows.empty or not frames.by_parts:
        return None
    rows = rows[
        ((rows["day"] >= pd.Timestamp(evidence.since)) & rows["x_mm"].notna() & rows["y_mm"].notna()).to_numpy()
    ]
    if rows.empty:
        return None
    plates = frames.plates.iloc[rows["plate"].unique()]
    x, y = rows["x_mm"].to_numpy(dtype=float), rows["y_mm"].to_numpy(dtype=float)
    width, depth = (
        float(plates[name].max()) if plates[name].notna().any() else 2.0 * float(np.abs(place).max()) + 10.0
        for name, place in (("plate_width_mm", x), ("plate_depth_mm", y))
    )
    columns = 6
    lines = int(np.clip(round(columns * depth / width), 3, 10))
    x_edges, y_edges = np.linspace(-width / 2, width / 2, columns + 1), np.linspace(-depth / 2, depth / 2, lines + 1)
    failed, expected = rows["failed"].to_numpy(dtype=float), rows["expected"].to_numpy(dtype=float)
    seen = np.histogram2d(y, x, bins=(y_edges, x_edges), weights=failed)[0]
    mean = np.histogram2d(y, x, bins=(y_edges, x_edges), weights=expected)[0]
    # the picture is of where, so it is scaled to the subject's own total
    mean *= failed.sum() / max(float(expected.sum()), 1e-12)
    ratio = np.where(mean >= 0.3, seen / np.maximum(mean, 1e-12), np.nan)
    place = words.zone(evidence.zone) or "the plate"
    hit = rows["failed"].to_numpy(dtype=bool)
    signed = frames.sign_counted(evidence)
    return PlateMap(
        title=f"{words.sentence(who.words)}: where on the plate parts failed{signed} since "
        f"{words.date(evidence.since)}; numbers: times the average of the plate",
        alt=(
            f"The plate from above, {width:.0f} by {depth:.0f} mm, front edge below. Each part that failed{signed} is a dot "
            f"({int(hit.sum())} of {len(rows):,} parts); numbers say how many times the plate's own average failed in "
            f"each field. Outlined: {place}, where {words.number_text(evidence.observed)} failed and "
            f"{words.number_text(round(evidence.expected, 1))} were expected."
        ),
        x_edges=tuple(x_edges.tolist()),
        y_edges=tuple(y_edges.tolist()),
        ratio=tuple(tuple(line) for line in ratio.tolist()),
        failed_x=tuple(x[hit].tolist()),
        failed_y=tuple(y[hit].tolist()),
        zone=zone_of(evidence, width, depth),
    )
