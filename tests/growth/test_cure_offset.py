"""Measured pieces to evidence: whose growth is off, since when, what cannot be told."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from benchmarked import benchmark

from farmwatch.detectors.cure_offset import detect
from farmwatch.detectors.growth_sessions import film_curve, growth_sessions, known_coupons
from farmwatch.detectors.night import Night, join_history
from farmwatch.evidence import Evidence, Subject
from farmwatch.records import Records, conform, empty
from farmwatch.settings import load_settings

SETTINGS = load_settings()
START = dt.date(2031, 1, 6)
bench = benchmark("cure_offset")


def night_of(records: Records, day: int = 179) -> Night:
    return join_history(records).night(START + dt.timedelta(days=day), SETTINGS)


def filed(records: Records, day: int = 179) -> list[Evidence]:
    return [one for one in detect(night_of(records, day)).evidence if one.score >= 0.0]


def test_a_lot_on_all_printers_is_the_lots() -> None:
    found = filed(bench.coupon_farm(np.random.default_rng(1), lot_off=(5, 0.03)))
    assert [one.subject for one in found] == [Subject("lot", "L5")]
    one = found[0]
    assert one.direction == "over"
    assert one.effect_low <= 0.03 <= one.effect_high
    assert one.effect_high - one.effect_low < 0.012
    assert one.observed - one.expected == pytest.approx(one.effect, rel=1e-9)
    assert one.error_rate < 0.08
    assert one.separable


def test_a_lamp_that_stepped_is_the_printers_since_its_change() -> None:
    records = bench.coupon_farm(np.random.default_rng(2), printer_step=(3, 80, -0.03))
    event = {"event_id": "E1", "at": pd.Timestamp("2031-03-27T06:00Z"), "subject_type": "printer", "subject_id": "P3"}
    service = conform(pd.DataFrame([event | {"action": "lamp_changed"}]), "service")
    found = filed(replace(records, service=service))
    assert [one.subject for one in found] == [Subject("printer", "P3")]
    assert found[0].direction == "under"
    assert found[0].since == START + dt.timedelta(days=80)
    assert found[0].since_low <= found[0].since <= found[0].since_high


def test_a_farm_that_grows_everywhere_is_its_profiles_matter() -> None:
    found = filed(bench.coupon_farm(np.random.default_rng(3), norm_mm=0.06), day=40)
    assert found[0].subject == Subject("profile", "usual")
    assert found[0].expected == 0.0
    assert found[0].detail["against"] == "zero growth"
    assert found[0].effect == pytest.approx(0.06, abs=0.005)


def test_one_lot_on_one_printer_alone_names_its_rival() -> None:
    records = bench.coupon_farm(np.random.default_rng(4))
    off = records.runs["printer_id"] == "P2"
    runs = records.runs.assign(lot_id=records.runs["lot_id"].where(~off, "only here"))
    coupons = records.coupons.copy()
    touched = coupons["run_id"].isin(runs.loc[off, "run_id"])
    way = np.where(coupons["feature"] == "bar", 2.0, -2.0)
    coupons["measured_mm"] += np.where(touched, way * 0.06, 0.0)
    found = filed(replace(records, runs=runs, coupons=coupons))
    assert len(found) == 1
    named = {found[0].subject, *found[0].rivals}
    assert named == {Subject("lot", "only here"), Subject("printer", "P2")}
    assert not found[0].separable
    assert "another printer" in found[0].detail["would_separate"]


def test_a_gauge_that_differs_from_day_to_day_is_nobodys_fault() -> None:
    for seed in range(3):
        assert not filed(bench.coupon_farm(np.random.default_rng([5, seed]), day_sd=0.006, every=14), day=120)


def test_the_exposure_factor_mends_what_the_ladder_says() -> None:
    records = bench.coupon_farm(np.random.default_rng(6), lot_off=(5, 0.03), lot_sd=0.0, printer_sd=0.0)
    ladder = []
    for step in (0.75, 1.0, 1.35):
        for width in (2.0, 8.0):
            for feature, way in (("bar", 2.0), ("slot", -2.0)):
                growth = 0.06 * np.log(step)
                piece = {"coupon_id": f"ladder{step}{width}{feature}", "feature": feature, "nominal_mm": width}
                piece |= {"measured_at": pd.Timestamp("2031-02-03T12:00Z"), "printer_id": "P1", "lot_id": "L1"}
                ladder.append(piece | {"measured_mm": width + way * growth - 0.002 * width, "exposure_s": 2.0 * step})
    coupons = pd.concat([records.coupons, conform(pd.DataFrame(ladder), "coupons")], ignore_index=True)
    found = filed(replace(records, coupons=coupons))
    assert found[0].subject == Subject("lot", "L5")
    detail = found[0].detail
    assert detail["exposure_factor"] == pytest.approx(np.exp(-detail["growth_mm"] / 0.06), rel=1e-6)
    assert detail["exposure_factor_low"] < np.exp(-0.5) < detail["exposure_factor_high"]
    assert detail["coupons_to_see_ten_per_cent_dose"] >= 2.0
    without = filed(records)[0].detail
    assert np.isnan(without["exposure_factor"])
    assert "no exposure factor" in without["refusals"][0]


def test_nothing_measured_and_one_piece_are_said_so() -> None:
    records = bench.coupon_farm(np.random.default_rng(7))
    nothing = detect(night_of(replace(records, coupons=empty("coupons"))))
    assert nothing.evidence == ()
    assert [check.state for check in nothing.checks] == ["too_few"]
    one = detect(night_of(replace(records, coupons=records.coupons.iloc[[5]])))
    assert one.evidence == ()
    assert any("growth and scale cannot be told apart" in check.reason for check in one.checks)


def test_a_misread_piece_is_left_out_and_named() -> None:
    records = bench.coupon_farm(np.random.default_rng(8))
    coupons = records.coupons.copy()
    coupons.loc[10, "measured_mm"] += 1.0
    verdicts = detect(night_of(replace(records, coupons=coupons)))
    assert verdicts.evidence == ()
    assert any("1 pieces left out" in check.reason for check in verdicts.checks)


def test_order_of_rows_does_not_matter_and_later_pieces_are_not_known() -> None:
    records = bench.coupon_farm(np.random.default_rng(9), lot_off=(5, 0.03))
    shuffled = replace(records, coupons=records.coupons.sample(frac=1.0, random_state=1).reset_index(drop=True))
    # compared as text: not-a-number is not equal to itself
    assert repr(detect(night_of(shuffled))) == repr(detect(night_of(records)))
    early = known_coupons(night_of(records, 30))
    assert early["measured_at"].max() < pd.Timestamp("2031-02-06T00:00Z")
    sessions = growth_sessions(early, 0.6)
    assert sessions.frame["pieces"].tolist() == [4] * len(sessions.frame)


def test_films_of_a_lot_give_its_working_curve() -> None:
    records = bench.coupon_farm(np.random.default_rng(10))
    pieces = []
    for k, exposure in enumerate((1.0, 2.0, 4.0, 6.0)):
        piece = {"coupon_id": f"film{k}", "feature": "film", "lot_id": "L1", "nominal_mm": 0.0, "exposure_s": exposure}
        piece |= {"measured_at": pd.Timestamp("2031-02-01T12:00Z")}
        pieces.append(piece | {"measured_mm": 0.1 * np.log(exposure / 0.5)})
    coupons = pd.concat([records.coupons, conform(pd.DataFrame(pieces), "coupons")], ignore_index=True)
    night = night_of(replace(records, coupons=coupons))
    assert film_curve(known_coupons(night), "L1").dp_mm == pytest.approx(0.1, rel=1e-10)


def test_quiet_farms_stay_quiet() -> None:
    """A small version of benchmarks/cure_offset.py: 12 farm-months allow 1 finding at a budget of 0.08 a month."""
    count = sum(len(bench.flagged(bench.coupon_farm(np.random.default_rng([11, s])), step=30)) for s in range(2))
    assert count <= 1
