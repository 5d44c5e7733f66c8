"""What several pictures mark alike: when a finding began, what was done to its subject."""

from __future__ import annotations

from matplotlib.axes import Axes

from farmwatch.report import ink, words
from farmwatch.report.ink import BAND, INK, PEER, lettering
from farmwatch.report.pictures import Mark, Onset


def mark_onset(axes: Axes, onset: Onset | None, top: float, first: float) -> None:
    if onset is None:
        return
    low, high = ink.on_axis(onset.low), ink.on_axis(onset.high) + 1.0
    at = ink.on_axis(onset.day)
    left, right = axes.get_xlim()
    if not left <= at <= right:
        return
    axes.axvspan(max(low, left), min(high, right), color=BAND, zorder=0, linewidth=0)
    axes.axvline(at, color=INK, linewidth=1.0, zorder=1)
    late = at > left + 0.6 * (right - left)
    axes.annotate(
        f"began {words.date(onset.day, False)}",
        (at, top),
        xytext=(-4 if late else 4, -1),
        textcoords="offset points",
        ha="right" if late else "left",
        va="top",
        fontsize=8.5,
        fontweight="bold",
    )


def mark_services(axes: Axes, services: tuple[Mark, ...], top: float, line: float) -> None:
    """Small triangles with their words, the last four, one line each so that no two overlap."""
    left, right = axes.get_xlim()
    for i, mark in enumerate(services[-4:]):
        at = ink.on_axis(mark.day)
        height = top - line * (i + 1)
        late = at > left + 0.55 * (right - left)
        axes.plot([at, at], [0, height], color=PEER, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
        axes.plot([at], [height], marker="v", markersize=5, color=INK, zorder=3, clip_on=False)
        axes.annotate(
            lettering(mark.text),
            (at, height),
            xytext=(-6 if late else 6, 0),
            textcoords="offset points",
            ha="right" if late else "left",
            va="center",
            fontsize=8,
            zorder=4,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
        )
