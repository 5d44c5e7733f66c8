"""The nightly limit of a plate pattern: streams without a fault pass it as often as allowed, and no oftener."""

from __future__ import annotations

import numpy as np
import pytest

from farmwatch.detectors.plate_streams import RATIOS
from farmwatch.stats.plate_limit import FROM_FIRST, LOG_RARE, PLATES, RELIEF, relief, simulated_relief
from farmwatch.stats.zones import membership, zone_dictionary


@pytest.mark.parametrize("half_mm", [(100.0, 60.0), (70.0, 70.0)])
def test_quiet_streams_pass_as_often_as_allowed(half_mm: tuple[float, float]) -> None:
    """Another route than the table's: every stream on its own, thinned places, held against the limit plate by plate."""
    rng = np.random.default_rng(3)
    streams, plates, rare = 4000, 100, 6.0
    zones = zone_dictionary()
    u, v = rng.uniform(-1.0, 1.0, (2, 5000))
    inside = membership(zones, u, v, np.full(5000, half_mm[0]), np.full(5000, half_mm[1]))
    bank = [np.log1p((r - 1) * inside) - np.log1p((r - 1) * inside.mean(axis=0)) for r in RATIOS]
    limits = rare - relief(np.arange(1, plates + 1), np.full(plates, rare))
    passed = 0
    for _ in range(streams):
        drawn = rng.integers(0, 5000, plates)
        sums = np.zeros(plates)
        for log_e in bank:
            path = np.cumsum(log_e[drawn], axis=0, dtype=float)
            before = np.vstack([np.zeros(path.shape[1]), path[:-1]])
            sums += (np.exp(path) * (FROM_FIRST + np.cumsum(np.exp(-before), axis=0))) @ zones.weight / len(RATIOS)
        passed += bool((np.log(sums) >= limits).any())
    allowed = -np.expm1(-np.exp(-rare) * plates)
    assert 0.7 * allowed < passed / streams < allowed + 3.0 * np.sqrt(allowed / streams)


def test_the_table_is_never_more_than_what_is_simulated() -> None:
    again = simulated_relief(4000, RATIOS, np.random.default_rng(11))
    often = LOG_RARE <= 7.0  # of the rarer ones too few are seen in so few streams
    assert (RELIEF[often] <= again[often] + 0.25).all()


def test_young_streams_may_be_told_sooner_and_nobody_later_than_by_the_bound() -> None:
    plates, rare = np.meshgrid(np.arange(1, 2000, 7), np.linspace(2.0, 14.0, 25))
    found = relief(plates, rare)
    assert (found >= 0.0).all()
    assert (np.diff(found, axis=1) <= 1e-12).all()
    assert (np.diff(found, axis=0) >= -1e-12).all()
    assert (found[rare < LOG_RARE[0]] == 0.0).all()
    assert relief(np.array([PLATES[2]]), np.array([LOG_RARE[4]])) == RELIEF[4, 2]
