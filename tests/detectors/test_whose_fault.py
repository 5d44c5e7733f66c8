"""Rivals of a finding on records made by hand: a printer and the lot that it alone runs, then the lot elsewhere too."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from farmwatch.detectors.expected import fit_expectation
from farmwatch.detectors.night import Night, join_history
from farmwatch.detectors.whose_fault import Counts, one_without_the_other, with_rivals
from farmwatch.evidence import Evidence, Subject
from farmwatch.records import Records, conform
from farmwatch.settings import load_settings

ONSET, LAST = 60, 120


def night_of(lot_elsewhere: bool, guilty: str = "printer") -> Night:
    """Six printers, four plates a day each; from day 60 printer P0 runs lot LX, and alone unless ``lot_elsewhere``."""
    rng = np.random.default_rng(5)
    runs, parts = [], []
    for day in range(LAST):
        for printer in range(6):
            for turn in range(2):
                late = day >= ONSET
                fresh = late and (printer == 0 or (lot_elsewhere and printer in (1, 2)))
                lot = "LX" if fresh else f"L{(day // 15 + printer) % 4}"
                run_id = f"{day:03d}-{printer}-{turn}"
                bad = late and (printer == 0 if guilty == "printer" else lot == "LX")
                failed = rng.random(8) < (0.30 if bad else 0.05)
                at = pd.Timestamp("2031-01-01", tz="UTC") + pd.Timedelta(days=day, hours=6 + turn)
                runs.append(
                    {"run_id": run_id, "printer_id": f"P{printer}", "lot_id": lot, "started_at": at,
                     "ended_at": at + pd.Timedelta(hours=4), "profile": "std", "operator": f"O{day % 2}",
                     "wash_id": f"W{turn}", "file_id": f"F{day % 5}", "outcome": "partial" if failed.any() else "good"}
                )  # fmt: skip
                for number, lost in enumerate(failed):
                    parts.append(
                        {"run_id": run_id, "part_no": number + 1, "design_id": f"D{number % 3}", "x_mm": 0.0, "y_mm": 0.0,
                         "footprint_mm2": 100.0, "height_mm": 30.0, "outcome": "failed" if lost else "good"}
                    )  # fmt: skip
    printers = [
        {"printer_id": f"P{n}", "plate_width_mm": 200.0, "plate_depth_mm": 120.0, "room": "R", "family": "Q"}
        for n in range(6)
    ]
    lots = [{"lot_id": lot, "resin": "clear"} for lot in ("L0", "L1", "L2", "L3", "LX")]
    tables = {"printers": printers, "lots": lots, "runs": runs, "parts": parts}
    records = Records(**{name: conform(pd.DataFrame(rows), name) for name, rows in tables.items()})
    night = join_history(records).night(dt.date(2031, 5, 30), load_settings())
    return replace(night, expectation=fit_expectation(night))


def evidence_on(kind: str, name: str) -> Evidence:
    since = dt.date(2031, 1, 1) + dt.timedelta(days=ONSET)
    return Evidence(
        kind="rate_shift", subject=Subject(kind, name), since=since, since_low=since, since_high=since, observed=280.0,
        expected=50.0, opportunities=960.0, unit="parts", effect=7.0, effect_low=5.5, effect_high=9.0,
        effect_unit="odds ratio", error_rate=1e-6, score=10.0, direction="up",
    )  # fmt: skip


@pytest.fixture(scope="module")
def aliased() -> Night:
    return night_of(lot_elsewhere=False)


def test_names_the_lot_and_the_plates_that_would_tell(aliased: Night) -> None:
    found = with_rivals(evidence_on("printer", "P0"), aliased)
    assert not found.separable
    assert found.rivals == (Subject("lot", "LX"),)
    plan = found.detail["separating_plates"][0]
    # one of the two without the other
    assert (plan["printer"] == "P0") != (plan["lot"] == "LX")
    assert 1 <= plan["plates"] <= 30
    assert str(plan["plates"]) in found.detail["would_separate"]


def test_the_lot_names_the_printer(aliased: Night) -> None:
    found = with_rivals(evidence_on("lot", "LX"), aliased)
    assert Subject("printer", "P0") in found.rivals


def test_the_lot_elsewhere_clears_it() -> None:
    found = with_rivals(evidence_on("printer", "P0"), night_of(lot_elsewhere=True))
    assert found.separable
    assert found.rivals == ()
    assert "would_separate" not in found.detail


def test_the_printers_of_a_bad_lot_are_no_rivals_of_it() -> None:
    found = with_rivals(evidence_on("lot", "LX"), night_of(lot_elsewhere=True, guilty="lot"))
    assert found.separable


def in_a_corner(night: Night) -> Counts:
    """Two parts of every cell stand in the place in question, and what failed on the guilty printer failed there."""
    cells, found = night.history.cells, night.expectation
    assert found is not None
    late = cells.day[cells.plate] >= ONSET
    mine = (cells.codes[:, 0] == 0) & late
    failures = np.where(mine, np.minimum(found.counts.failures.sum(axis=1), 2.0), 0.0)
    return Counts(failures, np.minimum(found.counts.trials, 2.0), np.ones(len(cells.plate)))


def test_a_pattern_names_who_else_could_be_to_blame(aliased: Night) -> None:
    pattern = replace(evidence_on("printer", "P0"), kind="plate_pattern", zone="rim")
    found = with_rivals(pattern, aliased, in_a_corner(aliased))
    assert not found.separable
    assert found.rivals == (Subject("lot", "LX"),)
    assert "separating_plates" in found.detail


def test_plates_that_held_elsewhere_clear_the_rival_of_a_pattern() -> None:
    night = night_of(lot_elsewhere=True)
    pattern = replace(evidence_on("printer", "P0"), kind="height_pattern", band="base")
    assert with_rivals(pattern, night, in_a_corner(night)).separable


def test_what_no_plan_parts_is_said_in_words(aliased: Night) -> None:
    lot, family = Subject("lot", "LX"), Subject("family", "Q")
    assert (
        one_without_the_other(lot, family)
        == "plates of lot LX without printer family Q, or of printer family Q without lot LX"
    )
    printer = Subject("printer", "P0")
    for one, other in ((family, printer), (printer, family)):  # a printer never runs outside of its family
        assert one_without_the_other(one, other) == "plates of printer family Q without printer P0"


def test_other_evidence_comes_back_as_it_is(aliased: Night) -> None:
    for kind in ("wear", "plate_pattern"):  # of a pattern, too, as long as nobody counts its failures
        other = replace(evidence_on("printer", "P0"), kind=kind)
        assert with_rivals(other, aliased) is other
    stranger = evidence_on("printer", "no such printer")
    assert with_rivals(stranger, aliased) is stranger
