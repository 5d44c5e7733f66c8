"""Odd runs: planted ones are named, changes of course and quiet farms are left alone."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from farmwatch.detectors import odd_run
from farmwatch.detectors.night import History, Verdicts, join_history
from farmwatch.evidence import Evidence, Subject
from farmwatch.records import Records, conform
from farmwatch.settings import load_settings

START = dt.date(2031, 3, 3)
LAST = START + dt.timedelta(days=39)
SETTINGS = load_settings()


def small_farm(days: int = 40, printers: int = 6, per_day: int = 3, seed: int = 5) -> pd.DataFrame:
    """Runs of a quiet farm with two profiles; printers differ in their own levels, the room has a season."""
    rng = np.random.default_rng(seed)
    count = days * printers * per_day
    number = np.arange(count)
    day, printer = number // (printers * per_day), number % printers
    start = pd.Timestamp(START, tz="UTC") + pd.to_timedelta(day * 24 + 6 + 4 * (number // printers % per_day), unit="h")
    planned = np.round(rng.uniform(6_000, 14_000, count))
    ambient = 21 + 2 * np.sin(day / 58) + rng.normal(0, 0.3, count)
    return pd.DataFrame(
        {
            "run_id": [f"R{n:05d}" for n in number],
            "printer_id": [f"P{p}" for p in printer],
            "started_at": start,
            "ended_at": start + pd.to_timedelta(np.round(planned * np.exp(rng.normal(0, 0.005, count))), unit="s"),
            "profile": np.where(printer % 2 == 0, "sand-50um", "slate-50um"),
            "operator": [f"op-{n % 3}" for n in number],
            "layer_height_mm": 0.05,
            "exposure_s": np.where(printer % 2 == 0, 2.4, 3.1),
            "base_exposure_s": 30.0,
            "base_layers": 5,
            "transition_layers": 8,
            "rest_s": 1.0,
            "lift_speed_mm_min": 60.0,
            "ambient_c": ambient,
            "vat_c": ambient + 3 + 0.3 * printer + rng.normal(0, 0.4, count),
            "peak_release_n": 14 * np.exp(0.1 * printer + rng.normal(0, 0.1, count)),
            "planned_s": planned,
            "outcome": "good",
        }
    )


def history_of(runs: pd.DataFrame) -> History:
    printers = pd.DataFrame({"printer_id": sorted(set(runs["printer_id"])), "room": "room-1"})
    printers = printers.assign(plate_width_mm=140.0, plate_depth_mm=90.0)
    return join_history(Records(printers=conform(printers, "printers"), runs=conform(runs, "runs")))


def night_of(runs: pd.DataFrame, as_of: dt.date = LAST) -> Verdicts:
    return odd_run.detect(history_of(runs).night(as_of, SETTINGS))


def test_a_setting_off_the_habit_is_named_with_its_values() -> None:
    runs = small_farm()
    runs.loc[runs.index[-4], ["exposure_s", "base_layers"]] = [4.8, 6]
    (found,) = night_of(runs).evidence
    assert found.subject == Subject("run", runs["run_id"].iloc[-4])
    assert (found.observed, found.expected, found.effect_unit, found.direction) == (4.8, 2.4, "s", "up")
    assert found.detail["by"] == "habit"
    assert "base_layers 6 layers where profile sand-50um has 5 layers" in found.detail["words"]
    assert found.score > 0
    assert found.error_rate == pytest.approx(1 / 202)


def test_a_run_is_reported_on_its_own_night_only() -> None:
    runs = small_farm()
    runs.loc[runs.index[-25], "rest_s"] = 0.1
    history = history_of(runs)
    nights = [history.night(LAST - dt.timedelta(days=back), SETTINGS) for back in range(4)]
    assert [len(odd_run.detect(night).evidence) for night in nights] == [0, 1, 0, 0]


def test_an_immaterial_difference_is_not_odd() -> None:
    runs = small_farm()
    runs.loc[runs.index[-4], "exposure_s"] *= 1.04
    assert night_of(runs).evidence == ()


def test_a_change_of_the_whole_profile_is_no_row_of_odd_runs() -> None:
    runs = small_farm()
    changed = (runs["profile"] == "sand-50um") & (runs.index >= len(runs) - 54)
    runs.loc[changed, "exposure_s"] = 2.9
    history = history_of(runs)
    verdicts = [odd_run.detect(history.night(LAST - dt.timedelta(days=back), SETTINGS)) for back in range(4)]
    assert sum(len(each.evidence) for each in verdicts) == 0
    reasons = [check.reason for each in verdicts for check in each.checks if check.subject_id == "sand-50um"]
    assert any("exposure_s 2.4 to 2.9" in reason for reason in reasons)


def test_a_printer_with_a_value_of_its_own_is_reported_at_most_once() -> None:
    runs = small_farm(printers=12)
    own = (runs["printer_id"] == "P4") & (runs["started_at"] >= pd.Timestamp(LAST - dt.timedelta(days=5), tz="UTC"))
    runs.loc[own, "rest_s"] = 2.0
    history = history_of(runs)
    found = [odd_run.detect(history.night(LAST - dt.timedelta(days=back), SETTINGS)).evidence for back in range(6)]
    assert sum(map(len, found)) <= 1


def with_files(runs: pd.DataFrame, drag: float = 6.0) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Twelve files, and a thirteenth, printed on the last three days only, smaller than all others: one part a plate. What
    pulls is its area and a drag of the plate itself. Runs and parts."""
    rng = np.random.default_rng(8)
    number = rng.integers(0, 12, len(runs))
    number = np.where((runs.index >= len(runs) - 54) & (rng.random(len(runs)) < 0.2), 12, number)
    area = np.append(np.geomspace(800.0, 7000.0, 12), 200.0)[number]
    force = (drag + 0.003 * area) * np.exp(rng.normal(0, 0.06, len(runs)))
    parts = pd.DataFrame({"run_id": runs["run_id"], "part_no": 1, "footprint_mm2": area, "outcome": "good"})
    return runs.assign(file_id=[f"F{n}" for n in number], peak_release_n=force), parts


def judged(runs: pd.DataFrame, parts: pd.DataFrame) -> list[Evidence]:
    """What is named on the last four nights."""
    records = Records(runs=conform(runs, "runs"), parts=conform(parts, "parts"))
    history = join_history(records)
    nights = [history.night(LAST - dt.timedelta(days=back), SETTINGS) for back in range(4)]
    return [one for night in nights for one in odd_run.detect(night).evidence]


@pytest.mark.parametrize("drag", [6.0, 0.0])
def test_a_new_file_smaller_than_all_others_is_no_row_of_odd_runs(drag: float) -> None:
    """With a drag the curve is flat there, without one the force falls on: of what nobody has printed it says nothing."""
    runs, parts = with_files(small_farm(), drag)
    assert (runs["file_id"] == "F12").sum() > 5
    assert judged(runs, parts) == []


def test_a_run_is_odd_among_those_of_its_file_even_where_others_pull_as_much() -> None:
    runs, parts = with_files(small_farm())
    row = runs.index[runs["file_id"] == "F1"][-1]
    runs.loc[row, "peak_release_n"] *= 1.8
    assert runs.loc[row, "peak_release_n"] < runs.loc[runs["file_id"] == "F11", "peak_release_n"].min()
    (found,) = judged(runs, parts)
    assert (found.subject.id, found.detail["measure"]) == (runs.loc[row, "run_id"], "peel")
    assert found.expected == pytest.approx(6.0 + 0.003 * parts["footprint_mm2"].to_numpy()[row], rel=0.05)
    assert found.effect - found.effect_low == pytest.approx(1.96 * 0.06 * found.expected, rel=0.2)


@pytest.mark.parametrize(
    ("column", "factor", "measure", "direction"),
    [("peak_release_n", 5.0, "peel", "up"), ("vat_c", 1.6, "vat", "up"), ("ambient_c", 0.6, "ambient", "down")],
)
def test_a_measure_far_from_all_others_is_named(column: str, factor: float, measure: str, direction: str) -> None:
    runs = small_farm()
    runs.loc[runs.index[-4], column] *= factor
    (found,) = night_of(runs).evidence
    assert found.subject == Subject("run", runs["run_id"].iloc[-4])
    assert found.detail["by"] == "measures"
    assert found.detail["measure"] == measure
    assert found.observed == pytest.approx(runs[column].iloc[-4])
    assert found.error_rate <= SETTINGS.alarm_budget.share_odd_run


def test_a_measure_that_moved_for_good_is_left_to_the_shifts() -> None:
    runs = small_farm()
    moved = (runs["printer_id"] == "P2") & (runs.index >= len(runs) - 90)
    runs.loc[moved, "vat_c"] += 15.0
    history = history_of(runs)
    found = [odd_run.detect(history.night(LAST - dt.timedelta(days=back), SETTINGS)).evidence for back in range(5)]
    assert sum(map(len, found)) <= 3


def test_quiet_farms_and_farms_without_measures_stay_quiet() -> None:
    runs = small_farm(days=60)
    bare = runs[["run_id", "printer_id", "started_at", "outcome"]]
    for frame in (runs, bare):
        history = history_of(frame)
        for day in range(20, 60, 3):
            assert odd_run.detect(history.night(START + dt.timedelta(days=day), SETTINGS)).evidence == ()
    states = {check.state for check in night_of(bare).checks}
    assert states == {"too_few"}


def test_nothing_known_is_said_so() -> None:
    empty = join_history(Records())
    (check,) = odd_run.detect(empty.night(START, SETTINGS)).checks
    assert (check.state, check.subject_type) == ("too_few", "farm")


def test_constant_measures_and_one_run_are_no_ground_for_a_model() -> None:
    runs = small_farm()
    flat = runs.assign(vat_c=25.0, ambient_c=21.0, peak_release_n=10.0)
    flat["ended_at"] = flat["started_at"] + pd.to_timedelta(flat["planned_s"], unit="s")
    for frame in (flat, runs.iloc[-1:]):
        result = night_of(frame)
        assert result.evidence == ()
        assert "too_few" in {check.state for check in result.checks}
