"""Shrunken ratios and the even share, against other routes to the same modes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from farmwatch.stats.raised import even_share, ratio_towards


@pytest.mark.parametrize(
    ("observed", "expected", "towards", "sd"),
    [(19.0, 0.0156, 3.0, 2.0), (0.0, 0.5, 3.0, 2.0), (1.0, 0.02, 1.0, 1.5), (140.0, 90.0, 0.2, 0.7), (3.0, 40.0, 5.0, 2.0)],
)  # fmt: skip
def test_the_ratio_is_the_mode_of_the_posterior(observed: float, expected: float, towards: float, sd: float) -> None:
    def loss(log_ratio: float) -> float:
        return expected * np.exp(log_ratio) - observed * log_ratio + (log_ratio - np.log(towards)) ** 2 / (2.0 * sd**2)

    best = minimize_scalar(loss, bounds=(-12.0, 14.0), method="bounded", options={"xatol": 1e-10}).x
    assert ratio_towards(np.array(observed), np.array(expected), towards, sd) == pytest.approx(np.exp(best), rel=1e-4)


def test_an_unheard_of_sign_that_shows_often_is_believed() -> None:
    assert 0.0156 * ratio_towards(np.array(19.0), np.array(0.0156), 3.0, 2.0) == pytest.approx(18.0, abs=1.0)


def test_with_nothing_expected_and_nothing_seen_the_ratio_is_the_prior() -> None:
    assert ratio_towards(np.array([0.0]), np.array([0.0]), 4.0, 1.0) == pytest.approx([4.0])


def shares(failures: np.ndarray, expected: np.ndarray, trials: np.ndarray) -> np.ndarray:
    """From the cells that lost something, and what all have; the others say no more than that."""
    told = failures.any(axis=1)
    return even_share(failures[told], expected[told], trials[told], expected.sum(axis=0), float(trials.sum()))


def test_the_even_share_is_the_mode_of_the_mixture() -> None:
    rng = np.random.default_rng(3)
    trials = rng.integers(1, 9, 200).astype(float)
    expected = (trials * rng.gamma(0.5, 0.1, 200))[:, None]
    mean = 0.4 * trials / trials.sum() + 0.6 * expected[:, 0] / expected.sum()
    failures = rng.poisson(150 * mean)[:, None].astype(float)

    def loss(share: float) -> float:
        mix = share * trials / trials.sum() + (1.0 - share) * expected[:, 0] / expected.sum()
        return -float(failures[:, 0] @ np.log(mix)) - 2.0 * np.log(1.0 - share)

    best = minimize_scalar(loss, bounds=(0.0, 1.0), method="bounded").x
    assert shares(failures, expected, trials)[0] == pytest.approx(best, abs=0.01)


def test_one_failure_says_nothing_of_evenness() -> None:
    failures = np.zeros((50, 1))
    failures[3] = 1.0
    assert shares(failures, np.full((50, 1), 0.1), np.full(50, 4.0)) == pytest.approx([0.0], abs=0.01)


def test_the_even_share_of_each_sign_is_its_own() -> None:
    """Cells in which only some signs failed tell of all signs together as of each alone."""
    rng = np.random.default_rng(5)
    trials = rng.integers(1, 9, 120).astype(float)
    expected = trials[:, None] * rng.gamma(0.5, 0.1, (120, 2))
    failures = rng.poisson([0.4, 0.1], (120, 2)).astype(float)
    both = shares(failures, expected, trials)
    for sign in range(2):
        alone = shares(failures[:, [sign]], expected[:, [sign]], trials)
        assert both[sign] == pytest.approx(alone[0], rel=1e-9)
