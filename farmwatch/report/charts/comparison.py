"""One subject among its peers, with intervals."""

from __future__ import annotations

from typing import Any

from farmwatch.report import ink
from farmwatch.report.ink import EXPECTED, INK, PEER, SUBJECT, lettering
from farmwatch.report.pictures import Comparison

RIVAL: dict[str, Any] = {"ha": "center", "va": "bottom", "fontsize": 7.5, "color": EXPECTED}


def draw_comparison(picture: Comparison) -> str:
    rows = picture.rows
    names = [lettering(row.name, 20) for row in rows]
    figure, axes = ink.sheet(0.95 + 0.235 * len(rows), left_in=ink.label_room(names))
    looks = {"subject": (SUBJECT, "o", 2.2), "rival": (EXPECTED, "D", 1.8), "peer": (PEER, "o", 1.1)}
    highest = max([row.ratio for row in rows] + [min(row.high, 3.0 * max(row.ratio, 1.0)) for row in rows] + [2.0])
    for i, row in enumerate(rows):
        colour, marker, weight = looks[row.role]
        axes.plot([row.low, min(row.high, highest)], [i, i], color=colour, linewidth=weight, solid_capstyle="butt")
        axes.plot([row.ratio], [i], marker=marker, color=colour, markersize=5.5)
        if row.high > highest:
            axes.plot([highest], [i], marker=">", color=colour, markersize=4, clip_on=False)
        if row.role == "rival":
            axes.annotate("rival", (row.ratio, i), xytext=(0, 4), textcoords="offset points", **RIVAL)
    axes.axvline(1.0, color=INK, linewidth=0.9, linestyle=(0, (4, 3)), zorder=0)
    axes.annotate("as expected", (1.0, -0.9), xytext=(3, 0), textcoords="offset points", fontsize=8, va="center")
    axes.set_yticks(range(len(rows)), names)
    for label, row in zip(axes.get_yticklabels(), rows, strict=True):
        label.set_fontweight("bold" if row.role == "subject" else "normal")
    axes.set_ylim(len(rows) - 0.4, -1.4)
    axes.set_xlim(0, highest * 1.04)
    axes.set_xlabel(f"failed {picture.unit} over expected, 95 % interval", loc="right")
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    return ink.svg(figure)
