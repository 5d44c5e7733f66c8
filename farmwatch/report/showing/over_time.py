"""Failures beside expected failures, span by span."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from farmwatch.evidence import Evidence
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import OverTime
from farmwatch.report.showing.spans import binned, first_day, onset_of, services_of, spans


def over_time(evidence: Evidence, frames: Frames, until: dt.date) -> OverTime | None:
    """Failures as the finding counts them, beside those expected, in equal spans of days; None for a subject without any."""
    who = evidence.subject
    rows = frames.counted(evidence)
    if rows.empty:
        return None
    starts, length = spans(evidence.since, until, first_day(rows))
    failed, expected = binned(rows, starts, length)
    services = services_of(who, frames, starts[0], until)
    since = rows[(rows["day"] >= pd.Timestamp(evidence.since)).to_numpy()]
    signed = frames.sign_counted(evidence)
    every = "day" if length == 1 else "week" if length == 7 else f"{length // 7} weeks"
    alt = (
        f"Bars: {frames.unit} of {who.words} that failed{signed}, each {every}, {words.date(starts[0])} to "
        f"{words.date(until)}, beside the number expected. Since {words.date(evidence.since)}: "
        f"{words.number_text(float(since['failed'].sum()))} against "
        f"{words.number_text(round(float(since['expected'].sum()), 1))} expected."
    )
    if services:
        alt += " Services: " + words.listed(f"{mark.text} on {words.date(mark.day)}" for mark in services) + "."
    return OverTime(
        title=f"{words.sentence(who.words)}: {frames.unit} that failed{signed}, each {every}",
        alt=alt,
        unit=frames.unit,
        span_days=length,
        starts=tuple(starts),
        failed=tuple(failed.tolist()),
        expected=tuple(expected.tolist()),
        onset=None if evidence.kind == "rate_level" else onset_of(evidence),
        services=services,
    )
