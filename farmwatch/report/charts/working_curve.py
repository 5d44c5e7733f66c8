"""Cured depth against exposure, with the exposure now and the one advised."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from farmwatch.report import ink, words
from farmwatch.report.ink import BAND, EXPECTED, INK, PEER, SUBJECT
from farmwatch.report.pictures import WorkingCurve


def draw_working_curve(picture: WorkingCurve) -> str:
    figure, axes = ink.sheet(left_in=0.62)
    exposure, depth = np.array(picture.exposure_s), np.array(picture.depth_mm)
    told = (picture.now_s, picture.advised_s, picture.advised_low_s, picture.advised_high_s)
    marked = [value for value in told if math.isfinite(value) and value > 0]
    low, high = min([*exposure, *marked]) / 1.25, max([*exposure, *marked]) * 1.25
    along = np.geomspace(low, high, 60)
    curve = picture.dp_mm * np.log(along / picture.ec_s)
    measured = (along >= exposure.min()) & (along <= exposure.max()) & (curve > 0)
    axes.plot(along[curve > 0], curve[curve > 0], color=SUBJECT, linewidth=0.9, linestyle=(0, (2, 2)))
    axes.plot(along[measured], curve[measured], color=SUBJECT, linewidth=1.5)
    if math.isfinite(picture.advised_low_s + picture.advised_high_s):
        axes.axvspan(picture.advised_low_s, picture.advised_high_s, color=BAND, zorder=0, linewidth=0)
    axes.plot(exposure, depth, "o", markersize=4.5, mfc="none", mec=INK, mew=0.9, linestyle="none")
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    top = max(float(depth.max()), float(curve.max())) * 1.25
    axes.set_ylim(0, top)
    labels = [(picture.now_s, "now", PEER, 0.99), (picture.advised_s, "advised", EXPECTED, 0.9)]
    for value, word, colour, height in labels:
        if math.isfinite(value):
            late = value > math.sqrt(low * high)
            axes.axvline(value, color=colour, linewidth=1.3, linestyle="-" if word == "advised" else (0, (4, 3)))
            axes.annotate(
                f"{word} {words.number_text(value)} s",
                (value, top * height),
                xytext=(-4 if late else 4, 0),
                textcoords="offset points",
                ha="right" if late else "left",
                va="top",
                color=colour,
                fontsize=8.5,
                zorder=5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
            )
    axes.xaxis.set_major_locator(FixedLocator(_round_steps(low, high)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: words.number_text(value)))
    axes.set_xlabel("exposure, s (dashed: beyond what was measured)")
    axes.set_ylabel("cured depth, mm")
    return ink.svg(figure)


def _round_steps(low: float, high: float) -> list[float]:
    """Round numbers between two limits for a scale of multiples, eight at most."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    every = [step * 10.0**power for power in range(first, last + 1) for step in (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)]
    inside = [value for value in every if low <= value <= high]
    return inside[:: max(1, math.ceil(len(inside) / 8))]
