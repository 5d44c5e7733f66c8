"""Did a measure move: peel force, vat temperature, duration and thickness pads of a printer, temperature of a room.

Each stream is watched against its own past after the known drivers; that printers differ in level is normal. What all
streams share from day to day (a season, an unwritten driver) is taken out of each and watched as a stream of the farm.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from farmwatch.detectors.measures import PEERS_AT_LEAST, Measure, measures_of, residuals
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.detectors.pads import pad_shifts
from farmwatch.detectors.signal_rivals import Readings, rivals_of
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.stats.change_points import segment
from farmwatch.stats.drift_scan import scan_drifting
from farmwatch.stats.mean_scan import (
    LARGEST_LOG,
    DailyNoise,
    StepScan,
    course_basis,
    daily_noise,
    scan_steps,
    step_size,
)
from farmwatch.stats.onsets import OnsetPosterior, candidate_days, onset_posterior
from farmwatch.stats.robust import spread

DETECTOR = "signal_shift"
DAYS_BEYOND_LEVEL = 3  # with fewer the level alone takes what the days can say
RUNS_SHOWN = 500  # the newest; more nobody looks through
MIDDLE_OF = 7  # runs
ROUNDING = 1e-9  # of logs and degrees: what varies less is constant


@dataclass(frozen=True)
class Stream:
    """Daily means of one measure of one subject, (days of the window,), weight 0 where none.

    ``drifts``: whether it may drift by itself, having no peers that would tell its season from its fault; ``own_until``: the
    day before which it may have a level of its own, as the age of its film is unknown, 0 for none; ``plates``: the window's
    rows that made it, (runs,); ``readings``: every subject's runs of the measure.
    """

    subject: Subject
    measure: Measure
    values: np.ndarray
    weight: np.ndarray
    drifts: bool
    own_until: int
    noise: DailyNoise
    plates: np.ndarray
    readings: Readings


@dataclass(frozen=True)
class Daily:
    """Daily means and runs of every subject of one measure, shape (subjects, days) each, NaN and 0 where none."""

    mean: np.ndarray
    runs: np.ndarray


def detect(night: Night) -> Verdicts:
    """Measures that moved, by subject, within the window of the settings."""
    limits = night.settings.signal_shift
    first_day = np.datetime64(night.as_of - dt.timedelta(days=limits.window_days - 1), "D")
    days = night.plates["day"].to_numpy().astype("datetime64[D]")
    low = int(np.argmax(days >= first_day)) if (days >= first_day).any() else len(days)
    window, day = night.plates.iloc[low:], (days[low:] - first_day).astype(int)
    streams: list[Stream] = []
    checks: list[Check] = []
    for measure in measures_of(night, low) if len(window) else ():
        for found in _streams(window, day, measure, limits.baseline_days):
            (streams if isinstance(found, Stream) else checks).append(found)  # type: ignore[arg-type]
    budget = night.settings.alarm_budget
    allowed = budget.share_signal_shift * budget.false_findings_per_month
    evidence, pads = pad_shifts(night, allowed, len(streams))
    for drifts in sorted({stream.drifts for stream in streams}):
        group = [stream for stream in streams if stream.drifts == drifts]
        scan, candidates = _scan(group, limits.baseline_days)
        rates = 30.0 * (len(streams) + pads) * np.exp(-scan.log_evidence)
        for number in np.flatnonzero(rates <= allowed):
            shift = _describe(group[number], scan, candidates[number], int(number), window, day)
            evidence.append(_evidence(group[number], shift, first_day, float(rates[number]), allowed))
    checks += _clear(streams, evidence)
    if not streams and not checks:
        checks.append(Check(DETECTOR, "too_few", "farm", "farm", "no runs in the window"))
    evidence.sort(key=lambda item: -item.score)
    return Verdicts(tuple(evidence), tuple(checks))


def _streams(window: pd.DataFrame, day: np.ndarray, measure: Measure, baseline: int) -> Iterator[Stream | Check]:
    """The streams of one measure, and a word on each subject without enough days of it."""
    subject_type: SubjectType = "room" if measure.by_subject == "room" else "printer"
    names = window["room"].astype("str").fillna("") if subject_type == "room" else window["printer_id"]
    if subject_type == "room" and window["room"].isna().all():
        subject_type, names = "printer", window["printer_id"]
    subject, labels = pd.factorize(names)
    # a run that began before the window may become known after its first
    nameless = np.append(np.asarray(labels, dtype=object) == "", True)
    subject = np.where(nameless[subject] | (day < 0), -1, subject)
    file = pd.factorize(window["file_id"])[0]
    rest = residuals(measure, subject, file, day)
    daily = daily_means(rest, subject, day, len(labels))
    enough = (daily.runs > 0).sum(axis=1) >= baseline + 2
    if not enough.any():
        yield Check(DETECTOR, "too_few", "farm", "farm", f"{measure.words}: no subject has {baseline + 2} days of it")
        return
    shared = int(enough.sum()) >= PEERS_AT_LEAST
    level = daily.mean - np.nanmedian(np.where(enough[:, None], daily.mean, 0.0), axis=1)[:, None]
    course = shared_course(level, enough) if shared else np.zeros(level.shape)
    own = level - course
    drifts = subject_type == "room" or (not shared and measure.unit == "degC")
    noise = daily_noise(own[enough])
    if not noise.scale > ROUNDING:
        yield Check(DETECTOR, "too_few", "farm", "farm", f"{measure.words}: does not vary, or on too few days in a row")
        return
    known = subject >= 0
    apart = np.where(known, rest - course[subject, np.maximum(day, 0)], np.nan)
    readings = Readings(apart, np.where(known, 2 * subject + measure.unaged, -1), day)
    told = np.flatnonzero(np.isfinite(rest))
    told = told[np.argsort(subject[told], kind="stable")]
    ends = np.searchsorted(subject[told], np.arange(len(labels) + 1))
    for number in np.flatnonzero(enough):
        rows = told[ends[number] : ends[number + 1]]
        who = Subject(subject_type, str(labels[number]))
        runs = daily.runs[number]
        yield from _stream(who, measure, own[number], runs, drifts, noise, rows, readings)
    for number in np.flatnonzero(~enough):
        if labels[number] != "":
            reason = f"{measure.words}: fewer than {baseline + 2} days of it"
            yield Check(DETECTOR, "too_few", subject_type, str(labels[number]), reason)
    if shared:
        all_of_them = _median_of_columns(level[enough])
        rows = np.flatnonzero(np.isfinite(rest))
        runs = np.where(np.isfinite(all_of_them), daily.runs.sum(axis=0), 0)
        noise = daily_noise(all_of_them[None, :])
        yield from _stream(Subject("farm", "farm"), measure, all_of_them, np.sign(runs), True, noise, rows, readings)


def _stream(
    who: Subject,
    measure: Measure,
    values: np.ndarray,
    runs: np.ndarray,
    drifts: bool,
    noise: DailyNoise,
    rows: np.ndarray,
    readings: Readings,
) -> Iterator[Stream]:
    there = (runs > 0) & np.isfinite(values)
    if there.sum() < DAYS_BEYOND_LEVEL or not noise.scale > ROUNDING:
        return
    own_until = 0 if who.type == "farm" else 1 + int(readings.day[rows][measure.unaged[rows]].max(initial=-1))
    weight = np.where(there, np.minimum(runs / runs[there].mean(), 1.5), 0.0)
    yield Stream(who, measure, values, weight, drifts, own_until, noise, rows, readings)


def daily_means(rest: np.ndarray, subject: np.ndarray, day: np.ndarray, subjects: int) -> Daily:
    """Daily means by subject of run residuals, wild ones drawn in (see :func:`drawn_in`); all of shape (runs,)."""
    known = np.flatnonzero(np.isfinite(rest) & (subject >= 0))
    known = known[np.lexsort((day[known], subject[known]))]
    days = int(day.max()) + 1
    calm = drawn_in(rest[known], subject[known])
    cell = subject[known] * days + day[known]
    runs = np.bincount(cell, minlength=subjects * days).reshape(subjects, days)
    total = np.bincount(cell, weights=calm, minlength=subjects * days).reshape(subjects, days)
    return Daily(np.where(runs > 0, total / np.maximum(runs, 1), np.nan), runs)


def drawn_in(rest: np.ndarray, subject: np.ndarray) -> np.ndarray:
    """``rest``, (runs,), within four spreads of the middle of the runs up to each or from it on, whichever is nearer.

    Runs by subject, then in time; seven make a middle, the subject's own where it has neither. Two middles, since on the eve
    of a step the one of the days around it is already the new level, and would draw the good days to it.
    """
    if rest.size < MIDDLE_OF:
        return rest
    start = np.flatnonzero(np.append(True, np.diff(subject) != 0))
    count = np.diff(np.append(start, subject.size))
    place = np.arange(subject.size) - np.repeat(start, count)
    middle = np.median(np.lib.stride_tricks.sliding_window_view(rest, MIDDLE_OF), axis=1)
    whole = np.repeat([np.median(rest[low : low + many]) for low, many in zip(start, count, strict=True)], count)
    before, after = np.full(rest.size, np.nan), np.full(rest.size, np.nan)
    before[MIDDLE_OF - 1 :], after[: middle.size] = middle, middle
    before[place < MIDDLE_OF - 1] = np.nan
    after[place > np.repeat(count, count) - MIDDLE_OF] = np.nan
    low, high = np.fmin(before, after), np.fmax(before, after)
    low, high = np.where(np.isnan(low), whole, low), np.where(np.isnan(high), whole, high)
    reach = 4.0 * spread(rest - 0.5 * (low + high), 0.0)
    return np.clip(rest, low - reach, high + reach)


def shared_course(level: np.ndarray, enough: np.ndarray) -> np.ndarray:
    """What the other subjects do on each day, by their median, shape of ``level``; 0 where no other has a run.

    In order of size the others are all but one: sorted once for all of 1,000 subjects, not once for each.
    """
    grid = level[enough]
    there = ~np.isnan(grid)
    others = there.sum(axis=0) - there
    out = np.tile(np.nan_to_num(_median_of_columns(grid), nan=0.0), (len(level), 1))
    order = np.argsort(grid, axis=0)  # NaN sorts last
    own = np.where(there, np.argsort(order, axis=0), len(grid))  # place of the one that is left out
    ordered = np.append(np.take_along_axis(grid, order, axis=0), np.full((1, grid.shape[1]), np.nan), axis=0)
    low, high = (
        np.take_along_axis(ordered, half + (half >= own), axis=0)
        for half in (np.maximum(others - 1, 0) // 2, others // 2)
    )
    out[enough] = np.where(others > 0, 0.5 * (low + high), 0.0)
    return out


def _median_of_columns(grid: np.ndarray) -> np.ndarray:
    """Medians down the columns, NaN left out, NaN where a column has none."""
    ordered = np.sort(grid, axis=0)  # NaN sorts last
    count = (~np.isnan(grid)).sum(axis=0)
    column = np.arange(grid.shape[1])
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, len(grid) - 1)
    return np.asarray(0.5 * (ordered[low, column] + ordered[high, column]))


def _scan(group: list[Stream], baseline: int) -> tuple[StepScan, np.ndarray]:
    """The scan of streams that all drift, or none, and how many onset days each day stands for, (streams, days)."""
    weight = np.stack([stream.weight for stream in group])
    there = weight > 0
    row, day = np.nonzero(there)
    starts = np.searchsorted(row, np.arange(len(group)))
    candidates = np.zeros(weight.shape)
    candidates[row, day] = candidate_days(day, starts, 0)
    candidates[np.cumsum(there, axis=1) <= baseline] = 0.0
    values = np.stack([stream.values for stream in group])
    if group[0].drifts:
        return scan_drifting(values, there, candidates, np.array([stream.own_until for stream in group])), candidates
    basis = np.stack([_basis(stream) for stream in group])
    scale, rho = (np.array([getattr(stream.noise, name) for stream in group]) for name in ("scale", "rho"))
    return scan_steps(values, weight, basis, candidates, scale, rho), candidates


@dataclass(frozen=True)
class Shift:
    """A step of one stream: when, how large with a 95 % interval (unit of the measure), on which plates, and who else could
    have moved it, with what would tell."""

    onset: OnsetPosterior
    observed: float
    effect: float
    low: float
    high: float
    plates: int
    run_ids: tuple[str, ...]
    steps: tuple[int, ...]
    rivals: tuple[Subject, ...]
    would: dict[str, Any]


def _describe(
    stream: Stream, scan: StepScan, candidates: np.ndarray, number: int, window: pd.DataFrame, day: np.ndarray
) -> Shift:
    days = np.flatnonzero(candidates > 0)
    onset = onset_posterior(scan.log_ratio[number, days], days, int(days[0]))
    step, error = _step(stream, scan, number, onset.day)
    width = 1.96 * error
    rows = stream.plates[day[stream.plates] >= onset.day]
    observed = float(np.mean(stream.measure.raw[rows]))
    ends = np.array([step, step - width, step + width])
    effect, low, high = observed / np.exp(step) * np.expm1(ends) if stream.measure.log else ends
    run_ids = tuple(window["run_id"].to_numpy(dtype=object)[rows[:RUNS_SHOWN]])
    rivals, would = rivals_of(stream.subject, stream.readings, window, onset.day, step, error, stream.drifts)
    size = float(effect), float(low), float(high)
    return Shift(onset, observed, *size, int(rows.size), run_ids, _steps(stream), rivals, would)


def _step(stream: Stream, scan: StepScan, number: int, day: int) -> tuple[float, float]:
    """Size of the step at ``day`` and its standard error."""
    if stream.drifts:
        return float(scan.step[number, day]), float(np.sqrt(scan.variance[number, day]))
    return step_size(stream.values, stream.weight, _basis(stream), stream.noise, day)


def _basis(stream: Stream) -> np.ndarray:
    return course_basis(stream.values.size, 0, stream.own_until)


def _steps(stream: Stream) -> tuple[int, ...]:
    """The days on which the stream's level changed, all of them: one step, or several, as a failing part gives."""
    days = np.flatnonzero(stream.weight > 0)
    aged, unaged = days[days >= stream.own_until], days[days < stream.own_until]
    found = (part[segment(stream.values[part]).changes] for part in (unaged, aged))
    return tuple(int(day) for part in found for day in part)


def _evidence(stream: Stream, shift: Shift, first_day: np.datetime64, rate: float, allowed: float) -> Evidence:
    measure, onset = stream.measure, shift.onset
    words = f"{measure.words} moved by {shift.effect:+.3g} {measure.unit} from {shift.observed - shift.effect:.4g}"
    return Evidence(
        kind="signal_shift",
        subject=stream.subject,
        since=_date(first_day, onset.day),
        since_low=_date(first_day, onset.low),
        since_high=_date(first_day, onset.high),
        observed=shift.observed,
        expected=shift.observed - shift.effect,
        opportunities=float(shift.plates),
        unit="plates",
        effect=shift.effect,
        effect_low=shift.low,
        effect_high=shift.high,
        effect_unit=measure.unit,
        error_rate=rate,
        score=float(np.log(allowed / rate)) if rate > 0 else LARGEST_LOG,
        direction="up" if shift.effect > 0 else "down",
        separable=not shift.rivals,
        rivals=shift.rivals,
        detail=shift.would
        | {
            "measure": measure.name,
            "words": words,
            "steps_on": [_date(first_day, each).isoformat() for each in shift.steps],
        },
        run_ids=shift.run_ids,
    )


def _date(first_day: np.datetime64, number: int) -> dt.date:
    return pd.Timestamp(first_day + np.timedelta64(int(number), "D")).date()


def _clear(streams: list[Stream], evidence: list[Evidence]) -> list[Check]:
    """One check a flagged subject, one for all clear streams of each kind of subject."""
    flagged = {item.subject for item in evidence}
    out = [Check(DETECTOR, "flagged", who.type, who.id, "") for who in sorted(flagged)]
    for kind in sorted({stream.subject.type for stream in streams}):
        clear = {stream.subject for stream in streams if stream.subject.type == kind} - flagged
        if clear:
            out.append(Check(DETECTOR, "clear", kind, None, "", len(clear)))
    return out
