"""Places on the plate: planted faults are named, placed and dated; habits and pulled neighbours are not faults."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from farmwatch.detectors.night import Spell, Verdicts, join_history
from farmwatch.detectors.pattern_counts import counts_in_zone
from farmwatch.detectors.plate_pattern import detect
from farmwatch.records import SIGNS, Records, conform
from farmwatch.settings import load_settings
from farmwatch.simulate import FarmSpec, Fault, PlantedFault, simulate
from farmwatch.stats.zones import take_zones, zone_dictionary, zone_mask

SETTINGS = load_settings()
SPEC = FarmSpec(printers=8, days=90, designs=24)


def night_of(records: Records, day: int) -> Verdicts:
    return detect(join_history(records).night(SPEC.start + dt.timedelta(days=day), SETTINGS))


def farm(fault: Fault | None, seed: int) -> tuple[Records, PlantedFault | None]:
    made = simulate(dataclasses.replace(SPEC, faults=(fault,) if fault else ()), seed)
    return made.records, made.truth[0] if made.truth else None


@pytest.fixture(scope="module")
def spotted() -> tuple[Records, PlantedFault]:
    records, truth = farm(Fault("film_spot", since_day=30, detail={"x_mm": 20.0, "y_mm": -10.0}), 4)
    assert truth is not None
    return records, truth


def test_a_spot_on_the_film_is_found_named_placed_and_dated(spotted: tuple[Records, PlantedFault]) -> None:
    records, truth = spotted
    (found,) = [e for e in night_of(records, 85).evidence if e.score >= 0]
    assert found.subject == truth.subject
    assert found.zone == "spot"
    assert np.hypot(found.detail["x_mm"] - 20.0, found.detail["y_mm"] + 10.0) < 12.0
    assert found.since_low <= truth.first_plate_on + dt.timedelta(days=3)
    assert abs((found.since - truth.since).days) <= 10
    assert found.effect_low > 1.4
    assert found.effect_low < found.effect < found.effect_high
    assert found.observed > found.expected
    assert found.detail["rate_inside"] > 2 * found.detail["rate_outside"]
    assert found.detail["p_value"] <= 0.01
    assert set(found.run_ids) <= set(records.runs["run_id"])


def test_mask_finds_the_failures_that_the_evidence_counts(spotted: tuple[Records, PlantedFault]) -> None:
    records, _ = spotted
    found = night_of(records, 85).evidence[0]
    night = join_history(records).night(SPEC.start + dt.timedelta(days=85), SETTINGS)
    mine = np.flatnonzero(night.plates["run_id"].isin(found.run_ids))
    parts = night.parts[night.parts["plate"].isin(mine)]
    inside = zone_mask(
        found.detail["normalised"],
        parts["x_mm"].to_numpy(),
        parts["y_mm"].to_numpy(),
        np.array(found.detail["plate_width_mm"]),
        np.array(found.detail["plate_depth_mm"]),
    )
    assert parts["failed"].to_numpy()[inside].sum() == found.observed


def test_rivals_are_weighed_by_the_failures_inside_the_zone(spotted: tuple[Records, PlantedFault]) -> None:
    night = join_history(spotted[0]).night(SPEC.start + dt.timedelta(days=85), SETTINGS)
    whole = take_zones(zone_dictionary(), 0)  # the smallest disc in the middle
    counts = counts_in_zone(night, whole, -1)
    parts, plates = night.parts, night.plates
    reach = float(whole.radius[0]) * np.minimum(plates["plate_width_mm"], plates["plate_depth_mm"]).to_numpy() / 2.0
    away = np.hypot(parts["x_mm"].to_numpy(), parts["y_mm"].to_numpy())
    inside = parts["known"].to_numpy() & (away < reach[parts["plate"].to_numpy()])
    assert counts.trials.sum() == inside.sum() > 0
    assert counts.failures.sum() == (inside & parts["failed"].to_numpy()).sum() > 0
    by_sign = [counts_in_zone(night, whole, sign).failures.sum() for sign in range(len(SIGNS))]
    assert 0 < sum(by_sign) <= counts.failures.sum()


def test_of_a_finding_only_the_cells_are_counted_that_its_rivals_are_weighed_by(
    spotted: tuple[Records, PlantedFault],
) -> None:
    records, _ = spotted
    found = night_of(records, 85).evidence[0]
    night = join_history(records).night(SPEC.start + dt.timedelta(days=85), SETTINGS)
    whole = take_zones(zone_dictionary(), 0)
    few, every = counts_in_zone(night, whole, -1, found), counts_in_zone(night, whole, -1)
    cells = night.history.cells
    plates = night.history.plates.iloc[cells.plate]
    own = plates[f"{found.subject.type}_id"] == found.subject.id
    asked = (own | (plates["day"] >= np.datetime64(found.since))).to_numpy()
    assert 0 < asked.sum() < len(asked)
    np.testing.assert_array_equal(few.trials, np.where(asked, every.trials, 0.0))
    np.testing.assert_array_equal(few.failures, np.where(asked, every.failures, 0.0))


def test_a_tilted_plate_is_a_side_or_corner_of_that_printer() -> None:
    records, truth = farm(Fault("plate_tilt", since_day=30, strength=1.5), 6)
    assert truth is not None
    (found,) = [e for e in night_of(records, 85).evidence if e.score >= 0]
    assert found.subject == truth.subject
    assert found.zone in truth.zones
    assert found.sign == "off_plate"


def test_a_quiet_farm_with_pulled_neighbours_stays_quiet() -> None:
    spec = dataclasses.replace(SPEC, neighbour_pull=0.9, plate_loss=0.02)
    history = join_history(simulate(spec, 5).records)
    for day in range(20, 90, 23):
        verdicts = detect(history.night(SPEC.start + dt.timedelta(days=day), SETTINGS))
        assert [e for e in verdicts.evidence if e.score >= 0] == []
        assert {check.state for check in verdicts.checks} <= {"clear", "too_few"}


def test_a_pattern_of_every_printer_is_not_filed_as_each_ones() -> None:
    records, _ = farm(None, 7)
    parts = records.parts.copy()
    rng = np.random.default_rng(1)
    runs = records.runs.merge(records.printers, on="printer_id").set_index("run_id")
    left = parts["x_mm"] < -0.3 * parts["run_id"].map(runs["plate_width_mm"]) / 2
    parts.loc[left & (rng.random(len(parts)) < 0.12), "outcome"] = "failed"
    evidence = [e for e in night_of(dataclasses.replace(records, parts=parts), 85).evidence if e.score >= 0]
    assert any(e.zone == "left" and e.subject.type in ("farm", "family", "room", "profile") for e in evidence)
    assert [e for e in evidence if e.subject.type == "printer"] == []


def test_plates_under_a_mended_finding_are_old_news(spotted: tuple[Records, PlantedFault]) -> None:
    records, truth = spotted
    night = join_history(records).night(SPEC.start + dt.timedelta(days=85), SETTINGS)
    spell = Spell(truth.subject, None, truth.since, SPEC.start + dt.timedelta(days=85))
    after = detect(dataclasses.replace(night, spells=(spell,)))
    assert [e for e in after.evidence if e.score >= 0] == []


def test_the_same_night_twice_and_rows_in_any_order_give_the_same(spotted: tuple[Records, PlantedFault]) -> None:
    records, _ = spotted
    rng = np.random.default_rng(0)
    shuffled = dataclasses.replace(
        records,
        runs=records.runs.iloc[rng.permutation(len(records.runs))].reset_index(drop=True),
        parts=records.parts.iloc[rng.permutation(len(records.parts))].reset_index(drop=True),
    )
    once, twice, mixed = (night_of(r, 70).evidence for r in (records, records, shuffled))
    assert once == twice
    assert [(e.subject, e.zone, e.since) for e in once] == [(e.subject, e.zone, e.since) for e in mixed]
    assert [e.score for e in once] == pytest.approx([e.score for e in mixed], rel=1e-4)


@pytest.mark.parametrize("outcome", ["good", "failed", "unknown"])
def test_a_farm_of_one_outcome_says_so_and_raises_nothing(outcome: str) -> None:
    records, _ = farm(None, 8)
    same = dataclasses.replace(records, parts=records.parts.assign(outcome=outcome))
    verdicts = night_of(same, 60)
    assert verdicts.evidence == ()
    assert [check.state for check in verdicts.checks] == ["too_few"]


def test_an_empty_farm_one_run_and_no_positions() -> None:
    assert night_of(Records(), 10).checks[0].state == "too_few"
    records, _ = farm(None, 8)
    one = dataclasses.replace(records, runs=records.runs.iloc[:1], parts=records.parts.iloc[:4])
    assert night_of(one, 60).evidence == ()
    nowhere = dataclasses.replace(records, parts=records.parts.assign(x_mm=np.nan))
    assert night_of(nowhere, 60).checks[0].state == "too_few"
    bare = dataclasses.replace(records, parts=conform(pd.DataFrame(), "parts"))
    assert night_of(bare, 60).checks[0].state == "too_few"


def test_streams_with_few_plates_are_told() -> None:
    records, _ = farm(None, 8)
    checks = night_of(records, 6).checks
    assert any(check.state == "too_few" and check.count > 0 and "fewer than" in check.reason for check in checks)
