"""Contents of pictures to SVG: labels on the lines themselves, units on the axes, readable in grey."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Patch, Rectangle
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from farmwatch.report import ink, words
from farmwatch.report.ink import BAND, BEFORE, EXPECTED, INK, PEER, QUIET, SUBJECT, lettering
from farmwatch.report.pictures import (
    Comparison,
    CouponGrowth,
    HeightCurve,
    Mark,
    OddRun,
    Onset,
    OverTime,
    Picture,
    PlateMap,
    SignalOverTime,
    WearCurve,
    WorkingCurve,
)
from farmwatch.report.room import Daily
from farmwatch.report.subjects import Trend


def draw(picture: Picture | Daily) -> str:
    """One picture as an SVG document without anything outside itself; the same contents give the same text."""
    with ink.style():
        return _DRAWERS[type(picture)](picture)


def _mark_onset(axes: Axes, onset: Onset | None, top: float, first: float) -> None:
    if onset is None:
        return
    low, high = ink.day_number(onset.low), ink.day_number(onset.high) + 1.0
    at = ink.day_number(onset.day)
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


def _mark_services(axes: Axes, services: tuple[Mark, ...], top: float, line: float) -> None:
    """Small triangles with their words, the last four, one line each so that no two overlap."""
    left, right = axes.get_xlim()
    for i, mark in enumerate(services[-4:]):
        at = ink.day_number(mark.day)
        height = top - line * (i + 1)
        late = at > left + 0.55 * (right - left)
        axes.plot([at, at], [0, height], color=PEER, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
        axes.plot([at], [height], marker="v", markersize=5, color=INK, zorder=3)
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


def _over_time(picture: OverTime) -> str:
    figure, axes = ink.sheet(right_in=0.7, bottom_in=0.64)
    starts = np.array([ink.day_number(day) for day in picture.starts])
    span = picture.span_days
    failed, expected = np.array(picture.failed), np.array(picture.expected)
    peak = max(float(failed.max()), float(expected.max()), 1.0)
    lines = 1 + min(len(picture.services), 4)
    top = peak * (1.08 + 0.11 * lines)
    since = ink.day_number(picture.onset.day) if picture.onset else -math.inf
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
    _mark_onset(axes, picture.onset, top, edges[0])
    _mark_services(axes, picture.services, top * 0.99, peak * 0.11)
    every = "a day" if span == 1 else "a week" if span == 7 else f"in {span // 7} weeks"
    axes.set_ylabel(f"failed {picture.unit} {every}")
    axes.yaxis.set_major_locator(MaxNLocator(5, integer=True))
    axes.set_xlabel("day" if span == 1 else "week beginning")
    ink.day_ticks(axes, picture.starts[0], picture.starts[-1])
    return ink.svg(figure)


def _plate_map(picture: PlateMap) -> str:
    x, y = np.array(picture.x_edges), np.array(picture.y_edges)
    width, depth = x[-1] - x[0], y[-1] - y[0]
    across = ink.WIDTH_IN - 0.72
    figure, axes = ink.sheet(height_in=0.62 + across * min(max(depth / width, 0.35), 1.1))
    ratio = np.array(picture.ratio)
    for j in range(len(y) - 1):
        for i in range(len(x) - 1):
            value = ratio[j, i]
            known = math.isfinite(value)
            shade = 1.0 - 0.42 * min(value, 3.0) / 3.0 if known else 1.0
            face = (shade * 0.93 + 0.07, shade * 0.97 + 0.03, min(shade + 0.1, 1.0)) if known else "white"
            axes.add_patch(
                Rectangle(
                    (x[i], y[j]),
                    x[i + 1] - x[i],
                    y[j + 1] - y[j],
                    facecolor=face,
                    edgecolor="white" if known else QUIET,
                    hatch=None if known else "///",
                    linewidth=0.6,
                    zorder=0,
                )
            )
    size = 14.0 if len(picture.failed_x) < 80 else 7.0
    axes.scatter(picture.failed_x, picture.failed_y, s=size, color=SUBJECT, edgecolor="white", linewidth=0.4, zorder=2)
    for j in range(len(y) - 1):
        for i in range(len(x) - 1):
            if math.isfinite(ratio[j, i]):
                axes.annotate(
                    f"{ratio[j, i]:.1f}",
                    ((x[i] + x[i + 1]) / 2, y[j]),
                    xytext=(0, 3),
                    textcoords="offset points",
                    ha="center",
                    va="bottom",
                    fontsize=7.5,
                    zorder=4,
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5, "alpha": 0.7},
                )
    _outline(axes, picture)
    axes.add_patch(Rectangle((x[0], y[0]), width, depth, fill=False, edgecolor=INK, linewidth=1.2, zorder=5))
    axes.set_xlim(x[0] - 0.01 * width, x[-1] + 0.01 * width)
    axes.set_ylim(y[0] - 0.01 * depth, y[-1] + 0.01 * depth)
    axes.set_aspect("equal")
    axes.set_xlabel("left to right, mm (front edge below)")
    axes.set_ylabel("front to back, mm")
    for side in axes.spines.values():
        side.set_visible(False)
    return ink.svg(figure)


def _outline(axes: Axes, picture: PlateMap) -> None:
    zone = picture.zone
    if zone is None:
        return
    look: dict[str, Any] = {"fill": False, "edgecolor": EXPECTED, "linewidth": 2.2, "zorder": 6, "linestyle": "--"}
    patch: Patch
    if zone.shape in ("disc", "ring"):
        patch = Circle((zone.x_mm, zone.y_mm), zone.radius_mm, **look)
    else:
        corner = (zone.left_mm, zone.front_mm)
        patch = Rectangle(corner, zone.right_mm - zone.left_mm, zone.back_mm - zone.front_mm, **look)
    axes.add_patch(patch)


def _height_curve(picture: HeightCurve) -> str:
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
    )
    axes.set_xlabel("failures per 1,000 parts that reach this height")
    axes.set_ylabel("height on the part, mm")
    return ink.svg(figure)


def _comparison(picture: Comparison) -> str:
    rows = picture.rows
    names = [lettering(row.name, 22) + (" (rival)" if row.role == "rival" else "") for row in rows]
    figure, axes = ink.sheet(0.95 + 0.235 * len(rows), left_in=ink.label_room(names))
    looks = {"subject": (SUBJECT, "o", 2.2), "rival": (EXPECTED, "D", 1.8), "peer": (PEER, "o", 1.1)}
    highest = max([row.ratio for row in rows] + [min(row.high, 3.0 * max(row.ratio, 1.0)) for row in rows] + [2.0])
    for i, row in enumerate(rows):
        colour, marker, weight = looks[row.role]
        axes.plot([row.low, min(row.high, highest)], [i, i], color=colour, linewidth=weight, solid_capstyle="butt")
        axes.plot([row.ratio], [i], marker=marker, color=colour, markersize=5.5)
    axes.axvline(1.0, color=INK, linewidth=0.9, linestyle=(0, (4, 3)), zorder=0)
    axes.annotate("as expected", (1.0, -0.9), xytext=(3, 0), textcoords="offset points", fontsize=8, va="center")
    axes.set_yticks(range(len(rows)), names)
    for label, row in zip(axes.get_yticklabels(), rows, strict=True):
        label.set_fontweight("bold" if row.role == "subject" else "normal")
    axes.set_ylim(len(rows) - 0.4, -1.4)
    axes.set_xlim(0, highest * 1.04)
    axes.set_xlabel(f"failed {picture.unit} over expected, with 95 % interval")
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    return ink.svg(figure)


def _coupon_growth(picture: CouponGrowth) -> str:
    figure, axes = ink.sheet(left_in=0.68, bottom_in=0.64)
    own_days = np.array([ink.day_number(day) for day in picture.days])
    days = np.array([ink.day_number(day) for day in picture.other_days])
    axes.plot(days, picture.other_growth_mm, "o", markersize=4, mfc="none", mec=PEER, mew=0.8, linestyle="none")
    axes.plot(own_days, picture.growth_mm, "o", markersize=5, color=SUBJECT, linestyle="none", zorder=3)
    axes.axhline(0.0, color=INK, linewidth=0.8)
    every = np.append(own_days, days)
    first, last = every.min(), every.max()
    axes.set_xlim(first - 1, last + max(2.0, 0.05 * (last - first)))
    low, high = axes.get_ylim()
    top = high + 0.28 * (high - low)
    axes.set_ylim(low, top)
    _mark_onset(axes, picture.onset, top, first)
    left, right = axes.get_xlim()
    early = picture.onset is not None and ink.day_number(picture.onset.day) < (left + right) / 2
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


def _working_curve(picture: WorkingCurve) -> str:
    figure, axes = ink.sheet(left_in=0.62)
    exposure, depth = np.array(picture.exposure_s), np.array(picture.depth_mm)
    marked = [value for value in (picture.now_s, picture.advised_s) if math.isfinite(value)]
    low, high = min([*exposure, *marked]) / 1.25, max([*exposure, *marked]) * 1.25
    along = np.geomspace(low, high, 60)
    curve = picture.dp_mm * np.log(along / picture.ec_s)
    axes.plot(along[curve > 0], curve[curve > 0], color=SUBJECT, linewidth=1.4)
    axes.plot(exposure, depth, "o", markersize=4.5, mfc="none", mec=INK, mew=0.9, linestyle="none")
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    top = max(float(depth.max()), float(curve.max())) * 1.25
    axes.set_ylim(0, top)
    labels = [(picture.now_s, "now", PEER, 0.99), (picture.advised_s, "advised", EXPECTED, 0.9)]
    for value, word, colour, height in labels:
        if math.isfinite(value):
            late = value < max(marked) or (len(marked) == 1 and value > math.sqrt(low * high))
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
            )
    axes.xaxis.set_major_locator(FixedLocator(_round_steps(low, high)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: words.number_text(value)))
    axes.set_xlabel("exposure, s (each step to the right a multiple)")
    axes.set_ylabel("cured depth, mm")
    return ink.svg(figure)


def _round_steps(low: float, high: float) -> list[float]:
    """Round numbers between two limits for a scale of multiples, eight at most."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    every = [step * 10.0**power for power in range(first, last + 1) for step in (1.0, 1.5, 2.0, 3.0, 5.0, 7.0)]
    inside = [value for value in every if low <= value <= high]
    return inside[:: max(1, math.ceil(len(inside) / 8))]


def _date(number: float) -> Any:
    import datetime as dt

    return dt.date.fromordinal(int(number))


def _signal(picture: SignalOverTime) -> str:
    figure, axes = ink.sheet(left_in=0.68, bottom_in=0.64)
    days = np.array([ink.day_number(day) for day in picture.days]) + 0.5
    values = np.array(picture.values)
    since = ink.day_number(picture.onset.day) if picture.onset else math.inf
    late = days >= since
    axes.plot(days[~late], values[~late], "o", markersize=3.6, mfc="none", mec=PEER, mew=0.8, linestyle="none")
    axes.plot(days[late], values[late], "o", markersize=3.8, color=SUBJECT, linestyle="none")
    axes.set_xlim(days[0] - 1, days[-1] + 1)
    low, high = float(values.min()), float(values.max())
    reach = max(high - low, 1e-9 * max(abs(high), 1.0), 1e-12)
    lines = 1 + min(len(picture.services), 4)
    top = high + reach * (0.1 + 0.12 * lines)
    axes.set_ylim(low - 0.08 * reach, top)
    for level, start, end, colour in (
        (picture.before, days[0], min(since, days[-1]), PEER),
        (picture.after, max(since, days[0]), days[-1], SUBJECT),
    ):
        if math.isfinite(level) and end > start:
            axes.plot([start, end], [level, level], color="white", linewidth=3.4, zorder=3)
            axes.plot([start, end], [level, level], color=colour, linewidth=1.8, zorder=4)
            axes.annotate(
                words.number_text(level),
                ((start + end) / 2, level),
                xytext=(0, 4),
                textcoords="offset points",
                ha="center",
                fontsize=8.5,
                fontweight="bold",
                color=colour,
                zorder=5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
            )
    _mark_onset(axes, picture.onset, top, days[0])
    _mark_services(axes, picture.services, top, reach * 0.12)
    axes.set_ylim(low - 0.08 * reach, top)
    axes.set_ylabel(f"{lettering(picture.measure, 34)}{', ' + picture.unit if picture.unit else ''}")
    axes.set_xlabel("day of the run")
    ink.day_ticks(axes, picture.days[0], picture.days[-1])
    return ink.svg(figure)


def _wear(picture: WearCurve) -> str:
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


def _odd_run(picture: OddRun) -> str:
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


def _daily(picture: Daily) -> str:
    figure, axes = ink.sheet(height_in=2.0, bottom_in=0.46)
    days = np.array([ink.day_number(day) for day in picture.days])
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


_DRAWERS: dict[type, Callable[[Any], str]] = {
    OverTime: _over_time,
    PlateMap: _plate_map,
    HeightCurve: _height_curve,
    Comparison: _comparison,
    CouponGrowth: _coupon_growth,
    WorkingCurve: _working_curve,
    SignalOverTime: _signal,
    WearCurve: _wear,
    OddRun: _odd_run,
    Daily: _daily,
}


def trend_svg(trend: Trend) -> str:
    """A small picture of a few weeks for a table cell: bars of failures, a tick across each for the expected."""
    size = len(trend.failed)
    peak = max(*trend.failed, *trend.expected, 1.0)
    height, step = 24.0, 7.0
    shapes = []
    for i, (failed, expected) in enumerate(zip(trend.failed, trend.expected, strict=True)):
        tall = height * failed / peak
        shapes.append(
            f'<rect class="bar" x="{i * step + 1:g}" y="{height - tall + 1:.1f}" width="{step - 2:g}" height="{tall:.1f}"/>'
        )
        if expected > 0:
            level = height - height * expected / peak + 1
            shapes.append(f'<path class="tick" d="M{i * step:g} {level:.1f}h{step:g}"/>')
    return (
        f'<svg class="trend" viewBox="0 0 {size * step:g} {height + 2:g}" width="{size * step:g}" '
        f'height="{height + 2:g}" aria-hidden="true" focusable="false">{"".join(shapes)}</svg>'
    )
