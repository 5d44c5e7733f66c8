"""A verdict starts with work that could have mended the finding, and ends where that turns out not to be so."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from farmwatch.causes.context import Context
from farmwatch.causes.table import CauseTable
from farmwatch.detectors.mended import mended_plates
from farmwatch.detectors.night import join_history
from farmwatch.evidence import Cause, Finding, Subject
from farmwatch.nightly import judged
from farmwatch.settings import Settings
from tests.causes.conftest import make_finding
from tests.causes.test_answers import START, farm, left_side

BEGAN = START + dt.timedelta(days=20)
DONE = START + dt.timedelta(days=25)


def _judged(finding: Finding, action: str, table: CauseTable, settings: Settings) -> Finding:
    records = farm(left_side, service=[(f"{DONE}T08:00Z", "printer", "P-00", action)])
    as_of = START + dt.timedelta(days=39)
    night = join_history(records).night(as_of, settings)
    night = replace(night, part_risk=np.full(len(night.parts), 0.03))
    context = Context(records, settings, as_of, night.plates, night.parts, night.part_risk)
    return judged(finding, night, context, table)


@pytest.fixture
def tilt() -> Finding:
    finding = make_finding(subject=Subject("printer", "P-00"), since=BEGAN, since_low=BEGAN, since_high=BEGAN)
    flagged = BEGAN + dt.timedelta(days=3)
    causes = (Cause("plate_tilt", 0.97), Cause("plate_bow", 0.02), Cause("unknown", 0.01))
    return replace(finding, first_flagged_on=flagged, last_seen_on=flagged, causes=causes)


def test_only_work_that_could_have_mended_it_is_judged(tilt: Finding, table: CauseTable, settings: Settings) -> None:
    routine = _judged(tilt, "film_changed", table, settings)
    assert (routine.status, routine.repair) == ("open", {})
    # the side fails on as before: levelling did not help, and that is told
    levelled = _judged(tilt, "plate_levelled", table, settings)
    assert levelled.status == "returned"
    assert levelled.repair["action"] == "plate_levelled"
    assert levelled.repair["on"] == DONE


def test_a_watch_that_was_for_nothing_ends(tilt: Finding, table: CauseTable, settings: Settings) -> None:
    watching = replace(tilt, status="watching", repair={"status": "watching", "event_id": "E0", "on": DONE})
    ended = _judged(watching, "film_changed", table, settings)
    assert (ended.status, ended.repair) == ("open", {})
    cleared = replace(watching, status="cleared")
    assert _judged(cleared, "film_changed", table, settings) == cleared


def test_a_service_before_anybody_was_told_of_the_wear_is_no_mend_of_it(
    tilt: Finding, table: CauseTable, settings: Settings
) -> None:
    causes = (Cause("film_worn", 0.97), Cause("unknown", 0.03))
    evidence = replace(tilt.evidence, kind="wear", effect_unit="odds ratio")
    worn = replace(tilt, evidence=evidence, causes=causes, first_flagged_on=DONE + dt.timedelta(days=5))
    assert _judged(worn, "film_changed", table, settings) == worn
    told = replace(worn, first_flagged_on=DONE - dt.timedelta(days=1))
    assert _judged(told, "film_changed", table, settings).repair["on"] == DONE


def test_a_height_is_judged_against_what_parts_do_and_not_against_what_failures_do(
    tilt: Finding, settings: Settings
) -> None:
    """A finding of a height says how many of the failures were expected there: no risk of a part. The sign's share is."""
    night = join_history(farm(left_side)).night(START + dt.timedelta(days=39), settings)
    night = replace(night, part_risk=np.full(len(night.parts), 0.03))
    where = replace(tilt.evidence, kind="height_pattern", sign="off_plate", band="base", unit="plates", expected=30.0)
    since = mended_plates(night, where, DONE)
    assert since.day.min() > np.datetime64(DONE)
    assert since.y.sum() > 0.2 * since.n.sum()
    # all the other failures are split, so that off_plate is expected of hardly any part
    assert (since.p < 0.001).all()
    signless = replace(where, sign=None)
    assert mended_plates(night, signless, DONE).p == pytest.approx(0.03)
    rate = replace(where, kind="rate_shift", band=None, unit="parts", expected=0.54)
    during = 6 * 9  # plates of P-00 from the day it began to the day of the mend, nine parts each
    assert mended_plates(night, rate, DONE).p == pytest.approx(0.54 / during)


@pytest.mark.parametrize("fell", ["cleared", "returned"])
def test_a_verdict_once_fallen_stands(fell: str, tilt: Finding, table: CauseTable, settings: Settings) -> None:
    """What came back after it had held is not cleared by the same work, nor is what never held, however it is told by then."""
    repair = {"status": fell, "event_id": "E0", "action": "plate_levelled", "on": DONE, "decided_on": DONE}
    back = replace(tilt, status="returned", repair=repair)
    assert _judged(back, "plate_levelled", table, settings) == back


def test_what_got_better_is_not_mended(tilt: Finding, table: CauseTable, settings: Settings) -> None:
    well = replace(tilt, evidence=replace(tilt.evidence, direction="down"))
    assert _judged(well, "plate_levelled", table, settings) == well


def test_the_size_before_is_measured_as_the_plates_since_are(
    tilt: Finding, table: CauseTable, settings: Settings
) -> None:
    """A finding may state an odds ratio of something else; the plates under the fault say what as bad as before is."""
    for said in (1.6, 6.0, 90.0):
        evidence = replace(tilt.evidence, effect=said, effect_low=said / 2.0, effect_high=2.0 * said)
        judged_so = _judged(replace(tilt, evidence=evidence), "plate_levelled", table, settings)
        assert judged_so.status == "returned"
        assert 5.0 < judged_so.repair["before"] < 40.0
