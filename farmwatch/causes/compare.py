"""The subject's failing plates beside its others: colder, fuller, in line, with their neighbours; and in what course."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.causes.context import Case
from farmwatch.causes.pattern import Answer
from farmwatch.causes.questions import COURSES, YES_NO, percent

#: plates at which a "no" counts half
_HALF = 15.0
#: mean of squared standardised residuals a plate, beyond what the farm's plates have, that tells bouts from a steady fault
_BOUTS = 1.8
_IN_LINE_MM = 1.0
#: plates of one subject whose footprints differ by less than this share are alike; full begins at the first share of the
#: farm's plates that they are fuller than, and is sure from the second
_ALIKE = 0.1
_FULL = (0.6, 0.95)


@dataclass(frozen=True)
class Climb:
    """Whether plates fail more the higher a value stands, beyond what was expected of each.

    ``z``: the score test for a slope of failures on the rank of the value; ``ratio``: failures over expected in the
    upper third of the plates over that in the lower third.
    """

    z: float
    ratio: float


def climb(value: np.ndarray, failures: np.ndarray, expected: np.ndarray, variance: np.ndarray) -> Climb:
    """The climb of ``failures`` with ``value``, each (plates,); ``expected`` and ``variance`` above 0, at any one scale.

    Ranks with ties in the middle. The variance is inflated by the mean squared residual where that passes one.
    """
    order = np.sort(value)
    rank = (np.searchsorted(order, value, "left") + np.searchsorted(order, value, "right")) / (2.0 * len(value))
    mean = expected * failures.sum() / expected.sum()
    residual = failures - mean
    lever = rank - (rank * mean).sum() / mean.sum()
    spread = max(float((residual**2 / variance).mean()), 1.0)
    total = float(np.sqrt((lever**2 * variance).sum() * spread))
    upper, lower = rank > 2.0 / 3.0, rank < 1.0 / 3.0
    above, below = ((failures[part].sum() + 0.5) / (mean[part].sum() + 0.5) for part in (upper, lower))
    return Climb(float((lever * residual).sum()) / total if total > 0.0 else 0.0, float(above / below))


def cold(case: Case) -> Answer | None:
    """Whether the failing plates were printed in a colder room than the subject's other plates."""
    ambient = case.context.plates["ambient_c"].to_numpy(float)
    since, before = ambient[case.plates], ambient[np.setdiff1d(case.all_plates, case.plates)]
    answer = _compare(case, -since, "cold")
    if answer is None or answer.answer == "yes" or not np.isfinite(before).sum() > 5:
        return answer
    # a cold spell may hold all the plates since the beginning: then they lie below the ones before
    now, then = np.nanmean(since), np.nanmean(before)
    if now < 20.0 and then - now > 1.5:
        return Answer("cold", "yes", f"the room was at {now:.1f} degC since it began, {then:.1f} degC before",
                      run_ids=case.run_ids(case.plates))  # fmt: skip
    return answer


def load(case: Case) -> Answer | None:
    """Whether the failing plates carried more footprint than the subject's other plates.

    A subject whose plates are all alike (one file) is compared with the farm's other plates instead.
    """
    plates = case.context.plates
    area = plates["plate_width_mm"].to_numpy(float) * plates["plate_depth_mm"].to_numpy(float)
    every = plates["footprint_mm2"].to_numpy(float) / area
    every = np.where(every > 0.0, every, np.nan)
    own = every[case.plates]
    told = own[np.isfinite(own)]
    if len(told) >= case.context.settings.causes.plates_at_least and told.std() < _ALIKE * told.mean():
        rank = float((every[np.isfinite(every)] < told.mean()).mean())
        full = float(np.clip((rank - _FULL[0]) / (_FULL[1] - _FULL[0]), 0.0, 1.0))
        more, than = ("fuller", rank) if rank >= 0.5 else ("emptier", 1.0 - rank)
        words = f"its plates are {more} than {percent(than)} of the farm's"
        return Answer("load", "yes" if full > 0.5 else "no", words, share=np.array([full, 1.0 - full]),
                      run_ids=case.run_ids(case.plates))  # fmt: skip
    return _compare(case, own, "load")


def aligned(case: Case) -> Answer | None:
    """Whether the failing plates held longer rows of parts in line along x."""
    context = case.context
    if context.without_parts or not len(case.plates):
        return None
    rows = context.parts_on(case.plates[-400:])
    y = context.parts["y_mm"].iloc[rows].to_numpy(float)
    rows, y = rows[~np.isnan(y)], y[~np.isnan(y)]
    place = np.searchsorted(case.plates, context.part_plate[rows])
    line = np.round(y / _IN_LINE_MM).astype(int)
    line -= line.min(initial=0)
    key, count = np.unique(place * (int(line.max(initial=0)) + 1) + line, return_counts=True)
    longest = np.zeros(len(case.plates))
    np.maximum.at(longest, key // (int(line.max(initial=0)) + 1), count)
    return _compare(case, np.where(longest > 0, longest, np.nan), "aligned")


def stood(case: Case) -> Answer | None:
    """Whether plates that began after the printer had stood fail more than those that followed the one before."""
    return _compare(case, case.context.stood_h[case.plates], "stood")


def _compare(case: Case, value: np.ndarray, question: str) -> Answer | None:
    """Yes where ``value`` (plates of the case,) lies higher on plates with more failures than expected of them."""
    settings = case.context.settings.causes
    known = np.isfinite(value)
    if known.sum() < 2 * settings.plates_at_least:
        return None
    number, failures, expected = case.per_plate
    known &= expected > 0.0
    heavy = known & (failures > expected)
    if heavy.sum() < settings.plates_at_least:
        return None
    mean, variance = _scaled(case, number[known], failures[known], expected[known])
    found = climb(value[known], failures[known], mean, variance)
    yes = found.z > settings.answer_z and found.ratio > settings.answer_ratio
    few = float(min(heavy.sum(), (known & ~heavy).sum()))
    words = YES_NO[question][0 if yes else 1]
    return Answer(question, "yes" if yes else "no", words, 1.0 if yes else case.excess * few / (few + _HALF),
                  run_ids=case.run_ids(case.plates[heavy]))  # fmt: skip


def _scaled(
    case: Case, number: np.ndarray, failures: np.ndarray, expected: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of each plate's failures, were all raised alike; the farm's correlation is in the variance."""
    mean = np.clip(expected * failures.sum() / expected.sum(), 1e-6, 0.98 * number)
    together = 1.0 + case.context.correlation * np.maximum(number - 1.0, 0.0)
    return mean, mean * (1.0 - mean / number) * together


def neighbours(case: Case) -> Answer | None:
    """Of a design: whether other parts on the plates where it failed fail with it more than was expected of them."""
    context = case.context
    if case.design is None or not len(case.failed):
        return None
    plates = np.unique(case.failed_plates)
    rows = context.parts_on(plates)
    rows = rows[context.part_known[rows] & ~context.of_design(case.design, rows)]
    if len(plates) < context.settings.causes.plates_at_least or not len(rows):
        return None
    expected, failures = context.risk[rows].sum(), float(context.part_failed[rows].sum())
    spread = np.sqrt(max(expected, 0.5) * (1.0 + context.correlation * (len(rows) / len(plates) - 1.0)))
    yes = failures > 1.5 * expected and (failures - expected) / spread > context.settings.causes.answer_z
    words = (
        f"{YES_NO['neighbours'][0 if yes else 1]} ({failures:.0f} of {len(rows)} beside it, {expected:.1f} expected)"
    )
    weight = 1.0 if yes else expected / (expected + 3.0)
    return Answer("neighbours", "yes" if yes else "no", words, weight, run_ids=case.run_ids(plates))


def course(case: Case) -> Answer | None:
    """Growing, steady, or in bouts: the score test for a slope over time, then the spread from plate to plate."""
    settings = case.context.settings.causes
    if len(case.plates) < 2 * settings.plates_at_least:
        return None
    number, failures, expected = case.per_plate
    kept = expected > 0.0
    if failures[kept].sum() < settings.plates_at_least:
        return None
    number, failures, expected = number[kept], failures[kept], expected[kept]
    mean, variance = _scaled(case, number, failures, expected)
    spread = float(((failures - mean) ** 2 / variance).mean())
    day = case.context.day[case.plates[kept]].astype(float)
    lever = day - (day * mean).sum() / mean.sum()
    slope = float((lever * (failures - mean)).sum() / np.sqrt((lever**2 * variance).sum() * max(spread, 1.0) + 1e-12))
    weight = len(mean) / (len(mean) + _HALF)
    answer = "ramp" if slope > settings.answer_z else "now_and_then" if spread > _BOUTS else "lasting"
    if answer == "lasting":
        # what a fault that rose from nothing to twice its mean would have shown: in few days, nothing
        rise = 2.0 * (day - day.min()) / max(float(np.ptp(day)), 1.0) - 1.0
        power = float((lever * mean * rise).sum() / np.sqrt((lever**2 * variance).sum() * max(spread, 1.0) + 1e-12))
        weight *= case.excess * float(np.clip(power / (2.0 * settings.answer_z), 0.0, 1.0))
    return Answer("course", answer, f"it is {COURSES[answer]}", weight, run_ids=case.run_ids(case.plates))
