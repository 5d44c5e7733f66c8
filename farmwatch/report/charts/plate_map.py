"""The plate from above: rate against expected by field, the zone outlined, failed parts as dots."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.patches import Circle, Patch, Rectangle

from farmwatch.report import ink
from farmwatch.report.ink import BEFORE, EXPECTED, INK, QUIET, SUBJECT
from farmwatch.report.pictures import PlateMap


def draw_plate_map(picture: PlateMap) -> str:
    x, y = np.array(picture.x_edges), np.array(picture.y_edges)
    width, depth = x[-1] - x[0], y[-1] - y[0]
    across = ink.WIDTH_IN - 0.72
    figure, axes = ink.sheet(height_in=0.62 + across * min(max(depth / width, 0.35), 1.1))
    ratio = np.array(picture.ratio)
    for j in range(len(y) - 1):
        for i in range(len(x) - 1):
            value = ratio[j, i]
            known = math.isfinite(value)
            deep = min(value, 3.0) / 3.0 if known else 0.0
            face = tuple(1.0 - deep * (1.0 - full) for full in to_rgb(BEFORE))
            axes.add_patch(
                Rectangle(
                    (x[i], y[j]),
                    x[i + 1] - x[i],
                    y[j + 1] - y[j],
                    facecolor=face,
                    edgecolor="white" if known else QUIET,
                    hatch=None if known else "///",
                    linewidth=0.6,
                    zorder=0,
                )
            )
    size = 14.0 if len(picture.failed_x) < 80 else 7.0
    axes.scatter(picture.failed_x, picture.failed_y, s=size, color=SUBJECT, edgecolor="white", linewidth=0.4, zorder=2)
    for j in range(len(y) - 1):
        for i in range(len(x) - 1):
            if math.isfinite(ratio[j, i]):
                axes.annotate(
                    f"{ratio[j, i]:.1f}",
                    ((x[i] + x[i + 1]) / 2, y[j]),
                    xytext=(0, 3),
                    textcoords="offset points",
                    ha="center",
                    va="bottom",
                    fontsize=7.5,
                    zorder=7,
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.7},
                )
    _outline(axes, picture)
    axes.add_patch(Rectangle((x[0], y[0]), width, depth, fill=False, edgecolor=INK, linewidth=1.2, zorder=5))
    axes.set_xlim(x[0] - 0.01 * width, x[-1] + 0.01 * width)
    axes.set_ylim(y[0] - 0.01 * depth, y[-1] + 0.01 * depth)
    axes.set_aspect("equal")
    axes.set_xlabel("left to right, mm (front edge below)")
    axes.set_ylabel("front to back, mm")
    for side in axes.spines.values():
        side.set_visible(False)
    return ink.svg(figure)


def _outline(axes: Axes, picture: PlateMap) -> None:
    zone = picture.zone
    if zone is None:
        return
    look: dict[str, Any] = {"fill": False, "edgecolor": EXPECTED, "linewidth": 2.2, "zorder": 6, "linestyle": "--"}
    patch: Patch
    if zone.shape in ("disc", "ring"):
        patch = Circle((zone.x_mm, zone.y_mm), zone.radius_mm, **look)
    else:
        corner = (zone.left_mm, zone.front_mm)
        patch = Rectangle(corner, zone.right_mm - zone.left_mm, zone.back_mm - zone.front_mm, **look)
    axes.add_patch(patch)
