"""The room: temperature, load and mix of the week beside the weeks before."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.week import Week

DAYS_SHOWN = 28
COLD_C = 20.0  # common practice: resin below about 20 degC gives trouble


@dataclass(frozen=True)
class Daily:
    """One measure of the room day by day; NaN on days without it."""

    title: str
    alt: str
    unit: str
    days: tuple[dt.date, ...]
    values: tuple[float, ...]
    limit: float
    limit_words: str


@dataclass(frozen=True)
class MixRow:
    """A resin's share of the week's plates and of the four weeks before, in per cent."""

    name: str
    plates: int
    share: float
    share_before: float


@dataclass(frozen=True)
class RoomPart:
    lines: tuple[str, ...]
    daily: tuple[Daily, ...]
    mix_title: str
    mix: tuple[MixRow, ...]


def room_of(frames: Frames, week: Week, until: dt.date) -> RoomPart:
    """Temperature, load and mix; empty where nothing was recorded in the last four weeks."""
    plates = frames.plates
    start = until - dt.timedelta(days=DAYS_SHOWN - 1)
    recent = plates[((plates["day"] >= pd.Timestamp(start)) & (plates["day"] <= pd.Timestamp(until))).to_numpy()]
    if recent.empty:
        return RoomPart(("Nothing was printed in the last four weeks.",), (), "", ())
    days = tuple(start + dt.timedelta(days=i) for i in range(DAYS_SHOWN))
    at = (recent["day"].to_numpy().astype("datetime64[D]") - np.datetime64(start, "D")).astype(int)
    this_week = (recent["day"] >= pd.Timestamp(week.first)).to_numpy()
    lines, daily = [], []
    warmth = recent["ambient_c"].to_numpy(dtype=float)
    if np.isfinite(warmth).any():
        mean = _daily_mean(at, warmth)
        daily.append(
            Daily(
                "Room temperature, mean of each day",
                f"Mean room temperature of each day, {words.date(days[0])} to {words.date(days[-1])}: between "
                f"{np.nanmin(mean):.1f} and {np.nanmax(mean):.1f} °C.",
                "°C",
                days,
                tuple(mean.tolist()),
                COLD_C,
                "resin thickens below",
            )
        )
        now = warmth[this_week & np.isfinite(warmth)]
        if len(now):
            cold = int((now < COLD_C).sum())
            lines.append(
                f"Room: {now.mean():.1f} °C on average, from {now.min():.1f} to {now.max():.1f} °C; "
                f"{words.count(cold, 'plate')} of {len(now)} started below {COLD_C:.0f} °C."
            )
    load = np.bincount(at, minlength=DAYS_SHOWN).astype(float)
    daily.append(
        Daily(
            "Load: plates started each day, the last seven days dark",
            f"Plates started each day, {words.date(days[0])} to {words.date(days[-1])}: at most {load.max():.0f}.",
            "plates",
            days,
            tuple(load.tolist()),
            np.nan,
            "",
        )
    )
    weeks_before = max((week.first - start).days, 1) / 7.0
    usual = float((~this_week).sum()) / weeks_before
    days_in = (until - week.first).days + 1
    span = "this week" if days_in == 7 else f"in the first {words.count(days_in, 'day')} of this week"
    lines.append(
        f"Load: {words.count(int(this_week.sum()), 'plate')} {span}; {usual:.0f} in a usual week of the last four."
    )
    mix_title, mix = _mix(recent, this_week)
    return RoomPart(tuple(lines), tuple(daily), mix_title, mix)


def _daily_mean(at: np.ndarray, values: np.ndarray) -> np.ndarray:
    good = np.isfinite(values)
    number = np.bincount(at[good], minlength=DAYS_SHOWN)
    total = np.bincount(at[good], values[good], DAYS_SHOWN)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _mix(recent: pd.DataFrame, this_week: np.ndarray) -> tuple[str, tuple[MixRow, ...]]:
    column = next((name for name in ("resin", "profile") if recent[name].notna().any()), None)
    if column is None:
        return "", ()
    now = recent.loc[this_week, column].value_counts()
    before = recent.loc[~this_week, column].value_counts()
    names = sorted(set(now.index) | set(before.index), key=lambda name: (-int(now.get(name, 0)), str(name)))
    return column, tuple(
        MixRow(
            str(name),
            int(now.get(name, 0)),
            100.0 * float(now.get(name, 0)) / max(float(now.sum()), 1.0),
            100.0 * float(before.get(name, 0)) / max(float(before.sum()), 1.0),
        )
        for name in names[:8]
    )
