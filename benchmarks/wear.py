"""How often wear cries wolf, how often a plain step is filed as wear, and whether its counts hold. Prints a table.

Run: python benchmarks/wear.py [FARMS]
"""

from __future__ import annotations

import datetime as dt
import sys

import numpy as np
import pandas as pd

from farmwatch.detectors.night import join_history
from farmwatch.detectors.wear import detect
from farmwatch.evidence import Evidence
from farmwatch.records import Records, conform
from farmwatch.settings import load_settings

START = dt.date(2031, 1, 6)
DAYS = 180
LAYERS = 600.0
PARTS = 6


def plate_farm(
    rng: np.random.Generator,
    printers: int = 10,
    per_day: int = 3,
    rate: float = 0.04,
    level_sd: float = 0.3,
    plate_sd: float = 0.8,
    life: float = 40_000.0,
    worn: int | None = None,
    doubling: float = 12_000.0,
    all_wear: float | None = None,
    step: tuple[int, int, float] | None = None,
) -> Records:
    """Plates of parts that fail together (``plate_sd`` on the log odds); films changed after about ``life`` layers.

    ``worn``: the printer whose odds double every ``doubling`` layers; ``all_wear``: the same for all printers;
    ``step``: (printer, day, log odds ratio).
    """
    number = DAYS * per_day
    day = np.arange(number) // per_day
    at = pd.Timestamp(START, tz="UTC") + pd.to_timedelta(day * 24.0 + 7.0 * (np.arange(number) % per_day), unit="h")
    runs, parts, service = [], [], []
    for printer in range(printers):
        count, counter = 0.0, np.empty(number)
        due = life * rng.uniform(0.8, 1.2)
        service.append({"at": pd.Timestamp(START, tz="UTC") - pd.Timedelta(hours=1), "subject_id": f"P{printer}"})
        for k in range(number):
            if count > due:
                service.append({"at": at[k] - pd.Timedelta(minutes=10), "subject_id": f"P{printer}"})
                count, due = 0.0, life * rng.uniform(0.8, 1.2)
            counter[k] = count
            count += LAYERS
        odds = np.log(rate / (1 - rate)) + rng.normal(0, level_sd) + rng.normal(0, plate_sd, number)
        if worn == printer:
            odds += np.log(2.0) * counter / doubling
        if all_wear:
            odds += np.log(2.0) * counter / all_wear
        if step and step[0] == printer:
            odds += step[2] * (day >= step[1])
        failed = rng.random((number, PARTS)) < 1.0 / (1.0 + np.exp(-odds))[:, None]
        names = [f"P{printer}-{k}" for k in range(number)]
        bad = failed.any(axis=1)
        runs.append(
            pd.DataFrame(
                {
                    "run_id": names,
                    "printer_id": f"P{printer}",
                    "started_at": at,
                    "ended_at": at + pd.Timedelta(hours=5),
                    "layer_height_mm": 0.05,
                    "outcome": np.where(bad, "partial", "good"),
                }
            )
        )
        parts.append(
            pd.DataFrame(
                {
                    "run_id": np.repeat(names, PARTS),
                    "part_no": np.tile(np.arange(PARTS), number),
                    "height_mm": 0.05 * LAYERS,
                    "outcome": np.where(failed.ravel(), "failed", "good"),
                    "sign": np.where(failed.ravel(), np.where(rng.random(failed.size) < 0.5, "split", "fused"), None),
                }
            )
        )
    events = pd.DataFrame(service).assign(subject_type="printer", action="film_changed")
    events["event_id"] = [f"E{k}" for k in range(len(events))]
    return Records(
        runs=conform(pd.concat(runs, ignore_index=True), "runs"),
        parts=conform(pd.concat(parts, ignore_index=True), "parts"),
        service=conform(events, "service"),
    )


def true_doubling(doubling: float, rate: float = 0.04, plate_sd: float = 0.8) -> float:
    """The count at which the odds over all plates double: their own differences make it later than on any one plate."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    grid = np.linspace(0.0, 4.0 * doubling, 4001)
    odds = np.log(rate / (1 - rate)) + np.log(2.0) * grid[:, None] / doubling + plate_sd * nodes
    risk = (weights / (1.0 + np.exp(-odds))).sum(axis=1) / weights.sum()
    ratio = risk / (1 - risk) / (risk[0] / (1 - risk[0]))
    return float(np.interp(2.0, ratio, grid))


def flagged(records: Records, step: int = 7, first: int = 15) -> dict[tuple[str, str], tuple[dt.date, Evidence]]:
    """Subjects over the limit, each with its first night among every ``step``-th and what was said then."""
    settings, history = load_settings(), join_history(records)
    found: dict[tuple[str, str], tuple[dt.date, Evidence]] = {}
    for n in range(first, DAYS, step):
        as_of = START + dt.timedelta(days=n)
        for one in detect(history.night(as_of, settings)).evidence:
            if one.score >= 0.0:
                found.setdefault((one.subject.type, one.subject.id), (as_of, one))
    return found


CASES = {
    "quiet": ({}, None, None),
    "quiet, printers vary much": ({"level_sd": 0.6}, None, None),
    "quiet, plates fail whole": ({"plate_sd": 2.0}, None, None),
    "step of odds ratio 3, one printer": ({"step": (3, 70, np.log(3.0))}, None, None),
    "step of odds ratio 6, one printer": ({"step": (3, 70, np.log(6.0))}, None, None),
    "one printer doubles every 12,000 layers": ({"worn": 3}, ("printer", "P3"), true_doubling(12_000.0)),
    "all printers double every 20,000 layers": ({"all_wear": 20_000.0}, ("farm", "farm"), true_doubling(20_000.0)),
}


def main(farms: int = 30) -> None:
    budget = load_settings().alarm_budget
    allowed = budget.false_findings_per_month * budget.share_wear
    print(f"budget: {allowed:.3f} false findings per farm-month; {farms} farms of {DAYS // 30} months a row")
    print(f"{'farm':<42}{'found':>7}{'median days':>13}{'95 % holds':>12}{'others':>8}{'per farm-month':>16}")
    for name, (kinds, subject, truth) in CASES.items():
        days, holds, others = [], 0, 0
        for s in range(farms):
            found = flagged(plate_farm(np.random.default_rng([3, s]), **kinds))  # type: ignore[arg-type]
            others += len(found) - (subject in found)
            if subject in found and truth is not None:
                night, one = found[subject]
                days.append((night - START).days)
                holds += one.effect_low <= truth <= one.effect_high
        middle = float(np.median(days)) if days else float("nan")
        share = holds / len(days) if days else float("nan")
        print(
            f"{name:<42}{len(days):>7}{middle:>13.0f}{share:>12.2f}{others:>8}{others / (farms * DAYS / 30):>16.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
