"""The account of one claim: how far off, since when, which exposure puts it right, and what the records refuse to say."""

from __future__ import annotations

import datetime as dt
from typing import Any, Literal, cast

import numpy as np
import pandas as pd

from farmwatch.detectors.cure_scene import Claim, Scene, date_of, fit_scene, level_row, light_days, log_limit
from farmwatch.detectors.growth_sessions import film_curve, growth_slope
from farmwatch.evidence import Evidence, Subject
from farmwatch.stats.growth_effects import Contrast, CrossedFit, contrast
from farmwatch.stats.working_curve import coupons_needed, exposure_factor

NAME: Literal["cure_offset"] = "cure_offset"


def evidence_of(scene: Scene, claim: Claim, rivals: tuple[Subject, ...]) -> Evidence:
    fit = fit_scene(scene)
    effect = _effect(scene, fit, claim)
    reach = _t_reach(effect)
    inside = claim.stream.columns[:, claim.best]
    touched = scene.frame[inside]
    level = contrast(fit, np.average(scene.design[inside], axis=0, weights=scene.weight[inside]))
    observed = float(np.average(scene.y[inside], weights=scene.weight[inside]))
    since, low, high = _since(scene, claim)
    runs = touched["run_id"].dropna().drop_duplicates()
    return Evidence(
        NAME,
        claim.stream.subject,
        since,
        low,
        high,
        observed,
        0.0 if claim.stream.absolute else observed - effect.mean,
        float(touched["pieces"].sum()),
        "coupons",
        effect.mean,
        effect.mean - reach,
        effect.mean + reach,
        "mm",
        float(scene.per_month[claim.stream.subject.type] * np.exp(-claim.log_sum)),
        float(claim.log_sum - log_limit(scene, claim.stream.subject)),
        "over" if effect.mean > 0.0 else "under",
        separable=not rivals,
        rivals=rivals,
        detail=_detail(scene, fit, claim, effect, level, touched, rivals),
        run_ids=tuple(str(run) for run in runs),
    )


def _effect(scene: Scene, fit: CrossedFit, claim: Claim) -> Contrast:
    """How far the subject lies from what was expected of it; a step is measured against the subject's own before."""
    if claim.stream.absolute:
        return contrast(fit, level_row(scene, claim.stream))
    row = np.zeros(len(scene.effects))
    row[-1] = 1.0
    if claim.stream.from_start and claim.best == 0:
        factor = {"lot": "lot_id", "printer": "printer_id"}.get(claim.stream.subject.type, "profile")
        for k, effect in enumerate(scene.effects):
            if effect == (factor, claim.stream.subject.id):
                row[k] = 1.0
    return contrast(fit, row)


def _t_reach(value: Contrast) -> float:
    from scipy.stats import t as t_distribution

    return float(t_distribution.ppf(0.975, value.freedom)) * value.sd


def _detail(
    scene: Scene,
    fit: CrossedFit,
    claim: Claim,
    effect: Contrast,
    level: Contrast,
    touched: pd.DataFrame,
    rivals: tuple[Subject, ...],
) -> dict[str, Any]:
    slope = growth_slope(scene.sessions.frame)
    factor = exposure_factor(level.mean, level.sd, level.freedom, slope)
    to_norm = exposure_factor(effect.mean, effect.sd, effect.freedom, slope)
    told = touched["scale"].dropna()
    ten_per_cent = float("nan") if slope.refused else slope.slope * np.log(1.1)
    detail: dict[str, Any] = {
        "growth_mm": level.mean,
        "growth_low_mm": level.mean - _t_reach(level),
        "growth_high_mm": level.mean + _t_reach(level),
        "against": "zero growth" if claim.stream.absolute else "the farm's own norm",
        "scale": float(told.mean()) if len(told) else float("nan"),
        "sessions": len(touched),
        "session_sd_mm": fit.noise_sd,
        "piece_sd_mm": scene.sessions.piece_sd_mm,
        "exposure_factor": factor.factor,
        "exposure_factor_low": factor.low,
        "exposure_factor_high": factor.high,
        "exposure_factor_to_norm": to_norm.factor,
        "exposure_factor_to_norm_low": to_norm.low,
        "exposure_factor_to_norm_high": to_norm.high,
        "growth_per_ln_exposure_mm": slope.slope,
        "coupons_to_see_half": coupons_needed(0.5 * level.mean, fit.noise_sd),
        "coupons_to_see_ten_per_cent_dose": coupons_needed(ten_per_cent, fit.noise_sd)
        if np.isfinite(ten_per_cent)
        else float("nan"),
    }
    refusals = [f"no exposure factor: {factor.refused}"] if factor.refused else []
    if not touched["separable"].any():
        refusals.append("no slots beside the bars (or bars beside the slots): a scale error would look the same")
    if claim.stream.subject.type == "lot":
        curve = film_curve(scene.coupons, claim.stream.subject.id)
        if not curve.refused:
            detail |= {"dp_mm": curve.dp_mm, "dp_low_mm": curve.dp_low, "dp_high_mm": curve.dp_high, "ec_s": curve.ec_s}
        elif curve.films:
            refusals.append(f"no working curve: {curve.refused}")
    detail["refusals"] = refusals
    if rivals:
        prints = coupons_needed(effect.mean, fit.noise_sd)
        detail |= _would_separate(scene, claim.stream.subject, rivals[0], prints)
    return detail


def _would_separate(scene: Scene, subject: Subject, rival: Subject, prints: float) -> dict[str, Any]:
    """The prints to measure that would tell two subjects apart: in words and, of a lot and a printer, which."""
    if "farm" in (subject.type, rival.type):
        return {
            "would_separate": "measure coupons of another profile and an old lot, with the gauge checked on a known piece"
        }
    about = f"about {prints:.0f} prints, a bar and a slot on each," if np.isfinite(prints) else "prints"
    ids = {one.type: one.id for one in (subject, rival)}
    frame = scene.frame
    others = frame.loc[frame["printer_id"] != ids.get("printer"), "printer_id"].value_counts()
    if set(ids) == {"lot", "printer"} and len(others):
        # the printer whose own growth is known best
        plan = {"lot": ids["lot"], "printer": str(others.index[0]), "prints": prints}
        words = (
            f"{about} of lot {plan['lot']} on another printer, such as {plan['printer']}, or of another lot on printer"
        )
        return {"would_separate": f"measure {words} {ids['printer']}", "separating_prints": plan}
    one, two = (each.words for each in (subject, rival))
    return {"would_separate": f"measure {about} of {one} without {two}, or of {two} without {one}"}


def _since(scene: Scene, claim: Claim) -> tuple[dt.date, dt.date, dt.date]:
    """Most probable day of onset and its 90 % interval; an onset may lie anywhere between two days of measuring."""
    stream = claim.stream
    inside = stream.columns[:, 0]
    first = int(scene.frame.loc[inside, "day"].min())
    begin = min(_first_use(scene, stream.subject), first)
    if stream.absolute or (stream.days.size == 1 and stream.from_start):
        return date_of(begin), date_of(begin), date_of(first)
    own = np.unique(scene.frame.loc[_own(scene, stream.subject), "day"].to_numpy())
    place = np.searchsorted(own, stream.days)
    before = np.where(place > 0, own[np.maximum(place - 1, 0)], begin - 1)
    mass = claim.per_onset + np.log(np.maximum(stream.weight, 1e-300))
    mass = np.exp(mass - mass.max())
    low, high = _reach(before + 1, stream.days, mass)
    best = begin if stream.from_start and claim.best == 0 else int(stream.days[claim.best])
    touched = light_days(scene.night).get(stream.subject.id) if stream.subject.type == "printer" else None
    if touched is not None and best == stream.days[claim.best]:
        events = touched[(touched > before[claim.best]) & (touched <= best)]
        best = int(events.max()) if events.size else best
    return date_of(best), date_of(min(low, best)), date_of(max(high, best))


def _reach(lows: np.ndarray, highs: np.ndarray, mass: np.ndarray) -> tuple[int, int]:
    """The days within which nine tenths of the ``mass`` of onsets lie, gaps between two days of measuring taken whole: pieces
    tell before which session it began, not on which day since the session before."""
    share = np.cumsum(mass) / mass.sum()
    first, last = (min(int(np.searchsorted(share, level)), mass.size - 1) for level in (0.05, 0.95))
    return int(lows[first]), int(highs[last])


def _own(scene: Scene, subject: Subject) -> np.ndarray:
    if subject.type == "farm":
        return np.ones(len(scene.frame), bool)
    name = {"lot": "lot_id", "printer": "printer_id"}.get(subject.type, "profile")
    return cast(np.ndarray, (scene.frame[name] == subject.id).to_numpy())


def _first_use(scene: Scene, subject: Subject) -> int:
    """The day of the subject's first plate, a large number without one."""
    plates = scene.night.plates
    if subject.type != "farm":
        name = {"lot": "lot_id", "printer": "printer_id"}.get(subject.type, "profile")
        plates = plates[plates[name] == subject.id]
    if plates.empty:
        return int(np.iinfo(np.int32).max)
    return int(plates["day"].min().to_datetime64().astype("datetime64[D]").astype(int))
