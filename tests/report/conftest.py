"""A small farm made by hand, and one finding of every kind on it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from farmwatch.detectors.night import Night, join_history
from farmwatch.evidence import Cause, Check, Evidence, Finding, NextCheck, Subject
from farmwatch.records import Records, conform
from farmwatch.report.contents import WeeklyContents, build_contents
from farmwatch.report.week import Week
from farmwatch.settings import load_settings

FIRST = dt.date(2031, 3, 3)
DAYS = 35
WEEK = Week(2031, 14)
AS_OF = WEEK.last
ONSET = dt.date(2031, 3, 20)
HOSTILE = "<script>alert('$x$')</script>&\"=1+1"


def day_at(day: int, hour: int) -> pd.Timestamp:
    return pd.Timestamp(FIRST, tz="UTC") + pd.Timedelta(days=day, hours=hour)


def make_records(bad_printer: str = "P2", other_printer: str = "P1") -> Records:
    """Three printers, one plate a day each, nine parts a plate; ``bad_printer`` loses its front row from the onset on."""
    runs, parts = [], []
    for day in range(DAYS):
        for place, printer in enumerate((other_printer, bad_printer, "P3")):
            run = f"R{day:03d}-{place}"
            start = day_at(day, 8 + place)
            bad = printer == bad_printer and FIRST + dt.timedelta(days=day) >= ONSET
            failed = {1, 2, 3} if bad else {1 + (day + place) % 9} if day % 5 == place else set()
            runs.append(
                {
                    "run_id": run,
                    "printer_id": printer,
                    "started_at": start,
                    "ended_at": start + pd.Timedelta(hours=4),
                    "lot_id": "L1" if day < 20 else "L2",
                    "profile": "fine",
                    "file_id": f"F{day % 4}",
                    "operator": "O1",
                    "wash_id": "W1",
                    "layer_height_mm": 0.05,
                    "exposure_s": 3.9 if (day, place) == (30, 2) else 2.4 + 0.01 * (day % 3),
                    "base_layers": 6,
                    "transition_layers": 6,
                    "ambient_c": 21.0 + day % 4,
                    "peak_release_n": 20.0 + day % 5 + (8.0 if bad else 0.0),
                    "outcome": "partial" if failed else "good",
                }
            )
            for number in range(1, 10):
                gone = number in failed
                parts.append(
                    {
                        "run_id": run,
                        "part_no": number,
                        "design_id": f"D{number % 3}",
                        "x_mm": 40.0 * ((number - 1) % 3 - 1),
                        "y_mm": 25.0 * ((number - 1) // 3 - 1),
                        "height_mm": 20.0,
                        "footprint_mm2": 90.0,
                        "outcome": "failed" if gone else "good",
                        "failure_height_mm": 0.2 if gone else None,
                        "sign": "off_plate" if gone else None,
                    }
                )
    coupons = [
        {
            "coupon_id": f"C{day}-{lot}-{feature}",
            "measured_at": day_at(day, 18),
            "printer_id": "P3",
            "lot_id": lot,
            "feature": feature,
            "nominal_mm": 5.0,
            "measured_mm": 5.0 + way * (0.08 if lot == "L2" else 0.004),
        }
        for day in range(0, DAYS, 4)
        for lot in ("L1", "L2")
        for feature, way in (("bar", 1.0), ("slot", -1.0))
    ]
    coupons += [
        {
            "coupon_id": f"film{place}",
            "measured_at": day_at(24, 18),
            "printer_id": "P3",
            "lot_id": "L2",
            "feature": "film",
            "exposure_s": exposure,
            "nominal_mm": 0.0,
            "measured_mm": 0.12 * float(np.log(exposure / 0.7)),
        }
        for place, exposure in enumerate((1.0, 1.5, 2.2, 3.3, 5.0))
    ]
    printers = [
        {
            "printer_id": name,
            "plate_width_mm": 130.0,
            "plate_depth_mm": 80.0,
            "build_height_mm": 150.0,
            "room": "R1",
            "family": "A",
        }
        for name in (other_printer, bad_printer, "P3")
    ]
    lots = [{"lot_id": name, "resin": "amber"} for name in ("L1", "L2")]
    service = [
        {
            "event_id": "E1",
            "at": day_at(12, 6),
            "subject_type": "printer",
            "subject_id": bad_printer,
            "action": "plate_changed",
        }
    ]
    tables = {
        "printers": printers,
        "lots": lots,
        "runs": runs,
        "parts": parts,
        "coupons": coupons,
        "service": service,
    }
    return Records(**{name: conform(pd.DataFrame(rows), name) for name, rows in tables.items()})


def night_of(records: Records) -> Night:
    return join_history(records).night(AS_OF, load_settings())


def evidence(kind: str, subject: Subject, **changes: object) -> Evidence:
    fields: dict[str, object] = {
        "kind": kind,
        "subject": subject,
        "since": ONSET,
        "since_low": ONSET - dt.timedelta(days=1),
        "since_high": ONSET + dt.timedelta(days=2),
        "observed": 54.0,
        "expected": 10.5,
        "opportunities": 162.0,
        "unit": "parts",
        "effect": 7.2,
        "effect_low": 3.1,
        "effect_high": 15.0,
        "effect_unit": "odds ratio",
        "error_rate": 0.004,
        "score": 3.0,
        "direction": "up",
        **changes,
    }
    return Evidence(**fields)  # type: ignore[arg-type]


def one_of_each(printer: str = "P2", lot: str = "L2", design: str = "D1") -> dict[str, Evidence]:
    """A finding of every kind, as the detectors would say it of the farm made here."""
    who = Subject("printer", printer)
    front = {"shape": "rectangle", "left_mm": -65.0, "right_mm": 65.0, "front_mm": -40.0, "back_mm": -13.0}
    curve = [
        {"from": 1e4 * i, "to": 1e4 * (i + 1), "parts": 90.0, "failures": 4.0 + 3 * i, "expected": 5.0}
        for i in range(5)
    ]
    return {
        "rate_shift": evidence("rate_shift", who, sign="off_plate"),
        "rate_level": evidence(
            "rate_level",
            Subject("lot", lot),
            since=FIRST,
            since_low=FIRST,
            since_high=FIRST,
            separable=False,
            rivals=(who, Subject("lot", "L1")),
        ),
        "plate_pattern": evidence("plate_pattern", who, zone="front", detail=front),
        "height_pattern": evidence("height_pattern", Subject("design", design), band="base", sign="off_plate"),
        "cure_offset": evidence(
            "cure_offset",
            Subject("lot", lot),
            direction="over",
            observed=0.04,
            expected=0.002,
            opportunities=18.0,
            unit="coupons",
            effect=0.038,
            effect_low=0.02,
            effect_high=0.056,
            effect_unit="mm",
            detail={
                "exposure_factor": 0.91,
                "exposure_factor_low": 0.88,
                "exposure_factor_high": 0.95,
                "dp_mm": 0.12,
                "ec_s": 0.7,
            },
        ),
        "signal_shift": evidence(
            "signal_shift",
            who,
            observed=30.0,
            expected=22.0,
            opportunities=18.0,
            unit="plates",
            effect=8.0,
            effect_low=6.5,
            effect_high=9.5,
            effect_unit="N",
            detail={"measure": "peak_release_n"},
        ),
        "odd_run": evidence(
            "odd_run",
            Subject("run", "R030-2"),
            since=dt.date(2031, 4, 2),
            since_low=dt.date(2031, 4, 2),
            since_high=dt.date(2031, 4, 2),
            observed=3.9,
            expected=2.41,
            opportunities=1.0,
            unit="plates",
            effect=1.49,
            effect_low=1.49,
            effect_high=1.49,
            effect_unit="s",
            detail={"printer_id": "P3", "words": "exposure 3.9 s, expected 2.41 s"},
        ),
        "wear": evidence(
            "wear",
            who,
            effect=23000.0,
            effect_low=17000.0,
            effect_high=36000.0,
            effect_unit="layers",
            detail={"counter": "film_layers", "curve": curve},
        ),
    }


CAUSES = (
    Cause("plate_tilt", 0.71, ("it fails on one side",), ()),
    Cause("film_worn", 0.15, (), ("the film is fresh",)),
    Cause("unknown", 0.14),
)
CHECKS = (
    NextCheck(
        "Print five thickness pads. Four near the corners, one in the middle.",
        ("plate_tilt", "plate_bow"),
        0.5,
        "pads",
        {"tilted": "a tilted plane", "flat": "all alike"},
        "Wear gloves. The maker's safety data sheet comes first.",
    ),
)


def finding_of(place: int, what: Evidence, **changes: object) -> Finding:
    fields: dict[str, object] = {
        "finding_id": f"F{place}",
        "evidence": what,
        "first_flagged_on": dt.date(2031, 4, 2),
        "last_seen_on": AS_OF,
        "causes": CAUSES,
        "next_checks": CHECKS,
        **changes,
    }
    return Finding(**fields)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Case:
    """A farm's week with a finding of every kind in it."""

    night: Night
    findings: tuple[Finding, ...]
    checks: tuple[Check, ...]
    contents: WeeklyContents


def contents_for(night: Night, findings: tuple[Finding, ...], checks: tuple[Check, ...]) -> WeeklyContents:
    return build_contents(
        WEEK,
        findings,
        checks,
        night.plates,
        night.parts,
        night.part_risk,
        night.records.service,
        night.settings,
        coupons=night.records.coupons,
        known_until=night.as_of,
    )


SEEN = (
    Check("rates", "clear", "printer", count=3),
    Check("rates", "flagged", "printer", "P2"),
    Check("wear", "too_few", "wash", "W1", "fewer than two bath changes"),
    Check("cure_offset", "failed", "farm", None, "ValueError: singular"),
)


@pytest.fixture(scope="session")
def case() -> Case:
    night = night_of(make_records())
    findings = tuple(finding_of(i, item) for i, item in enumerate(one_of_each().values()))
    return Case(night, findings, SEEN, contents_for(night, findings, SEEN))


@pytest.fixture(scope="session")
def hostile() -> Case:
    """The same with ids that try to break out of every face of the report."""
    printer, lot, design = HOSTILE, "](javascript:x) | *a*", "\x1b[31m‮\x00D"
    records = make_records(printer, "=cmd()")
    records = Records(
        **{
            **{name: getattr(records, name) for name in ("printers", "coupons", "service")},
            "runs": records.runs.assign(lot_id=records.runs["lot_id"].replace("L2", lot), note=HOSTILE),
            "lots": records.lots.assign(lot_id=records.lots["lot_id"].replace("L2", lot), resin="</style><img src=x>"),
            "parts": records.parts.assign(design_id=records.parts["design_id"].replace("D1", design)),
        }
    )
    night = night_of(records)
    items = one_of_each(printer, lot, design).values()
    findings = tuple(finding_of(i, item, finding_id=f"F{i}\"'><b>") for i, item in enumerate(items))
    checks = (Check("rates", "failed", "printer", printer, "</p><script>x</script>"),)
    return Case(night, findings, checks, contents_for(night, findings, checks))


@pytest.fixture(scope="session")
def rng() -> np.random.Generator:
    return np.random.default_rng(20310406)
