"""Rivals: found when the records are the same, cleared when the plates tell."""

import numpy as np
import pytest
from scipy.special import expit

from farmwatch.stats.separable import _Plates, reading_rivals, rivals
from farmwatch.stats.separating import readings_to_separate

PRINTER, LOT, DESIGN = 0, 1, 2


def plates(seed: int, on_others: int, effect: float, guilty: str, usual: float = -3.0) -> dict[str, np.ndarray]:
    """Printer 0 runs lot 0 on 60 plates; ``on_others`` plates of lot 0 stand on other printers; 300 plates of neither."""
    rng = np.random.default_rng(seed)
    printer = np.concatenate([np.zeros(60, int), rng.integers(1, 8, on_others + 300)])
    lot = np.concatenate([np.zeros(60 + on_others, int), rng.integers(1, 6, 300)])
    codes = np.column_stack([printer, lot, rng.integers(0, 10, len(lot))])
    bad = (printer == 0) if guilty == "printer" else (lot == 0)
    trials = rng.integers(4, 12, len(lot))
    offset = np.full(len(lot), usual)
    return {
        "failures": rng.binomial(trials, expit(offset + effect * bad)),
        "trials": trials,
        "offset": offset,
        "codes": codes,
    }


def test_a_printer_and_the_lot_that_it_alone_runs_are_aliased() -> None:
    found = rivals(suspect=(PRINTER, 0), **plates(1, 0, 1.5, "printer"))
    assert [(rival.factor, rival.level, rival.reason) for rival in found] == [(LOT, 0, "aliased")]
    assert (found[0].shared, found[0].only_suspect, found[0].only_rival) == (60, 0, 0)
    # one effect serves as well as the other; both together gain a little prior at most
    assert found[0].cost_without_suspect == pytest.approx(found[0].cost_without_rival, abs=1e-6)
    back = rivals(suspect=(LOT, 0), **plates(1, 0, 1.5, "printer"))
    assert [(rival.factor, rival.level) for rival in back] == [(PRINTER, 0)]


@pytest.mark.parametrize("seed", range(5))
def test_plates_of_the_lot_elsewhere_clear_it(seed: int) -> None:
    assert rivals(suspect=(PRINTER, 0), **plates(seed, 60, 1.5, "printer")) == ()


@pytest.mark.parametrize("seed", range(5))
def test_the_printer_of_a_bad_lot_is_no_suspect_without_its_rival(seed: int) -> None:
    data = plates(seed, 60, 1.5, "lot")
    assert rivals(suspect=(LOT, 0), **data) == ()
    wrong = rivals(suspect=(PRINTER, 0), **data)
    assert (LOT, 0) in [(rival.factor, rival.level) for rival in wrong]
    assert wrong[0].cost_without_rival > 3.0


def test_a_few_plates_elsewhere_are_not_enough() -> None:
    found = rivals(suspect=(PRINTER, 0), **plates(3, 3, 1.5, "printer"))
    assert [(rival.factor, rival.level) for rival in found] == [(LOT, 0)]
    assert found[0].reason in ("correlated", "cheap")
    assert found[0].only_rival == 3


@pytest.mark.parametrize(("usual", "told"), [(-3.0, -3.0), (0.5, 0.5), (-3.0, -14.0)])
def test_costs_are_differences_of_maxima(usual: float, told: float) -> None:
    """Second route: the penalised maxima by a general optimiser; where failures are few, many, and beyond all expectation."""
    from scipy.optimize import minimize

    data = plates(4, 5, 1.5, "printer", usual)
    data["offset"][:] = told
    weights = np.linspace(0.4, 1.0, len(data["trials"]))
    found = rivals(suspect=(PRINTER, 0), weights=weights, cost_limit=8.0, **data)
    rival = next(rival for rival in found if (rival.factor, rival.level) == (LOT, 0))
    columns = np.column_stack([data["codes"][:, 0] == 0, data["codes"][:, 1] == 0]).astype(float)

    def best(design: np.ndarray) -> float:
        def loss(effects: np.ndarray) -> float:
            linear = data["offset"] + design @ effects
            inside = weights @ (data["failures"] * linear - data["trials"] * np.logaddexp(0, linear))
            return float(0.5 * effects @ effects / 1.5**2 - inside)

        return -minimize(loss, np.zeros(design.shape[1]), method="BFGS", options={"gtol": 1e-8}).fun

    both = best(columns)
    assert rival.cost_without_suspect == pytest.approx(both - best(columns[:, 1:]), abs=1e-6)
    assert rival.cost_without_rival == pytest.approx(both - best(columns[:, :1]), abs=1e-6)
    assert -1 < rival.correlation < 0


def test_the_first_look_is_what_one_step_of_newton_from_no_effect_gains() -> None:
    """Second route: slope and curvature of the penalised log-likelihood by differences."""
    data = plates(9, 30, 1.0, "lot")
    weights = np.linspace(0.4, 1.0, len(data["trials"]))
    lot, asked, step = data["codes"][:, LOT], np.array([4, 0, 2]), 1e-3
    each = _Plates(data["failures"], data["trials"], data["offset"], weights, 1.5).score_gains(lot, asked)
    for found, level in zip(each, asked, strict=True):

        def value(effect: float, level: int = level) -> float:
            linear = data["offset"] + effect * (lot == level)
            inside = weights @ (data["failures"] * linear - data["trials"] * np.logaddexp(0, linear))
            return float(inside - 0.5 * (effect / 1.5) ** 2)

        low, middle, high = value(-step), value(0.0), value(step)
        slope, curvature = (high - low) / (2 * step), (2 * middle - low - high) / step**2
        assert found == pytest.approx(0.5 * slope**2 / curvature, rel=1e-4)


@pytest.mark.parametrize(("elsewhere", "named"), [(4, False), (7, True)])
def test_who_explains_less_than_half_of_a_small_excess_is_no_rival(elsewhere: int, named: bool) -> None:
    """Ten plates of the suspect alone, ten of both, ten of the other alone; leaving the suspect out costs little either way."""
    failures = np.concatenate([np.arange(10) < count for count in (9, 10, elsewhere)])
    codes = np.repeat([[0, 1], [0, 0], [1, 0]], 10, axis=0)
    found = rivals(failures, np.full(30, 10), np.full(30, -3.0), codes, (0, 0))
    assert [(rival.factor, rival.level, rival.reason) for rival in found] == ([(1, 0, "cheap")] if named else [])


def test_the_closest_rival_comes_first() -> None:
    data = plates(3, 3, 1.5, "printer")
    data["codes"][:, DESIGN] = data["codes"][:, PRINTER]  # nothing tells these two apart, three plates the lot
    found = rivals(suspect=(PRINTER, 0), **data)
    assert [rival.factor for rival in found] == [DESIGN, LOT]
    assert found[0].cost_without_suspect < found[1].cost_without_suspect


def test_without_an_excess_there_is_nothing_to_share_out() -> None:
    assert rivals(suspect=(PRINTER, 0), **plates(1, 0, 0.0, "printer")) == ()


def test_what_has_nothing_to_do_with_it_is_no_rival() -> None:
    data = plates(5, 60, 1.5, "printer")
    found = rivals(suspect=(PRINTER, 0), **data)
    assert all(rival.factor != DESIGN for rival in found)
    assert rivals(suspect=(PRINTER, 99), **data) == ()


def test_unnamed_levels_are_never_rivals() -> None:
    data = plates(6, 0, 1.5, "printer")
    data["codes"][:60, LOT] = -1
    assert rivals(suspect=(PRINTER, 0), **data) == ()


@pytest.mark.parametrize("outcome", [0.0, 1.0])
def test_all_alike_is_finite(outcome: float) -> None:
    data = plates(7, 5, 0.0, "printer")
    data["failures"] = data["trials"] * outcome
    for rival in rivals(suspect=(PRINTER, 0), **data):
        assert np.isfinite([rival.cost_without_suspect, rival.cost_without_rival, rival.correlation]).all()


def test_how_often_the_innocent_is_named() -> None:
    """A guilty printer, its lot seen elsewhere as often: over 200 farms the lot is cleared or named beside it,
    and as sole culprit (a cost of more than 3 without it) hardly ever."""
    wrong = 0
    for seed in range(200):
        found = rivals(suspect=(PRINTER, 0), **plates(1000 + seed, 40, 1.2, "printer"))
        wrong += any(rival.cost_without_rival > 3.0 for rival in found)
    assert wrong <= 4  # 2 %: a log-likelihood of 3 by chance alone happens in 1.4 % of two-sided looks


def readings(seed: int, elsewhere: int, guilty: str, step: float = 1.5) -> dict[str, np.ndarray]:
    """Printer 0 steps with lot 0 after 60 of its 120 readings; ``elsewhere`` readings of lot 0 on other printers."""
    rng = np.random.default_rng(seed)
    printer = np.concatenate([np.zeros(120, int), np.repeat(np.arange(1, 6), 100)])
    late = np.concatenate([np.arange(120) >= 60, np.tile(np.arange(100) >= 50, 5)])
    lot = np.where(late & (printer == 0), 0, 1 + rng.integers(0, 3, printer.size))
    lot[rng.choice(np.flatnonzero(late & (printer > 0)), elsewhere, replace=False)] = 0
    bad = late & ((printer == 0) if guilty == "printer" else (lot == 0))
    values = rng.normal(0, 1, 6)[printer] + step * bad + rng.normal(0, 1.0, printer.size)
    return {"values": values, "level": printer, "late": late, "codes": np.column_stack([printer, lot])}


def test_a_measure_that_stepped_with_a_lot_has_it_as_its_rival_until_the_lot_ran_elsewhere() -> None:
    found = reading_rivals(suspect=(0, 0), error_sd=1.0, **readings(1, 0, "printer"))
    assert [(rival.factor, rival.level, rival.reason) for rival in found] == [(LOT, 0, "aliased")]
    assert (found[0].shared, found[0].only_suspect, found[0].only_rival) == (60, 0, 0)
    gaps = readings(1, 0, "printer")
    gaps["level"] = 2 * gaps["level"]  # numbers that no reading has
    assert reading_rivals(suspect=(0, 0), error_sd=1.0, **gaps) == found
    for seed in range(5):
        assert reading_rivals(suspect=(0, 0), error_sd=1.0, **readings(seed, 40, "printer")) == ()
        wrong = reading_rivals(suspect=(0, 0), error_sd=1.0, **readings(seed, 60, "lot"))
        assert [(rival.factor, rival.level) for rival in wrong] == [(LOT, 0)]
        assert reading_rivals(suspect=(LOT, 0), error_sd=1.0, **readings(seed, 60, "lot")) == ()
    quiet = readings(2, 0, "printer", step=0.0)
    assert reading_rivals(suspect=(0, 0), error_sd=1.0, **quiet) == ()


@pytest.mark.parametrize("elsewhere", [2, 8, 12])
@pytest.mark.parametrize("sd", [0.9, 1.3])
def test_second_route_the_cost_of_a_rival_is_a_difference_of_penalised_squares(elsewhere: int, sd: float) -> None:
    """The same fits written out: a column of ones a level, the effects' doubt as one more row each."""
    data = readings(4, elsewhere, "printer")
    (found,) = reading_rivals(suspect=(0, 0), error_sd=sd, cost_limit=12.0, correlation_limit=0.0, **data)
    levels = (data["level"][:, None] == np.arange(6)).astype(float)

    def least(*columns: np.ndarray) -> float:
        design = np.column_stack([levels, *columns])
        doubt = np.zeros((len(columns), design.shape[1]))
        doubt[:, 6:] = np.eye(len(columns))
        rows, aim = np.vstack([design, doubt]), np.append(data["values"], np.zeros(len(columns)))
        rest = aim - rows @ np.linalg.lstsq(rows, aim, rcond=None)[0]
        return 0.5 * float(rest @ rest) / sd**2

    mine = (data["late"] & (data["codes"][:, 0] == 0)).astype(float)
    other = (data["late"] & (data["codes"][:, 1] == 0)).astype(float)
    both = least(mine, other)
    assert found.cost_without_suspect == pytest.approx(least(other) - both, rel=1e-9)
    assert found.cost_without_rival == pytest.approx(least(mine) - both, rel=1e-9)


def test_that_many_readings_rule_the_wrong_one_out_four_times_in_five() -> None:
    rng = np.random.default_rng(3)
    for step, sd in ((1.0, 1.0), (0.4, 1.0), (-2.0, 3.0)):
        number = int(readings_to_separate(step, sd))
        told = rng.normal(step, sd, (4000, number))
        ratio = ((told * step) - step**2 / 2.0).sum(axis=1) / sd**2  # for the step against none
        assert 0.78 < (ratio > 3.0).mean() < 0.9
    assert readings_to_separate(0.0, 1.0) == float("inf")


def test_names_that_mostly_go_together_are_correlated_though_leaving_the_suspect_out_costs() -> None:
    """Second route for the correlation: the inverse of the penalised information at the joint maximum."""
    from scipy.optimize import minimize

    one = np.repeat([True, True, False, False], [40, 3, 3, 40])
    two = np.repeat([True, False, True, False], [40, 3, 3, 40])
    trials, offset = np.full(86, 10), np.full(86, -3.0)
    failures = np.random.default_rng(12).binomial(trials, expit(offset + 1.8 * one))
    codes = np.column_stack([~one, ~two]).astype(int)
    (rival,) = rivals(failures, trials, offset, codes, (0, 0))
    assert (rival.reason, rival.shared, rival.only_suspect, rival.only_rival) == ("correlated", 40, 3, 3)
    assert 3.0 < rival.cost_without_suspect < 6.0
    design = np.column_stack([one, two]).astype(float)

    def loss(effects: np.ndarray) -> float:
        linear = offset + design @ effects
        return float(0.5 * effects @ effects / 1.5**2 - failures @ linear + trials @ np.logaddexp(0, linear))

    mode = minimize(loss, np.zeros(2), method="BFGS", options={"gtol": 1e-8}).x
    risk = expit(offset + design @ mode)
    covariance = np.linalg.inv(design.T @ ((trials * risk * (1 - risk))[:, None] * design) + np.eye(2) / 1.5**2)
    assert rival.correlation == pytest.approx(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]), rel=1e-4)
    # up to twice the limit it may cost
    assert rivals(failures, trials, offset, codes, (0, 0), cost_limit=0.51 * rival.cost_without_suspect) == (rival,)
    assert rivals(failures, trials, offset, codes, (0, 0), cost_limit=0.49 * rival.cost_without_suspect) == ()
    # a stricter eye lets it go: what costs that much to leave out has no rival among the loosely tied
    assert rivals(failures, trials, offset, codes, (0, 0), correlation_limit=0.97) == ()
