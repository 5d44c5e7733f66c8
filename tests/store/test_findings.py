"""Findings come back as they were filed, night by night."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math

import numpy as np
import pytest

from farmwatch.evidence import Cause, Check, Evidence, Finding, NextCheck, Subject
from farmwatch.store import (
    Farm,
    StoreError,
    load_checks,
    load_findings,
    load_findings_before,
    nights,
    query,
    save_night,
)

DAY = dt.date(2031, 4, 2)
EVIDENCE = Evidence(
    kind="plate_pattern",
    subject=Subject("printer", 'p"1\n<b>'),
    since=DAY,
    since_low=DAY - dt.timedelta(3),
    since_high=DAY,
    observed=7.0,
    expected=2.5,
    opportunities=40.0,
    unit="parts",
    effect=math.inf,
    effect_low=1.25,
    effect_high=math.nan,
    effect_unit="odds ratio",
    error_rate=1e-9,
    score=3.5,
    direction="up",
    sign="missing",
    zone="spot",
    separable=False,
    rivals=(Subject("lot", "L1"), Subject("room", "hall")),
    detail={
        "x_mm": -12.5,
        "lost": math.nan,
        "day": DAY,
        "at": dt.datetime(2031, 4, 2, 3, tzinfo=dt.UTC),
        "edges": [1, 2],
    },
    run_ids=("r2", "r1"),
)
FINDING = Finding(
    finding_id="F-1",
    evidence=EVIDENCE,
    first_flagged_on=DAY,
    last_seen_on=DAY,
    status="watching",
    causes=(Cause("film_spot", 0.7, ("one spot",), ()), Cause("unknown", 0.3)),
    next_checks=(
        NextCheck("strain the resin", ("film_spot", "unknown"), 0.5, "strain", {"bits": "film_spot"}, "gloves"),
    ),
    repair={"plates_needed": 12, "verdict": None},
)
CHECKS = [Check("plate_pattern", "too_few", "printer", "p2", "3 plates", 1), Check("rates", "clear", "lot", count=9)]


def _equal(left: object, right: object) -> bool:
    """Equality with NaN equal to NaN."""
    if dataclasses.is_dataclass(left) and not isinstance(left, type):
        return type(left) is type(right) and all(
            _equal(getattr(left, field.name), getattr(right, field.name)) for field in dataclasses.fields(left)
        )
    if isinstance(left, dict) and isinstance(right, dict):
        return left.keys() == right.keys() and all(_equal(value, right[key]) for key, value in left.items())
    if isinstance(left, (list, tuple)) and isinstance(right, (list, tuple)):
        return len(left) == len(right) and all(map(_equal, left, right))
    if isinstance(left, float) and isinstance(right, float) and math.isnan(left):
        return math.isnan(right)
    return left == right


def test_a_finding_comes_back_whole(farm: Farm) -> None:
    bare = dataclasses.replace(FINDING, finding_id="F-2", evidence=dataclasses.replace(EVIDENCE, sign=None, zone=None))
    save_night(farm, DAY, [FINDING, bare], CHECKS)
    assert _equal(load_findings(farm), [FINDING, bare])
    assert load_checks(farm) == CHECKS


def test_numbers_of_numpy_are_plain_numbers_afterwards(farm: Farm) -> None:
    detail = {"a": np.float64(1.5), "b": np.int64(2), "c": np.array([1.0, math.nan]), "d": np.bool_(True), "e": ("x",)}
    evidence = dataclasses.replace(EVIDENCE, detail=detail, observed=np.float64(3), separable=np.bool_(True))
    save_night(farm, DAY, [dataclasses.replace(FINDING, evidence=evidence)], [])
    (finding,) = load_findings(farm)
    assert _equal(finding.evidence.detail, {"a": 1.5, "b": 2, "c": [1.0, math.nan], "d": True, "e": ["x"]})
    assert finding.evidence.separable is True


def test_nights_stand_side_by_side_and_the_same_night_is_replaced(farm: Farm) -> None:
    later = dataclasses.replace(FINDING, status="cleared")
    save_night(farm, DAY, [FINDING], CHECKS)
    save_night(farm, DAY + dt.timedelta(2), [later], [])
    save_night(farm, DAY + dt.timedelta(5), [], [])
    assert nights(farm) == [DAY, DAY + dt.timedelta(2), DAY + dt.timedelta(5)]
    assert load_findings(farm) == []
    assert [f.status for f in load_findings(farm, DAY + dt.timedelta(4))] == ["cleared"]
    assert [f.status for f in load_findings(farm, DAY)] == ["watching"]
    assert load_findings(farm, DAY - dt.timedelta(1)) == []
    assert [f.status for f in load_findings_before(farm, DAY + dt.timedelta(2))] == ["watching"]
    assert load_findings_before(farm, DAY) == []
    assert load_checks(farm, DAY + dt.timedelta(1)) == CHECKS
    save_night(farm, DAY, [later], [])
    assert [f.status for f in load_findings(farm, DAY)] == ["cleared"]
    assert load_checks(farm, DAY) == []


def test_findings_are_views(farm: Farm) -> None:
    save_night(farm, DAY, [FINDING], CHECKS)
    save_night(farm, DAY + dt.timedelta(1), [FINDING], CHECKS)
    assert query(farm, "SELECT finding_id, effect_high FROM findings").to_pylist() == [
        {"finding_id": "F-1", "effect_high": None}
    ]
    assert query(farm, "SELECT 1 FROM findings_by_night").num_rows == 2
    plates = query(farm, "SELECT run_id FROM evidence WHERE night = '2031-04-02' ORDER BY place")
    assert plates["run_id"].to_pylist() == ["r2", "r1"]
    assert query(farm, "SELECT 1 FROM checks").num_rows == 4


def test_a_damaged_ledger_is_named(farm: Farm) -> None:
    save_night(farm, DAY, [FINDING], CHECKS)
    (farm.findings_path / "ledger" / "night=2031-04-02.parquet").write_bytes(b"damage")
    with pytest.raises(StoreError, match=r"night=2031-04-02.parquet: cannot be read"):
        load_findings(farm)
