"""The rates on whole simulated farms: who is named, and who is not named beside them."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from farmwatch.detectors import rates
from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.expected import fit_expectation, spell_codes, spell_mask
from farmwatch.detectors.night import Night, Spell, join_history
from farmwatch.detectors.rate_choice import hangs_on_one
from farmwatch.detectors.rate_scene import ALL_SIGNS, Stream, expected_risk, roll_of
from farmwatch.detectors.rate_weigh import set_scenes, weigh
from farmwatch.evidence import Evidence, Subject, SubjectType
from farmwatch.nightly import look
from farmwatch.settings import load_settings
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.scenarios import one_cause_farm
from farmwatch.simulate.spec import FarmSpec, Fault, SimulatedFarm

SETTINGS = load_settings()
PLANTED = {"P02": (20, 10.0), "P05": (25, 10.0), "P09": (30, 15.0)}


def night_of(farm: SimulatedFarm, day: int) -> Night:
    first = farm.records.first_day()
    assert first is not None
    return look(join_history(farm.records), first + dt.timedelta(days=day), SETTINGS, ())


def flagged(night: Night) -> list[Evidence]:
    return [item for item in rates.detect(night).evidence if item.score >= 0 and item.direction == "up"]


@pytest.fixture(scope="module")
def three() -> tuple[SimulatedFarm, Night]:
    faults = tuple(
        Fault("plain_rate", ("printer", name), since_day=day, odds_ratio=odds) for name, (day, odds) in PLANTED.items()
    )
    farm = simulate(FarmSpec(printers=12, days=50, faults=faults), 41)
    return farm, night_of(farm, 48)


def test_three_faults_at_once_are_three_findings(three: tuple[SimulatedFarm, Night]) -> None:
    found = flagged(three[1])
    assert sorted(item.subject.id for item in found) == sorted(PLANTED)
    assert {item.subject.type for item in found} == {"printer"}
    for item, fault in zip(sorted(found, key=lambda e: e.subject.id), three[0].truth, strict=True):
        assert fault.first_plate_on is not None
        assert item.since_low <= fault.first_plate_on <= item.since_high


def test_known_faults_leave_the_expectation_alone(three: tuple[SimulatedFarm, Night]) -> None:
    """Told of the spells, the fit expects of those plates nearly what they should have had; untold, much more."""
    farm, night = three
    spells = tuple(Spell(f.subject, None, f.first_plate_on, None) for f in farm.truth if f.first_plate_on is not None)
    told = replace(night, spells=spells)
    number = len(night.history.cells.plate)
    codes = spell_codes(told, number)
    assert (codes >= 0).any()
    assert (spell_codes(night, number) == -1).all()
    cells = night.history.cells
    expectations = [night.expectation, fit_expectation(told)]
    true_risk = farm.quiet_risk.mean()
    excess = []
    for expectation in expectations:
        assert expectation is not None
        known = len(expectation.counts.trials)
        sound = codes[:known] < 0
        trials = expectation.counts.trials
        held_out = ("printer",)
        risk = 1.0 / (1.0 + np.exp(-expectation.log_odds(held_out)))
        under = ~sound
        excess.append(float((trials * risk)[under].sum() / trials[under].sum()) / true_risk)
    assert excess[1] < excess[0]
    assert excess[1] == pytest.approx(1.0, abs=0.35)
    assert len(cells.plate) == number


def test_a_fault_of_nearly_everything_does_not_take_the_expectation_away(three: tuple[SimulatedFarm, Night]) -> None:
    """Held against the two days before it, every hard design and weak printer of the farm would stand out."""
    farm, night = three
    untold = night.expectation
    assert untold is not None
    whole = Subject("farm", "farm")
    for days in (0, 2):
        spell = Spell(whole, None, farm.spec.start + dt.timedelta(days=days), None)
        told = fit_expectation(replace(night, spells=(spell,)))
        np.testing.assert_array_equal(told.log_odds(), untold.log_odds())
        np.testing.assert_array_equal(told.farm_share, untold.farm_share)
    later = Spell(whole, None, farm.spec.start + dt.timedelta(days=25), None)
    assert fit_expectation(replace(night, spells=(later,))).sound.sum() < 0.7 * untold.sound.sum()


def test_a_spent_bath_is_told_of_the_bath_alone() -> None:
    """Tacky parts come evenly from easy and hard work; a factor on each part's risk would leave echoes of the bath."""
    farm = one_cause_farm("wash_spent", 7)
    fault = farm.truth[0]
    assert fault.first_plate_on is not None
    found = flagged(night_of(farm, (fault.first_plate_on - farm.spec.start).days + 25))
    assert [item.subject for item in found] == [fault.subject]
    assert {found[0].sign, *found[0].detail["other_signs"]} >= {"tacky", "haze"}


def test_a_new_lot_is_told_and_not_the_profile_that_it_is_printed_with() -> None:
    farm = one_cause_farm("lot_fast", 5)
    fault = farm.truth[0]
    night = night_of(farm, 80)
    subjects = [item.subject for item in flagged(night)]
    assert len(subjects) == len(set(subjects))
    assert Subject(fault.subject.type, fault.subject.id) in subjects


def test_a_rare_sign_is_not_expected_of_the_one_printer_that_shows_it() -> None:
    """A panel that freezes now and then brings nearly all the blocks of the farm; they must not become its share."""
    farm = one_cause_farm("frozen_panel", 7)
    fault = farm.truth[0]
    found = flagged(night_of(farm, (fault.since - farm.spec.start).days + 25))
    assert (fault.subject, "block") in [(item.subject, item.sign) for item in found]


def test_what_other_detectors_told_is_explained_to_all_but_its_subject(three: tuple[SimulatedFarm, Night]) -> None:
    farm, night = three
    fault = farm.truth[0]
    assert fault.first_plate_on is not None
    spell = Spell(fault.subject, None, fault.first_plate_on, None, "plate_pattern")
    told = replace(night, spells=(spell,))
    expectation = fit_expectation(told)
    scenes = set_scenes(told, expectation)
    assert scenes.known == {fault.subject}
    inside = np.flatnonzero(spell_mask(spell, scenes.plain.cells, len(scenes.plain.plate), told))
    seen = scenes.plain.failures[inside].sum()
    due = [(expected_risk(s, (), inside).sum(axis=1) @ s.trials[inside]) / seen for s in (scenes.plain, scenes.told)]
    assert due[0] < 0.75
    assert due[1] == pytest.approx(1.0, abs=0.15)
    rather = replace(told, spells=(replace(spell, kind="rate_shift"),))
    assert not set_scenes(rather, expectation).known  # what the rates found may yet prove to be another's
    work = Subject("design", str(scenes.plain.cells.levels[FACTORS.index("design")][0]))
    hard = replace(told, spells=(replace(spell, subject=work, kind="rate_level", sign="fused"),))
    assert set_scenes(hard, expectation).known == {work}  # but hard work is not laid at the door of all that print it


@pytest.mark.parametrize(("cause", "wide", "alone"), [("frozen_panel", "room", True), ("wash_spent", "wash", False)])
def test_a_wide_subject_is_not_believed_for_one_of_its_printers(cause: str, wide: SubjectType, alone: bool) -> None:
    farm = one_cause_farm(cause, 7)
    fault = farm.truth[0]
    night = night_of(farm, (fault.since - farm.spec.start).days + 25)
    assert night.expectation is not None
    scenes = set_scenes(night, night.expectation)
    streams = [
        Stream(wide, level, sign)
        for level in roll_of(scenes.told, wide).levels.tolist()
        for sign in range(ALL_SIGNS + 1)
    ]
    best = max((weigh(scenes.told, stream)[0] for stream in streams), key=lambda candidate: candidate.score)
    assert best.score > 0.0
    assert hangs_on_one(best, scenes) == alone
