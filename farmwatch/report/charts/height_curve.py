"""How high parts failed, the subject beside the rest of the farm."""

from __future__ import annotations

import numpy as np

from farmwatch.report import ink
from farmwatch.report.ink import BAND, EXPECTED, SUBJECT, lettering
from farmwatch.report.pictures import HeightCurve


def draw_height_curve(picture: HeightCurve) -> str:
    figure, axes = ink.sheet(height_in=3.3)
    edges = np.array(picture.edges_mm)
    own, others = np.nan_to_num(np.array(picture.subject_rate)), np.nan_to_num(np.array(picture.others_rate))
    axes.axhspan(
        picture.from_mm, max(picture.to_mm, picture.from_mm + 0.01 * edges[-1]), color=BAND, zorder=0, linewidth=0
    )
    axes.barh(edges[:-1], own, height=np.diff(edges) * 0.8, align="edge", color=SUBJECT, zorder=2)
    axes.stairs(others, edges, orientation="horizontal", color="white", linewidth=3.0, zorder=3, baseline=None)
    axes.stairs(others, edges, orientation="horizontal", color=EXPECTED, linewidth=1.6, zorder=4, baseline=None)
    top = max(float(own.max()), float(others.max()), 1.0)
    axes.set_xlim(0, top * 1.35)
    axes.set_ylim(0, edges[-1])
    peak = int(np.argmax(others))
    axes.annotate(
        "rest of the farm",
        (others[peak], (edges[peak] + edges[peak + 1]) / 2),
        xytext=(5, 7),
        textcoords="offset points",
        color=EXPECTED,
        va="bottom",
        fontsize=8.5,
        zorder=5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85},
    )
    middle = (picture.from_mm + picture.to_mm) / 2
    at = int(np.clip(np.searchsorted(edges, middle, side="right") - 1, 0, len(own) - 1))
    axes.annotate(
        lettering(picture.subject),
        (own[at], (edges[at] + edges[at + 1]) / 2),
        xytext=(4, 0),
        textcoords="offset points",
        color=SUBJECT,
        fontweight="bold",
        va="center",
        fontsize=8.5,
        zorder=5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.7},
    )
    axes.set_xlabel("failures per 1,000 parts that reach this height")
    axes.set_ylabel("height on the part, mm")
    return ink.svg(figure)
