"""How fresh the records of each printer are, by its own habit."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.store.farm import Farm


@dataclass(frozen=True)
class Freshness:
    """One printer. ``days`` since its last run ended (None: no run); ``habit_days``: how long it rests between runs at
    most, the one longest rest aside (None: fewer than two runs). ``silent``: longer without a run than both its habit
    and ``silent_after_days``.
    """

    printer_id: str
    last_ended: dt.datetime | None
    days: float | None
    habit_days: float | None
    silent: bool


def freshness(farm: Farm, now: dt.datetime) -> list[Freshness]:
    """Every printer with a run or a registration: silent ones first, then by name."""
    wanted = farm.settings.schedule
    runs = farm.read_arrow("runs", ["printer_id", "started_at", "ended_at"])
    ended = pc.coalesce(runs["ended_at"], runs["started_at"]).cast(pa.timestamp("us"))
    frame = pd.DataFrame({"printer_id": runs["printer_id"].to_pandas(), "ended": ended.to_numpy()})
    frame = frame.dropna().sort_values("ended", kind="stable")
    frame = frame.groupby("printer_id", sort=True).tail(wanted.habit_runs)
    known = {
        str(name): _one(str(name), ends.to_numpy(), now, wanted.silent_after_days)
        for name, ends in frame.groupby("printer_id")["ended"]
    }
    for name in farm.read_arrow("printers", ["printer_id"])["printer_id"].to_pylist():
        known.setdefault(name, Freshness(name, None, None, None, False))
    return sorted(known.values(), key=lambda one: (not one.silent, one.printer_id))


def _one(name: str, ends: pd.Series, now: dt.datetime, silent_after_days: float) -> Freshness:
    last = pd.Timestamp(ends[-1], tz="UTC").to_pydatetime()
    days = (now - last) / dt.timedelta(days=1)
    rests = sorted((ends[1:] - ends[:-1]) / pd.Timedelta(days=1))
    habit = float(rests[-2] if len(rests) > 1 else rests[-1]) if rests else None
    silent = days > max(silent_after_days, habit or 0.0)
    return Freshness(name, last, days, habit, silent)
