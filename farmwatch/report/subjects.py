"""Every printer and every lot in one table: plates, failures against expected, a small trend."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.evidence import PLATE_COLUMN, Finding
from farmwatch.report.frames import Frames
from farmwatch.report.week import Week
from farmwatch.stats.observed_over_expected import ratio_interval

TREND_WEEKS = 12


@dataclass(frozen=True)
class Trend:
    """Failures and expected failures in each of the last weeks, oldest first, the report's week last."""

    failed: tuple[float, ...]
    expected: tuple[float, ...]


@dataclass(frozen=True)
class SubjectRow:
    """One printer or lot. Counts are of the week; the ratio with its 95 % interval is over the trend's weeks."""

    subject_id: str
    plates: int
    chances: int
    failed: int
    expected: float
    ratio: float
    ratio_low: float
    ratio_high: float
    trend: Trend
    finding_ids: tuple[str, ...]


def subject_rows(
    subject_type: str, frames: Frames, findings: Sequence[Finding], week: Week, until: dt.date
) -> tuple[SubjectRow, ...]:
    """All subjects of one type with a plate in the trend's weeks, by id."""
    rows = frames.chances
    first = np.datetime64(week.first - dt.timedelta(weeks=TREND_WEEKS - 1), "D")
    days = rows["day"].to_numpy().astype("datetime64[D]")
    use = (days >= first) & (days <= np.datetime64(until, "D"))
    if not use.any():
        return ()
    plate = rows["plate"].to_numpy()[use]
    table = pd.DataFrame(
        {
            "name": frames.plates[PLATE_COLUMN[subject_type]].to_numpy()[plate],
            "plate": plate,
            "week": (days[use] - first).astype(int) // 7,
            "failed": rows["failed"].to_numpy(dtype=float)[use],
            "expected": rows["expected"].to_numpy(dtype=float)[use],
        }
    ).dropna(subset=["name"])
    open_ids: dict[str, list[str]] = {}
    for finding in findings:
        if finding.evidence.subject.type == subject_type and finding.status in ("open", "watching", "returned"):
            open_ids.setdefault(finding.evidence.subject.id, []).append(finding.finding_id)
    out = []
    for name, own in table.groupby("name", sort=True):
        now = own[own["week"] == TREND_WEEKS - 1]
        failed = np.bincount(own["week"], own["failed"], TREND_WEEKS)
        expected = np.bincount(own["week"], own["expected"], TREND_WEEKS)
        ratio = ratio_interval(failed.sum(), expected.sum(), frames.plate_dispersion)
        out.append(
            SubjectRow(
                subject_id=str(name),
                plates=int(now["plate"].nunique()),
                chances=len(now),
                failed=int(now["failed"].sum()),
                expected=float(now["expected"].sum()),
                ratio=ratio.value,
                ratio_low=ratio.low,
                ratio_high=ratio.high,
                trend=Trend(tuple(failed.tolist()), tuple(expected.tolist())),
                finding_ids=tuple(open_ids.get(str(name), ())),
            )
        )
    return tuple(out)
