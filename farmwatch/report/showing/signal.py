"""One measure, run by run."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np

from farmwatch.evidence import Evidence
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import SignalOverTime
from farmwatch.report.showing.measures import measured
from farmwatch.report.showing.spans import onset_of, services_of

POINTS_SHOWN = 600


def measured_column(evidence: Evidence) -> str | None:
    """The measure that a signal finding is about, where it names one."""
    name = evidence.detail.get("measure")
    return name if isinstance(name, str) else None


def signal_over_time(evidence: Evidence, frames: Frames, until: dt.date) -> SignalOverTime | None:
    """The measure run by run, in its own unit, before and since the onset; None without values."""
    column = measured_column(evidence)
    if column is None:
        return None
    plates = frames.plates[frames.plates_of(evidence.subject)]
    values = measured(column, plates)
    days = plates["day"].to_numpy().astype("datetime64[D]")
    start = np.datetime64(evidence.since, "D") - np.timedelta64(max(42, (until - evidence.since).days), "D")
    use = np.flatnonzero(np.isfinite(values) & (days >= start))[-POINTS_SHOWN:]
    if not len(use):
        return None
    late = days[use] >= np.datetime64(evidence.since, "D")
    before, after = (float(np.median(values[use][part])) if part.any() else math.nan for part in (~late, late))
    # drivers of the measure are reckoned out of the finding: other work alone may lift or lower the plain readings
    after = evidence.observed if math.isfinite(evidence.observed) else after
    name, unit = words.measure(column)
    who = evidence.subject.words
    shown = tuple(day.item() for day in days[use])
    return SignalOverTime(
        title=f"{words.sentence(who)}: {name}, run by run",
        alt=(
            f"{words.sentence(name)} of {len(use)} runs of {who}. Middle before {words.date(evidence.since)}: "
            f"{words.number_text(before)} {unit}; since then: {words.number_text(after)} {unit}, "
            f"where {words.number_text(evidence.expected)} {unit} was expected of such work."
        ),
        measure=name,
        unit=unit,
        days=shown,
        values=tuple(values[use].tolist()),
        before=before,
        after=after,
        expected=evidence.expected,
        onset=onset_of(evidence),
        services=services_of(evidence.subject, frames, shown[0], until),
    )
