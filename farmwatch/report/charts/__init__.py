"""Contents of pictures to SVG, one module a picture: labels on the lines themselves, units on the axes, readable in grey."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from farmwatch.report import ink
from farmwatch.report.charts.attribution import draw_attribution
from farmwatch.report.charts.comparison import draw_comparison
from farmwatch.report.charts.coupon_growth import draw_coupon_growth
from farmwatch.report.charts.daily import draw_daily
from farmwatch.report.charts.height_curve import draw_height_curve
from farmwatch.report.charts.odd_run import draw_odd_run
from farmwatch.report.charts.over_time import draw_over_time
from farmwatch.report.charts.plate_map import draw_plate_map
from farmwatch.report.charts.signal import draw_signal
from farmwatch.report.charts.trend import trend_svg
from farmwatch.report.charts.wear_curve import draw_wear_curve
from farmwatch.report.charts.working_curve import draw_working_curve
from farmwatch.report.pictures import (
    Attribution,
    Comparison,
    CouponGrowth,
    HeightCurve,
    OddRun,
    OverTime,
    Picture,
    PlateMap,
    SignalOverTime,
    WearCurve,
    WorkingCurve,
)
from farmwatch.report.room import Daily

__all__ = ["DRAWERS", "draw", "trend_svg"]

DRAWERS: dict[type, Callable[[Any], str]] = {
    OverTime: draw_over_time,
    PlateMap: draw_plate_map,
    HeightCurve: draw_height_curve,
    Comparison: draw_comparison,
    Attribution: draw_attribution,
    CouponGrowth: draw_coupon_growth,
    WorkingCurve: draw_working_curve,
    SignalOverTime: draw_signal,
    WearCurve: draw_wear_curve,
    OddRun: draw_odd_run,
    Daily: draw_daily,
}


def draw(picture: Picture | Daily) -> str:
    """One picture as an SVG document without anything outside itself; the same contents give the same text."""
    with ink.style():
        return DRAWERS[type(picture)](picture)
