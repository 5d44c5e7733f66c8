"""The outline of a finding's zone on the plate, from its geometry."""

from __future__ import annotations

import math
from typing import Any

from farmwatch.evidence import Evidence
from farmwatch.report.pictures import Zone

EDGES = ("left_mm", "right_mm", "front_mm", "back_mm")


def zone_of(evidence: Evidence, width_mm: float, depth_mm: float) -> Zone | None:
    """The outline; None where the finding has no zone or no geometry. An edge that is not given is the plate's own."""
    detail = evidence.detail
    if evidence.zone is None:
        return None
    number = {name: float(detail[name]) for name in ("x_mm", "y_mm", "radius_mm", *EDGES) if _finite(detail.get(name))}
    outside = evidence.zone == "rim"
    if "radius_mm" in number:
        x, y = number.get("x_mm", 0.0), number.get("y_mm", 0.0)
        return Zone("ring" if outside else "disc", x_mm=x, y_mm=y, radius_mm=number["radius_mm"])
    if not any(edge in number for edge in EDGES):
        return None
    plate = {"left_mm": -width_mm / 2, "right_mm": width_mm / 2, "front_mm": -depth_mm / 2, "back_mm": depth_mm / 2}
    edges = {edge: number.get(edge, plate[edge]) for edge in EDGES}
    return Zone("frame" if outside else "box", **edges)


def _finite(value: Any) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)
