"""What is measured of runs, and what it should have been: residuals after known drivers, each subject held out.

Forces and durations are taken as natural logarithms, so that a residual is a proportion; temperatures as they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.detectors.layer_features import FEATURES, of_history
from farmwatch.detectors.night import Night
from farmwatch.stats.robust import bending, held_out_coefficients, huber_regression

FILE_SHRINKAGE = 4.0  # runs' worth of doubt about what a file adds of its own
LEVELS_AT_MOST = 12  # the commonest names get a column; the rest are one, for they have too few runs
KNOWN_RUNS = 3  # on other printers, from which what a file adds is known
NEW_FOR_DAYS = 14  # a batch of one file is mostly over by then
SWEEPS = 8  # of alternating fits, after which nothing moves that matters
BENDS = 3.0  # times as far as the usual subject: then one moves what is foretold of all others by a trouble of its own
PEERS_AT_LEAST = 5  # fewer subjects than this cannot tell what they share


@dataclass(frozen=True)
class Measure:
    """One measure of the plates of a window. ``raw`` in ``unit``, ``value`` what is watched; (plates,), NaN unknown.

    ``drivers``: (plates, columns), NaN unknown; ``by_subject``: whose level is watched, ``printer`` or ``room``;
    ``by_file``: whether designs add something of their own; ``log``: whether ``value`` is the logarithm of ``raw``;
    ``unaged``: where the age of what a driver counts is not known, as no service had been recorded yet, (plates,).
    """

    name: str
    unit: str
    words: str
    by_subject: str
    raw: np.ndarray
    value: np.ndarray
    drivers: np.ndarray
    by_file: bool
    log: bool
    unaged: np.ndarray


def measures_of(night: Night, low: int) -> tuple[Measure, ...]:
    """The measures of the night's plates from row ``low`` on."""
    plates = night.plates.iloc[low:]
    vat, ambient = _numbers(plates, "vat_c"), _numbers(plates, "ambient_c")
    planned, took = _numbers(plates, "planned_s"), _took(plates)
    peak = np.where(plates["outcome"].to_numpy() == "stopped", np.nan, _numbers(plates, "peak_release_n"))
    hour = _hour(plates, night.history.records.timezone)
    resin = _levels(plates["resin"])
    size = [_log(_numbers(plates, name)) for name in ("footprint_mm2", "plate_height_mm", "layer_height_mm")]
    speed = [_log(_numbers(plates, "lift_speed_mm_min")), _log(_numbers(plates, "exposure_s"))]
    film, unaged = (values[low:] for values in film_layers(night))
    none = np.zeros(len(plates), dtype=bool)
    duration = _log(took) - _log(planned)
    own = (
        Measure("peak_release_n", "N", "largest peel force", "printer", peak, _log(peak),
                np.column_stack([*size, *speed, vat, film, resin]), True, True, unaged),
        Measure("vat_c", "degC", "vat temperature", "printer", vat, vat,
                np.column_stack([ambient, hour, _log(planned)]), False, False, none),
        Measure("duration_s", "s", "duration against plan", "printer", took, duration,
                np.column_stack([*size, _log(planned)]), True, True, none),
        Measure("ambient_c", "degC", "room temperature", "room", ambient, ambient, hour, False, False, none),
    )  # fmt: skip
    return own + _of_layers(night, low, own[0], hour)


def _of_layers(night: Night, low: int, force: Measure, hour: np.ndarray) -> tuple[Measure, ...]:
    """The measures that only per-layer telemetry gives; none where a farm has none. ``force``: that of the whole run."""
    features = of_history(night.history).iloc[low : len(night.plates)]
    if features[list(FEATURES)].isna().all(axis=None):
        return ()
    late = (features["layers_known_at"] >= night.instant).to_numpy()
    base, body, sd, warm = (
        np.where(late, np.nan, _numbers(features, name))
        for name in ("base_release_n", "body_release_n", "layer_time_sd_s", "vat_warm_up_c")
    )
    drivers, unaged = force.drivers, force.unaged
    none = np.zeros(len(base), dtype=bool)
    return (
        Measure("base_release_n", "N", "largest peel force in the base", "printer", base, _log(base), drivers, True, True,
                unaged),
        Measure("body_release_n", "N", "largest peel force in the body", "printer", body, _log(body), drivers, True, True,
                unaged),
        Measure("layer_time_sd_s", "s", "spread of layer times", "printer", sd, _log(sd), drivers, True, True, unaged),
        Measure("vat_warm_up_c", "degC", "warming of the vat over a run", "printer", warm, warm,
                np.column_stack([hour, drivers[:, 1]]), False, False, none),
    )  # fmt: skip


def residuals(measure: Measure, subject: np.ndarray, file: np.ndarray, day: np.ndarray) -> np.ndarray:
    """What is left of the measure's values after its drivers, (plates,), NaN where unknown or without a subject.

    ``subject``, ``file``, ``day``: whole numbers from 0, -1 for none. The drivers' effects are those that the other subjects
    show; where there is one subject only they are its own.
    """
    known = np.isfinite(measure.value) & (subject >= 0)
    out = np.full(measure.value.size, np.nan)
    design = _design(measure.drivers[known])
    if known.sum() < max(3 * design.shape[1], 20):
        out[known] = measure.value[known] - np.median(measure.value[known]) if known.any() else 0.0
        return out
    number = np.unique(subject[known], return_inverse=True)[1]
    # every subject has a level of its own, and another while the age of its film is unknown; drivers are judged by what
    # moves within, and where there are peers by what does not move with them all: a day on which the whole farm stepped
    # would else be put down to whatever happened to be old by then
    group = np.unique(2 * number + measure.unaged[known], return_inverse=True)[1]
    apart = (group, day[known]) if number.max() + 1 >= PEERS_AT_LEAST else (group,)
    effect = _effects(design, measure.value[known], number, apart)
    rest = measure.value[known] - (design * effect[number]).sum(axis=1)
    rest = rest - _levels_beside(rest, *(apart if measure.unaged[known].any() else (group,)))
    if measure.by_file:
        effect_of_file, told_already = _file_effect(rest, number, file[known], day[known])
        rest = np.where(told_already, np.nan, rest - effect_of_file)
    out[known] = rest
    return out


def _effects(design: np.ndarray, values: np.ndarray, subject: np.ndarray, apart: tuple[np.ndarray, ...]) -> np.ndarray:
    """The drivers' effects for each subject, as the others show them, (subjects, columns).

    One whose own trouble bends a driver for all others, a film that wears out while it is the oldest of the farm, is left
    out of what they are judged by, and so is the next, up to a fifth of them.
    """
    subjects = int(subject.max()) + 1
    rows = np.arange(subject.size)
    for _ in range(subjects // PEERS_AT_LEAST + 1):
        columns = _within(np.column_stack([design[rows, 1:], values[rows]]), *(group[rows] for group in apart))
        within, response = np.column_stack([design[rows, 0], columns[:, :-1]]), columns[:, -1]
        fit = huber_regression(within, response, tolerance=1e-4)
        moved = bending(within, response, subject[rows], fit)
        worst = int(np.argmax(moved))
        if subjects < PEERS_AT_LEAST or moved[worst] < BENDS * np.median(moved[np.unique(subject[rows])]):
            break
        rows = rows[subject[rows] != worst]
    effect = np.tile(fit.coefficients, (subjects, 1))
    held_out = held_out_coefficients(within, response, subject[rows], fit)
    effect[: len(held_out)] = held_out
    return effect


def film_layers(night: Night) -> tuple[np.ndarray, np.ndarray]:
    """Layers printed on each printer's film before each plate, in 100,000, a known driver of peel force; and whether the
    film's age is unknown, both (plates,).

    Until a printer's first recorded change the layers are counted from its first plate: how many were there before, nobody
    wrote down. A printer without any change has one level, and no age to be unknown.
    """
    plates, service = night.plates, night.history.records.service
    layers = np.nan_to_num(_numbers(plates, "plate_height_mm") / _numbers(plates, "layer_height_mm")) / 1e5
    known = (service["at"] < night.instant) & ~(service["recorded_at"] >= night.instant)
    change = service[known & (service["action"] == "film_changed") & (service["subject_type"] == "printer")]
    started, changed = _instants(plates["started_at"]), _instants(change["at"])
    printer, names = pd.factorize(plates["printer_id"])
    changed_on = names.get_indexer(change["subject_id"])
    order = np.lexsort((started, printer))
    starts = np.searchsorted(printer[order], np.arange(len(names) + 1))
    out, unaged = np.full(len(plates), np.nan), np.zeros(len(plates), dtype=bool)
    for number in range(len(names)):
        rows = order[starts[number] : starts[number + 1]]
        before = np.cumsum(layers[rows]) - layers[rows]
        at = np.sort(changed[changed_on == number])
        past = np.searchsorted(at, started[rows], side="right")
        first_of = np.searchsorted(past, np.arange(at.size + 1))
        out[rows] = before - before[np.minimum(first_of, rows.size - 1)][past]
        unaged[rows] = (past == 0) & (at.size > 0)
    return out, unaged


def _instants(times: pd.Series) -> np.ndarray:
    """Microseconds since 1970, whole numbers; missing is the least of them."""
    return np.asarray(times.dt.tz_convert(None).to_numpy().astype("datetime64[us]").astype(np.int64))


def _numbers(plates: pd.DataFrame, name: str) -> np.ndarray:
    """One column as floats, (plates,); missing is NaN."""
    return np.asarray(plates[name].to_numpy(dtype=float))


def _took(plates: pd.DataFrame) -> np.ndarray:
    """Seconds from start to end of runs that went to their end, NaN for others."""
    took = (plates["ended_at"] - plates["started_at"]).dt.total_seconds().to_numpy(dtype=float)
    return np.where(plates["outcome"].isin(["good", "partial"]).to_numpy(), took, np.nan)


def _log(values: np.ndarray) -> np.ndarray:
    """Logarithm of what is above 0; NaN elsewhere."""
    return np.log(np.where(values > 0, values, np.nan))


def _hour(plates: pd.DataFrame, timezone: str) -> np.ndarray:
    """The hour of the start on the farm's clock as a place on a circle, (plates, 2): no step at midnight."""
    clock = plates["started_at"].dt.tz_convert(timezone).dt.tz_localize(None).to_numpy().astype("datetime64[m]")
    turn = 2.0 * np.pi * (clock - clock.astype("datetime64[D]")).astype(float) / 1440.0
    return np.column_stack([np.sin(turn), np.cos(turn)])


def _levels(names: pd.Series) -> np.ndarray:
    """One column of 0 and 1 for each of the commonest names but the first."""
    common = names.value_counts().index[1:LEVELS_AT_MOST]
    return np.column_stack([np.zeros((len(names), 0)), *[(names == name).to_numpy(dtype=float) for name in common]])


def _design(drivers: np.ndarray) -> np.ndarray:
    """Constant and the drivers that most rows have and that vary, centred and scaled; the unknown at their middle."""
    with np.errstate(invalid="ignore"):
        enough = np.isfinite(drivers).mean(axis=0) > 0.5 if len(drivers) else np.zeros(drivers.shape[1], dtype=bool)
    columns = drivers[:, enough]
    columns = columns - np.nanmean(columns, axis=0) if columns.size else columns
    columns = np.nan_to_num(columns, nan=0.0)
    spread = columns.std(axis=0) if len(columns) else np.zeros(columns.shape[1])
    vary = spread > 1e-9
    return np.column_stack([np.ones(len(drivers)), columns[:, vary] / spread[vary]])


def _levels_beside(values: np.ndarray, group: np.ndarray, day: np.ndarray | None = None) -> np.ndarray:
    """The level of each row's group beside what all share on a day, by Tukey's median polish, (rows,).

    Beside it, since groups lie on different days: one of the days before a common step is no lower than one of those after.
    """
    level, shared = np.zeros(values.size), np.zeros(values.size)
    for _ in range(1 if day is None else SWEEPS):
        level = pd.Series(values - shared).groupby(group).transform("median").to_numpy()
        if day is not None:
            shared = pd.Series(values - level).groupby(day).transform("median").to_numpy()
    return level


def _within(columns: np.ndarray, *groups: np.ndarray) -> np.ndarray:
    """``columns``, (rows, columns), less the levels of every grouping, whole numbers from 0: by turns, until they stay."""
    out = columns.T.copy()
    sizes = [np.maximum(np.bincount(group), 1) for group in groups]
    for _ in range(SWEEPS if len(groups) > 1 else 1):
        for group, size in zip(groups, sizes, strict=True):
            for column in out:
                column -= (np.bincount(group, weights=column) / size)[group]
    return out.T


def _file_effect(
    rest: np.ndarray, subject: np.ndarray, file: np.ndarray, day: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """What a run's file adds beside its subject's level of that week, drawn towards zero where its runs are few; and which runs
    say no more than the first of their file did. Both (runs,).

    Levels and files by turns, each beside the other: a subject that moved does not move its files. Only a run in a week that
    its file did not rule tells the one from the other. Files are judged by such runs of other subjects, or, where these are
    fewer than KNOWN_RUNS, of all. In the first days of such a file on a subject its runs share an effect that nobody knows:
    they count once.
    """
    week, last = day // 7, int(subject.max()) + 1
    code = np.where(file >= 0, file, file.max() + 1)
    cell, pair = (
        np.unique(key, return_inverse=True)[1] for key in (subject * (week.max() + 1) + week, code * last + subject)
    )
    both = np.unique(cell * (code.max() + 1) + code, return_inverse=True)[1]
    telling = (np.bincount(both)[both] <= 0.5 * np.bincount(cell)[cell]).astype(float)
    count, own_count = np.bincount(code, weights=telling)[code], np.bincount(pair, weights=telling)[pair]
    unknown = count - own_count < KNOWN_RUNS
    effect = np.zeros(rest.size)
    for _ in range(SWEEPS):
        level = pd.Series(rest - effect).groupby(cell).transform("median").to_numpy()
        beside = rest - level
        calm = telling * np.clip(beside, *np.quantile(beside, [0.005, 0.995]))
        total, own_total = np.bincount(code, weights=calm)[code], np.bincount(pair, weights=calm)[pair]
        some = np.where(unknown, total, total - own_total) / (
            np.where(unknown, count, count - own_count) + FILE_SHRINKAGE
        )
        effect = np.where(file >= 0, some, 0.0)
    order = np.lexsort((np.arange(day.size), day, pair))
    first = np.zeros(day.size, dtype=bool)
    first[order[np.diff(pair[order], prepend=-1) != 0]] = True
    since = np.full(int(pair.max()) + 1, np.iinfo(np.int64).max)
    np.minimum.at(since, pair, day)
    return effect, (file >= 0) & ~first & unknown & (day - since[pair] < NEW_FOR_DAYS)
