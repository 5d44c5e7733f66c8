"""The measures of one run beside those of runs like it."""

from __future__ import annotations

import numpy as np

from farmwatch.report import ink, words
from farmwatch.report.ink import PEER, QUIET, SUBJECT
from farmwatch.report.pictures import OddRun


def draw_odd_run(picture: OddRun) -> str:
    """Each measure on its own scale: the middle 90 % of like runs fills the same grey bar on every line."""
    rows = picture.rows
    figure, axes = ink.sheet(0.62 + 0.24 * len(rows), left_in=ink.label_room(row.name for row in rows), bottom_in=0.34)
    for i, row in enumerate(rows):
        half = max((row.high - row.low) / 2, 1e-3 * max(abs(row.middle), 1e-6))
        centre = (row.high + row.low) / 2
        place = float(np.clip((row.value - centre) / half, -2.6, 2.6))
        outside = not row.low <= row.value <= row.high
        axes.plot([-1, 1], [i, i], color=QUIET, linewidth=7, solid_capstyle="butt", zorder=1)
        axes.plot(
            [place], [i], marker="D" if outside else "o", markersize=6, color=SUBJECT if outside else PEER, zorder=3
        )
        axes.annotate(
            f"{words.number_text(row.value)} {row.unit}",
            (max(place, 1.0), i),
            xytext=(8, 0),
            textcoords="offset points",
            va="center",
            fontsize=8,
            fontweight="bold" if outside else "normal",
        )
    axes.set_yticks(range(len(rows)), [row.name for row in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlim(-3.0, 4.6)
    axes.set_xticks([])
    axes.set_xlabel("grey bar: the middle 90 % of runs like it")
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.spines["bottom"].set_visible(False)
    return ink.svg(figure)
