"""Which lot, printer or profile grows its edges: too much light cured in, or too little (`cure_offset`).

Every session of measured pieces gives one growth. Sessions share the effects of printer, lot, resin and profile, all
drawn from natural spreads that the farm itself shows; a subject is filed when "this one lies off" explains the
measurements so much better that a quiet farm would show the like less often than the alarm budget allows. The subject
that explains most is taken first and then allowed for.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any, Literal, cast

import numpy as np
import pandas as pd

from farmwatch.detectors.growth_sessions import Sessions, film_curve, growth_sessions, growth_slope, known_coupons
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.stats.growth_effects import (
    Contrast,
    CrossedFit,
    column_evidence,
    contrast,
    fit_crossed,
    level_evidence,
    log_sum,
    whiten,
)
from farmwatch.stats.working_curve import coupons_needed, exposure_factor

NAME: Literal["cure_offset"] = "cure_offset"
FACTORS = ("printer_id", "lot_id", "profile", "resin")
SPREADS = np.array([0.15, 0.6, 1.8])  # healthy spread of a factor's levels, in units of a session's noise
SHARED = np.array([0.0, 0.3, 1.0, 3.0])  # what a day of measuring shares, as a variance in units of a session's noise
OFFSETS = np.array([3.0, 8.0, 20.0])  # how far off a faulty subject may lie, in the same units
FAR_OFF = np.array([3.0, 6.0])  # how far off zero a faulty norm may lie, in units of the tolerance
OWN_WIDTH = 100.0  # prior width of the farm's norm and of effects already found: they are as measured
LIGHT_EVENTS = ("lamp_changed", "panel_changed", "firmware_changed", "profile_changed")
SERVICE_WEIGHT = 10.0  # a change after the light was touched, against one on any other day
PREFERENCE: tuple[SubjectType, ...] = ("lot", "printer", "profile", "farm")
RIVAL_COST = 3.0  # log-likelihood: subjects whose claims differ by less cannot be told apart


@dataclass(frozen=True)
class Stream:
    """A subject and its candidate onsets. ``days``: first day of each; ``weight``: how many candidates each stands
    for; ``columns``: (sessions, onsets), 1 where a session would be touched. ``absolute``: held against zero growth,
    not against the peers. ``from_start``: the first candidate is 'always so'."""

    subject: Subject
    days: np.ndarray
    weight: np.ndarray
    columns: np.ndarray
    absolute: bool = False
    from_start: bool = True


@dataclass(frozen=True)
class Scene:
    """The night's sessions as arrays; ``effects``: name of each column of the design (factor, level)."""

    night: Night
    coupons: pd.DataFrame
    sessions: Sessions
    frame: pd.DataFrame
    y: np.ndarray
    weight: np.ndarray
    day: np.ndarray
    shared: float
    design: np.ndarray
    ratios: np.ndarray
    effects: tuple[tuple[str, str], ...]
    streams: tuple[Stream, ...]
    per_month: float


@dataclass(frozen=True)
class Claim:
    """What a stream claims tonight: ln of its restart sum, its evidence per onset, its best onset."""

    stream: Stream
    log_sum: float
    per_onset: np.ndarray
    best: int


def detect(night: Night) -> Verdicts:
    """Evidence of every lot, printer, profile (or the farm) that cures over or under."""
    limits = night.settings.cure_offset
    coupons = known_coupons(night)
    sessions = growth_sessions(coupons, limits.gross_error_mm)
    usable = sessions.frame[~sessions.frame["ladder"]].reset_index(drop=True)
    if usable.empty:
        return Verdicts((), (Check(NAME, "too_few", "farm", "farm", "no bar or slot has been measured"),))
    scene = _scene(night, coupons, sessions, usable)
    checks = _checks(scene)
    if not scene.streams:
        return Verdicts((), checks)
    log_limit = np.log(scene.per_month / _budget(night))
    evidence: list[Evidence] = []
    taken: set[Subject] = set()
    for number in range(limits.findings_at_most):
        if number < 2:  # the first fault found may have looked like days that share much; further ones add little
            scene = _with_shared_days(scene)
        fit = _fit(scene)
        claims = _claims(scene, fit, [stream for stream in scene.streams if stream.subject not in taken])
        claims = [claim for claim in claims if claim.log_sum - log_limit >= -limits.keep_within]
        if not claims:
            break
        best = _preferred(claims)
        taken.add(best.stream.subject)
        rivals = _rivals(scene, best, claims)
        scene = _allowing_for(scene, best)
        one = _evidence(scene, best, rivals, log_limit)
        if abs(one.effect) >= limits.matters_mm:
            evidence.append(one)
    return Verdicts(tuple(evidence), checks)


def _budget(night: Night) -> float:
    budget = night.settings.alarm_budget
    return budget.false_findings_per_month * budget.share_cure_offset


def _scene(night: Night, coupons: pd.DataFrame, sessions: Sessions, frame: pd.DataFrame) -> Scene:
    limits = night.settings.cure_offset
    columns, effects = [np.ones(len(frame))], [("norm", "farm")]
    for factor in FACTORS:
        codes, levels = pd.factorize(frame[factor])
        if len(levels) < 2:
            continue
        for level, name in enumerate(levels):
            columns.append((codes == level).astype(float))
            effects.append((factor, str(name)))
    factor_of = np.array([factor for factor, _ in effects])
    grid = [(a, b) for a in SPREADS for b in SPREADS]
    ratios = np.empty((len(grid), len(effects)))
    for h, (printers, lots) in enumerate(grid):
        ratios[h] = np.select([factor_of == "norm", factor_of == "printer_id"], [OWN_WIDTH**2, printers**2], lots**2)
    streams = _streams(night, frame, limits.pieces_at_least)
    span = (night.as_of - _date(int(frame["day"].min()))).days + 1
    openings = sum(float(stream.weight.sum()) for stream in streams)
    return Scene(
        night,
        coupons,
        sessions,
        frame,
        frame["growth_mm"].to_numpy(dtype=float),
        _weights(frame, limits.session_share),
        np.unique(frame["day"].to_numpy(), return_inverse=True)[1],
        0.0,
        np.column_stack(columns),
        ratios,
        tuple(effects),
        streams,
        openings / max(span / 30.0, 1.0),
    )


def _weights(frame: pd.DataFrame, session_share: float) -> np.ndarray:
    """More pieces in a session help only against the part of the error that is not shared by the whole session."""
    variance = frame["variance"].to_numpy(dtype=float)
    return 1.0 / (session_share + (1.0 - session_share) * variance / 0.125)


def _streams(night: Night, frame: pd.DataFrame, least: int) -> tuple[Stream, ...]:
    day = frame["day"].to_numpy()
    pieces = frame["pieces"].to_numpy(dtype=float)
    first_day = int(day.min())
    oldest = max(first_day, _number(night.as_of) - night.settings.cure_offset.look_back_days)
    streams: list[Stream] = []
    several_lots = len(frame["lot_id"].dropna().unique()) > 1
    several_printers = len(frame["printer_id"].dropna().unique()) > 1
    for name, inside in _levels(frame, "lot_id"):
        if several_lots and pieces[inside].sum() >= least:
            streams.append(_stream(Subject("lot", name), inside, day, pieces, least, True, oldest, None))
    lights = _light_days(night)
    for name, inside in _levels(frame, "printer_id"):
        streams.append(
            _stream(
                Subject("printer", name), inside, day, pieces, least, several_printers, oldest, lights.get(name), True
            )
        )
    profiles = list(_levels(frame, "profile"))
    for name, inside in profiles:
        subject = Subject("profile", name)
        streams.append(_stream(subject, inside, day, pieces, least, len(profiles) > 2, oldest, None, True))
        if pieces[inside].sum() >= least:
            streams.append(Stream(subject, np.array([day[inside].min()]), np.ones(1), inside[:, None] * 1.0, True))
    if len(profiles) != 1:
        everything = np.ones(len(frame), bool)
        streams.append(_stream(Subject("farm", "farm"), everything, day, pieces, least, False, oldest, None, True))
        if pieces.sum() >= least:
            whole = np.ones((len(day), 1))
            streams.append(Stream(Subject("farm", "farm"), np.array([first_day]), np.ones(1), whole, True))
    return tuple(stream for stream in streams if stream.days.size)


def _levels(frame: pd.DataFrame, factor: str) -> list[tuple[str, np.ndarray]]:
    codes, levels = pd.factorize(frame[factor], sort=True)
    return [(str(name), codes == level) for level, name in enumerate(levels)]


def _stream(
    subject: Subject,
    inside: np.ndarray,
    day: np.ndarray,
    pieces: np.ndarray,
    least: int,
    from_start: bool,
    oldest: int,
    service_days: np.ndarray | None,
    steps: bool = False,
) -> Stream:
    """Candidate onsets: the subject's first session ('always so') and, with ``steps``, every later day of sessions."""
    own, place = np.unique(day[inside], return_inverse=True)
    left = np.bincount(place, pieces[inside])[::-1].cumsum()[::-1]
    eligible = (left >= least) & ((own >= oldest) | (own == own[0]))
    if not steps:
        eligible[1:] = False
    eligible[0] &= from_start
    days = own[eligible]
    weight = np.ones(days.size)
    if service_days is not None:
        before = np.concatenate([[np.iinfo(np.int64).min], own[:-1]])[np.searchsorted(own, days)]
        touched = np.array(
            [np.any((service_days > b) & (service_days <= d)) for b, d in zip(before, days, strict=True)]
        )
        if days.size:
            weight = np.where(touched, SERVICE_WEIGHT, 1.0)
            weight *= days.size / weight.sum()
    columns = (inside[:, None] & (day[:, None] >= days[None, :])).astype(float)
    return Stream(subject, days, weight, columns, False, bool(eligible[0]))


def _light_days(night: Night) -> dict[str, np.ndarray]:
    """Days on which a printer's light was touched."""
    records = night.history.records
    service = records.service
    known = records.known_from("service") < night.instant
    mine = service[known & (service["subject_type"] == "printer") & service["action"].isin(LIGHT_EVENTS)]
    days = records.local_dates(mine["at"]).to_numpy().astype("datetime64[D]").astype(int)
    return {name: days[rows] for name, rows in mine.reset_index(drop=True).groupby("subject_id").indices.items()}


def _fit(scene: Scene) -> CrossedFit:
    limits = scene.night.settings.cure_offset
    return fit_crossed(
        whiten(scene.y, scene.weight, scene.day, scene.shared),
        whiten(scene.design, scene.weight, scene.day, scene.shared),
        np.ones(scene.y.size),
        scene.ratios,
        limits.session_sd_mm,
        limits.session_sd_sessions,
    )


def _columns_evidence(scene: Scene, fit: CrossedFit, columns: np.ndarray) -> np.ndarray:
    return column_evidence(fit, whiten(columns, scene.weight, scene.day, scene.shared), OFFSETS)


def _with_shared_days(scene: Scene) -> Scene:
    """How much the sessions of one day share: what makes the measurements most likely, all else averaged over."""
    if scene.day.size == scene.day.max() + 1:
        return scene
    total = np.bincount(scene.day, scene.weight)
    scenes = [replace(scene, shared=float(shared)) for shared in SHARED]
    likely = [log_sum(_fit(s).log_weight) - 0.5 * float(np.log1p(s.shared * total).sum()) for s in scenes]
    return scenes[int(np.argmax(likely))]


def _claims(scene: Scene, fit: CrossedFit, streams: list[Stream]) -> list[Claim]:
    """What every stream claims, given what was found before it; all relative streams in one pass."""
    relative = [stream for stream in streams if not stream.absolute]
    claims = []
    if relative:
        evidence = _columns_evidence(scene, fit, np.concatenate([stream.columns for stream in relative], axis=1))
        ends = np.cumsum([stream.days.size for stream in relative])[:-1]
        claims = [_claim(s, e) for s, e in zip(relative, np.split(evidence, ends), strict=True)]
    tolerance = scene.night.settings.cure_offset.target_tolerance_mm
    for stream in streams:
        if stream.absolute:
            value = contrast(fit, _level_row(scene, stream))
            off = level_evidence(value, tolerance, tolerance * FAR_OFF)
            claims.append(_claim(stream, np.array([off])))
    return claims


def _claim(stream: Stream, per_onset: np.ndarray) -> Claim:
    weighted = per_onset + np.log(np.maximum(stream.weight, 1e-300))
    return Claim(stream, log_sum(weighted), per_onset, int(np.argmax(weighted)))


def _level_row(scene: Scene, stream: Stream) -> np.ndarray:
    """The norm that a profile (or the farm) prints with: printers, lots and found faults left out."""
    row = np.zeros(len(scene.effects))
    inside = stream.columns[:, 0] > 0.0
    for k, (factor, _) in enumerate(scene.effects):
        if factor == "norm" or factor in ("profile", "resin"):
            row[k] = scene.design[inside, k].mean()
    return row


def _preferred(claims: list[Claim]) -> Claim:
    top = max(claim.log_sum for claim in claims)
    near = [claim for claim in claims if claim.log_sum >= top - 0.7]
    return min(near, key=lambda c: (PREFERENCE.index(c.stream.subject.type), -c.log_sum, c.stream.subject.id))


def _rivals(scene: Scene, best: Claim, claims: list[Claim]) -> tuple[Subject, ...]:
    """Subjects whose claim dies when ``best`` is allowed for, and the other way round."""
    column = best.stream.columns[:, [best.best]]
    with_best = _fit(_with_column(scene, column, "found"))
    rivals = []
    for claim in sorted(claims, key=lambda c: -c.log_sum):
        if claim.stream.subject == best.stream.subject or claim.log_sum < best.log_sum - RIVAL_COST:
            continue
        other = claim.stream.columns[:, [claim.best]]
        with_other = _fit(_with_column(scene, other, "found"))
        best_left = float(_columns_evidence(scene, with_other, column)[0])
        other_left = float(_columns_evidence(scene, with_best, other)[0])
        if best_left < RIVAL_COST and other_left < RIVAL_COST:
            rivals.append(claim.stream.subject)
    return tuple(rivals[:5])


def _with_column(scene: Scene, column: np.ndarray, name: str) -> Scene:
    wide = np.full((len(scene.ratios), 1), OWN_WIDTH**2)
    return replace(
        scene,
        design=np.column_stack([scene.design, column]),
        ratios=np.column_stack([scene.ratios, wide]),
        effects=(*scene.effects, ("found", name)),
    )


def _allowing_for(scene: Scene, claim: Claim) -> Scene:
    """An absolute level is already a free effect; every other claim becomes one."""
    if claim.stream.absolute:
        return scene
    return _with_column(scene, claim.stream.columns[:, [claim.best]], claim.stream.subject.id)


def _effect(scene: Scene, fit: CrossedFit, claim: Claim) -> Contrast:
    """How far the subject lies from what was expected of it; a step is measured against the subject's own before."""
    if claim.stream.absolute:
        return contrast(fit, _level_row(scene, claim.stream))
    row = np.zeros(len(scene.effects))
    row[-1] = 1.0
    if claim.stream.from_start and claim.best == 0:
        factor = {"lot": "lot_id", "printer": "printer_id"}.get(claim.stream.subject.type, "profile")
        for k, effect in enumerate(scene.effects):
            if effect == (factor, claim.stream.subject.id):
                row[k] = 1.0
    return contrast(fit, row)


def _evidence(scene: Scene, claim: Claim, rivals: tuple[Subject, ...], log_limit: float) -> Evidence:
    fit = _fit(scene)
    effect = _effect(scene, fit, claim)
    reach = _t_reach(effect)
    inside = claim.stream.columns[:, claim.best] > 0.0
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
        float(np.exp(np.log(scene.per_month) - claim.log_sum)),
        float(claim.log_sum - log_limit),
        "over" if effect.mean > 0.0 else "under",
        separable=not rivals,
        rivals=rivals,
        detail=_detail(scene, fit, claim, effect, level, touched, rivals),
        run_ids=tuple(str(run) for run in runs),
    )


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
        detail["would_separate"] = _would_separate(claim.stream.subject, rivals)
    return detail


def _would_separate(subject: Subject, rivals: tuple[Subject, ...]) -> str:
    others = {rival.type for rival in rivals} | {subject.type}
    if others >= {"lot", "printer"}:
        return "measure coupons of this lot on another printer, and of another lot on this printer"
    if "farm" in others or "profile" in others:
        return "measure coupons of another profile and an old lot, with the gauge checked on a known piece"
    return "measure coupons of each with everything else kept the same"


def _since(scene: Scene, claim: Claim) -> tuple[dt.date, dt.date, dt.date]:
    """Most probable day of onset and its 90 % interval; an onset may lie anywhere between two days of measuring."""
    stream = claim.stream
    inside = stream.columns[:, 0] > 0.0
    first = int(scene.frame.loc[inside, "day"].min())
    begin = min(_first_use(scene, stream.subject), first)
    if stream.absolute or (stream.days.size == 1 and stream.from_start):
        return _date(begin), _date(begin), _date(first)
    own = np.unique(scene.frame.loc[_own(scene, stream.subject), "day"].to_numpy())
    place = np.searchsorted(own, stream.days)
    before = np.where(place > 0, own[np.maximum(place - 1, 0)], begin - 1)
    mass = claim.per_onset + np.log(np.maximum(stream.weight, 1e-300))
    mass = np.exp(mass - mass.max())
    touched = _light_days(scene.night).get(stream.subject.id) if stream.subject.type == "printer" else None
    lows, highs = before + 1, stream.days.copy()
    if touched is not None:
        for k in range(stream.days.size):
            events = touched[(touched > before[k]) & (touched <= stream.days[k])]
            if events.size:
                lows[k] = highs[k] = events.max()
    low, high = _quantile(lows, highs, mass, 0.05), _quantile(lows, highs, mass, 0.95)
    best = begin if stream.from_start and claim.best == 0 else int(highs[claim.best])
    return _date(best), _date(min(low, best)), _date(max(high, best))


def _quantile(lows: np.ndarray, highs: np.ndarray, mass: np.ndarray, level: float) -> int:
    share = np.cumsum(mass) / mass.sum()
    k = int(np.searchsorted(share, level))
    within = (level - (share[k - 1] if k else 0.0)) / max(share[k] - (share[k - 1] if k else 0.0), 1e-300)
    return int(lows[k] + np.floor(within * (highs[k] - lows[k] + 1 - 1e-9)))


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


def _checks(scene: Scene) -> tuple[Check, ...]:
    checks = []
    least = scene.night.settings.cure_offset.pieces_at_least
    for kind, name in (("lot", "lot_id"), ("printer", "printer_id"), ("profile", "profile")):
        subject_type = cast(SubjectType, kind)
        pieces = scene.frame.groupby(name)["pieces"].sum()
        used = int(scene.night.plates[name].nunique())
        enough = int((pieces >= least).sum())
        few = max(used, len(pieces)) - enough
        if enough and len(pieces) == 1:
            why = f"only one {kind} was measured: nothing to compare it with but zero growth"
            checks.append(Check(NAME, "too_few", subject_type, None, why))
        elif enough:
            checks.append(Check(NAME, "clear", subject_type, None, "", enough))
        if few > 0:
            why = f"fewer than {least} bars and slots measured"
            checks.append(Check(NAME, "too_few", subject_type, None, why, few))
    if not scene.frame["separable"].any():
        checks.append(
            Check(
                NAME, "too_few", "farm", "farm", "no bar and slot of one print: growth and scale cannot be told apart"
            )
        )
    if scene.sessions.misread:
        why = f"{scene.sessions.misread} pieces left out: their error is beyond any growth, so they were misread"
        checks.append(Check(NAME, "too_few", "farm", "farm", why))
    return tuple(checks)


def _number(day: dt.date) -> int:
    return int(np.datetime64(day, "D").astype(int))


def _date(day: int) -> dt.date:
    return np.datetime64(day, "D").item()
