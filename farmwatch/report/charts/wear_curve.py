"""Failures over expected against a counter since service."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator

from farmwatch.report import ink, words
from farmwatch.report.ink import BAND, EXPECTED, INK, SUBJECT, lettering
from farmwatch.report.pictures import WearCurve


def draw_wear_curve(picture: WearCurve) -> str:
    figure, axes = ink.sheet()
    at, ratio = np.array(picture.at), np.array(picture.ratio)
    highest = max(float(ratio.max()) * 1.6, 2.5)
    for place, low, high in zip(at, picture.low, picture.high, strict=True):
        axes.plot([place, place], [low, min(high, highest)], color=SUBJECT, linewidth=1.2)
    axes.plot(at, ratio, "o-", color=SUBJECT, markersize=5, linewidth=1.0)
    axes.axhline(1.0, color=INK, linewidth=0.9, linestyle=(0, (4, 3)))
    right = float(at.max()) * 1.05 or 1.0
    axes.set_xlim(0, right)
    axes.set_ylim(0, highest)
    axes.annotate(
        "as expected", (right, 1.0), xytext=(0, 2), textcoords="offset points", fontsize=8, ha="right", va="bottom"
    )
    if math.isfinite(picture.doubles_at) and picture.doubles_at <= right:
        if math.isfinite(picture.doubles_low):
            axes.axvspan(picture.doubles_low, min(picture.doubles_high, right), color=BAND, zorder=0, linewidth=0)
        axes.axvline(picture.doubles_at, color=EXPECTED, linewidth=1.4)
        late = picture.doubles_at > 0.6 * right
        axes.annotate(
            f"risk doubles at {words.number_text(float(f'{picture.doubles_at:.2g}'))}",
            (picture.doubles_at, highest),
            xytext=(-4 if late else 4, -2),
            textcoords="offset points",
            ha="right" if late else "left",
            va="top",
            fontsize=8.5,
            color=EXPECTED,
        )
    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    axes.set_xlabel(lettering(picture.counter, 44))
    axes.set_ylabel("failed over expected")
    return ink.svg(figure)
