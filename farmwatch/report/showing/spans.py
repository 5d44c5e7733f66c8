"""What pictures over time share: the spans shown, when a finding began, what was done to its subject."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd

from farmwatch.evidence import Evidence, Subject
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import Mark, Onset

SPANS_SHOWN = 26


def onset_of(evidence: Evidence) -> Onset:
    return Onset(evidence.since, evidence.since_low, evidence.since_high)


def services_of(who: Subject, frames: Frames, start: dt.date, until: dt.date) -> tuple[Mark, ...]:
    """What was done to the subject between two days, both included, in order."""
    log = frames.service
    if log.empty:
        return ()
    rows = log[(log["subject_type"] == who.type) & (log["subject_id"] == who.id)].sort_values(["at", "event_id"])
    marks = (
        Mark(at.tz_convert(frames.timezone).date(), words.action(str(action)))
        for at, action in zip(rows["at"], rows["action"], strict=True)
        if not pd.isna(at)
    )
    return tuple(dict.fromkeys(mark for mark in marks if start <= mark.day <= until))


def spans(since: dt.date, until: dt.date, first: dt.date | None) -> tuple[list[dt.date], int]:
    """Starts of the spans shown and their length in days: enough before the onset to see what was usual."""
    before = max(28, min((until - since).days, 91))
    start = since - dt.timedelta(days=before)
    if first is not None:
        start = max(start, first)
    total = max((until - start).days + 1, 1)
    length = 1 if total <= 28 else 7 * max(1, math.ceil(total / (7 * SPANS_SHOWN)))
    number = math.ceil(total / length)
    last = until + dt.timedelta(days=1)
    return [last - dt.timedelta(days=length * (number - i)) for i in range(number)], length


def binned(rows: pd.DataFrame, starts: list[dt.date], length: int) -> tuple[np.ndarray, np.ndarray]:
    """Failures and expected failures in each span, shapes (spans,)."""
    edge = np.datetime64(starts[0], "D")
    at = (rows["day"].to_numpy().astype("datetime64[D]") - edge).astype(int) // length
    inside = (at >= 0) & (at < len(starts))
    failed = rows["failed"].to_numpy(dtype=float)[inside]
    expected = rows["expected"].to_numpy(dtype=float)[inside]
    size = len(starts)
    return np.bincount(at[inside], failed, size), np.bincount(at[inside], expected, size)


def first_day(rows: pd.DataFrame) -> dt.date | None:
    return None if rows.empty else pd.Timestamp(rows["day"].min()).date()
