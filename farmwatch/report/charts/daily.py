"""One measure of the room, day by day."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.ticker import MaxNLocator

from farmwatch.report import ink
from farmwatch.report.ink import BEFORE, EXPECTED, SUBJECT
from farmwatch.report.room import Daily


def draw_daily(picture: Daily) -> str:
    figure, axes = ink.sheet(height_in=2.0, bottom_in=0.46)
    days = np.array([ink.on_axis(day) for day in picture.days])
    values = np.array(picture.values)
    week = days >= days[-1] - 6
    if picture.unit == "plates":
        axes.bar(days + 0.15, values, width=0.7, align="edge", color=np.where(week, SUBJECT, BEFORE).tolist())
        axes.set_ylim(0, max(float(values.max()) * 1.1, 1.0))
        axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
    else:
        axes.plot(days + 0.5, values, "o-", color=SUBJECT, markersize=3.2, linewidth=1.1)
        if math.isfinite(picture.limit):
            axes.axhline(picture.limit, color=EXPECTED, linewidth=1.1, linestyle=(0, (4, 3)))
            axes.annotate(
                picture.limit_words,
                (days[0], picture.limit),
                xytext=(2, 2),
                textcoords="offset points",
                fontsize=8,
                color=EXPECTED,
                va="bottom",
            )
        axes.margins(y=0.2)
    axes.set_xlim(days[0], days[-1] + 1)
    axes.set_ylabel(picture.unit)
    ink.day_ticks(axes, picture.days[0], picture.days[-1])
    return ink.svg(figure)
