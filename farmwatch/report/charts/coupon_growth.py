"""Edge growth on measured pieces."""

from __future__ import annotations

import datetime as dt

import numpy as np

from farmwatch.report import ink
from farmwatch.report.charts.marks import mark_onset
from farmwatch.report.ink import INK, PEER, SUBJECT, lettering
from farmwatch.report.pictures import CouponGrowth


def draw_coupon_growth(picture: CouponGrowth) -> str:
    figure, axes = ink.sheet(left_in=0.68, bottom_in=0.64)
    own_days = np.array([ink.on_axis(day) for day in picture.days])
    days = np.array([ink.on_axis(day) for day in picture.other_days])
    axes.plot(days, picture.other_growth_mm, "o", markersize=4, mfc="none", mec=PEER, mew=0.8, linestyle="none")
    axes.plot(own_days, picture.growth_mm, "o", markersize=5, color=SUBJECT, linestyle="none", zorder=3)
    axes.axhline(0.0, color=INK, linewidth=0.8)
    every = np.append(own_days, days)
    first, last = every.min(), every.max()
    axes.set_xlim(first - 1, last + max(2.0, 0.05 * (last - first)))
    low, high = axes.get_ylim()
    top = high + 0.28 * (high - low)
    axes.set_ylim(low, top)
    mark_onset(axes, picture.onset, top, first)
    left, right = axes.get_xlim()
    early = picture.onset is not None and ink.on_axis(picture.onset.day) < (left + right) / 2
    for share, colour, text in ((0.07, SUBJECT, f"● {lettering(picture.subject)}"), (0.15, PEER, "○ all others")):
        axes.text(
            right - 0.02 * (right - left) if early else left + 0.02 * (right - left),
            top - share * (top - low),
            text,
            color=colour,
            fontsize=8.5,
            ha="right" if early else "left",
            va="center",
        )
    axes.set_ylabel("growth of one edge, mm")
    axes.set_xlabel("measured on")
    ink.day_ticks(axes, _date(first), _date(last))
    return ink.svg(figure)


def _date(number: float) -> dt.date:
    return dt.date.fromordinal(int(number))
