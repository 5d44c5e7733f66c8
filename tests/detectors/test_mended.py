"""The plates after a mend: what counts as the finding's own failures, and what was expected of them."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from farmwatch.detectors.expected import fit_expectation
from farmwatch.detectors.mended import MendedPlates, fault_model, mended_plates
from farmwatch.detectors.night import Night, Spell, join_history
from farmwatch.evidence import Evidence, Subject
from farmwatch.settings import load_settings
from farmwatch.stats.plate_model import PlateModel, plate_log_likelihood
from tests.causes.conftest import make_finding
from tests.causes.test_answers import START, farm

P0 = Subject("printer", "P-00")
DAY = dt.timedelta(days=1)
BEGAN, DONE = START + 20 * DAY, START + 30 * DAY


def still_failing(printer: str, day: int, part: int) -> dict[str, Any] | None:
    """P-00 sheds flakes at 5 mm from day 20 on, mend or no mend; every printer splits now and then at 12 mm."""
    if printer == "P-00" and day >= 20 and part < 3:
        return {"sign": "flake", "failure_height_mm": 5.0}
    if (day * 7 + part * 5 + int(printer[-1]) * 3) % 37 == 0:
        return {"sign": "split", "failure_height_mm": 12.0}
    return None


def _night(risk: float | None = 0.03) -> Night:
    night = join_history(farm(still_failing)).night(START + 45 * DAY, load_settings())
    return night if risk is None else replace(night, part_risk=np.full(len(night.parts), risk))


def _evidence(**changes: Any) -> Evidence:
    return make_finding(subject=P0, since=BEGAN, since_low=BEGAN, since_high=BEGAN, **changes).evidence


def test_plates_after_the_day() -> None:
    plates = mended_plates(_night(), _evidence(), DONE)
    assert plates.day.tolist() == [DONE + k * DAY for k in range(1, 10)]
    assert plates.n.tolist() == [9.0] * 9
    assert (plates.y >= 3.0).all()
    assert plates.p == pytest.approx(np.full(9, 0.03))
    assert plates.before is not None
    assert (plates.before.day.min(), plates.before.day.max()) == (np.datetime64(BEGAN), np.datetime64(DONE))


def test_one_sign_is_held_against_what_the_finding_expected_of_it() -> None:
    flakes = mended_plates(_night(), _evidence(sign="flake", expected=0.297), DONE)
    assert flakes.y.tolist() == [3.0] * 9
    assert flakes.p == pytest.approx(np.full(9, 0.003), rel=1e-6)


def test_one_band_is_held_against_its_share_of_the_failures_of_others() -> None:
    band = _evidence(kind="height_pattern", band="height", observed=12.0, expected=3.0, opportunities=30.0, unit="plates",
                     detail={"from_mm": 4.0, "to_mm": 6.0})  # fmt: skip
    plates = mended_plates(_night(), band, DONE)
    assert plates.y.tolist() == [3.0] * 9
    assert plates.p.max() < 0.001  # nobody else fails there
    body = replace(band, band="body", detail={"from_mm": 8.0, "to_mm": 9.0})
    assert mended_plates(_night(), body, DONE).p.min() > 0.02  # what all others do
    low = replace(band, band="base", detail={"from_mm": 0.0, "to_mm": 0.5})
    assert mended_plates(_night(), low, DONE).y.tolist() == [0.0] * 9


def test_plates_that_are_watched_do_not_become_what_is_expected() -> None:
    """The mend did not hold: taken as sound, its plates teach the fit that the printer is like that."""
    night = _night(None)

    def risk(watched: bool) -> float:
        seen = replace(night, spells=(Spell(P0, None, BEGAN, DONE, watched=watched),))
        expectation = fit_expectation(seen)
        mine = (night.plates["printer_id"] == "P-00").to_numpy()[night.history.cells.plate[: len(expectation.base)]]
        return float(expectation.risk[mine].mean())

    assert risk(watched=False) > 1.5 * risk(watched=True)
    assert risk(watched=True) < 0.06


def test_a_fault_that_takes_plates_whole_has_a_way_of_its_own() -> None:
    n, p = np.full(40, 8.0), np.full(40, 0.03)
    day = np.arange(40).astype("datetime64[D]")
    none, farm = MendedPlates(n[:0], n[:0], p[:0], day[:0]), PlateModel(0.05, 0.1)
    whole = replace(none, before=MendedPlates(n, np.tile([8.0, 0.0, 0.0, 0.0], 10), p, day))
    even = replace(none, before=MendedPlates(n, np.tile([2.0, 3.0, 1.0, 2.0], 10), p, day))

    def spotless(model: PlateModel) -> float:
        return float(np.exp(plate_log_likelihood(np.zeros(1), np.full(1, 8.0), np.full(1, 0.25), model))[0])

    assert spotless(fault_model(whole, farm)) > 0.6
    assert spotless(fault_model(even, farm)) < 0.2
    few = MendedPlates(n[:2], np.array([8.0, 0.0]), p[:2], day[:2])
    assert fault_model(replace(none, before=few), farm) == farm
    assert fault_model(none, farm) == farm
