"""Failures beside expected failures, span by span."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.ticker import MaxNLocator

from farmwatch.report import ink
from farmwatch.report.charts.marks import mark_onset, mark_services, room_for_words
from farmwatch.report.ink import BEFORE, EXPECTED, SUBJECT
from farmwatch.report.pictures import OverTime


def draw_over_time(picture: OverTime) -> str:
    figure, axes = ink.sheet(right_in=0.7, bottom_in=0.64)
    starts = np.array([ink.on_axis(day) for day in picture.starts])
    span = picture.span_days
    failed, expected = np.array(picture.failed), np.array(picture.expected)
    peak = max(float(failed.max()), float(expected.max()), 1.0)
    top = room_for_words(axes, 0.0, 1.04 * peak, picture.services)
    since = ink.on_axis(picture.onset.day) if picture.onset else -math.inf
    after = starts + span > since
    gap = 0.12 * span
    axes.bar(starts[~after] + gap, failed[~after], width=span - 2 * gap, align="edge", color=BEFORE, zorder=2)
    axes.bar(starts[after] + gap, failed[after], width=span - 2 * gap, align="edge", color=SUBJECT, zorder=2)
    edges = np.append(starts, starts[-1] + span)
    axes.stairs(expected, edges, color="white", linewidth=3.2, zorder=3, baseline=None)
    axes.stairs(expected, edges, color=EXPECTED, linewidth=1.7, zorder=4, baseline=None)
    axes.set_xlim(edges[0], edges[-1])
    axes.set_ylim(0, top)
    axes.annotate(
        "expected",
        (edges[-1], expected[-1]),
        xytext=(3, 0),
        textcoords="offset points",
        color=EXPECTED,
        va="center",
        fontsize=8.5,
        annotation_clip=False,
    )
    mark_onset(axes, picture.onset, top, edges[0])
    mark_services(axes, picture.services)
    every = "a day" if span == 1 else "a week" if span == 7 else f"in {span // 7} weeks"
    axes.set_ylabel(f"failed {picture.unit} {every}")
    axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
    axes.set_xlabel("day" if span == 1 else "week beginning")
    ink.day_ticks(axes, picture.starts[0], picture.starts[-1])
    return ink.svg(figure)
