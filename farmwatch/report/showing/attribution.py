"""Whose fault: the subject and those that share its plates, each where the other was not."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from farmwatch.evidence import PLATE_COLUMN, Evidence, Subject
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import ApartRow, Attribution
from farmwatch.stats.observed_over_expected import ratio_interval

OTHERS_SHOWN = 5
TYPES = ("printer", "lot", "profile", "design", "wash", "operator", "room")
SEEN_ENOUGH = 0.5  # fewer expected failures than this say nothing of a side


def attribution(evidence: Evidence, frames: Frames) -> Attribution | None:
    """The subject beside its rivals and those of other types that shared most of its failures, since the onset."""
    who = evidence.subject
    late = (frames.chances["day"] >= pd.Timestamp(evidence.since)).to_numpy()
    own = frames.belongs(who) & late
    if who.type in ("farm", "run") or not own.any():
        return None
    others = list(dict.fromkeys([*evidence.rivals, *_companions(who, own, frames)]))
    rows = [_apart(other, "rival" if other in evidence.rivals else "other", own, late, frames) for other in others]
    rows = [row for row in rows if row.plates_together and _told(row)][:OTHERS_SHOWN]
    if not rows:
        return None
    name = who.words
    return Attribution(
        title=f"Whose fault: {name} and those on its plates, each without the other, since {words.date(evidence.since)}",
        alt=f"Failures over expected with 95 % intervals. {' '.join(_said(name, row) for row in rows)}",
        unit=frames.unit,
        subject=name,
        rows=tuple(rows),
    )


def _companions(who: Subject, own: np.ndarray, frames: Frames) -> list[Subject]:
    """Of each other type the subject that took part in most of the failures, the most entangled first."""
    failed = frames.failing[own[frames.failing]]
    found = []
    for kind in TYPES:
        if kind == who.type or (kind == "design" and not frames.by_parts):
            continue
        if kind == "design":
            names = frames.chances["design_id"].iloc[failed]
        else:
            names = frames.plates[PLATE_COLUMN[kind]].iloc[frames.chances["plate"].to_numpy()[failed]]
        counted = names.dropna().astype("str").value_counts()
        if len(counted):
            found.append((-int(counted.iloc[0]), Subject(kind, str(counted.index[0]))))  # type: ignore[arg-type]
    return [subject for _, subject in sorted(found)]


def _apart(other: Subject, role: str, own: np.ndarray, late: np.ndarray, frames: Frames) -> ApartRow:
    beside = frames.belongs(other) & late
    plate, failed, due = (frames.chances[name].to_numpy() for name in ("plate", "failed", "expected"))

    def side(rows: np.ndarray) -> tuple[float, float, float]:
        expected = float(due[rows].sum())
        if expected < SEEN_ENOUGH:
            return math.nan, math.nan, math.nan
        ratio = ratio_interval(float(failed[rows].sum()), expected, frames.plate_dispersion)
        return ratio.value, ratio.low, ratio.high

    def plates(rows: np.ndarray) -> int:
        met = np.zeros(len(frames.plates), dtype=bool)
        met[plate[rows]] = True
        return int(met.sum())

    return ApartRow(
        name=other.words,
        role=role,
        subject_without=side(own & ~beside),
        without_subject=side(beside & ~own),
        plates_together=plates(own & beside),
        subject_plates=plates(own & ~beside),
        other_plates=plates(beside & ~own),
    )


def _told(row: ApartRow) -> bool:
    return row.role == "rival" or math.isfinite(row.subject_without[0]) or math.isfinite(row.without_subject[0])


def _said(name: str, row: ApartRow) -> str:
    def times(side: tuple[float, float, float], plates: int) -> str:
        if not math.isfinite(side[0]):
            return "too little to say"
        value, low, high = (words.number_text(number, 2) for number in side)
        return f"{value} times ({low} to {high}, {words.count(plates, 'plate')})"

    return (
        f"{words.sentence(name)} without {row.name}: {times(row.subject_without, row.subject_plates)}; "
        f"{row.name} without it: {times(row.without_subject, row.other_plates)}."
    )
