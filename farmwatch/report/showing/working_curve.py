"""How deep one exposure cures a lot."""

from __future__ import annotations

import math

from farmwatch.evidence import Evidence
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import WorkingCurve

FILMS_SHOWN = 600


def working_curve(evidence: Evidence, frames: Frames) -> WorkingCurve | None:
    """The films of a lot with the curve that its finding brings along; nothing where it brings none."""
    detail, who = evidence.detail, evidence.subject
    if not all(isinstance(detail.get(name), float) for name in ("dp_mm", "ec_s")):
        return None
    films = frames.coupons[
        ((frames.coupons["feature"] == "film") & (frames.coupons["lot_id"] == who.id)).to_numpy(bool)
    ]
    films = films[films["exposure_s"].notna() & (films["exposure_s"] > 0)].tail(FILMS_SHOWN)
    if films.empty:
        return None
    now = float(frames.plates[frames.plates_of(who)]["exposure_s"].median())
    advised, low, high = (
        now * float(detail.get(name) or math.nan)
        for name in ("exposure_factor", "exposure_factor_low", "exposure_factor_high")
    )
    dp_mm, ec_s = float(detail["dp_mm"]), float(detail["ec_s"])
    said = f" Exposed now for {words.number_text(now)} s." if math.isfinite(now) else ""
    if math.isfinite(advised):
        said += f" Advised: {words.number_text(advised)} s"
        said += f" ({words.number_text(low)} to {words.number_text(high)} s)." if math.isfinite(low + high) else "."
        if not films["exposure_s"].min() <= advised <= films["exposure_s"].max():
            said += " That is beyond the exposures measured: measure there before relying on it."
    return WorkingCurve(
        title=f"{words.sentence(who.words)}: how deep one exposure cures",
        alt=(
            f"Thickness of {len(films)} films of {who.words} against their exposure, with the fitted curve: "
            f"{words.number_text(dp_mm)} mm deeper for each 2.72 times the exposure, nothing below "
            f"{words.number_text(ec_s)} s.{said}"
        ),
        exposure_s=tuple(films["exposure_s"].tolist()),
        depth_mm=tuple(films["measured_mm"].tolist()),
        dp_mm=dp_mm,
        ec_s=ec_s,
        now_s=now,
        advised_s=advised,
        advised_low_s=low,
        advised_high_s=high,
    )
