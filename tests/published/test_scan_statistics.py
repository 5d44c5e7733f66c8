"""Kulldorff's log likelihood ratios against published zones, and the two clusters of North Carolina.

New York leukaemia: 552 cases among 1,057,673 people; the zone counts and their values are those which the tests of the R
package smerc check, taken there from FleXScan.

``nc_sids.csv``: births and sudden infant deaths, 1974-78 and 1979-84 together, of the 100 counties of North Carolina
(Cressie, Statistics for Spatial Data, 1993, pp. 386-389), with the centroids of the county outlines; made from the
``sids2`` example of libpysal 4.14.1 (dBASE counts summed over both periods, area centroids of the outlines). The clusters
and values 17.68 and 14.37 were recomputed by an independent route and have no printed source: overlap is tested.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from farmwatch.stats.plate_scan import bernoulli_llr, poisson_llr

SOUTH = {"Bladen", "Hoke", "Robeson", "Scotland"}
NORTH_EAST = {"Bertie", "Halifax", "Hertford", "Northampton"}


@pytest.mark.parametrize(
    ("cases", "people", "expected"), [(39, 31420, 11.6797), (31, 25764, 8.63552), (11, 9125, 3.00889)]
)
def test_new_york_leukaemia_zones(cases: int, people: int, expected: float) -> None:
    llr = bernoulli_llr(np.array([cases]), np.array([people]), 552, 1057673)
    assert llr[0] == pytest.approx(expected, rel=1e-5)


def test_rare_cases_bring_the_two_models_together() -> None:
    cases, people = np.array([39.0, 31.0, 11.0]), np.array([31420.0, 25764.0, 9125.0])
    poisson = poisson_llr(cases, people * 552 / 1057673, 552)
    assert poisson == pytest.approx(bernoulli_llr(cases, people, 552, 1057673), rel=2e-3)


def _circles() -> tuple[list[str], np.ndarray, np.ndarray, np.ndarray]:
    with (Path(__file__).parent / "nc_sids.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    births = np.array([float(row["births"]) for row in rows])
    deaths = np.array([float(row["deaths"]) for row in rows])
    place = np.array([[float(row["longitude"]) * np.cos(np.radians(35.5)), float(row["latitude"])] for row in rows])
    away = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    return [row["county"] for row in rows], births, deaths, np.argsort(away, axis=1)


def test_north_carolina_clusters() -> None:
    names, births, deaths, nearest = _circles()
    assert deaths.sum() == 1503
    size, cases = np.cumsum(births[nearest], axis=1), np.cumsum(deaths[nearest], axis=1)
    llr = bernoulli_llr(cases, size, deaths.sum(), births.sum())
    llr[size > births.sum() / 2] = 0.0
    found = []
    for _ in range(2):
        centre, last = np.unravel_index(np.argmax(llr), llr.shape)
        zone = nearest[centre, : last + 1]
        found.append((float(llr[centre, last]), {names[i] for i in zone}))
        llr[np.cumsum(np.isin(nearest, zone), axis=1) > 0] = 0.0
    (first, south), (second, north_east) = found
    assert len(south & SOUTH) >= 3
    assert len(north_east & NORTH_EAST) >= 3
    assert first == pytest.approx(17.68, rel=0.01)
    assert second == pytest.approx(14.37, rel=0.01)
