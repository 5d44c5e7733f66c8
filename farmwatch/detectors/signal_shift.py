"""Did a measure move: peel force, vat temperature and duration of a printer, temperature of a room.

Each stream is watched against its own past after the known drivers; that printers differ in level is normal. What all
streams share from day to day (a season, an unwritten driver) is taken out of each and watched as a stream of the farm.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.detectors.measures import Measure, measures_of, residuals
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.evidence import Check, Evidence, Subject, SubjectType
from farmwatch.stats.mean_scan import LARGEST_LOG, StepScan, course_basis, daily_noise, scan_step
from farmwatch.stats.onsets import candidate_days, onset_posterior
from farmwatch.stats.robust import huber_regression, spread

DETECTOR = "signal_shift"
PEERS_AT_LEAST = 5  # fewer streams than this cannot tell what they share
SEASON_DEGREE = 2


@dataclass(frozen=True)
class Stream:
    """Daily means of one measure of one subject; ``plates``: the window's rows that made them, (runs,)."""

    subject: Subject
    measure: Measure
    day: np.ndarray
    values: np.ndarray
    weight: np.ndarray
    basis: np.ndarray
    scale: float
    plates: np.ndarray


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
    evidence = []
    for stream in streams:
        scan, candidates = _scan(stream, limits.baseline_days)
        rate = 30.0 * len(streams) * float(np.exp(-scan.log_evidence))
        if rate <= allowed:
            evidence.append(_evidence(stream, scan, candidates, window, day, first_day, rate, allowed))
    checks += _clear(streams, evidence)
    if not streams and not checks:
        checks.append(Check(DETECTOR, "too_few", "farm", "farm", "no runs in the window"))
    evidence.sort(key=lambda item: -item.score)
    return Verdicts(tuple(evidence), tuple(checks))


def _streams(window: pd.DataFrame, day: np.ndarray, measure: Measure, baseline: int) -> Iterator[Stream | Check]:
    """The streams of one measure, and a word on each subject without enough days of it."""
    subject_type: SubjectType = "room" if measure.by_subject == "room" else "printer"
    names = window["room"].where(window["room"].notna(), "") if subject_type == "room" else window["printer_id"]
    if subject_type == "room" and window["room"].isna().all():
        subject_type, names = "printer", window["printer_id"]
    subject, labels = pd.factorize(names)
    subject = np.where(np.isin(names.to_numpy(dtype=object), [""]), -1, subject)
    file = pd.factorize(window["file_id"])[0]
    rest = residuals(measure, subject, file)
    daily = daily_means(rest, subject, day, len(labels))
    enough = (daily.runs > 0).sum(axis=1) >= baseline + 2
    if not enough.any():
        yield Check(DETECTOR, "too_few", "farm", "farm", f"{measure.words}: no subject has {baseline + 2} days of it")
        return
    shared = int(enough.sum()) >= PEERS_AT_LEAST
    level = daily.mean - np.nanmedian(np.where(enough[:, None], daily.mean, 0.0), axis=1)[:, None]
    own = level - shared_course(level, enough) if shared else level
    season = subject_type == "room" or not shared
    noise = daily_noise(own[enough])
    for number in np.flatnonzero(enough):
        rows = np.flatnonzero((subject == number) & np.isfinite(rest))
        who = Subject(subject_type, str(labels[number]))
        runs = daily.runs[number]
        yield from _stream(who, measure, own[number], runs, SEASON_DEGREE if season else 0, noise.scale, rows)
    for number in np.flatnonzero(~enough):
        if labels[number] != "":
            reason = f"{measure.words}: fewer than {baseline + 2} days of it"
            yield Check(DETECTOR, "too_few", subject_type, str(labels[number]), reason)
    if shared:
        course = _median_of_columns(level[enough])
        rows = np.flatnonzero(np.isfinite(rest))
        runs = np.where(np.isfinite(course), daily.runs.sum(axis=0), 0)
        scale = daily_noise(course[None, :]).scale
        yield from _stream(Subject("farm", "farm"), measure, course, np.sign(runs), SEASON_DEGREE, scale, rows)


def _stream(
    who: Subject, measure: Measure, values: np.ndarray, runs: np.ndarray, degree: int, scale: float, rows: np.ndarray
) -> Iterator[Stream]:
    day = np.flatnonzero((runs > 0) & np.isfinite(values))
    if day.size < degree + 3 or not scale > 0:
        return
    weight = runs[day] / runs[day].mean()
    yield Stream(who, measure, day, values[day], np.minimum(weight, 1.5), course_basis(day, degree), scale, rows)


def daily_means(rest: np.ndarray, subject: np.ndarray, day: np.ndarray, subjects: int) -> Daily:
    """Daily means by subject of run residuals, each drawn in to four spreads of its subject's median of that day's week."""
    known = np.isfinite(rest) & (subject >= 0)
    days = int(day.max()) + 1
    week = subject[known] * (days // 7 + 1) + day[known] // 7
    middle = pd.Series(rest[known]).groupby(week).transform("median").to_numpy()
    reach = 4.0 * spread(rest[known] - middle, 0.0) if known.any() else 0.0
    calm = np.clip(rest[known], middle - reach, middle + reach)
    cell = subject[known] * days + day[known]
    runs = np.bincount(cell, minlength=subjects * days).reshape(subjects, days)
    total = np.bincount(cell, weights=calm, minlength=subjects * days).reshape(subjects, days)
    return Daily(np.where(runs > 0, total / np.maximum(runs, 1), np.nan), runs)


def shared_course(level: np.ndarray, enough: np.ndarray) -> np.ndarray:
    """What the other subjects do on each day, by their median, shape of ``level``; 0 where no other has a run."""
    out = np.zeros(level.shape)
    index = np.flatnonzero(enough)
    for number in range(len(level)):
        out[number] = np.nan_to_num(_median_of_columns(level[index[index != number]]), nan=0.0)
    return out


def _median_of_columns(grid: np.ndarray) -> np.ndarray:
    """Medians down the columns, NaN left out, NaN where a column has none."""
    ordered = np.sort(grid, axis=0)  # NaN sorts last
    count = (~np.isnan(grid)).sum(axis=0)
    column = np.arange(grid.shape[1])
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, len(grid) - 1)
    return np.asarray(0.5 * (ordered[low, column] + ordered[high, column]))


def _scan(stream: Stream, baseline: int) -> tuple[StepScan, np.ndarray]:
    candidates = candidate_days(stream.day, np.array([0]), int(stream.day[0])).astype(float)
    candidates[:baseline] = 0.0
    return scan_step(stream.values, stream.weight, stream.basis, candidates, stream.scale), candidates


def _evidence(
    stream: Stream,
    scan: StepScan,
    candidates: np.ndarray,
    window: pd.DataFrame,
    day: np.ndarray,
    first_day: np.datetime64,
    rate: float,
    allowed: float,
) -> Evidence:
    onset = onset_posterior(scan.log_ratio, stream.day, candidates)
    at = int(np.searchsorted(stream.day, onset.day))
    after = (stream.day >= onset.day).astype(float)
    root = np.sqrt(stream.weight)[:, None]
    fit = huber_regression(np.column_stack([stream.basis, after]) * root, stream.values * root[:, 0])
    step, width = float(fit.coefficients[-1]), 1.96 * float(np.sqrt(scan.variance[at]))
    rows = stream.plates[day[stream.plates] >= onset.day]
    observed = float(np.mean(stream.measure.raw[rows]))
    ends = np.array([step, step - width, step + width])
    if stream.measure.log:
        effect, low, high = observed / np.exp(step) * np.expm1(ends)
    else:
        effect, low, high = ends
    since, since_low, since_high = (_date(first_day, each) for each in (onset.day, onset.low, onset.high))
    words = f"{stream.measure.words} moved by {effect:+.3g} {stream.measure.unit} from {observed - effect:.4g}"
    return Evidence(
        kind="signal_shift",
        subject=stream.subject,
        since=since,
        since_low=since_low,
        since_high=since_high,
        observed=observed,
        expected=observed - float(effect),
        opportunities=float(rows.size),
        unit="plates",
        effect=float(effect),
        effect_low=float(low),
        effect_high=float(high),
        effect_unit=stream.measure.unit,
        error_rate=rate,
        score=float(np.log(allowed / rate)) if rate > 0 else LARGEST_LOG,
        direction="up" if effect > 0 else "down",
        detail={"measure": stream.measure.name, "words": words},
        run_ids=tuple(window["run_id"].to_numpy()[rows][:200]),
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
