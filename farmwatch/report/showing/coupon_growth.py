"""Edge growth on measured pieces, the subject beside the others."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from farmwatch.evidence import PLATE_COLUMN, Evidence, Subject
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import CouponGrowth
from farmwatch.report.showing.spans import onset_of

POINTS_SHOWN = 600


def coupon_growth(evidence: Evidence, frames: Frames, until: dt.date) -> CouponGrowth | None:
    """Growth of one edge in mm, by day, of the subject's bars and slots and of all others; None without any."""
    coupons = frames.coupons
    use = coupons["feature"].isin(["bar", "slot"]) & coupons["measured_at"].notna() if len(coupons) else None
    if use is None or not use.any():
        return None
    rows = coupons[use]
    error = (rows["measured_mm"] - rows["nominal_mm"]).to_numpy(dtype=float)
    growth = np.where(rows["feature"] == "bar", error / 2.0, -error / 2.0)
    days = rows["measured_at"].dt.tz_convert(frames.timezone).dt.date.to_numpy()
    own = _coupon_rows(rows, evidence.subject, frames)
    rest = np.flatnonzero(~own)[-POINTS_SHOWN:]
    mine = np.flatnonzero(own)[-POINTS_SHOWN:]
    if not len(mine):
        return None
    way = "grow" if evidence.effect >= 0 else "shrink"
    return CouponGrowth(
        title=f"{words.sentence(evidence.subject.words)}: edge growth on measured pieces",
        alt=(
            f"Growth of one edge in mm on {len(mine)} measured bars and slots of {evidence.subject.words} "
            f"beside {len(rest)} others. Its edges {way} by {words.number_text(abs(evidence.effect))} "
            f"{evidence.effect_unit} ({words.number_text(evidence.effect_low)} to "
            f"{words.number_text(evidence.effect_high)})."
        ),
        subject=evidence.subject.words,
        days=tuple(days[mine]),
        growth_mm=tuple(growth[mine].tolist()),
        other_days=tuple(days[rest]),
        other_growth_mm=tuple(growth[rest].tolist()),
        onset=onset_of(evidence),
        effect=(evidence.effect, evidence.effect_low, evidence.effect_high),
    )


def _coupon_rows(coupons: pd.DataFrame, who: Subject, frames: Frames) -> np.ndarray:
    column = PLATE_COLUMN.get(who.type, "")
    mask = np.zeros(len(coupons), dtype=bool)
    if column in coupons.columns:
        mask |= (coupons[column] == who.id).to_numpy(dtype=bool)
    runs = frames.plates.loc[frames.plates_of(who), "run_id"]
    return mask | coupons["run_id"].isin(runs).to_numpy(dtype=bool)
