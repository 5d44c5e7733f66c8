"""Measured pieces to evidence: whose growth is off, since when, what cannot be told."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from benchmarked import benchmark

from farmwatch.detectors import cure_offset
from farmwatch.detectors.cure_account import _reach
from farmwatch.detectors.cure_offset import _allowing_for, _columns_evidence, _may_have_ended, detect, or_botched
from farmwatch.detectors.cure_scene import Claim, fit_scene, set_cure_scene
from farmwatch.detectors.growth_sessions import film_curve, growth_sessions, known_coupons
from farmwatch.detectors.night import Night, join_history
from farmwatch.evidence import Evidence, Subject
from farmwatch.records import Records, conform, empty
from farmwatch.settings import load_settings
from farmwatch.stats.working_curve import coupons_needed

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
    plan = found[0].detail["separating_prints"]
    assert (plan["lot"], plan["printer"] != "P2") == ("only here", True)
    assert plan["prints"] == coupons_needed(found[0].effect, found[0].detail["session_sd_mm"]) <= 4


def test_the_only_lot_of_one_of_two_profiles_cannot_be_told_from_it() -> None:
    """With two profiles neither is held against the other, but the lot that alone ran one of them has it as its rival."""
    records = bench.coupon_farm(np.random.default_rng(1), lot_off=(5, 0.03))
    own = records.runs["lot_id"] == "L5"
    apart = replace(records, runs=records.runs.assign(profile=records.runs["profile"].where(~own, "other")))
    (found,) = [one for one in filed(apart) if not one.detail["against"].startswith("zero")]
    assert found.subject == Subject("lot", "L5")
    assert found.rivals == (Subject("profile", "other"),)
    assert found.detail["would_separate"].endswith(
        "of lot L5 without settings profile other, or of settings profile other without lot L5"
    )
    some = own & (np.arange(len(own)) % 2 == 0)
    mixed = replace(records, runs=records.runs.assign(profile=records.runs["profile"].where(~some, "other")))
    (found,) = [one for one in filed(mixed) if not one.detail["against"].startswith("zero")]
    assert (found.subject, found.rivals) == (Subject("lot", "L5"), ())


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


def test_one_session_alone_proves_no_more_than_that_sessions_may_be_botched() -> None:
    """Second route: the ratio with the botched session written into the other side; small evidence stays as it was."""
    ratio = np.array([0.2, 1.0, 30.0, 1e6, 1e12])
    expected = ratio / (0.99 + 0.01 * ratio)
    assert np.exp(or_botched(np.log(ratio), 0.01)) == pytest.approx(expected, rel=1e-12)
    assert expected.max() <= 100.0


def test_an_onset_lies_anywhere_between_the_last_good_session_and_the_first_bad_one() -> None:
    lows, highs = np.array([1, 31, 61]), np.array([30, 60, 90])
    assert _reach(lows, highs, np.array([0.0, 1.0, 0.0])) == (31, 60)
    assert _reach(lows, highs, np.array([0.2, 0.78, 0.02])) == (1, 60)
    assert _reach(lows, highs, np.array([0.0, 0.5, 0.5])) == (31, 90)


def test_the_day_of_an_onset_is_within_its_interval_wherever_it_falls_between_sessions() -> None:
    """A lamp that steps two days after a session, looked at since: the interval holds the day, best or not."""
    records = bench.coupon_farm(np.random.default_rng(4), printer_step=(3, 86, -0.04))
    sessions = growth_sessions(known_coupons(night_of(records)), 0.6).frame
    day = sessions["day"].to_numpy()[sessions["printer_id"] == "P3"] - (START - dt.date(1970, 1, 1)).days
    before, after = day[day < 86].max(), day[day >= 86].min()
    (one,) = filed(records)
    low, high = ((each - START).days for each in (one.since_low, one.since_high))
    assert low <= before + 1
    assert high >= after


def test_a_lamp_put_right_is_not_its_profiles_fault() -> None:
    """The printer is over from day 80 on; on day 120 its lamp is changed and it is back: on the next nights nobody is under."""
    records = bench.coupon_farm(np.random.default_rng(2), printer_step=(3, 80, 0.04))
    sessions = growth_sessions(known_coupons(night_of(records)), 0.6).frame
    mine = sessions["printer_id"] == "P3"
    back = set(sessions["run_id"][mine & (sessions["day"] >= (START - dt.date(1970, 1, 1)).days + 120)])
    coupons = records.coupons.copy()
    late = coupons["run_id"].isin(back).to_numpy()
    bar = (coupons["feature"] == "bar").to_numpy()
    coupons.loc[late, "measured_mm"] -= np.where(bar[late], 0.08, -0.08)
    event = {"event_id": "E1", "at": pd.Timestamp(START, tz="UTC") + pd.Timedelta(days=120, hours=1)}
    row = event | {"subject_type": "printer", "subject_id": "P3", "action": "lamp_changed"}
    mended = replace(records, coupons=coupons, service=conform(pd.DataFrame([row]), "service"))
    assert late.any()
    for day in (121, 128, 140):
        assert {one.subject for one in filed(mended, day)} <= {Subject("printer", "P3")}
    # what the sessions since the change claim, once the printer's offset is allowed for, is little only if it may have ended
    night = night_of(mended, 128)
    coupons = known_coupons(night)
    found = growth_sessions(coupons, 0.6)
    scene = set_cure_scene(night, coupons, found, found.frame)
    (stream,) = (one for one in scene.streams if one.subject == Subject("printer", "P3") and not one.absolute)
    claim = Claim(stream, 0.0, np.zeros(stream.days.size), int(np.argmin(np.abs(stream.days - night_day(80)))), 0.0)
    since = ((found.frame["printer_id"] == "P3") & (found.frame["day"] >= night_day(120))).to_numpy(dtype=float)
    allowed = _allowing_for(scene, claim)
    left = [
        float(_columns_evidence(one, fit_scene(one), since[:, None])[0])
        for one in (allowed, _may_have_ended(allowed, claim))
    ]
    assert left[0] > 5.0
    assert left[1] < 0.5


def night_day(number: int) -> int:
    return (START - dt.date(1970, 1, 1)).days + number


def test_two_halls_weighed_apart_give_what_each_is_found_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """Halls without a lot or a printer in common, in one farm: the fault of one is found, and the other is quiet."""
    one = bench.coupon_farm(np.random.default_rng(1), lot_off=(5, 0.03))
    other = renamed(bench.coupon_farm(np.random.default_rng(40)))
    both = replace(
        one,
        **{
            name: pd.concat([getattr(one, name), getattr(other, name)], ignore_index=True)
            for name in ("printers", "lots", "runs", "parts", "coupons")
        },
    )
    whole = filed(both)
    monkeypatch.setattr(cure_offset, "NAMES_TOGETHER", 12)
    apart = filed(both)
    assert [found.subject for found in whole] == [found.subject for found in apart] == [Subject("lot", "L5")]
    assert apart[0].effect == pytest.approx(filed(one)[0].effect, abs=1e-9)
    assert apart[0].since == whole[0].since
    # both halls' onsets are looked at, so that the limit is that of the whole farm
    assert apart[0].error_rate > filed(one)[0].error_rate


def test_groups_have_no_name_in_common_and_hold_every_session(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    hall = rng.integers(0, 6, 300)
    lot, printer = hall * 4 + rng.integers(0, 4, 300), hall * 3 + rng.integers(0, 3, 300)
    names = {"lot_id": [f"L{n}" for n in lot], "printer_id": [f"P{n}" for n in printer], "row": np.arange(300)}
    frame = pd.DataFrame(names)
    frame.loc[:4, "lot_id"] = None
    frame.loc[2:6, "printer_id"] = None
    assert len(cure_offset.apart(frame)) == 1
    monkeypatch.setattr(cure_offset, "NAMES_TOGETHER", 15)
    groups = cure_offset.apart(frame)
    assert 3 <= len(groups) <= 6
    assert sorted(pd.concat(groups)["row"]) == list(range(300))
    for column in ("lot_id", "printer_id"):
        seen = [set(group[column].dropna()) for group in groups]
        assert sum(map(len, seen)) == len(set.union(*seen))


def test_names_too_many_to_weigh_are_told_and_not_weighed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cure_offset, "NAMES_AT_MOST", 3)
    told = detect(night_of(bench.coupon_farm(np.random.default_rng(1), lot_off=(5, 0.03))))
    assert not told.evidence
    assert any(check.state == "failed" and "more than can be weighed" in check.reason for check in told.checks)


def renamed(records: Records) -> Records:
    """The same farm under other names."""
    names = ("run_id", "printer_id", "lot_id", "coupon_id", "file_id", "design_id")
    return replace(
        records,
        **{
            table: (rows := getattr(records, table)).assign(
                **{name: "x-" + rows[name] for name in names if name in rows}
            )
            for table in ("printers", "lots", "runs", "parts", "coupons")
        },
    )
