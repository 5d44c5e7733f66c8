"""A design by islands, or with a thin border, against the plain one: the same system, the same fit."""

from __future__ import annotations

import numpy as np
import pytest

from farmwatch.stats import crossed_design, crossed_islands
from farmwatch.stats.crossed import CrossedFit, fit_crossed
from farmwatch.stats.crossed_design import Bordered, Design
from farmwatch.stats.crossed_islands import Archipelago, IslandDesign, in_islands

LEVELS = (84, 120, 101, 305, 4)  # printers, lots, designs, files, profiles: four rooms, each with its own but the last


def rows(seed: int, rooms: int = 4, number: int = 4000) -> dict[str, np.ndarray]:
    """Cells of rooms that share three profiles; some names are missing, one design is never printed, and five rows name
    nothing but a profile of theirs alone."""
    rng = np.random.default_rng(seed)
    room = rng.integers(0, rooms, number)
    design = room * 25 + rng.integers(0, 25, number)
    codes = np.column_stack([
        room * 21 + rng.integers(0, 21, number), room * 30 + rng.integers(0, 30, number), design,
        design * 3 + rng.integers(0, 3, number), rng.integers(0, 3, number),
    ])  # fmt: skip
    codes[rng.random(codes.shape) < 0.02] = -1
    codes[:5] = -1, -1, -1, -1, 3
    fixed = np.column_stack([np.ones(number), rng.normal(size=number)])
    offset = rng.normal(0.0, 0.3, number)
    linear = offset - 2.0 + 0.3 * fixed[:, 1]
    for factor, count in enumerate(LEVELS):
        linear = linear + np.append(rng.normal(0.0, 0.5, count), 0.0)[codes[:, factor]]
    trials = rng.integers(1, 10, number)
    failures = rng.binomial(trials, 1.0 / (1.0 + np.exp(-linear)))
    told = {"failures": failures, "trials": trials, "fixed": fixed, "codes": codes, "offset": offset}
    return {**told, "weights": rng.uniform(0.3, 1.0, number)}


def fitted(data: dict[str, np.ndarray]) -> CrossedFit:
    return fit_crossed(**data, levels=LEVELS, sd_prior_scale=np.full(5, 0.5), fixed_prior_sd=3.0)


def split(data: dict[str, np.ndarray]) -> IslandDesign | None:
    return in_islands(Design.of(data["fixed"], data["codes"], LEVELS, None))


@pytest.fixture
def small_islands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crossed_islands, "WORTH_IT", 0)
    monkeypatch.setattr(crossed_islands, "ISLAND_AT_LEAST", 60)
    monkeypatch.setattr(crossed_islands, "CORE_AT_MOST", 50)


def same(one: CrossedFit, other: CrossedFit) -> None:
    np.testing.assert_allclose(one.coefficients, other.coefficients, rtol=0, atol=1e-11)
    np.testing.assert_allclose(one.sd, other.sd, rtol=1e-10)
    assert one.log_likelihood == pytest.approx(other.log_likelihood, rel=1e-12)
    np.testing.assert_allclose(one.fixed_covariance, other.fixed_covariance, rtol=1e-9, atol=1e-14)
    for mine, theirs in zip(one.effect_variances, other.effect_variances, strict=True):
        np.testing.assert_allclose(mine, theirs, rtol=1e-10)
    np.testing.assert_allclose(one.precision.log_determinants(), other.precision.log_determinants(), rtol=1e-10)
    right = np.random.default_rng(0).normal(size=(len(one.coefficients), 2))
    for sides in (right, right[:, 0]):
        np.testing.assert_allclose(one.precision.solve(sides), other.precision.solve(sides), rtol=1e-8, atol=1e-11)


def test_islands_give_the_fit_of_one_piece(monkeypatch: pytest.MonkeyPatch, small_islands: None) -> None:
    data = rows(1)
    by_island = fitted(data)
    monkeypatch.setattr(crossed_islands, "WORTH_IT", 10**9)
    whole = fitted(data)
    assert isinstance(by_island.precision, Archipelago)
    assert isinstance(whole.precision, Bordered)
    same(by_island, whole)


def test_a_thin_border_gives_the_fit_of_a_full_one(monkeypatch: pytest.MonkeyPatch) -> None:
    data = rows(2)
    full = fitted(data)
    monkeypatch.setattr(crossed_design, "SPARSE_FROM", 0)
    monkeypatch.setattr(crossed_design, "COLUMNS_AT_ONCE", 100)
    thin = fitted(data)
    assert isinstance(full.precision, Bordered)
    assert isinstance(full.precision.border, np.ndarray)
    assert isinstance(thin.precision, Bordered)
    assert not isinstance(thin.precision.border, np.ndarray)
    np.testing.assert_allclose(thin.precision.inverse_across, full.precision.inverse_across, rtol=0, atol=1e-12)
    np.testing.assert_allclose(thin.precision.whole, full.precision.whole, rtol=1e-12)
    same(thin, full)


def test_every_room_is_an_island_and_every_row_stands_with_its_own(small_islands: None) -> None:
    data = rows(3)
    found = split(data)
    assert found is not None
    assert found.core.levels == (4,)
    rooms = [np.unique(data["codes"][found.order[island.rows], 3] // 75) for island in found.islands]
    assert sorted(int(room[-1]) for room in rooms if len(room)) == [0, 1, 2, 3]
    assert all(set(room) <= {-1, room[-1]} for room in rooms if len(room))
    assert np.array_equal(np.sort(found.order), np.arange(len(data["trials"])))
    # a name that no row carries has a place all the same
    assert sorted(np.concatenate([found.place, *(island.place for island in found.islands)])) == list(range(found.size))
    nameless = found.order[found.islands[-1].rows.stop :]
    assert set(range(5)) <= set(nameless.tolist())
    assert (data["codes"][nameless, :4] == -1).all()


def test_only_those_levels_are_shared_that_are_met_in_several_islands(
    monkeypatch: pytest.MonkeyPatch, small_islands: None
) -> None:
    """Faults of one room, or of a profile that all rooms print with: the first are the room's, however many there are."""
    data = rows(7)
    room = data["codes"][:, 3] // 75
    fault = np.random.default_rng(70).integers(0, 30, len(room))
    local = np.where(fault < 20, room * 20 + fault, 60 + fault)  # 0 to 79 each of a room, 80 to 89 of all
    local[(np.arange(len(room)) % 2 == 0) | (room < 0)] = -1
    data["codes"] = np.column_stack([data["codes"], local])
    levels = (*LEVELS, 90)

    found = in_islands(Design.of(data["fixed"], data["codes"], levels, None))
    assert found is not None
    shared = found.place[found.place >= found.slices[5].start]
    shared = shared[shared < found.slices[5].stop] - found.slices[5].start
    assert set(shared.tolist()) == set(range(80, 90))

    by_island = fit_crossed(**data, levels=levels, sd_prior_scale=np.full(6, 0.5), fixed_prior_sd=3.0)
    monkeypatch.setattr(crossed_islands, "WORTH_IT", 10**9)
    whole = fit_crossed(**data, levels=levels, sd_prior_scale=np.full(6, 0.5), fixed_prior_sd=3.0)
    assert isinstance(by_island.precision, Archipelago)
    same(by_island, whole)


def test_small_islands_are_put_together_until_they_are_worth_a_solution(
    monkeypatch: pytest.MonkeyPatch, small_islands: None
) -> None:
    """Thirty rooms of four printers and seven designs, and one of fifty and thirty: the large one stays by itself."""
    rng = np.random.default_rng(8)
    room = np.minimum(rng.integers(0, 40, 3000), 30)
    large = room == 30
    printer = np.where(large, 120 + rng.integers(0, 50, 3000), room * 4 + rng.integers(0, 4, 3000))
    design = np.where(large, 210 + rng.integers(0, 30, 3000), room * 7 + rng.integers(0, 7, 3000))
    codes, levels = np.column_stack([printer, design, rng.integers(0, 3, 3000)]), (170, 240, 3)
    fixed, trials = np.ones((3000, 1)), rng.integers(1, 10, 3000)
    linear = rng.normal(-2.0, 0.5, 170)[printer] + rng.normal(0.0, 0.5, 240)[design]
    data = {"failures": rng.binomial(trials, 1.0 / (1.0 + np.exp(-linear))), "trials": trials, "fixed": fixed}

    found = in_islands(Design.of(fixed, codes, levels, None))
    assert found is not None
    assert found.core.levels == (3,)
    left_over, *others, largest = sorted(island.design.size for island in found.islands)
    assert largest == 80
    assert len(others) == 5
    assert 50 < min(others) <= max(others) < 70  # about 60, in whole rooms
    assert left_over + sum(others) == 330
    # where nothing is shared, nor a name ever written
    bare = in_islands(Design.of(fixed, np.column_stack([printer, design, np.full(3000, -1)]), (170, 240, 0), None))
    assert bare is not None
    assert (bare.core.levels, len(bare.islands)) == ((), 7)

    by_island = fit_crossed(**data, codes=codes, levels=levels, sd_prior_scale=np.full(3, 0.5), fixed_prior_sd=3.0)
    monkeypatch.setattr(crossed_islands, "WORTH_IT", 10**9)
    whole = fit_crossed(**data, codes=codes, levels=levels, sd_prior_scale=np.full(3, 0.5), fixed_prior_sd=3.0)
    assert isinstance(by_island.precision, Archipelago)
    same(by_island, whole)


def test_what_is_of_one_piece_stays_so(small_islands: None) -> None:
    data = rows(4)
    rng = np.random.default_rng(4)
    data["codes"][:, 0] = rng.integers(0, 84, len(data["trials"]))  # printers go from room to room
    data["codes"][:, 1] = rng.integers(0, 120, len(data["trials"]))
    data["codes"][:, 2] = rng.integers(0, 101, len(data["trials"]))
    assert split(data) is None


def test_a_small_design_is_left_alone() -> None:
    assert split(rows(5)) is None


def test_columns_that_depend_on_each_other_are_told(small_islands: None) -> None:
    data = rows(6)
    data["fixed"] = np.column_stack([data["fixed"], data["fixed"][:, 1]])
    with pytest.raises(crossed_design.SingularDesignError):
        fit_crossed(**data, levels=LEVELS, fixed_prior_sd=np.inf)
