"""Places on the plate: planted faults are named, placed and dated; habits and pulled neighbours are not faults."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from farmwatch.detectors import plate_streams
from farmwatch.detectors.night import Spell, Verdicts, join_history
from farmwatch.detectors.pattern_counts import counts_in_zone
from farmwatch.detectors.plate_pattern import detect
from farmwatch.detectors.plate_scene import Scene, explained, levels_of, set_scene, shares_of
from farmwatch.detectors.plate_streams import RATIOS, from_first, renewed, streams_of
from farmwatch.evidence import SubjectType
from farmwatch.records import SIGNS, Records, conform
from farmwatch.settings import load_settings
from farmwatch.simulate import FarmSpec, Fault, PlantedFault, simulate
from farmwatch.stats.plate_limit import FROM_FIRST, relief
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


@pytest.fixture(scope="module")
def spotted_scene(spotted: tuple[Records, PlantedFault]) -> Scene:
    scene = set_scene(join_history(spotted[0]).night(SPEC.start + dt.timedelta(days=85), SETTINGS))
    assert scene is not None
    return scene


@pytest.mark.parametrize("kind", ["printer", "lot", "farm"])
def test_second_route_the_evidence_of_a_stream(spotted_scene: Scene, kind: SubjectType) -> None:
    """Stream by stream, plate by plate: since every day on which it may have begun, in every zone, by either ratio."""
    scene, settings = spotted_scene, SETTINGS.plate_pattern
    streams = streams_of(scene, kind)
    assert streams is not None
    zones, ends = zone_dictionary(), np.append(streams.start[1:], len(streams.order))
    shares = [shares_of(scene, streams.order[low:high]) for low, high in zip(streams.start, ends, strict=True)]
    signs = len(scene.groups) - 1 if kind in ("printer", "farm") else 0
    assert (streams.group.max() > 0) == (signs > 0)
    level, _ = levels_of(scene.night, kind)
    for stream, (seen, due) in enumerate(shares):
        rows = streams.order[streams.start[stream] : ends[stream]]
        assert set(level[scene.plate[rows]]) == {streams.level[stream]}
        assert set(scene.group[rows]) == {streams.group[stream]}
        day = scene.day[rows]
        assert (np.diff(day) >= 0).all()
        others = [shares[other] for other in np.flatnonzero(streams.group == streams.group[stream]) if other != stream]
        odds = np.ones(len(zones))
        if others:
            observed, expected = (np.concatenate(each).sum(axis=0, dtype=float) for each in zip(*others, strict=True))
            number = sum(len(each[0]) for each in others)
            more = settings.reference_plates * np.clip(expected / number, 1e-3, 1.0 - 1e-3)
            observed, expected, number = observed + more, expected + more, number + settings.reference_plates
            odds = np.maximum(observed / (number - observed) * (number - expected) / expected, 1.0)
        usual = np.where(seen == due, seen, odds * due / (1.0 + (odds - 1.0) * due)).astype(float)
        whole = scene.group == 0
        mine = scene.day[whole & (level[scene.plate] == streams.level[stream])]
        days = np.diff(day, prepend=-1).astype(float)
        days[0] += FROM_FIRST / (len(mine) / (mine.max() + 1))
        total = 0.0
        for ratio in RATIOS:
            each = np.log1p((ratio - 1.0) * seen.astype(float)) - np.log1p((ratio - 1.0) * usual)
            since = np.cumsum(each[::-1], axis=0)[::-1]
            total += float(days @ np.exp(since) @ zones.weight) / len(RATIOS)
        share = (
            (settings.share_signs / signs if streams.group[stream] else 1.0 - settings.share_signs) if signs else 1.0
        )
        assert streams.log_e[stream] == pytest.approx(np.log(total * share), rel=1e-4, abs=1e-4)


@pytest.mark.parametrize("kind", ["printer", "lot", "farm"])
def test_the_limit_of_a_subject_is_its_share_of_the_false_findings_allowed(
    spotted_scene: Scene, kind: SubjectType
) -> None:
    scene, budget = spotted_scene, SETTINGS.alarm_budget
    streams = streams_of(scene, kind)
    assert streams is not None
    allowed = budget.of_outcomes * budget.share_plate_pattern * SETTINGS.plate_pattern.share_of(kind)
    assert streams.per_month == pytest.approx(allowed)
    level, names = levels_of(scene.night, kind)
    whole = scene.group == 0
    telling = np.array([(level[scene.plate[whole]] == number).sum() for number in range(len(names))])
    np.testing.assert_array_equal(streams.telling, telling)
    looked_at = telling >= SETTINGS.plate_pattern.plates_at_least
    assert set(streams.level) == set(np.flatnonzero(looked_at))
    nights = 30.0 * looked_at.sum() / allowed  # of one subject, in which one false finding may come
    for number in np.flatnonzero(looked_at):
        days = scene.day[whole & (level[scene.plate] == number)].max() + 1
        less = relief(telling[[number]], np.log(nights * telling[[number]] / days))[0]
        assert streams.log_limit[number] == pytest.approx(np.log(nights) - less)
        mine = streams.log_e[streams.level == number]
        assert streams.score[number] == pytest.approx(np.log(np.exp(mine).sum()) - streams.log_limit[number])


def test_the_only_printer_is_looked_at_and_its_room_not_beside_it(
    spotted: tuple[Records, PlantedFault], spotted_scene: Scene
) -> None:
    assert streams_of(spotted_scene, "room") is not None
    records, truth = spotted
    alone = dataclasses.replace(records, runs=records.runs[records.runs["printer_id"] == truth.subject.id])
    scene = set_scene(join_history(alone).night(SPEC.start + dt.timedelta(days=85), SETTINGS))
    assert scene is not None
    printers = streams_of(scene, "printer")
    assert printers is not None
    assert printers.names[printers.level[0]] == truth.subject.id
    assert streams_of(scene, "farm") is not None
    assert streams_of(scene, "room") is None


@pytest.mark.parametrize("kind", ["printer", "farm"])
def test_streams_are_the_same_however_many_plates_are_looked_at_at_once(
    spotted_scene: Scene, monkeypatch: pytest.MonkeyPatch, kind: SubjectType
) -> None:
    whole = streams_of(spotted_scene, kind)
    monkeypatch.setattr(plate_streams, "ROWS_AT_ONCE", 7)  # a stream of more plates is cut
    pieces = streams_of(spotted_scene, kind)
    assert whole is not None
    assert pieces is not None
    assert whole.plates.max() > 14
    np.testing.assert_allclose(pieces.summed, whole.summed, rtol=1e-5, atol=1e-6)
    np.testing.assert_allclose(pieces.log_e, whole.log_e, rtol=1e-4, atol=1e-4)


def test_after_a_finding_all_streams_that_reach_the_floor_are_as_if_made_anew(spotted_scene: Scene) -> None:
    scene, floor = spotted_scene, -SETTINGS.plate_pattern.keep_within
    before = streams_of(scene, "printer")
    assert before is not None
    worst = int(np.argmax(before.score))
    level, _ = levels_of(scene.night, "printer")
    plates, zones = np.unique(scene.plate[level[scene.plate] == worst]), zone_dictionary()
    width, depth = scene.night.plates[["plate_width_mm", "plate_depth_mm"]].to_numpy()[plates[0]]
    spot = int(np.nanargmin(np.hypot(zones.centre_u * width / 2.0 - 20.0, zones.centre_v * depth / 2.0 + 10.0)))
    after = explained(scene, take_zones(zones, spot), plates)
    anew, again = streams_of(after, "printer"), renewed(after, before, floor)
    assert anew is not None
    assert anew.score[worst] < before.score[worst] - 3.0
    np.testing.assert_allclose(again.summed, anew.summed, rtol=1e-5, atol=1e-6)
    reach = anew.score >= floor
    np.testing.assert_allclose(again.score[reach], anew.score[reach], rtol=1e-4, atol=1e-4)
    assert again.score[worst] == pytest.approx(anew.score[worst], rel=1e-4)
    assert not (again.score[~reach] >= floor).any()
    np.testing.assert_allclose(renewed(after, before, -np.inf).log_e, anew.log_e, rtol=1e-4, atol=1e-4)


def test_a_place_in_the_shadow_of_a_stronger_one_comes_out_once_that_is_told() -> None:
    """One printer fails at its left so much that another's left looks no worse than usual until the first is explained."""
    records, _ = farm(None, 7)
    parts, rng = records.parts.copy(), np.random.default_rng(1)
    runs = records.runs.merge(records.printers, on="printer_id").set_index("run_id")
    left = parts["x_mm"] < -0.3 * parts["run_id"].map(runs["plate_width_mm"]) / 2
    strong, weak = sorted(records.printers["printer_id"])[:2]
    for name, share in ((strong, 0.9), (weak, 0.05)):
        own = parts["run_id"].map(runs["printer_id"]) == name
        parts.loc[left & own & (rng.random(len(parts)) < share), "outcome"] = "failed"
    records = dataclasses.replace(records, parts=parts)
    scene = set_scene(join_history(records).night(SPEC.start + dt.timedelta(days=85), SETTINGS))
    assert scene is not None
    before, floor = streams_of(scene, "printer"), -SETTINGS.plate_pattern.keep_within
    assert before is not None
    shadowed = before.names.index(weak)
    assert before.score[shadowed] < floor
    level, _ = levels_of(scene.night, "printer")
    plates = np.unique(scene.plate[level[scene.plate] == before.names.index(strong)])
    after = explained(scene, take_zones(zone_dictionary(), zone_dictionary().name.index("left")), plates)
    anew = streams_of(after, "printer")
    assert anew is not None
    assert renewed(after, before, floor).score[shadowed] == pytest.approx(anew.score[shadowed], rel=1e-4)
    assert anew.score[shadowed] > 5.0
    told = {(e.subject.id, e.zone) for e in night_of(records, 85).evidence if e.score >= 0}
    assert {(strong, "left"), (weak, "left")} <= told


def test_an_onset_at_the_first_plate_counts_on_top_only_where_the_window_reaches_back_to_it(
    spotted: tuple[Records, PlantedFault],
) -> None:
    section = SETTINGS.plate_pattern.model_copy(update={"window_days": 40})
    settings = SETTINGS.model_copy(update={"plate_pattern": section})
    scene = set_scene(join_history(spotted[0]).night(SPEC.start + dt.timedelta(days=85), settings))
    assert scene is not None
    streams = streams_of(scene, "printer")
    assert streams is not None
    level, names = levels_of(scene.night, "printer")
    assert (from_first(scene, level, streams.telling) == 0.0).all()
    one = int(np.argmax(streams.telling))
    of_late = np.where((level == one) & (scene.plate_day < 0), -1, level)  # as if it had come within the window
    more = from_first(scene, of_late, streams.telling)
    assert more[one] > 0.0
    assert np.count_nonzero(more) == 1 < len(names)
