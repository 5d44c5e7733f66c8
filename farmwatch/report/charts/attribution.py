"""Whose fault: two intervals a line, the subject without the other and the other without the subject."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from matplotlib.axes import Axes

from farmwatch.report import ink
from farmwatch.report.ink import EXPECTED, INK, PEER, SUBJECT, lettering
from farmwatch.report.pictures import Attribution

KEY: dict[str, Any] = {"ha": "left", "va": "top", "fontsize": 8}


def draw_attribution(picture: Attribution) -> str:
    rows = picture.rows
    names = [_two_lines(row.name, row.role == "rival") for row in rows]
    left = ink.label_room(line for name in names for line in name.splitlines())
    figure, axes = ink.sheet(1.2 + 0.42 * len(rows), left_in=left, top_in=0.5)
    sides = [side for row in rows for side in (row.subject_without, row.without_subject) if math.isfinite(side[0])]
    highest = max([min(high, 3.0 * max(value, 1.0)) for value, _, high in sides] + [2.0])
    for i, row in enumerate(rows):
        colour = EXPECTED if row.role == "rival" else PEER
        _interval(axes, row.subject_without, i - 0.16, SUBJECT, "o", highest)
        _interval(axes, row.without_subject, i + 0.16, colour, "D", highest)
    axes.axvline(1.0, color=INK, linewidth=0.9, linestyle=(0, (4, 3)), zorder=0)
    axes.annotate("as expected", (1.0, -0.66), xytext=(3, 0), textcoords="offset points", fontsize=8, va="center")
    axes.set_yticks(range(len(rows)), names)
    axes.set_ylim(len(rows) - 0.4, -0.9)
    axes.set_xlim(0, highest * 1.04)
    axes.set_xlabel(f"failed {picture.unit} over expected, 95 % interval", loc="right")
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    who = lettering(picture.subject, 30)
    for place, (text, colour) in enumerate(
        ((f"● {who} without the one named", SUBJECT), (f"◆ the one named without {who}", PEER))
    ):
        figure.text(0.02, 1.0 - (0.06 + 0.16 * place) / figure.get_figheight(), text, color=colour, **KEY)
    return ink.svg(figure)


def _two_lines(name: str, rival: bool) -> str:
    """A name that takes two short lines rather than one long one."""
    lines = textwrap.wrap(name, 18)[:2] if len(name) > 16 else [name]
    if rival:
        lines[-1] += " (rival)"
    return "\n".join(lettering(line, 22) for line in lines)


def _interval(axes: Axes, side: tuple[float, float, float], y: float, colour: str, marker: str, highest: float) -> None:
    value, low, high = side
    if not math.isfinite(value):
        axes.annotate(
            "hardly ever apart",
            (1, y),
            xytext=(3, 0),
            textcoords="offset points",
            fontsize=7.5,
            color=colour,
            va="center",
        )
        return
    axes.plot([low, min(high, highest)], [y, y], color=colour, linewidth=1.6, solid_capstyle="butt")
    axes.plot([min(value, highest)], [y], marker=marker, color=colour, markersize=5)
    if high > highest:
        axes.plot([highest], [y], marker=">", color=colour, markersize=4, clip_on=False)
