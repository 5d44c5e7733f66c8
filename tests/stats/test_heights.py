"""Hazards by height: saturated estimates, who is at risk, and expected bands against brute force."""

from __future__ import annotations

import numpy as np
import pytest

from farmwatch.stats.heights import (
    BASE,
    BODY,
    BODY_EDGES_MM,
    TRANSITION,
    BandShares,
    band_of,
    due_in_bands,
    exposure,
    hazard_bin,
    pooled_hazards,
    seen_in_bands,
    window_edges,
)


def band_shares(
    height_mm: np.ndarray,
    part_height_mm: np.ndarray,
    base_mm: np.ndarray,
    low_mm: np.ndarray,
    rates: np.ndarray,
    stream: np.ndarray,
    windows: np.ndarray,
) -> BandShares:
    seen = seen_in_bands(height_mm, base_mm, low_mm, windows)
    return BandShares(seen, due_in_bands(part_height_mm, base_mm, low_mm, rates, stream, windows))


def test_bands_follow_the_layer_settings() -> None:
    height = np.array([0.0, 0.3, 0.34, 0.5, 0.7, 0.9, np.nan])
    band = band_of(height, np.full(7, 0.3), np.full(7, 0.7))
    assert band.tolist() == [BASE, BASE, BASE, TRANSITION, TRANSITION, BODY, BODY]
    none = band_of(np.array([0.5]), np.array([0.3]), np.array([0.3]))
    assert none.tolist() == [BODY]


def test_only_parts_tall_enough_are_at_risk() -> None:
    exposed = exposure(np.array([0.7, 3.0, 50.0]), np.full(3, 0.3), np.full(3, 0.7))
    assert exposed[0, 2:].sum() == 0.0
    assert exposed[1, 2:].sum() == pytest.approx(2.3)
    assert exposed[2, 2:].sum() == pytest.approx(49.3)
    assert exposed[:, :2].tolist() == [[1, 1]] * 3
    assert hazard_bin(np.array([0.2, 0.6, 1.0, 49.0]), np.full(4, 0.3), np.full(4, 0.7)).tolist() == [0, 1, 2, 8]


def test_expected_shares_equal_integration_by_small_steps() -> None:
    rng = np.random.default_rng(6)
    rates = rng.uniform(0.01, 0.2, (2, 2 + len(BODY_EDGES_MM) - 1))
    top, base, low = np.array([20.3, 7.5, 2.0]), np.array([0.3, 0.3, 0.5]), np.array([0.7, 0.7, 0.5])
    stream = np.array([0, 1, 1])
    windows = np.array([[1.0, 2.5], [6.0, 12.0], [30.0, 36.0]])
    shares = band_shares(top * 0.9, top, base, low, rates, stream, windows)
    step = 1e-3
    for row in range(3):
        heights = np.arange(low[row] + step / 2, top[row], step)
        hazard = rates[stream[row], 2 + np.searchsorted(BODY_EDGES_MM[1:-1], heights - low[row], side="right")] * step
        foot = rates[stream[row], 0] * 1.0
        middle = rates[stream[row], 1] * float(low[row] > base[row])
        total = foot + middle + hazard.sum()
        expected = [foot, middle, hazard.sum()]
        expected += [hazard[(heights >= a) & (heights < b)].sum() for a, b in windows]
        assert shares.expected[row] == pytest.approx(np.array(expected) / total, rel=2e-2, abs=2e-4)
    assert shares.expected[:, 5].tolist() == [0.0, 0.0, 0.0]
    assert shares.expected[:, :3].sum(axis=1) == pytest.approx(np.ones(3), rel=1e-6)


def test_observed_shares_put_each_failure_in_one_band() -> None:
    height = np.array([0.2, 0.6, 9.0])
    windows = np.array([[8.0, 10.0], [0.0, 1.0]])
    rates = np.ones((1, 2 + len(BODY_EDGES_MM) - 1))
    shares = band_shares(height, np.full(3, 20.0), np.full(3, 0.3), np.full(3, 0.7), rates, np.zeros(3, int), windows)
    assert shares.observed.tolist() == [[1, 0, 0, 0, 0], [0, 1, 0, 0, 0], [0, 0, 1, 1, 0]]


def test_pooled_hazards_are_plain_ratios_where_there_is_plenty() -> None:
    failures, exposed = np.full((1, 11), 4000.0), np.full((1, 11), 80000.0)
    assert pooled_hazards(failures, exposed) == pytest.approx(np.full((1, 11), 0.05), rel=1e-3)
    assert (pooled_hazards(np.zeros((1, 11)), exposed) > 0).all()


def test_windows_overlap_by_half_and_reach_the_top() -> None:
    edges = window_edges(10.0, (2.0,))
    assert (np.diff(edges[:, 0]) == 1.0).all()
    assert (edges[:, 1] - edges[:, 0] == 2.0).all()
    assert edges[-1, 1] >= 10.0


def test_a_failure_on_an_edge_lies_in_the_window_above_it() -> None:
    windows = np.array([[2.0, 4.0], [4.0, 6.0], [6.0, 8.0]])
    height = np.array([2.0, 3.9, 4.0, 6.0, 8.0])
    many = len(height)
    shares = band_shares(
        height,
        np.full(many, 20.0),
        np.full(many, 0.3),
        np.full(many, 0.7),
        np.full((1, 2 + len(BODY_EDGES_MM) - 1), 0.01),
        np.zeros(many, dtype=int),
        windows,
    )
    assert shares.observed[:, 3:].argmax(axis=1)[:4].tolist() == [0, 0, 1, 2]
    assert shares.observed[:, 3:].sum(axis=1).tolist() == [1.0, 1.0, 1.0, 1.0, 0.0]
