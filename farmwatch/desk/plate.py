"""The plate as it is drawn: origin in the centre, x to the right, the back at the top. All in mm of the plate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

TOUCH_SHARE = 0.075  # half of 48 px on a plate that is drawn 320 px wide
_USUAL_RADIUS_SHARE = 0.04
_FAR_MM = 1e6
_TOUCH_PX, _WIDEST_PX = 48, 1100


@dataclass(frozen=True)
class Spot:
    """A part on the drawing, in SVG coordinates (y downwards). ``touch_mm``: half the side of what a finger hits."""

    part_no: int
    x_mm: float
    y_mm: float
    radius_mm: float
    touch_mm: float


@dataclass(frozen=True)
class Drawing:
    """A plate to draw. ``known``: whether its size is, or was guessed from the parts. ``loose``: parts without a place."""

    width_mm: float
    depth_mm: float
    known: bool
    spots: tuple[Spot, ...]
    loose: tuple[int, ...]

    @property
    def margin_mm(self) -> float:
        return 0.02 * max(self.width_mm, self.depth_mm)

    @property
    def least_px(self) -> int:
        """How wide to draw at least, so that a gloved finger hits one part and not two; narrower screens scroll."""
        smallest = min((spot.touch_mm for spot in self.spots), default=self.width_mm)
        return min(_WIDEST_PX, math.ceil(_TOUCH_PX * (self.width_mm + 2 * self.margin_mm) / (2 * smallest)))

    @property
    def view(self) -> str:
        """The ``viewBox``, a little larger than the plate."""
        edge = self.margin_mm
        left, top = -self.width_mm / 2 - edge, -self.depth_mm / 2 - edge
        return f"{left:.2f} {top:.2f} {self.width_mm + 2 * edge:.2f} {self.depth_mm + 2 * edge:.2f}"


def draw_plate(width_mm: float | None, depth_mm: float | None, parts: Sequence[Mapping[str, Any]]) -> Drawing:
    """The drawing of ``parts`` (rows of the table) on a plate of that size; None where it is not registered."""
    placed = [part for part in parts if _on_paper(part)]
    loose = tuple(int(part["part_no"]) for part in parts if not _on_paper(part))
    known = bool(width_mm and depth_mm)
    width = width_mm if known and width_mm else _extent([part["x_mm"] for part in placed])
    depth = depth_mm if known and depth_mm else _extent([part["y_mm"] for part in placed])
    spots = tuple(_spot(part, placed, width) for part in placed)
    return Drawing(width, depth, known, spots, loose)


def _on_paper(part: Mapping[str, Any]) -> bool:
    return all(part.get(name) is not None and abs(part[name]) < _FAR_MM for name in ("x_mm", "y_mm"))


def _extent(positions: Sequence[float]) -> float:
    return max(100.0, 2.4 * max((abs(position) for position in positions), default=0.0))


def _spot(part: Mapping[str, Any], placed: Sequence[Mapping[str, Any]], width_mm: float) -> Spot:
    """A disc of the part's own area, and a square around it for the finger; neither reaches into a neighbour's."""
    room = min(
        (
            max(abs(other["x_mm"] - part["x_mm"]), abs(other["y_mm"] - part["y_mm"]))
            for other in placed
            if other is not part
        ),
        default=width_mm,
    )
    area = part.get("footprint_mm2") or 0.0
    radius = math.sqrt(area / math.pi) if area > 0 else _USUAL_RADIUS_SHARE * width_mm
    least = 0.01 * width_mm  # parts on one another can still be seen and hit
    radius = max(least, min(radius, 0.49 * room))
    touch = max(least, min(max(radius, TOUCH_SHARE * width_mm), 0.5 * room))
    return Spot(int(part["part_no"]), part["x_mm"], -part["y_mm"], min(radius, touch), touch)
