"""Outcomes drawn anew: as many, as clustered, of the same signs and heights as expected, and no fault among them."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from farmwatch.detectors.expected import fit_expectation
from farmwatch.detectors.night import History, Night, Spell, join_history
from farmwatch.detectors.redraw import failed_parts, redraw, sign_agreement
from farmwatch.evidence import Subject
from farmwatch.nightly import look
from farmwatch.settings import load_settings
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec, Fault
from farmwatch.stats.plate_model import PlateModel, plate_log_likelihood

SETTINGS = load_settings()


def last_night(spec: FarmSpec, seed: int) -> Night:
    history = join_history(simulate(spec, seed).records)
    return look(history, history.plates["day"].max().date(), SETTINGS, ())


@pytest.fixture(scope="module")
def night() -> Night:
    return last_night(FarmSpec(printers=10, days=90), 21)


@pytest.mark.parametrize("model", [PlateModel(0.02, 0.3), PlateModel(0.3, 0.05)])
def test_failures_of_a_plate_follow_the_plate_model(night: Night, model: PlateModel) -> None:
    """Second route: the shares of 0, 1, ... failures against the mixture written out, with binomial coefficients."""
    plates, n, p = 40_000, 4, 0.12
    assert night.expectation is not None
    plate = np.repeat(np.arange(plates), n)
    failed = failed_parts(
        np.full(plates * n, p),
        plate,
        np.ones(plates * n, bool),
        plates,
        replace(night.expectation, model=model),
        np.random.default_rng(3),
    )
    seen = np.bincount(np.bincount(plate[failed], minlength=plates), minlength=n + 1) / plates
    ways = np.array([1.0, 4.0, 6.0, 4.0, 1.0])
    due = ways * np.exp(plate_log_likelihood(np.arange(n + 1.0), np.float64(n), np.float64(p), model))
    assert due.sum() == pytest.approx(1.0, rel=1e-9)
    assert np.abs(seen - due).max() < 4.0 * np.sqrt(0.25 / plates)
    assert (np.abs(seen - due) < 4.0 * np.sqrt(due / plates)).all()


def test_risky_parts_of_a_plate_fail_more_often(night: Night) -> None:
    assert night.expectation is not None
    plates = 30_000
    plate, risk = np.repeat(np.arange(plates), 2), np.tile([0.05, 0.2], plates)
    model = replace(night.expectation, model=PlateModel(0.1, 0.0))
    failed = failed_parts(risk, plate, np.ones(2 * plates, bool), plates, model, np.random.default_rng(4))
    assert failed[0::2].mean() == pytest.approx(0.05, rel=0.08)
    assert failed[1::2].mean() == pytest.approx(0.2, rel=0.04)


def test_plates_stay_and_outcomes_are_as_expected(night: Night) -> None:
    assert night.expectation is not None
    drawn = [redraw(night, np.random.default_rng(seed)) for seed in range(8)]
    for history in drawn:
        same = ["run_id", "printer_id", "lot_id", "file_id", "started_at", "known_at", "parts", "plate_height_mm"]
        assert history.plates[same].equals(night.plates[same])
        where = ["plate", "part_no", "x_mm", "y_mm", "height_mm", "known"]
        assert history.parts[where].equals(night.parts[where])
        assert (history.parts["failed"] <= history.parts["known"]).all()
        assert history.plates["failures"].sum() == history.parts["failed"].sum()
    failures = [history.parts["failed"].sum() for history in drawn]
    due = float(night.part_risk[night.parts["known"].to_numpy()].sum())
    assert np.mean(failures) == pytest.approx(due, rel=0.06)
    signs = sum(history.parts["sign"].value_counts() for history in drawn)
    written = night.parts.loc[night.parts["failed"], "sign"].value_counts(normalize=True)
    common = written[written > 0.15].index
    assert len(common) >= 2
    for sign in common:
        assert signs[sign] / sum(failures) == pytest.approx(written[sign], rel=0.2)


def test_failures_of_one_plate_share_their_sign_as_the_records_have_it(night: Night) -> None:
    assert night.expectation is not None
    before = sign_agreement(night, night.expectation)
    after = []
    for seed in range(4):
        history = redraw(night, np.random.default_rng(seed))
        again = look(history, night.as_of, SETTINGS, ())
        assert again.expectation is not None
        after.append(sign_agreement(again, again.expectation))
    assert 0.2 < before < 1.0
    assert np.mean(after) == pytest.approx(before, abs=0.12)


def test_heights_lie_within_their_parts_and_keep_their_law(night: Night) -> None:
    drawn = redraw(night, np.random.default_rng(5)).parts.astype({"height_mm": "float64"})
    told = drawn["failure_height_mm"].notna()
    assert (drawn.loc[told, "failure_height_mm"] <= drawn.loc[told, "height_mm"]).all()
    assert not (told & ~drawn["failed"]).any()
    was, now = night.parts["failure_height_mm"].dropna().astype("float64"), drawn.loc[told, "failure_height_mm"]
    assert len(now) / drawn["failed"].sum() == pytest.approx(len(was) / night.parts["failed"].sum(), rel=0.15)
    assert (now < 1.0).mean() == pytest.approx((was < 1.0).mean(), abs=0.12)


def test_a_known_fault_has_no_part_in_what_is_drawn() -> None:
    fault = Fault("plain_rate", ("printer", "P03"), since_day=30, odds_ratio=8.0)
    plain = last_night(FarmSpec(printers=8, days=90, faults=(fault,)), 9)
    first = plain.history.plates["day"].min().date()
    spell = Spell(Subject("printer", "P03"), None, first + dt.timedelta(days=30), None)
    known = replace(plain, spells=(spell,))

    expectation = fit_expectation(known)
    risk = expectation.risk[known.history.cells.part_cell[: len(known.parts)]]
    known = replace(known, expectation=expectation, part_risk=risk)

    def excess(history: History) -> float:
        plates = history.plates
        mine = (plates["printer_id"] == "P03") & (plates["day"] >= str(spell.since))
        rate = plates["failures"][mine].sum() / plates["parts"][mine].sum()
        return float(rate / (plates["failures"][~mine].sum() / plates["parts"][~mine].sum()))

    assert excess(plain.history) > 3.0
    assert np.mean([excess(redraw(known, np.random.default_rng(seed))) for seed in range(5)]) < 1.8


def test_the_same_chance_draws_the_same(night: Night) -> None:
    one, two, other = (redraw(night, np.random.default_rng(seed)).parts["failed"] for seed in (7, 7, 8))
    assert one.equals(two)
    assert not one.equals(other)


def test_what_was_written_late_stays_late(night: Night) -> None:
    rows = np.arange(5, 500, 50)
    late = night.history.late_parts.reindex(rows)
    late[:] = night.instant
    history = replace(night.history, late_parts=late)
    drawn = redraw(replace(night, history=history), np.random.default_rng(1))
    assert drawn.late_parts.index.tolist() == rows.tolist()


def test_nothing_is_drawn_without_an_expectation(night: Night) -> None:
    with pytest.raises(ValueError, match="expectation"):
        redraw(replace(night, expectation=None), np.random.default_rng(1))
