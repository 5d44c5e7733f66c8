"""Growth, scale, tilt, bow, the working curve: noiseless recovery, intervals, refusals."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from scipy.stats import t as t_distribution

from farmwatch.detectors.growth_sessions import growth_slope
from farmwatch.stats.growth import session_growth
from farmwatch.stats.growth_effects import column_evidence, contrast, fit_crossed, level_evidence, whiten
from farmwatch.stats.straight_line import curvature_log_p, fieller, fit_line
from farmwatch.stats.working_curve import DoseSlope, coupons_needed, dose_slope, exposure_factor, fit_working_curve


def test_one_bar_and_one_slot_are_the_pair_formula() -> None:
    found = session_growth(np.zeros(2, int), np.array([True, False]), np.array([5.0, 5.0]), np.array([0.07, -0.03]))
    assert found.growth_mm[0] == pytest.approx((0.07 + 0.03) / 4, rel=1e-12)
    assert found.scale[0] * 5.0 == pytest.approx((0.07 - 0.03) / 2, rel=1e-12)


def test_growth_and_scale_come_back_without_noise() -> None:
    rng = np.random.default_rng(1)
    session = np.repeat(np.arange(40), 6)
    outside = np.tile([True, False], 120)
    width = np.tile([2.0, 2.0, 5.0, 5.0, 10.0, 10.0], 40)
    growth, scale = rng.normal(0, 0.03, 40), rng.normal(0, 0.004, 40)
    error = np.where(outside, 2.0, -2.0) * growth[session] + scale[session] * width
    found = session_growth(session, outside, width, error)
    assert np.abs(found.growth_mm - growth).max() < 1e-12
    assert np.abs(found.scale - scale).max() < 1e-12
    assert found.separable.all()
    assert found.residual_ss.max() < 1e-20


def test_growth_and_scale_are_least_squares_also_where_bars_and_slots_do_not_pair() -> None:
    rng = np.random.default_rng(10)
    session = np.repeat([0, 1, 2], [7, 4, 5])
    outside, width = rng.random(16) < 0.6, rng.choice([2.0, 5.0, 10.0], 16)
    outside[[0, 7, 11]], outside[[1, 8, 12]] = True, False
    error = rng.normal(0, 0.03, 16)
    found = session_growth(session, outside, width, error)
    for number in range(3):
        rows = session == number
        design = np.column_stack([np.where(outside[rows], 2.0, -2.0), width[rows]])
        fitted, (rest,) = np.linalg.lstsq(design, error[rows])[:2]
        assert [found.growth_mm[number], found.scale[number]] == pytest.approx(fitted, rel=1e-9)
        assert found.variance[number] == pytest.approx(np.linalg.inv(design.T @ design)[0, 0], rel=1e-9)
        assert found.residual_ss[number] == pytest.approx(rest, rel=1e-9)
        assert found.freedom[number] == rows.sum() - 2


def test_bars_without_slots_cannot_tell_growth_from_scale() -> None:
    width = np.array([5.0, 5.0])
    found = session_growth(np.zeros(2, int), np.array([True, True]), width, 2 * 0.02 + 0.004 * width, known_scale=0.004)
    assert not found.separable[0]
    assert np.isnan(found.scale[0])
    assert found.growth_mm[0] == pytest.approx(0.02, rel=1e-12)
    assert (found.variance[0], found.freedom[0]) == (1.0 / 8.0, 1)  # the mean of two errors, each over 2


def test_working_curve_comes_back_without_noise() -> None:
    exposure = np.array([1.0, 1.6, 2.5, 4.0, 6.3])
    found = fit_working_curve(exposure, 0.11 * np.log(exposure / 0.45))
    assert found.dp_mm == pytest.approx(0.11, rel=1e-12)
    assert found.ec_s == pytest.approx(0.45, rel=1e-12)
    assert not found.refused


def test_working_curve_intervals_cover() -> None:
    rng = np.random.default_rng(3)
    exposure = np.tile([1.0, 1.6, 2.5, 4.0], 2)
    hits, told = np.zeros(2), 0
    for _ in range(2000):
        found = fit_working_curve(exposure, 0.11 * np.log(exposure / 0.45) + rng.normal(0, 0.006, 8))
        if not found.refused:
            told += 1
            hits += [found.dp_low <= 0.11 <= found.dp_high, found.ec_low <= 0.45 <= found.ec_high]
    assert told > 1900
    assert (hits / told > 0.93).all()
    assert (hits / told < 0.97).all()


def test_intervals_of_the_working_curve_are_those_of_the_straight_line() -> None:
    """Second route: Dp as the slope of statsmodels' regression; Ec's ends as the doses at which depth 0 is on the edge."""
    import statsmodels.api as sm

    exposure = np.array([1.0, 1.6, 2.5, 4.0, 6.3])
    depth = 0.11 * np.log(exposure / 0.45) + np.array([0.004, -0.006, 0.003, 0.002, -0.003])
    found = fit_working_curve(exposure, depth)
    line = sm.OLS(depth, sm.add_constant(np.log(exposure))).fit()
    assert [found.dp_low, found.dp_high] == pytest.approx(line.conf_int()[1], rel=1e-9)
    edge = line.get_prediction([[1.0, np.log(found.ec_low)], [1.0, np.log(found.ec_high)]]).conf_int()
    assert [edge[0, 1], edge[1, 0]] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert found.ec_low < found.ec_s < found.ec_high


@pytest.mark.parametrize(
    ("exposure", "depth", "why"),
    [
        ([2.0, 2.5, 3.0, 3.5], [0.1, 0.12, 0.14, 0.15], "span"),
        ([1.0, 3.0, 9.0], [0.1, 0.2, 0.3], "3 films"),
        ([1.0, 2.0, 4.0, 8.0, 16.0], [0.05, 0.2, 0.45, 0.8, 1.25], "straight line"),
        ([1.0, 2.0, 4.0, 8.0], [0.3, 0.29, 0.31, 0.3], "does not"),
    ],
)
def test_working_curve_refuses(exposure: list[float], depth: list[float], why: str) -> None:
    found = fit_working_curve(np.array(exposure), np.array(depth))
    if why == "does not":
        # no slope to speak of: Dp's interval holds zero, or it is refused
        assert found.refused or found.dp_low < 0.0
    else:
        assert why in found.refused
        assert np.isnan(found.dp_mm)


def test_curvature_is_the_f_test_of_a_nested_model() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(4)
    x = rng.uniform(0, 3, 15)
    y = 0.1 * x + 0.03 * x**2 + rng.normal(0, 0.05, 15)
    small = sm.OLS(y, sm.add_constant(x)).fit()
    large = sm.OLS(y, sm.add_constant(np.column_stack([x, x**2]))).fit()
    assert curvature_log_p(x, y) == pytest.approx(np.log(large.compare_f_test(small)[1]), rel=1e-8)


def test_fieller_solves_its_own_equation() -> None:
    found = fieller(-0.03, 0.06, 0.004**2, 0.008**2, 1e-6, 12.0)
    t = t_distribution.ppf(0.975, 12)
    for end in (found.low, found.high):
        variance = 0.004**2 - 2 * end * 1e-6 + end**2 * 0.008**2
        assert abs(-0.03 - end * 0.06) == pytest.approx(t * np.sqrt(variance), rel=1e-9)


def test_exposure_factor_recovers_and_covers() -> None:
    group = np.repeat(np.arange(6), 3)
    x = np.tile(np.log([0.75, 1.0, 1.35]), 6)
    exact = dose_slope(group, x, 0.02 + 0.05 * x + 0.01 * group, np.ones(18))
    assert exact.slope == pytest.approx(0.05, rel=1e-12)
    assert exposure_factor(0.02, 0.0, 20.0, exact).factor == pytest.approx(np.exp(-0.4), rel=1e-10)
    rng = np.random.default_rng(6)
    hits = 0
    for _ in range(1500):
        slope = dose_slope(group, x, 0.05 * x + rng.normal(0, 0.004, 18), np.ones(18))
        growth = rng.normal(0.02, 0.004 / 3, 9).mean()
        found = exposure_factor(growth, 0.004 / 9, 11.0, slope)
        hits += found.low <= np.exp(-0.4) <= found.high
    assert 0.93 < hits / 1500 < 0.975


def test_the_slope_of_growth_is_that_of_a_regression_with_a_level_for_each_group() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(9)
    group, x, variance = np.repeat([0, 1, 2], [4, 3, 5]), rng.uniform(0.0, 1.0, 12), rng.uniform(1.0, 3.0, 12)
    y = 0.05 * x + 0.01 * group + rng.normal(0, 0.003, 12)
    found = dose_slope(group, x, y, variance)
    line = sm.WLS(y, np.column_stack([np.eye(3)[group], x]), 1.0 / variance).fit()
    assert found.slope == pytest.approx(line.params[3], rel=1e-9)
    assert [found.low, found.high] == pytest.approx(line.conf_int()[3], rel=1e-9)
    assert (found.se, found.freedom) == (pytest.approx(line.bse[3], rel=1e-9), line.df_resid)


def sessions_of(
    rng: np.random.Generator, printers: int, prints: int, printer_sd: float, print_sd: float
) -> pd.DataFrame:
    """One lot, each printer at an exposure of its own, its prints alike but for a lamp of its own and their own error."""
    printer = np.repeat(np.arange(printers), prints)
    x = np.resize([-0.15, 0.0, 0.15], printers)[printer]
    growth = 0.06 * x + rng.normal(0, printer_sd, printers)[printer] + rng.normal(0, print_sd, printer.size)
    names = {"run_id": np.arange(printer.size), "printer_id": printer, "lot_id": "L0", "day": np.arange(printer.size)}
    return pd.DataFrame(names | {"log_exposure": x, "growth_mm": growth, "variance": 0.125})


def test_a_slope_between_printers_has_the_error_of_their_lamps_however_many_prints() -> None:
    """Prints taken as independent, the interval held in half of such farms."""
    rng = np.random.default_rng(21)
    exact = growth_slope(sessions_of(rng, 5, 4, 0.0, 0.0))
    assert exact.slope == pytest.approx(0.06, rel=1e-9)
    held = []
    for _ in range(200):
        found = growth_slope(sessions_of(rng, 5, 12, 0.003, 0.004))
        assert (found.freedom, found.pieces) == (3.0, 60)
        held.append(found.low <= 0.06 <= found.high)
    assert 0.91 <= np.mean(held) <= 0.99
    assert growth_slope(sessions_of(rng, 2, 12, 0.003, 0.004)).refused


def test_a_ladder_needs_one_piece_more_than_a_line() -> None:
    two = dose_slope(np.zeros(2, int), np.array([0.0, 0.4]), np.array([0.01, 0.03]), np.ones(2))
    three = dose_slope(np.zeros(3, int), np.array([0.0, 0.2, 0.4]), np.array([0.01, 0.021, 0.03]), np.ones(3))
    assert "too few" in two.refused
    assert (three.refused, three.freedom) == ("", 1.0)


def test_an_exposure_beyond_all_numbers_is_no_limit() -> None:
    steep = dose_slope(np.zeros(4, int), np.array([0.0, 0.2, 0.4, 0.6]), np.array([0.0, 0.01, 0.02, 0.03]), np.ones(4))
    assert exposure_factor(-40.0, 0.001, 20.0, steep).factor == float("inf")


def test_exposure_factor_is_refused_without_a_ladder() -> None:
    flat = dose_slope(np.zeros(6, int), np.full(6, 1.0), np.full(6, 0.02), np.ones(6))
    assert "one exposure" in flat.refused
    assert "one exposure" in exposure_factor(0.02, 0.002, 5.0, flat).refused


def test_ten_per_cent_more_dose_takes_many_coupons() -> None:
    """0.0095 mm deeper at Dp 0.10 mm: one coupon with an error of 0.01 mm cannot see it."""
    assert 0.1 * np.log(1.1) == pytest.approx(0.0095, abs=5e-5)
    needed = coupons_needed(0.0095, 0.01)
    assert 9 <= needed <= 13
    rng = np.random.default_rng(7)
    seen = 0
    for _ in range(2000):
        y = rng.normal(0.0095, 0.01, int(needed))
        seen += abs(y.mean()) / (y.std(ddof=1) / np.sqrt(y.size)) > t_distribution.ppf(0.975, y.size - 1)
    assert seen / 2000 == pytest.approx(0.8, abs=0.04)


@pytest.mark.parametrize(
    ("change", "sd", "coupons"),
    # second route: statsmodels' TTestPower
    [(0.0095, 0.01, 11), (0.0095, 0.005, 5), (0.02, 0.01, 5), (0.005, 0.01, 34), (0.03, 0.01, 4), (0.001, 0.01, 787)],
)
def test_coupons_needed_are_those_of_the_exact_power(change: float, sd: float, coupons: int) -> None:
    from statsmodels.stats.power import TTestPower

    assert coupons_needed(change, sd) == coupons_needed(-change, sd) == coupons
    power = [TTestPower().power(change / sd, number, 0.05) for number in (coupons - 1, coupons)]
    assert power[0] < 0.8 <= power[1]


def test_coupons_needed_at_the_ends() -> None:
    assert coupons_needed(0.0, 0.01) == coupons_needed(float("nan"), 0.01) == coupons_needed(0.01, 0.0) == float("inf")
    assert coupons_needed(10.0, 0.001) == 2.0
    assert coupons_needed(1e-12, 0.01) == pytest.approx(7.8489e20, rel=1e-4)  # (1.95996 + 0.84162)^2 / ratio^2


def test_column_evidence_is_the_ratio_of_two_fits() -> None:
    """Second route: the same column put into the design with the same prior width."""
    rng = np.random.default_rng(8)
    y = rng.normal(0, 0.005, 30)
    design = np.column_stack([np.ones(30), np.eye(5)[rng.integers(0, 5, 30)]])
    weight = rng.uniform(0.5, 2.0, 30)
    ratios = np.array([[1e4, *([0.5] * 5)], [1e4, *([2.0] * 5)]])
    column = (np.arange(30) > 20).astype(float)
    fit = fit_crossed(y, design, weight, ratios, 0.004, 3.0)
    wider = np.column_stack([ratios, np.full(2, 9.0)])
    with_column = fit_crossed(y, np.column_stack([design, column]), weight, wider, 0.004, 3.0)
    expected = np.logaddexp.reduce(with_column.log_weight) - np.logaddexp.reduce(fit.log_weight)
    assert column_evidence(fit, column[:, None], np.array([3.0]))[0] == pytest.approx(expected, rel=1e-9)


def test_whitening_is_the_inverse_root_of_the_shared_covariance() -> None:
    rng = np.random.default_rng(9)
    day, weight = rng.integers(0, 4, 12), rng.uniform(0.4, 2.0, 12)
    covariance = np.diag(1 / weight) + 1.7 * (day[:, None] == day[None, :])
    rows = rng.normal(size=(12, 3))
    white = whiten(rows, weight, day, 1.7)
    assert white.T @ white == pytest.approx(rows.T @ np.linalg.solve(covariance, rows), rel=1e-10)


def test_evidence_has_mean_one_under_its_own_null() -> None:
    """What the nightly guarantee rests on: drawn from the null's own priors, the evidence averages one."""
    rng = np.random.default_rng(10)
    design = np.column_stack([np.ones(24), np.eye(6)[np.arange(24) % 6]])
    ratios = np.array([[1.0, *([0.5] * 6)]])
    column = (np.arange(24) % 6 == 2).astype(float)[:, None]
    values = []
    for _ in range(6000):
        sd = np.sqrt(6.0 * 0.004**2 / rng.chisquare(6.0))
        effects = rng.normal(0, 1, 7) * sd * np.sqrt(ratios[0])
        y = design @ effects + rng.normal(0, sd, 24)
        values.append(
            column_evidence(fit_crossed(y, design, np.ones(24), ratios, 0.004, 6.0), column, np.array([1.0]))[0]
        )
    e = np.exp(values)
    assert e.mean() == pytest.approx(1.0, abs=4 * e.std() / np.sqrt(e.size))


def test_level_evidence_grows_with_the_level() -> None:
    from farmwatch.stats.growth_effects import Contrast

    logs = [level_evidence(Contrast(m, 0.002, 40.0), 0.01, np.array([0.03, 0.06])) for m in (0.0, 0.02, 0.05, 0.1)]
    assert logs[0] < 0.0
    assert np.all(np.diff(logs) > 0.0)


def test_line_needs_two_points() -> None:
    with pytest.raises(ValueError, match="two different"):
        fit_line(np.array([1.0, 1.0]), np.array([2.0, 3.0]))


@pytest.mark.parametrize("level", [0.5, 0.95, 0.99])
def test_the_ends_of_a_ratio_are_where_the_contrast_is_just_significant(level: float) -> None:
    top, bottom, top_var, bottom_var, covariance = 1.3, 2.0, 0.04, 0.03, 0.01
    ratio = fieller(top, bottom, top_var, bottom_var, covariance, np.inf, level)
    for end in (ratio.low, ratio.high):
        variance = top_var - 2.0 * end * covariance + end**2 * bottom_var
        assert abs(top - end * bottom) / np.sqrt(variance) == pytest.approx(norm.ppf(0.5 + level / 2.0), rel=1e-9)
    assert ratio.low < ratio.value < ratio.high


def test_a_line_through_two_points_has_no_error_to_tell() -> None:
    line = fit_line(np.array([1.0, 3.0]), np.array([2.0, 6.0]))
    assert (line.intercept, line.slope, line.freedom) == (pytest.approx(0.0, abs=1e-12), pytest.approx(2.0), 0)
    assert np.isnan(line.slope_se)
    assert np.isnan(line.intercept_se)


def test_a_contrast_has_the_mean_and_variance_of_its_mixture() -> None:
    """Second route: each point of the grid fitted alone, and the law of total variance."""
    rng = np.random.default_rng(6)
    y = rng.normal(0.01, 0.02, 24)
    design = np.column_stack([np.ones(24), np.eye(4)[np.arange(24) % 4]])
    weight = rng.uniform(0.5, 2.0, 24)
    ratios = np.array([[1e3, *([0.3] * 4)], [1e3, *([2.0] * 4)]])
    asked = np.array([0.0, 1.0, -0.5, -0.5, 0.0])
    both = fit_crossed(y, design, weight, ratios, 0.004, 3.0)
    alone = [contrast(fit_crossed(y, design, weight, row[None, :], 0.004, 3.0), asked) for row in ratios]
    share = both.share
    mean = sum(s * one.mean for s, one in zip(share, alone, strict=True))
    square = sum(s * (one.sd**2 + one.mean**2) for s, one in zip(share, alone, strict=True))
    found = contrast(both, asked)
    assert 0.01 < share[0] < 0.99
    assert found.mean == pytest.approx(mean, rel=1e-9)
    assert found.sd == pytest.approx(np.sqrt(square - mean**2), rel=1e-6)
    # one point of the grid is a ridge regression
    one = fit_crossed(y, design, weight, ratios[:1], 0.004, 3.0)
    gram = design.T @ (weight[:, None] * design) + np.diag(1.0 / ratios[0])
    assert alone[0].mean == pytest.approx(asked @ np.linalg.solve(gram, design.T @ (weight * y)), rel=1e-9)
    variance = float(asked @ np.linalg.solve(gram, asked)) * one.residual[0] / one.freedom
    assert alone[0].sd == pytest.approx(np.sqrt(variance), rel=1e-9)


@pytest.mark.parametrize(
    ("slope", "se", "advised"),
    [(0.05, 0.002, True), (0.05, 0.04, False), (-0.05, 0.002, False), (-0.05, 0.04, False), (0.0, 0.01, False)],
)
def test_no_exposure_is_advised_unless_growth_surely_rises_with_it(slope: float, se: float, advised: bool) -> None:
    """A slope that falls, or may be none, would turn the advice round."""
    found = exposure_factor(0.02, 0.002, 20.0, DoseSlope(30, "", slope, slope - 2 * se, slope + 2 * se, se, 20.0))
    assert bool(found.refused) is not advised
    assert np.isfinite(found.factor) == np.isfinite(found.low) == np.isfinite(found.high) == advised
    if advised:
        assert found.low < found.factor < found.high < 1.0
