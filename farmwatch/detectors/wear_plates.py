"""Plates with their counts since service and their failures, for one counter of the farm."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.detectors.counters import Counter, microseconds, since_service
from farmwatch.detectors.expected import START_MODEL
from farmwatch.detectors.night import Night, day_number
from farmwatch.detectors.plate_scene import under_spell
from farmwatch.evidence import Subject
from farmwatch.stats.hazard import HazardSlope, WearEvidence, fit_slope
from farmwatch.stats.plate_model import PlateModel, fit_plate_model
from farmwatch.stats.plate_sums import sums_by_plate

PLATES_AT_LEAST = 100  # with fewer, how plates fail together is taken as usual
CULPRITS = ("printer", "lot", "design", "file", "wash")


@dataclass(frozen=True)
class Outcomes:
    """Of every plate of the night, (plates,): ``parts`` with a known outcome, at least 1, ``failures``, and the mean
    expected ``risk`` of a part."""

    parts: np.ndarray
    failures: np.ndarray
    risk: np.ndarray


@dataclass(frozen=True)
class Plates:
    """Plates in time order, arrays of shape (plates,), whole numbers as small as they may be. ``from_service``: whether the
    count runs from a service on record (else from the first plate on record, which is only a lower bound).

    ``row``: in the night's plates. ``holder``, ``spell``: numbers from 0 (a spell belongs to one holder). ``failures``,
    ``probability``: shape (views, plates): failures of every sign, and of the signs that this wear shows. ``rho``, ``model``:
    how parts of a plate fail together, as one number and in full.
    """

    counter: Counter
    row: np.ndarray
    day: np.ndarray
    holder: np.ndarray
    names: np.ndarray
    spell: np.ndarray
    spell_day: np.ndarray
    from_service: np.ndarray
    count: np.ndarray
    life: float
    parts: np.ndarray
    failures: np.ndarray
    probability: np.ndarray
    rho: float
    model: PlateModel


@dataclass(frozen=True)
class Claim:
    """One holder's evidence from the start of one of its spells on; ``view``: 0 all signs, 1 those of this wear.

    ``evidence`` is None for the farm."""

    plates: Plates
    subject: Subject
    log_sum: float
    rows: np.ndarray
    view: int
    evidence: WearEvidence | None = None


def outcomes_of(night: Night) -> Outcomes:
    number = len(night.plates)
    plate, known, failed = (night.parts[name].to_numpy() for name in ("plate", "known", "failed"))
    parts, risk = sums_by_plate(plate, night.part_risk, known, number)
    parts = np.maximum(parts, 1.0)
    risk = np.clip(risk / parts, 1e-6, 1.0 - 1e-6)
    return Outcomes(parts, np.bincount(plate[failed], minlength=number), risk)


def plates_of(night: Night, outcomes: Outcomes, counter: Counter) -> Plates | None:
    frame = night.plates
    counted = since_service(night, counter)
    day = frame["day"].to_numpy().astype("datetime64[D]").astype(np.int32)
    oldest = day_number(night.as_of) - night.settings.wear.cycles_look_back_days
    heard = np.isfinite(counted.count) & (frame["parts"].to_numpy() > 0) & (day >= oldest)
    for spell in night.spells:  # what somebody else is at fault for is no wear
        if spell.subject.type in CULPRITS and f"{spell.subject.type}_id" != counter.holder:
            heard &= ~under_spell(night, spell)
    row = np.flatnonzero(heard).astype(np.int32)
    if row.size == 0 or not frame["failures"].to_numpy()[row].any():
        return None
    row = row[np.argsort(microseconds(frame["started_at"])[row], kind="stable")]
    holder, levels = pd.factorize(frame[counter.holder].cat.codes.to_numpy()[row])
    stretch, count = counted.stretch[row], counted.count[row]
    used = np.unique(stretch)
    spell_of = np.zeros(len(counted.spell), np.int32)
    spell_of[used] = np.arange(len(used))
    keys = spell_of[stretch]
    failures, probability, own = _failures(night, outcomes, counter, row, holder)
    reached = np.zeros(len(used))
    np.maximum.at(reached, keys, count)
    parts = frame["parts"].to_numpy()[row]
    model = night.expectation.model if night.expectation is not None else _fitted_model(failures[0], parts, own)
    return Plates(
        counter,
        row,
        day[row],
        holder.astype(np.int32),
        frame[counter.holder].cat.categories.to_numpy(dtype=object)[levels],
        keys,
        counted.since[used].astype("datetime64[D]").astype(int),
        counted.spell[stretch] > 0,
        count,
        max(_usual_life(reached, keys, holder), 1e-9),
        parts.astype(np.int32),
        failures,
        probability,
        _usual_rho(failures[0], parts, own, holder),
        model,
    )


def _usual_life(reached: np.ndarray, spell: np.ndarray, holder: np.ndarray) -> float:
    """Median count at which service was done; before any spell has ended, what has been reached so far."""
    owner = np.zeros(reached.size, int)
    owner[spell] = holder
    ended = np.zeros(reached.size, bool)
    latest = np.full(int(holder.max()) + 1, -1)
    latest[holder] = spell
    ended = latest[owner] != np.arange(reached.size)
    return float(np.median(reached[ended])) if ended.any() else float(reached.max())


def _failures(
    night: Night, outcomes: Outcomes, counter: Counter, row: np.ndarray, holder: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Failures and expected probability per plate, of every sign and of the counter's signs; the first at each holder's own
    level."""
    failed = np.flatnonzero(night.parts["failed"].to_numpy())
    shows = failed[night.parts["sign"].iloc[failed].isin(counter.signs).to_numpy(dtype=bool)]
    those = np.bincount(night.parts["plate"].to_numpy()[shows], minlength=len(night.plates))
    every, risk = outcomes.failures[row], outcomes.risk[row]
    scale = (np.bincount(holder, every) + 1.0) / (np.bincount(holder, outcomes.parts[row] * risk) + 1.0)
    own = np.clip(risk * scale[holder], 1e-6, 0.95)
    # the farm's own level: expected risk is fitted on it, and a share of signs is close enough to constant
    share = (those.sum() + 0.5) / (outcomes.failures.sum() + 1.0)
    failures = np.stack([every, those[row]], dtype=np.int32)
    probability = np.stack([risk, np.clip(risk * share, 1e-9, 0.99)])
    return failures, probability, own


def _usual_rho(failures: np.ndarray, parts: np.ndarray, own: np.ndarray, holder: np.ndarray) -> float:
    """Correlation within plates of the middle holder: one holder whose risk climbs must not hide in it."""
    excess = np.bincount(holder, (failures - parts * own) ** 2 - parts * own * (1.0 - own))
    pairs = np.bincount(holder, (parts - 1.0) * parts * own * (1.0 - own))
    told = pairs > 0.0
    return float(np.clip(np.median(excess[told] / pairs[told]), 0.0, 0.95)) if told.any() else 0.0


def _fitted_model(failures: np.ndarray, parts: np.ndarray, own: np.ndarray) -> PlateModel:
    """How parts of a plate fail together, where the night brings no expectation that says it."""
    several = parts > 1.0
    if several.sum() < PLATES_AT_LEAST:
        return START_MODEL
    return fit_plate_model(failures[several], parts[several], own[several])


def slope_of(plates: Plates, rows: np.ndarray, view: int) -> HazardSlope:
    return fit_slope(
        plates.count[rows],
        plates.failures[view][rows],
        plates.parts[rows],
        plates.probability[view][rows],
        plates.holder[rows],
        plates.rho,
    )


def date_of(day: int) -> dt.date:
    return np.datetime64(day, "D").item()
