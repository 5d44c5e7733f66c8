"""Thickness pads: planes to the last digit, a plate out of level told and measured, healthy ones left alone."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from farmwatch.causes.answers import read_pattern
from farmwatch.causes.context import Context
from farmwatch.causes.table import load_causes
from farmwatch.detectors.night import Night, join_history
from farmwatch.detectors.pads import pad_shifts
from farmwatch.detectors.signal_shift import detect
from farmwatch.evidence import Evidence, Finding
from farmwatch.records import Records, conform
from farmwatch.settings import load_settings
from farmwatch.stats.growth import session_planes

START = dt.date(2031, 1, 6)
PLACES = np.array([(0.0, 0.0), (-0.4, -0.4), (0.4, -0.4), (-0.4, 0.4), (0.4, 0.4)])
WIDTH, DEPTH = 140.0, 90.0
SETTINGS = load_settings()


def pad_farm(
    rng: np.random.Generator,
    off: tuple[float, float, float] = (0.0, 0.0, 0.0),
    since: int = 60,
    until: int = 10_000,
    printers: int = 12,
    days: int = 120,
    every: int = 15,
    gauge_mm: float = 0.01,
    own_mm: float = 0.012,
) -> Records:
    """Five pads on every printer each ``every`` days; P0 is off by (tilt x, tilt y, bow) from ``since`` to ``until``."""
    own = rng.normal(0.0, own_mm, (printers, 3))
    pieces, runs = [], []
    for printer in range(printers):
        for day in range(int(rng.integers(every)), days, every):
            plane = own[printer] + (np.array(off) if printer == 0 and since <= day < until else 0.0)
            at = pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=day, hours=8)
            name = f"R{printer}-{day}"
            runs.append({"run_id": name, "printer_id": f"P{printer}", "started_at": at, "outcome": "good"})
            runs[-1]["ended_at"] = at + pd.Timedelta(hours=4)
            for number, (x, y) in enumerate(PLACES):
                measured = 0.3 + plane[0] * x + plane[1] * y + plane[2] * (x == 0.0) + rng.normal(0.0, gauge_mm)
                piece = {"coupon_id": f"{name}-{number}", "run_id": name, "feature": "pad", "nominal_mm": 0.3}
                piece |= {"measured_at": at + pd.Timedelta(hours=6), "x_mm": x * WIDTH, "y_mm": y * DEPTH}
                pieces.append(piece | {"measured_mm": measured})
    names = [{"printer_id": f"P{n}", "plate_width_mm": WIDTH, "plate_depth_mm": DEPTH} for n in range(printers)]
    return Records(
        printers=conform(pd.DataFrame(names), "printers"),
        runs=conform(pd.DataFrame(runs), "runs"),
        coupons=conform(pd.DataFrame(pieces), "coupons"),
    )


def night_of(records: Records, day: int = 120) -> Night:
    return join_history(records).night(START + dt.timedelta(days=day), SETTINGS)


def told(records: Records, day: int = 120) -> list[Evidence]:
    return pad_shifts(night_of(records, day), 0.1, 0)[0]


def test_planes_are_recovered_to_the_last_digit_and_are_those_of_one_printing() -> None:
    rng = np.random.default_rng(1)
    truth = rng.normal(0.0, 0.1, (30, 3))
    printing = np.repeat(np.arange(30), 5)
    x, y = np.tile(PLACES, (30, 1)).T
    z = rng.normal(0.3, 0.05, 30)[printing] + (truth[printing] * np.column_stack([x, y, x == 0.0])).sum(axis=1)
    shuffled = rng.permutation(150)
    ours = session_planes(printing[shuffled], x[shuffled], y[shuffled], z[shuffled])
    assert ours.values == pytest.approx(truth, abs=1e-12)
    noisy = z + rng.normal(0.0, 0.01, 150)
    ours = session_planes(printing, x, y, noisy)
    for number in (0, 17):
        rows = printing == number
        plane = np.column_stack([x[rows], y[rows], x[rows] == 0.0, np.ones(5)])
        assert ours.values[number] == pytest.approx(np.linalg.lstsq(plane, noisy[rows])[0][:3], rel=1e-9)
    # the variances against what many drawings show
    many = session_planes(np.repeat(np.arange(20_000), 5), *np.tile(PLACES, (20_000, 1)).T, rng.normal(0, 1, 100_000))
    assert many.values.var(axis=0) == pytest.approx(ours.variance[0], rel=0.05)
    assert np.isnan(session_planes(np.zeros(4, int), np.arange(4) / 10, np.arange(4) / 10, np.ones(4)).values).all()


def test_a_plate_out_of_level_is_told_with_its_size_and_day() -> None:
    (found,) = told(pad_farm(np.random.default_rng(2), off=(0.15, -0.1, 0.0)))
    assert (found.subject.id, found.detail["measure"], found.direction) == ("P0", "pad_tilt_mm", "up")
    assert found.effect_low <= 0.25 <= found.effect_high
    assert found.since_low <= START + dt.timedelta(days=60) <= found.since_high
    assert found.unit == "coupons"
    assert found.opportunities == 5 * found.detail["printings"]


@pytest.mark.parametrize(("bow", "direction"), [(0.12, "up"), (-0.12, "down")])
def test_a_hollow_plate_is_a_bow_and_not_a_tilt(bow: float, direction: str) -> None:
    (found,) = told(pad_farm(np.random.default_rng(3), off=(0.0, 0.0, bow), since=0))
    assert (found.subject.id, found.detail["measure"], found.direction) == ("P0", "pad_bow_mm", direction)
    assert found.effect_low <= bow <= found.effect_high


def test_a_levelled_plate_starts_anew() -> None:
    records = pad_farm(np.random.default_rng(4), off=(0.2, 0.0, 0.0), since=30, until=80)
    event = {"event_id": "E1", "at": pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=80), "subject_type": "printer"}
    event |= {"subject_id": "P0", "action": "plate_levelled"}
    mended = dataclasses.replace(records, service=conform(pd.DataFrame([event]), "service"))
    assert [found.subject.id for found in told(mended, 78)] == ["P0"]
    assert told(mended, 120) == []


def test_it_keeps_quiet_and_its_intervals_hold() -> None:
    false, held, printings = 0, 0, 60
    for seed in range(printings):
        rng = np.random.default_rng([5, seed])
        false += len(told(pad_farm(rng, printers=8, every=20, gauge_mm=0.02, own_mm=0.01)))
        # the first printings of P0 say what is its own, the later ones what is new
        found = told(pad_farm(rng, off=(0.2, 0.2, 0.0), printers=8, every=20))
        mine = [one for one in found if one.subject.id == "P0" and one.detail["measure"] == "pad_tilt_mm"]
        held += any(one.effect_low <= 0.4 <= one.effect_high for one in mine)
        false += len(found) - len(mine)
    # 0.1 a month would allow 48 in these 480 farm-months
    assert false <= 4
    assert 0.88 <= held / printings <= 1.0


def test_it_speaks_through_the_measures_and_stays_silent_without_pads() -> None:
    tilted = pad_farm(np.random.default_rng(6), off=(0.3, 0.0, 0.0))
    verdicts = detect(night_of(tilted))
    assert [(e.subject.id, e.detail["measure"]) for e in verdicts.evidence] == [("P0", "pad_tilt_mm")]
    assert any(check.state == "flagged" and check.subject_id == "P0" for check in verdicts.checks)
    assert pad_shifts(night_of(dataclasses.replace(tilted, coupons=tilted.coupons.iloc[:0])), 0.1, 0) == ([], 0)
    unsized = tilted.printers.assign(plate_width_mm=np.nan)
    assert pad_shifts(night_of(dataclasses.replace(tilted, printers=unsized)), 0.1, 0) == ([], 0)
    later = dataclasses.replace(tilted, coupons=tilted.coupons.sample(frac=1.0, random_state=1))
    assert repr(detect(night_of(later))) == repr(verdicts)


def test_pads_answer_for_the_cause_once_measured_or_entered() -> None:
    table = load_causes()
    night = night_of(pad_farm(np.random.default_rng(7), off=(0.3, 0.0, 0.0)))
    (evidence,) = pad_shifts(night, 0.1, 0)[0]
    finding = Finding("F1", evidence, night.as_of, night.as_of)
    asked = {answer.question: answer.answer for answer in read_pattern(finding, None, table).answers}
    assert asked["measure"] == "pads_tilted"
    note = {"event_id": "c", "at": pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=90), "subject_type": "printer"}
    note |= {"subject_id": "P0", "action": "other", "note": "check F1 five_pads tilted"}
    records = dataclasses.replace(night.history.records, service=conform(pd.DataFrame([note]), "service"))
    context = Context(records, SETTINGS, night.as_of, night.plates, night.parts, night.part_risk)
    entered = read_pattern(finding, context, table)
    assert [each.check for each in entered.entered] == ["five_pads"]
    assert "measure" not in {answer.question for answer in entered.answers}
