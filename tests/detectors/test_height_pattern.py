"""Heights: the band of a planted fault is named, placed and dated; tall parts and known cavities are not faults."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pandas as pd
import pytest

from farmwatch.detectors import height_scene
from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.height_pattern import detect
from farmwatch.detectors.height_scene import set_height_scene
from farmwatch.detectors.height_streams import height_streams
from farmwatch.detectors.height_units import unit_shares
from farmwatch.detectors.night import Spell, Verdicts, join_history
from farmwatch.detectors.pattern_counts import counts_in_band
from farmwatch.evidence import Evidence
from farmwatch.records import Records, conform
from farmwatch.settings import load_settings
from farmwatch.simulate import FarmSpec, Fault, PlantedFault, simulate
from farmwatch.stats.heights import due_in_bands, seen_in_bands

SETTINGS = load_settings()
SPEC = FarmSpec(printers=8, days=90, designs=24)


def night_of(records: Records, day: int) -> Verdicts:
    return detect(join_history(records).night(SPEC.start + dt.timedelta(days=day), SETTINGS))


def found_in(fault: Fault, seed: int) -> tuple[list[Evidence], PlantedFault]:
    made = simulate(dataclasses.replace(SPEC, faults=(fault,)), seed)
    return [e for e in night_of(made.records, 85).evidence if e.score >= 0], made.truth[0]


@pytest.fixture(scope="module")
def quiet() -> Records:
    return simulate(SPEC, 5).records


def test_a_tilted_plate_fails_in_the_base_of_one_printer() -> None:
    evidence, truth = found_in(Fault("plate_tilt", since_day=30, strength=1.5), 6)
    assert [(e.subject, e.band) for e in evidence] == [(truth.subject, "base")]
    (found,) = evidence
    assert found.sign == "off_plate"
    assert (found.detail["from_mm"], found.detail["to_mm"]) == (0.0, pytest.approx(0.3))
    assert found.since_low <= truth.first_plate_on <= found.since_high + dt.timedelta(days=4)
    assert found.unit == "plates"
    assert found.observed > found.expected
    assert found.opportunities >= found.observed


def test_a_weak_base_is_the_profiles_not_its_printers() -> None:
    evidence, truth = found_in(Fault("weak_base", since_day=30), 6)
    assert (evidence[0].subject, evidence[0].band) == (truth.subject, "base")
    assert [e for e in evidence if e.subject.type == "printer" and e.band == "base"] == []


@pytest.mark.parametrize(("band", "low", "high"), [("base", 0.0, 0.0), ("height", 10.0, 16.0)])
def test_rivals_are_weighed_by_the_failures_in_the_band(quiet: Records, band: str, low: float, high: float) -> None:
    evidence = dataclasses.replace(found_in(Fault("plate_tilt", since_day=30, strength=1.5), 6)[0][0], band=band)
    evidence = dataclasses.replace(evidence, detail={"from_mm": low, "to_mm": high})
    night = join_history(quiet).night(SPEC.start + dt.timedelta(days=85), SETTINGS)
    scene = set_height_scene(night)
    assert scene is not None
    counts = counts_in_band(scene, np.ones(len(scene.exposed)), evidence)
    body = scene.height_mm > scene.low_mm + 0.05
    expected = (scene.height_mm >= low) & (scene.height_mm < high) & body if band == "height" else scene.bin == 0
    assert counts.failures.sum() == expected.sum() > 0
    assert counts.trials.sum() == scene.group_parts[scene.group_height_mm > low].sum()
    assert ((counts.share >= 0.0) & (counts.share <= 1.0)).all()
    assert counts.share.max() > 0.0


def test_a_worn_screw_ripples_every_design_at_one_machine_height() -> None:
    evidence, truth = found_in(Fault("z_wear", since_day=30, strength=1.5), 9)
    found = evidence[0]
    assert (found.subject, found.band) == (truth.subject, "height")
    assert found.detail["largest_design_share"] <= 0.6
    assert found.detail["to_mm"] - found.detail["from_mm"] <= 6.0


def test_a_closed_cavity_is_one_height_of_one_design() -> None:
    evidence, truth = found_in(Fault("trapped_suction", since_day=20, strength=1.5), 11)
    found = evidence[0]
    assert found.subject in (truth.subject, *truth.also)
    assert found.band == "height"
    height = truth.detail["height_mm"]
    assert found.detail["from_mm"] - 1.0 <= height <= found.detail["to_mm"] + 1.0


def test_a_quiet_farm_stays_quiet(quiet: Records) -> None:
    history = join_history(quiet)
    for day in range(20, 90, 23):
        verdicts = detect(history.night(SPEC.start + dt.timedelta(days=day), SETTINGS))
        assert [e for e in verdicts.evidence if e.score >= 0] == []


def test_a_printer_of_tall_parts_is_no_pattern() -> None:
    # two printers with one hazard per millimetre; one prints parts of 10 mm, the other of 80 mm
    rng = np.random.default_rng(2)
    plates, number = 300, 6
    top = np.repeat([10.0, 80.0], plates * number)
    reached = rng.exponential(400.0, len(top))
    failed = reached < top
    run = np.repeat([f"R{i:04d}" for i in range(2 * plates)], number)
    started = pd.Timestamp(SPEC.start, tz="UTC") + pd.to_timedelta(
        np.tile(np.arange(plates) // 4, 2) * 24 + 8, unit="h"
    )
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i:04d}" for i in range(2 * plates)],
            "printer_id": np.repeat(["low", "tall"], plates),
            "started_at": started,
            "ended_at": started + pd.Timedelta(hours=3),
            "layer_height_mm": 0.05,
            "base_layers": 0,
            "transition_layers": 0,
            "outcome": "good",
        }
    )
    parts = pd.DataFrame(
        {
            "run_id": run,
            "part_no": np.tile(np.arange(number) + 1, 2 * plates),
            "height_mm": top,
            "outcome": np.where(failed, "failed", "good"),
            "failure_height_mm": np.where(failed, reached, np.nan),
        }
    )
    printers = pd.DataFrame({"printer_id": ["low", "tall"], "plate_width_mm": 100.0, "plate_depth_mm": 60.0})
    records = Records(printers=conform(printers, "printers"), runs=conform(runs, "runs"), parts=conform(parts, "parts"))
    verdicts = night_of(records, 85)
    assert {c.subject_id for c in verdicts.checks if c.state == "clear" and c.subject_type == "printer"} == {
        "low",
        "tall",
    }
    assert [e for e in verdicts.evidence if e.score >= 0] == []


@pytest.mark.parametrize("outcome", ["good", "unknown"])
def test_a_farm_without_failures_says_so(quiet: Records, outcome: str) -> None:
    verdicts = night_of(dataclasses.replace(quiet, parts=quiet.parts.assign(outcome=outcome)), 60)
    assert verdicts.evidence == ()
    assert [check.state for check in verdicts.checks] == ["too_few"]


def test_empty_one_run_all_failed_and_no_heights(quiet: Records) -> None:
    assert night_of(Records(), 10).checks[0].state == "too_few"
    one = dataclasses.replace(quiet, runs=quiet.runs.iloc[:1], parts=quiet.parts.iloc[:3])
    assert night_of(one, 60).evidence == ()
    unknown = quiet.parts.assign(failure_height_mm=np.nan)
    unrun = quiet.runs.assign(failure_height_mm=np.nan)
    assert night_of(dataclasses.replace(quiet, parts=unknown, runs=unrun), 60).checks[0].state == "too_few"
    all_failed = dataclasses.replace(quiet, parts=quiet.parts.assign(outcome="failed"))
    assert all(np.isfinite(e.score) for e in night_of(all_failed, 60).evidence)
    unlayered = dataclasses.replace(quiet, runs=quiet.runs.assign(base_layers=np.nan, layer_height_mm=np.nan))
    assert [e for e in night_of(unlayered, 60).evidence if e.band in ("base", "transition")] == []


def test_plates_under_a_finding_of_one_printer_testify_for_nobody_else() -> None:
    made = simulate(dataclasses.replace(SPEC, faults=(Fault("plate_tilt", since_day=30, strength=1.5),)), 6)
    truth = made.truth[0]
    night = join_history(made.records).night(SPEC.start + dt.timedelta(days=85), SETTINGS)
    told = dataclasses.replace(night, spells=(Spell(truth.subject, None, truth.since, None),))
    before, after = set_height_scene(night), set_height_scene(told)
    assert before is not None
    assert after is not None
    faulty = (
        (night.plates["printer_id"] == truth.subject.id) & (night.plates["day"] >= pd.Timestamp(truth.since))
    ).to_numpy()
    for kind in ("room", "printer"):
        plain, silenced = height_streams(before, kind), height_streams(after, kind)
        assert plain is not None
        assert silenced is not None
        assert faulty[plain.units.plate].any()
        assert faulty[silenced.units.plate].any() == (kind == "printer")
    # nor do they bend what is due of the healthy printers
    healthy = [e for e in detect(told).evidence if e.subject != truth.subject and e.score >= 0]
    assert healthy == []


def test_a_design_that_fails_at_its_own_height_everywhere_is_due_to_fail_there_on_each_printer() -> None:
    made = simulate(dataclasses.replace(SPEC, faults=(Fault("trapped_suction", since_day=20, strength=2.0),)), 11)
    height = made.truth[0].detail["height_mm"]
    scene = set_height_scene(join_history(made.records).night(SPEC.start + dt.timedelta(days=85), SETTINGS))
    assert scene is not None
    due = {}
    for plates in (SETTINGS.height_pattern.habit_plates, 1e9):
        section = SETTINGS.height_pattern.model_copy(update={"habit_plates": plates})
        settings = SETTINGS.model_copy(update={"height_pattern": section})
        told = dataclasses.replace(scene, night=dataclasses.replace(scene.night, settings=settings))
        streams = height_streams(told, "printer")
        assert streams is not None
        shares = unit_shares(told, streams.units, slice(0, len(streams.units.day)))
        window = 3 + int(np.argmin(np.abs(streams.units.windows - [height - 1.5, height + 1.5]).sum(axis=1)))
        due[plates] = float(shares.expected[shares.observed[:, window] > 0.9, window].mean())
        assert shares.observed[:, window].sum() > 15
    by_height_alone, with_habits = due[1e9], due[SETTINGS.height_pattern.habit_plates]
    assert with_habits > 3.0 * by_height_alone


def test_second_route_what_is_due_of_each_failure_and_what_its_design_does_on_the_others(quiet: Records) -> None:
    """Failure by failure: what is due by its height, and the plates of the others on which its design failed, one each."""
    nameless = np.random.default_rng(1).random(len(quiet.parts)) < 0.2
    parts = quiet.parts.assign(design_id=quiet.parts["design_id"].mask(nameless))
    night = join_history(dataclasses.replace(quiet, parts=parts)).night(SPEC.start + dt.timedelta(days=85), SETTINGS)
    scene = set_height_scene(night)
    assert scene is not None
    streams = height_streams(scene, "printer")
    assert streams is not None
    units, prior = streams.units, SETTINGS.height_pattern.habit_plates
    shares = unit_shares(scene, units, slice(0, len(units.day)))
    own = units.entry
    height, base, low, plate = (of[own] for of in (scene.height_mm, scene.base_mm, scene.low_mm, scene.plate))
    level = streams.cell_level[scene.cell[own]]
    design = night.history.cells.codes[scene.cell[own], FACTORS.index("design")]
    seen = seen_in_bands(height, base, low, units.windows)
    due = due_in_bands(scene.part_height_mm[own], base, low, units.rates, level, units.windows)
    mixed = due.astype(float)
    for place in np.flatnonzero(design >= 0):
        alike = (design == design[place]) & (level != level[place])
        plates, lost = np.unique(plate[alike], return_counts=True)
        share = 1.0 / lost[np.searchsorted(plates, plate[alike])]
        mixed[place] = (prior * due[place] + share @ seen[alike]) / (prior + len(plates))
    assert (design < 0).any()
    assert (low > base).any()
    for unit, number in enumerate(units.plate):
        mine = (plate == number) & (level == units.level[unit])
        np.testing.assert_allclose(shares.observed[unit], seen[mine].mean(axis=0), rtol=1e-5, atol=1e-6)
        np.testing.assert_allclose(shares.expected[unit], mixed[mine].mean(axis=0), rtol=1e-4, atol=1e-6)


def test_the_way_up_is_the_same_however_many_plates_are_taken_at_once(
    quiet: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    night = join_history(quiet).night(SPEC.start + dt.timedelta(days=60), SETTINGS)
    whole = set_height_scene(night)
    monkeypatch.setattr(height_scene, "PARTS_AT_ONCE", 7)  # some plates alone are larger
    pieces = set_height_scene(night)
    assert whole is not None
    assert pieces is not None
    assert whole.exposed.any()
    np.testing.assert_array_equal(pieces.exposed, whole.exposed)


def test_the_evidence_is_the_same_however_many_units_are_unfolded_at_once(
    quiet: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    scene = set_height_scene(join_history(quiet).night(SPEC.start + dt.timedelta(days=60), SETTINGS))
    assert scene is not None
    whole = height_streams(scene, "printer")
    monkeypatch.setattr("farmwatch.detectors.height_streams.UNITS_AT_ONCE", 1)
    monkeypatch.setattr("farmwatch.stats.own_bands.ROWS_AT_ONCE", 1)
    single = height_streams(scene, "printer")
    assert whole is not None
    assert single is not None
    assert len(whole.start) > 3
    np.testing.assert_allclose(single.log_sum, whole.log_sum, rtol=1e-9)
