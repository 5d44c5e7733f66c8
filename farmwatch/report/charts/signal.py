"""One measure, run by run, with its level before and since."""

from __future__ import annotations

import math

import numpy as np

from farmwatch.report import ink, words
from farmwatch.report.charts.marks import mark_onset, mark_services, room_for_words
from farmwatch.report.ink import EXPECTED, PEER, SUBJECT, lettering
from farmwatch.report.pictures import SignalOverTime


def draw_signal(picture: SignalOverTime) -> str:
    figure, axes = ink.sheet(left_in=0.68, bottom_in=0.64)
    days = np.array([ink.on_axis(day) for day in picture.days]) + 0.5
    values = np.array(picture.values)
    since = ink.on_axis(picture.onset.day) if picture.onset else math.inf
    late = days >= since
    axes.plot(days[~late], values[~late], "o", markersize=3.6, mfc="none", mec=PEER, mew=0.8, linestyle="none")
    axes.plot(days[late], values[late], "o", markersize=3.8, color=SUBJECT, linestyle="none")
    axes.set_xlim(days[0] - 1, days[-1] + 1)
    levels = [level for level in (picture.after, picture.expected) if math.isfinite(level)]
    low, high = min([*values, *levels]), max([*values, *levels])
    reach = max(high - low, 1e-9 * max(abs(high), 1.0), 1e-12)
    bottom = low - 0.08 * reach
    top = room_for_words(axes, bottom, high + 0.06 * reach, picture.services)
    axes.set_ylim(bottom, top)
    for level, start, end, colour, said, place in (
        (picture.before, days[0], min(since, days[-1]), PEER, "", 0.5),
        (picture.expected, max(since, days[0]), days[-1], EXPECTED, "expected ", 0.72),
        (picture.after, max(since, days[0]), days[-1], SUBJECT, "", 0.25),
    ):
        if math.isfinite(level) and end > start:
            axes.plot([start, end], [level, level], color="white", linewidth=3.4, zorder=3)
            axes.plot([start, end], [level, level], color=colour, linewidth=1.8, zorder=4)
            axes.annotate(
                f"{said}{words.number_text(level)}",
                (start + place * (end - start), level),
                xytext=(0, 4),
                textcoords="offset points",
                ha="center",
                fontsize=8.5,
                fontweight="bold",
                color=colour,
                zorder=5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
            )
    mark_onset(axes, picture.onset, top, days[0])
    mark_services(axes, picture.services)
    axes.set_ylim(bottom, top)
    axes.set_ylabel(f"{lettering(picture.measure, 34)}{', ' + picture.unit if picture.unit else ''}")
    axes.set_xlabel("day of the run")
    ink.day_ticks(axes, picture.days[0], picture.days[-1])
    return ink.svg(figure)
