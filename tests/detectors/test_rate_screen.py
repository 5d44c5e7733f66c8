"""What the explaining away carries over from one look to the next is what a whole pass would give."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from farmwatch.detectors import rate_screen, rates
from farmwatch.detectors.expected import fit_expectation
from farmwatch.detectors.night import Night, Spell, join_history
from farmwatch.detectors.rate_scene import ALL_SIGNS, Scene, Stream, expected_risk, risk_of_sign, roll_of
from farmwatch.detectors.rate_screen import screen
from farmwatch.detectors.rate_weigh import Scenes, lifted, set_scenes
from farmwatch.evidence import Subject
from farmwatch.nightly import look
from farmwatch.settings import load_settings
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec, Fault


@pytest.fixture(scope="module")
def night() -> Night:
    faults = (
        Fault("plain_rate", ("printer", "P02"), since_day=20, odds_ratio=12.0),
        Fault("plain_rate", ("printer", "P05"), since_day=25, odds_ratio=9.0),
    )
    records = simulate(FarmSpec(printers=8, days=45, faults=faults), 23).records
    first = records.first_day()
    assert first is not None
    return look(join_history(records), first + dt.timedelta(days=43), load_settings(), ())


@pytest.fixture(scope="module")
def two(night: Night) -> tuple[Scene, Scene]:
    """The scene before and after a find is put into it."""
    assert night.expectation is not None
    scene = set_scenes(night, night.expectation).told
    printer = int(roll_of(scene, "printer").levels[1])
    best = max(rates.weigh(scene, Stream("printer", printer, ALL_SIGNS)), key=lambda c: c.score)
    return scene, lifted(scene, best)


def test_what_is_carried_over_is_what_a_whole_pass_expects(
    two: tuple[Scene, Scene], monkeypatch: pytest.MonkeyPatch
) -> None:
    before, after = two
    monkeypatch.setattr(rate_screen, "PLATES_AT_ONCE", 50)  # several pieces
    screen(before)
    moved = after.raised.differs(before.raised)
    assert 0 < moved.sum() < len(moved)
    carried, anew, earlier = (
        replace(after, due={}),
        replace(after, due={}),
        {kind: replace(due, sums=due.sums.copy(), bound=due.bound.copy()) for kind, due in before.due.items()},
    )
    rate_screen.carry_over(before, carried, moved)
    screen(anew)
    assert carried.due.keys() == anew.due.keys()
    for kind, due in anew.due.items():
        np.testing.assert_allclose(carried.due[kind].sums, due.sums, rtol=1e-5, atol=1e-6)
        np.testing.assert_allclose(carried.due[kind].bound, due.bound, rtol=1e-4, atol=1e-4)
    assert any((carried.due[kind].sums != earlier[kind].sums).any() for kind in carried.due)
    assert any((carried.due[kind].bound != earlier[kind].bound).any() for kind in carried.due)


def test_where_only_some_are_judged_their_bounds_are_those_of_a_whole_pass(night: Night) -> None:
    """A printer that another detector told of is judged apart; a lot all of whose plates were at fault has no cells."""
    day = night.plates["day"].dt.date
    lot = night.plates["lot_id"][night.plates["lot_id"].notna()].iloc[0]
    told = replace(
        night,
        spells=(
            Spell(Subject("printer", "P02"), None, day.min() + dt.timedelta(days=20), None, "plate_pattern"),
            Spell(Subject("lot", str(lot)), None, day.min(), day.max()),
        ),
    )
    scenes = set_scenes(told, fit_expectation(told))
    assert scenes.plain.only == {Subject("printer", "P02")}
    roll = roll_of(scenes.plain, "lot")
    assert len(roll.levels) == len(roll.first) - 1
    some = screen(scenes.plain)
    every = screen(replace(scenes.plain, only=None, due={}))
    mine = [(bound, stream) for bound, stream in every if scenes.knows(stream)]
    assert [stream for _, stream in some] == [stream for _, stream in mine]
    np.testing.assert_allclose([bound for bound, _ in some], [bound for bound, _ in mine], rtol=1e-5)
    assert len(some) < len(every)
    # and after a find that touches them
    best = max(rates.weigh(scenes.plain, some[0][1]), key=lambda c: c.score)
    after, anew = lifted(scenes.plain, best), lifted(replace(scenes.plain, due={}), best)
    rate_screen.carry_over(scenes.plain, after, after.raised.differs(scenes.plain.raised))
    for (bound, stream), (other, same) in zip(screen(after), screen(anew), strict=True):
        assert (stream, bound) == (same, pytest.approx(other, rel=1e-4, abs=1e-4))


def test_streams_that_no_find_touched_are_not_weighed_again_and_the_evidence_is_the_same(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Against a full pass after every find: all streams weighed anew, all that is due summed anew."""
    counted = []
    weigh = Scenes.weigh

    def counting(scenes: Scenes, stream: Stream, members: np.ndarray | None = None) -> list[rates.Candidate]:
        counted.append(stream)
        return weigh(scenes, stream, members)

    def everything(before: Scene, after: Scene) -> np.ndarray:
        return np.ones(len(after.plate), bool)

    monkeypatch.setattr(Scenes, "weigh", counting)
    found = rates.detect(night)
    few = len(counted)
    monkeypatch.setattr(rates, "_moved", everything)
    assert rates.detect(night) == found
    assert len(found.evidence) >= 2
    assert few < len(counted) - few


@pytest.mark.parametrize("held_out", [("printer",), ("design", "file")])
def test_the_risk_of_one_sign_is_its_column_of_all(two: tuple[Scene, Scene], held_out: tuple[str, ...]) -> None:
    """Also where all signs together would pass what a part can fail at most, and are brought down."""
    raised = two[1].raised
    high = replace(two[1], raised=replace(raised, lift=raised.lift * 20.0))
    cells = np.arange(len(high.plate))
    assert (expected_risk(high, held_out, cells).sum(axis=1) > 0.949).any()
    for scene in (two[1], high):
        for sign in (0, 3):
            every = expected_risk(scene, held_out, cells)
            np.testing.assert_array_equal(risk_of_sign(scene, held_out, cells, True, sign), every[:, sign])


def test_the_risk_of_a_part_is_that_of_its_cell(night: Night) -> None:
    assert night.expectation is not None
    cell = night.history.cells.part_cell[: len(night.parts)]
    whole = night.part_risk[:]
    np.testing.assert_array_equal(whole, night.expectation.risk[cell])
    rows = np.array([5, 0, len(cell) - 1])
    np.testing.assert_array_equal(night.part_risk[rows], whole[rows])
    np.testing.assert_array_equal(night.part_risk[cell == 3], whole[cell == 3])


def test_shares_kept_once_a_design_are_read_like_an_array(night: Night) -> None:
    assert night.expectation is not None
    share = night.expectation.share
    whole = share[:]
    assert whole.shape == (len(share), share.rows.shape[1])
    for at in ((slice(None), 2), (slice(None), [1, 4]), (slice(3, 9), slice(None)), (np.array([5, 2, 5]), [0, 3])):
        cells, columns = at
        np.testing.assert_array_equal(share[cells, columns], whole[cells][:, columns])
    np.testing.assert_array_equal(share[np.array([4, 1])], whole[[4, 1]])
