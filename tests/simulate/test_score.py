"""Scores of findings, worked by hand."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from typing import Any

import pytest

from farmwatch.evidence import Cause, Evidence, Finding, Subject
from farmwatch.simulate import PlantedFault
from farmwatch.simulate import score as s

D = dt.date


def fault(**changes: Any) -> PlantedFault:
    plain = PlantedFault(
        cause="film_spot",
        subject=Subject("printer", "P1"),
        kinds=("rate_shift", "plate_pattern"),
        signs=("missing", "flake"),
        zones=("spot",),
        bands=(),
        since=D(2031, 3, 1),
        until=None,
        strength=1.0,
        odds_ratio=3.0,
        plates=50,
        first_plate_on=D(2031, 3, 2),
        detail={"x_mm": 10.0, "y_mm": -5.0, "radius_mm": 12.0},
    )
    return dataclasses.replace(plain, **changes)


def finding(
    flagged: dt.date,
    subject: Subject | None = None,
    identity: str = "f1",
    causes: tuple[Cause, ...] = (),
    **changes: Any,
) -> Finding:
    evidence = Evidence(
        kind="rate_shift",
        subject=subject or Subject("printer", "P1"),
        since=D(2031, 3, 4),
        since_low=D(2031, 3, 1),
        since_high=D(2031, 3, 6),
        observed=20,
        expected=8,
        opportunities=200,
        unit="parts",
        effect=3.0,
        effect_low=2.0,
        effect_high=4.0,
        effect_unit="odds ratio",
        error_rate=0.01,
        score=2.0,
        direction="up",
    )
    return Finding(identity, dataclasses.replace(evidence, **changes), flagged, flagged, causes=causes)


def test_a_hit_names_the_right_subject_in_time() -> None:
    there = fault()
    assert s.is_hit([finding(D(2031, 3, 9))], there)
    assert not s.is_hit([finding(D(2031, 3, 1))], there)
    assert not s.is_hit([finding(D(2031, 3, 9), Subject("printer", "P2"))], there)
    assert not s.is_hit([finding(D(2031, 3, 9), kind="wear")], there)
    assert s.is_hit([finding(D(2031, 3, 9), Subject("file", "F1"))], fault(also=(Subject("file", "F1"),)))
    assert s.is_hit([finding(D(2031, 3, 9))], there, within_days=7)
    assert not s.is_hit([finding(D(2031, 3, 10))], there, within_days=7)


def test_after_the_mend_there_is_a_week_of_grace() -> None:
    mended = fault(until=D(2031, 3, 20))
    assert s.speaks_of(finding(D(2031, 3, 27)), mended)
    assert not s.speaks_of(finding(D(2031, 3, 28)), mended)


def test_delays() -> None:
    found = [finding(D(2031, 3, 12)), finding(D(2031, 3, 7), identity="f2")]
    assert s.delay_days(found, fault()) == 5
    assert math.isnan(s.delay_days([], fault()))
    missed = fault(subject=Subject("printer", "P7"))
    other = fault(subject=Subject("printer", "P2"))
    assert s.median_delay_days(found, [fault(), missed]) == math.inf
    three = [*found, finding(D(2031, 3, 5), Subject("printer", "P2"))]
    assert s.median_delay_days(three, [fault(), missed, other]) == 5
    assert math.isnan(s.median_delay_days(found, []))


def test_false_findings_by_the_month() -> None:
    found = [
        finding(D(2031, 3, 12)),
        finding(D(2031, 3, 7), Subject("lot", "L1"), "f2"),
        finding(D(2031, 2, 7), identity="f3"),
    ]
    assert [f.finding_id for f in s.false_findings(found, [fault()])] == ["f2", "f3"]
    assert s.false_findings_per_month(found, [fault()], 60) == pytest.approx(1.0)
    assert math.isnan(s.false_findings_per_month(found, [fault()], 0))
    # right subject and time under a kind that the fault does not explain: neither a hit nor false
    assert s.false_findings([finding(D(2031, 3, 9), kind="wear")], [fault()]) == []


def test_hit_rate_counts_faults_that_had_plates() -> None:
    never = fault(first_plate_on=None, subject=Subject("printer", "P3"))
    assert s.hit_rate([finding(D(2031, 3, 9))], [fault(), never]) == 1.0
    assert math.isnan(s.hit_rate([], [never]))
    assert s.findings_per_fault([finding(D(2031, 3, 9)), finding(D(2031, 3, 9), kind="wear")], [fault()]) == 2
    assert math.isnan(s.findings_per_fault([], [fault()]))


def test_places() -> None:
    there = fault()
    near = finding(D(2031, 3, 9), kind="plate_pattern", zone="spot", detail={"x_mm": 16.0, "y_mm": 3.0})
    far = finding(D(2031, 3, 9), kind="plate_pattern", zone="spot", detail={"x_mm": 60.0, "y_mm": 3.0})
    rim = finding(D(2031, 3, 9), kind="plate_pattern", zone="rim")
    assert [s.right_zone(f, there) for f in (near, far, rim)] == [1.0, 0.0, 0.0]
    assert math.isnan(s.right_zone(finding(D(2031, 3, 9)), there))
    assert math.isnan(s.right_zone(near, fault(zones=())))


def test_heights() -> None:
    there = fault(bands=("height", "body"), detail={"height_mm": 12.0})
    at = finding(D(2031, 3, 9), kind="height_pattern", band="height", detail={"from_mm": 11.0, "to_mm": 14.0})
    off = finding(D(2031, 3, 9), kind="height_pattern", band="height", detail={"from_mm": 21.0, "to_mm": 24.0})
    body = finding(D(2031, 3, 9), kind="height_pattern", band="body")
    base = finding(D(2031, 3, 9), kind="height_pattern", band="base")
    assert [s.right_band(f, there) for f in (at, off, body, base)] == [1.0, 0.0, 1.0, 0.0]
    assert math.isnan(s.right_band(finding(D(2031, 3, 9)), there))


def test_signs_onsets_and_causes() -> None:
    there = fault()
    assert s.right_sign(finding(D(2031, 3, 9), sign="flake"), there) == 1.0
    assert s.right_sign(finding(D(2031, 3, 9), sign="tacky"), there) == 0.0
    assert math.isnan(s.right_sign(finding(D(2031, 3, 9)), there))
    assert s.onset_covered(finding(D(2031, 3, 9)), there) == 1.0
    assert s.onset_covered(finding(D(2031, 3, 9), since_low=D(2031, 3, 3)), there) == 0.0
    causes = (Cause("film_worn", 0.6), Cause("film_spot", 0.3))
    assert s.cause_rank(finding(D(2031, 3, 9), causes=causes), there) == 2
    assert s.cause_rank(finding(D(2031, 3, 9), causes=causes[:1]), there) == math.inf
    assert math.isnan(s.cause_rank(finding(D(2031, 3, 9)), there))


def test_the_whole_score() -> None:
    causes = (Cause("film_spot", 0.7), Cause("unknown", 0.3))
    found = [
        finding(D(2031, 3, 8), sign="flake", causes=causes),
        finding(D(2031, 3, 9), identity="f2", kind="plate_pattern", zone="rim"),
        finding(D(2031, 3, 9), Subject("lot", "L1"), "f3"),
    ]
    whole = s.score(found, [fault(), fault(subject=Subject("printer", "P5"))], nights=90)
    assert (whole.faults, whole.found, whole.findings, whole.false_findings) == (2, 1, 3, 1)
    assert whole.hit_rate == 0.5
    assert whole.false_per_month == pytest.approx(1 / 3)
    assert whole.findings_per_fault == 2
    assert (whole.zone_right, whole.sign_right, whole.cause_first, whole.cause_in_three) == (0.0, 1.0, 1.0, 1.0)
    assert math.isnan(whole.band_right)


def test_a_finding_is_read_from_its_published_fields() -> None:
    row = {
        "finding_id": "ab12",
        "kind": "plate_pattern",
        "subject_type": "printer",
        "subject_id": "P1",
        "sign": None,
        "zone": "spot",
        "band": None,
        "direction": "up",
        "since": "2031-03-04",
        "since_low": "2031-03-01",
        "since_high": "2031-03-06",
        "first_flagged_on": "2031-03-09",
        "last_seen_on": "2031-03-12",
        "observed": 20,
        "expected": 8.5,
        "opportunities": 200,
        "unit": "parts",
        "effect": 3.0,
        "effect_low": None,
        "effect_high": 4.0,
        "effect_unit": "odds ratio",
        "error_rate": 0.01,
        "separable": True,
        "rivals": [{"subject_type": "lot", "subject_id": "L1"}],
        "detail": {"x_mm": 12.0, "y_mm": -4.0},
        "causes": [{"code": "film_spot", "probability": 0.8}],
        "next_checks": [],
        "status": "open",
    }
    read = s.finding_from_row(row)
    assert s.is_hit([read], fault())
    assert s.right_zone(read, fault()) == 1.0
    assert s.cause_rank(read, fault()) == 1
    assert math.isnan(read.evidence.effect_low)
    assert read.evidence.rivals == (Subject("lot", "L1"),)
    with pytest.raises(KeyError):
        s.finding_from_row({key: value for key, value in row.items() if key != "since"})
