"""Which runs of this night are unlike their like: a setting off its profile's habit, or measures far from all others.

A run is judged on the night on which it became known and never again, so an odd run is reported once. An odd run alone
is a note, not an alarm.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.detectors.night import Night, Verdicts
from farmwatch.detectors.odd_features import SETTINGS_UNITS, Feature, features_of
from farmwatch.evidence import Check, Evidence, Subject
from farmwatch.settings import OddRunSection
from farmwatch.stats.odd import departs, fit_odd_model, habit_of, is_course, robust_centre_scale, score_odd

DETECTOR = "odd_run"
# a value kept by one of these once it appeared is their way of working, not an odd run
COURSE_OF = ("printer_id", "file_id", "lot_id", "operator")


@dataclass(frozen=True)
class Departure:
    """One setting of one run (row of the night's plates) off its habit; ``chance`` that a run of the profile does so."""

    row: int
    setting: str
    observed: float
    expected: float
    chance: float


def detect(night: Night) -> Verdicts:
    """Odd runs among those that became known since the night before."""
    plates = night.plates
    before = night.history.records.end_of(night.as_of - dt.timedelta(days=1))
    first = int(plates["known_at"].searchsorted(before, side="left"))
    if first == len(plates):
        return Verdicts((), (Check(DETECTOR, "too_few", "farm", "farm", "no run became known since the night before"),))
    habits = list(_settings_off_habit(night, first))
    measured, checks = _measures_far_off(night, first)
    by_rule = _rule_evidence(night, [found for found in habits if isinstance(found, Departure)])
    named = {item.subject for item in by_rule}
    evidence = by_rule + [item for item in measured if item.subject not in named]
    evidence.sort(key=lambda item: -item.score)
    checks += [found for found in habits if isinstance(found, Check)]
    return Verdicts(tuple(evidence), tuple(checks))


def _settings_off_habit(night: Night, first: int) -> Iterator[Departure | Check]:
    """Every material departure of a new run from a strong habit of its profile, and what could not be judged."""
    limits, plates = night.settings.odd_run, night.plates
    profile = plates["profile"].to_numpy(dtype=object)
    for name in pd.unique(plates["profile"].iloc[first:].dropna()):
        rows = np.flatnonzero(profile == name)
        new = rows[rows >= first]
        earlier = rows[rows < first][-limits.habit_runs_at_most :]
        if earlier.size < limits.habit_runs_at_least:
            reason = f"{earlier.size} earlier runs, {limits.habit_runs_at_least} needed for a habit"
            yield Check(DETECTOR, "too_few", "profile", str(name), reason)
            continue
        changed = []
        for setting in SETTINGS_UNITS:
            values = plates[setting].to_numpy()
            habit = habit_of(values[earlier])
            if habit.runs < limits.habit_runs_at_least or habit.broken > (1 - limits.habit_share) * habit.runs:
                continue
            for row in new[departs(values[new], habit.value, limits.material_departure)]:
                if _is_course(plates, values, np.append(earlier, new), row, limits):
                    changed.append(f"{setting} {habit.value:g} to {values[row]:g}")
                else:
                    yield Departure(int(row), setting, float(values[row]), habit.value, habit.chance_broken)
        reason = "changed its course: " + ", ".join(sorted(set(changed))) if changed else ""
        yield Check(DETECTOR, "clear", "profile", str(name), reason)


def _is_course(plates: pd.DataFrame, values: np.ndarray, rows: np.ndarray, row: int, limits: OddRunSection) -> bool:
    """Whether the profile's last runs, or those that share a name with the run in ``row``, went to its value and kept it."""
    recent = rows[-limits.course_runs :]
    groups = [recent]
    for column in COURSE_OF:
        names = plates[column].to_numpy(dtype=object)
        if isinstance(names[row], str):
            groups.append(recent[names[recent] == names[row]])
    return any(
        is_course(values[group], values[row], limits.course_runs_at_least, limits.course_share) for group in groups
    )


def _rule_evidence(night: Night, departures: list[Departure]) -> list[Evidence]:
    """One piece of evidence a run; the setting that departs most in proportion leads."""
    limits = night.settings.odd_run
    by_run: dict[int, list[Departure]] = {}
    for departure in departures:
        by_run.setdefault(departure.row, []).append(departure)
    found = []
    for row, group in by_run.items():
        group.sort(key=lambda d: -abs(d.observed - d.expected) / max(abs(d.observed), abs(d.expected)))
        lead, words = group[0], []
        profile = night.plates["profile"].iloc[row]
        for each in group:
            unit = SETTINGS_UNITS[each.setting]
            words.append(
                f"{each.setting} {each.observed:g} {unit} where profile {profile} has {each.expected:g} {unit}"
            )
        detail = {"by": "habit", "measure": lead.setting, "words": "; ".join(words)}
        chance = min(each.chance for each in group)
        score = float(np.log(max(1.0 - limits.habit_share, chance) / chance))
        observed, expected = lead.observed, lead.expected
        found.append(
            _evidence(night, row, observed, expected, SETTINGS_UNITS[lead.setting], 0.0, chance, score, detail)
        )
    return found


def _measures_far_off(night: Night, first: int) -> tuple[list[Evidence], list[Check]]:
    """New runs whose measures lie far from those of all recent runs, at the share of clean runs that the budget allows."""
    limits, budget = night.settings.odd_run, night.settings.alarm_budget
    window, learn, judged = _window(night, first)
    enough = int(learn.sum())
    if enough < limits.model_runs_at_least:
        reason = f"{enough} runs with measures to learn from, {limits.model_runs_at_least} needed"
        return [], [Check(DETECTOR, "too_few", "farm", "farm", reason)]
    features = [each for each in features_of(window, learn) if _carries(each.value[learn])]
    if not features:
        return [], [Check(DETECTOR, "too_few", "farm", "farm", "durations, peel forces and temperatures are missing")]
    matrix = np.column_stack([each.value for each in features])
    model = fit_odd_model(matrix[learn])
    scores = score_odd(model, matrix[judged], limits.forest_level)
    days = max((night.as_of - window["day"].iloc[0].date()).days, 1)
    runs_a_month = 30.0 * len(window) / days
    allowed = budget.share_odd_run * budget.false_findings_per_month
    found = []
    for index in np.flatnonzero(scores.p_value * runs_a_month <= allowed):
        row = int(np.flatnonzero(judged)[index])
        lead = features[int(scores.telling[index])]
        if _goes_on(window, lead, row):
            continue
        rate = float(scores.p_value[index] * runs_a_month)
        spread = float(model.scale[int(scores.telling[index])])
        found.append(_far_off(night, first + int(index), lead, row, spread, rate, allowed))
    return found, [Check(DETECTOR, "clear", "run", None, "", int(judged.sum()) - len(found))]


def _window(night: Night, first: int) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """The recent runs, which of them to learn from (known by the week's start) and which to judge (new tonight)."""
    limits, plates = night.settings.odd_run, night.plates
    anchor_day = night.as_of - dt.timedelta(days=night.as_of.isoweekday())
    anchor = night.history.records.end_of(anchor_day)
    start = night.history.records.end_of(anchor_day - dt.timedelta(days=limits.model_days))
    low, end = (int(plates["known_at"].searchsorted(instant, side="left")) for instant in (start, anchor))
    low = max(low, end - limits.model_runs_at_most)
    window = plates.iloc[low:].reset_index(drop=True)
    number = np.arange(low, len(plates))
    return window, number < min(end, first), number >= first


def _carries(values: np.ndarray) -> bool:
    """Whether most runs have the feature and it varies."""
    if np.isfinite(values).mean() < 0.5:
        return False
    return float(robust_centre_scale(values[:, None])[1][0]) > 1e-9


def _goes_on(window: pd.DataFrame, feature: Feature, row: int) -> bool:
    """Whether the printer's runs just before departed as far the same way: a measure that moved, no odd run."""
    printer = window["printer_id"].to_numpy(dtype=object)
    before = np.flatnonzero(printer[:row] == printer[row])[-5:]
    values = feature.value[before]
    values = values[np.isfinite(values)]
    return bool(values.size and np.median(values) / feature.value[row] > 0.5)


def _far_off(
    night: Night, plate: int, feature: Feature, row: int, spread: float, rate: float, allowed: float
) -> Evidence:
    """Evidence of one run far out: its feature's usual ``spread``, and how often chance goes as far, and is ``allowed`` to."""
    observed, expected = float(feature.observed[row]), float(feature.expected[row])
    departure = float(feature.value[row]) / spread
    words = (
        f"{feature.words} {observed:.4g} {feature.unit}, expected {expected:.4g} {feature.unit}: "
        f"{abs(departure):.0f} times the usual spread {'above' if departure > 0 else 'below'}"
    )
    detail = {"by": "measures", "measure": feature.name, "words": words, "spreads": departure}
    # a feature on the log scale has its spread in proportion to what was expected
    log = feature.name in ("duration", "peel")
    width = 1.96 * abs((np.log(observed / expected) * expected if log else observed - expected) / departure)
    score = float(np.log(allowed / rate)) if rate > 0 else 50.0
    return _evidence(night, plate, observed, expected, feature.unit, width, rate, score, detail)


def _evidence(
    night: Night,
    row: int,
    observed: float,
    expected: float,
    unit: str,
    width: float,
    error_rate: float,
    score: float,
    detail: Mapping[str, object],
) -> Evidence:
    """Evidence of one odd run (row of ``night.plates``): ``width`` is half its interval, in the unit of what was observed."""
    run_id, day = str(night.plates["run_id"].iloc[row]), night.plates["day"].iloc[row].date()
    effect = observed - expected
    detail = {**detail, "printer_id": str(night.plates["printer_id"].iloc[row])}
    return Evidence(
        kind="odd_run",
        subject=Subject("run", run_id),
        since=day,
        since_low=day,
        since_high=day,
        observed=observed,
        expected=expected,
        opportunities=1.0,
        unit="plates",
        effect=effect,
        effect_low=effect - width,
        effect_high=effect + width,
        effect_unit=unit,
        error_rate=error_rate,
        score=score,
        direction="up" if effect > 0 else "down",
        detail=detail,
        run_ids=(run_id,),
    )
