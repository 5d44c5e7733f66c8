"""What several pictures mark alike: when a finding began, what was done to its subject."""

from __future__ import annotations

from matplotlib.axes import Axes

from farmwatch.report import ink, words
from farmwatch.report.ink import BAND, INK, PEER, lettering
from farmwatch.report.pictures import Mark, Onset

SERVICES_SHOWN = 4  # the last ones
_LINE_PT = 12.5  # one line of words


def mark_onset(axes: Axes, onset: Onset | None, top: float, first: float) -> None:
    """A line at the onset, its interval shaded, its day in words below ``top``; nothing for an onset outside the picture."""
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


def room_for_words(axes: Axes, low: float, high: float, services: tuple[Mark, ...]) -> float:
    """The upper limit of an axis on which values reach from ``low`` to ``high``, with room above for the words of
    :func:`mark_onset` and :func:`mark_services`.
    """
    share = _LINE_PT * (1.6 + min(len(services), SERVICES_SHOWN)) / _height_pt(axes)
    return low + (high - low) / (1.0 - min(share, 0.6))


def _height_pt(axes: Axes) -> float:
    return float(axes.get_window_extent().height * 72.0 / axes.figure.dpi)


def mark_services(axes: Axes, services: tuple[Mark, ...]) -> None:
    """Small triangles with their words, one line each under the words of the onset, so that no two overlap."""
    left, right = axes.get_xlim()
    bottom, top = axes.get_ylim()
    line = (top - bottom) * _LINE_PT / _height_pt(axes)
    for i, mark in enumerate(services[-SERVICES_SHOWN:]):
        at = ink.on_axis(mark.day)
        height = top - line * (i + 1.6)
        late = at > left + 0.55 * (right - left)
        axes.plot([at, at], [bottom, height], color=PEER, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
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
