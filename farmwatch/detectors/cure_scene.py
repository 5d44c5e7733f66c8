"""The measured sessions of a night as arrays, and the subjects that may be off, each with the days it may be off since."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from farmwatch.detectors.growth_sessions import Sessions
from farmwatch.detectors.night import Night, day_number
from farmwatch.evidence import Subject
from farmwatch.stats.growth_effects import CrossedFit, fit_crossed, whiten

FACTORS = ("printer_id", "lot_id", "profile", "resin")
SPREADS = np.array([0.15, 0.6, 1.8])  # healthy spread of a factor's levels, in units of a session's noise
OWN_WIDTH = 100.0  # prior width of the farm's norm and of effects already found: they are as measured
LIGHT_EVENTS = ("lamp_changed", "panel_changed", "firmware_changed", "profile_changed")
SERVICE_WEIGHT = 10.0  # a change after the light was touched, against one on any other day


@dataclass(frozen=True)
class Stream:
    """A subject and its candidate onsets. ``days``: first day of each; ``weight``: how many candidates each stands
    for; ``columns``: (sessions, onsets), whether a session would be touched: bool, for there are as many onsets as there
    are sessions. ``absolute``: held against zero growth, not against the peers. ``from_start``: the first candidate is
    'always so'."""

    subject: Subject
    days: np.ndarray
    weight: np.ndarray
    columns: np.ndarray
    absolute: bool = False
    from_start: bool = True


@dataclass(frozen=True)
class Scene:
    """The night's sessions as arrays; ``effects``: name of each column of the design (factor, level); ``per_month``: onsets
    looked at a month, by type of subject."""

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
    per_month: dict[str, float]


@dataclass(frozen=True)
class Claim:
    """What a stream claims tonight: ln of its restart sum, its evidence per onset, its best onset. ``explains``: the sum if
    no session were botched, by which explanations are put in order."""

    stream: Stream
    log_sum: float
    per_onset: np.ndarray
    best: int
    explains: float


def set_cure_scene(night: Night, coupons: pd.DataFrame, sessions: Sessions, frame: pd.DataFrame) -> Scene:
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
    span = (night.as_of - date_of(int(frame["day"].min()))).days + 1
    openings: dict[str, float] = {}
    for stream in streams:
        openings[stream.subject.type] = openings.get(stream.subject.type, 0.0) + float(stream.weight.sum())
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
        {kind: number / max(span / 30.0, 1.0) for kind, number in openings.items()},
    )


def _weights(frame: pd.DataFrame, session_share: float) -> np.ndarray:
    """More pieces in a session help only against the part of the error that is not shared by the whole session."""
    variance = frame["variance"].to_numpy(dtype=float)
    return 1.0 / (session_share + (1.0 - session_share) * variance / 0.125)


def _streams(night: Night, frame: pd.DataFrame, least: int) -> tuple[Stream, ...]:
    day = frame["day"].to_numpy()
    pieces = frame["pieces"].to_numpy(dtype=float)
    first_day = int(day.min())
    oldest = max(first_day, day_number(night.as_of) - night.settings.cure_offset.look_back_days)
    streams: list[Stream] = []
    several_lots = len(frame["lot_id"].dropna().unique()) > 1
    several_printers = len(frame["printer_id"].dropna().unique()) > 1
    for name, inside in _levels(frame, "lot_id"):
        if several_lots and pieces[inside].sum() >= least:
            streams.append(_stream(Subject("lot", name), inside, day, pieces, least, True, oldest, None))
    lights = light_days(night)
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
            streams.append(Stream(subject, np.array([day[inside].min()]), np.ones(1), inside[:, None], True))
    if len(profiles) != 1:
        everything = np.ones(len(frame), bool)
        streams.append(_stream(Subject("farm", "farm"), everything, day, pieces, least, False, oldest, None, True))
        if pieces.sum() >= least:
            whole = np.ones((len(day), 1), bool)
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
    columns = inside[:, None] & (day[:, None] >= days[None, :])
    return Stream(subject, days, weight, columns, False, bool(eligible[0]))


def light_days(night: Night) -> dict[str, np.ndarray]:
    """Days on which a printer's light was touched."""
    records = night.history.records
    service = records.service
    known = records.known_from("service") < night.instant
    mine = service[known & (service["subject_type"] == "printer") & service["action"].isin(LIGHT_EVENTS)]
    days = records.local_dates(mine["at"]).to_numpy().astype("datetime64[D]").astype(int)
    return {name: days[rows] for name, rows in mine.reset_index(drop=True).groupby("subject_id").indices.items()}


def fit_scene(scene: Scene) -> CrossedFit:
    limits = scene.night.settings.cure_offset
    return fit_crossed(
        whiten(scene.y, scene.weight, scene.day, scene.shared),
        whiten(scene.design, scene.weight, scene.day, scene.shared),
        np.ones(scene.y.size),
        scene.ratios,
        limits.session_sd_mm,
        limits.session_sd_sessions,
    )


def level_row(scene: Scene, stream: Stream) -> np.ndarray:
    """The norm that a profile (or the farm) prints with: printers, lots and found faults left out."""
    row = np.zeros(len(scene.effects))
    inside = stream.columns[:, 0]
    for k, (factor, _) in enumerate(scene.effects):
        if factor == "norm" or factor in ("profile", "resin"):
            row[k] = scene.design[inside, k].mean()
    return row


def with_column(scene: Scene, column: np.ndarray, name: str) -> Scene:
    wide = np.full((len(scene.ratios), 1), OWN_WIDTH**2)
    return replace(
        scene,
        design=np.column_stack([scene.design, column]),
        ratios=np.column_stack([scene.ratios, wide]),
        effects=(*scene.effects, ("found", name)),
    )


def log_limit(scene: Scene, subject: Subject) -> float:
    """What a restart sum must reach: the onsets of its type looked at a month over the findings allowed its type."""
    return float(np.log(scene.per_month[subject.type] / allowed(scene.night, subject)))


def allowed(night: Night, subject: Subject) -> float:
    """False findings a month allowed to all subjects of this type together."""
    budget = night.settings.alarm_budget
    share = night.settings.cure_offset.share_of(subject.type)
    return budget.false_findings_per_month * budget.share_cure_offset * share


def date_of(day: int) -> dt.date:
    return np.datetime64(day, "D").item()
