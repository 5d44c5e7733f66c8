"""How high parts failed, beside the rest of the farm."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd

from farmwatch.evidence import Evidence
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import HeightCurve

AT_RISK = 30  # fewer parts than this say nothing of one slice of height


def height_curve(evidence: Evidence, frames: Frames, until: dt.date) -> HeightCurve | None:
    """Failures per 1,000 parts that reach each height, the subject since the onset against all others; None where no part
    tells a height."""
    who = evidence.subject
    rows = frames.counted(evidence)
    if rows.empty or not frames.by_parts:
        return None
    others = frames.chances[["height_mm", "failure_height_mm", "failed"]][~frames.belongs(who)]
    rows = rows[(rows["day"] >= pd.Timestamp(evidence.since)).to_numpy()]
    tall = float(np.fmax.reduce(rows["height_mm"].to_numpy(dtype=float), initial=math.nan))
    if not tall > 0.0:
        return None
    edges = np.linspace(0.0, tall, 25)
    low, high = band_edges(evidence, frames, edges)
    if evidence.band in ("base", "transition"):
        # thin layers at the foot of the part: on the scale of the whole part they would be a line
        edges = np.linspace(0.0, min(tall, max(6.0 * high, 1.0)), 25)
    return HeightCurve(
        title=f"{words.sentence(who.words)}: how high parts failed since {words.date(evidence.since)}",
        alt=(
            f"Failures per 1,000 parts that reach each height, {who.words} against the rest of the farm, "
            f"0 to {words.number_text(float(edges[-1]))} mm. Marked: {words.band(evidence) or 'the heights meant'}, where "
            f"{words.number_text(round(evidence.observed))} {evidence.unit} failed and "
            f"{words.number_text(round(evidence.expected, 1))} were expected."
        ),
        edges_mm=tuple(edges.tolist()),
        subject_rate=tuple(_per_thousand(rows, edges).tolist()),
        others_rate=tuple(_per_thousand(others, edges).tolist()),
        from_mm=low,
        to_mm=high,
        subject=who.words,
    )


def _per_thousand(rows: pd.DataFrame, edges: np.ndarray) -> np.ndarray:
    height, fell = rows["height_mm"].to_numpy(dtype=float), rows["failure_height_mm"].to_numpy(dtype=float)
    reached = np.where(np.isfinite(fell), np.fmin(fell, height), height)
    at_risk = np.array([(reached >= edge).sum() for edge in edges[:-1]], dtype=float)
    failed = np.histogram(fell[rows["failed"].to_numpy(dtype=bool) & np.isfinite(fell)], bins=edges)[0]
    return np.where(at_risk >= AT_RISK, 1000.0 * failed / np.maximum(at_risk, 1.0), np.nan)


def band_edges(evidence: Evidence, frames: Frames, edges: np.ndarray) -> tuple[float, float]:
    """The band in mm; base and transition from the middle layer settings of the subject's own plates."""
    detail = evidence.detail
    if detail.get("from_mm") is not None and detail.get("to_mm") is not None:
        return float(detail["from_mm"]), float(detail["to_mm"])
    plates = frames.plates[frames.plates_of(evidence.subject)]
    layer = plates["layer_height_mm"]
    base = float((plates["base_layers"] * layer).median())
    step = float(((plates["base_layers"] + plates["transition_layers"]) * layer).median())
    top = float(edges[-1])
    base = base if math.isfinite(base) else float(edges[1])
    step = step if math.isfinite(step) else base
    return {"base": (0.0, base), "transition": (base, step)}.get(evidence.band or "", (step, top))
