"""Operating characteristic of the plate patterns: found, right shape, false findings. Prints tables.

Small farms are drawn here, apart from the simulator: six printers, ten parts a plate at random places, four parts in a
hundred failing; on one printer the parts in a tenth of the plate fail three times as often, until it has had about 200
failures. Beside it quiet farms: independent parts, neighbours pulled down with every failure, parts crowding at the
centre, a hard design that always stands in one corner.

Run: ``python benchmarks/plate_pattern.py relabel`` for what relabelling a large farm costs, ``python
benchmarks/plate_pattern.py limit`` for how far below its bound the nightly limit may lie (half a minute), and
``python benchmarks/plate_pattern.py [repeats]`` (100 by default, about fifteen minutes on one core).
"""

from __future__ import annotations

import datetime as dt
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.detectors.night import join_history
from farmwatch.detectors.plate_pattern import detect
from farmwatch.detectors.plate_scene import entries_of, set_scene, shares_of
from farmwatch.detectors.plate_streams import RATIOS, streams_of
from farmwatch.evidence import Evidence
from farmwatch.nightly import look
from farmwatch.records import Records, conform
from farmwatch.settings import load_settings
from farmwatch.stats.onsets import candidate_days, restart_sums
from farmwatch.stats.plate_limit import LOG_RARE, simulated_relief
from farmwatch.stats.plate_limit import PLATES as PLATE_COUNTS
from farmwatch.stats.plate_scan import log_e_values, one_failure_each, relabel, scan_p_value
from farmwatch.stats.zones import membership, zone_dictionary

START = dt.date(2031, 1, 6)
DAYS, PRINTERS, PLATES, PARTS = 120, 6, 417, 10
WIDTH, DEPTH = 200.0, 120.0
BASE_RATE, TIMES = 0.04, 3.0
SIDE = 2.0 * np.sqrt(0.1)
Where = Callable[[np.ndarray, np.ndarray], np.ndarray]

# every region covers a tenth of the plate; u, v run from -1 to 1; a round one is round in mm (the plate is 200 x 120)
SHAPES: dict[str, tuple[Where, tuple[str, ...]]] = {
    "corner": (lambda u, v: (u < -1 + SIDE) & (v < -1 + SIDE), ("front_left",)),
    "left side": (lambda u, v: u < -0.8, ("left",)),
    "front": (lambda u, v: v < -0.8, ("front",)),
    "row": (lambda u, v: np.abs(v - 0.2) < 0.1, ("row",)),
    "column": (lambda u, v: np.abs(u + 0.2) < 0.1, ("column",)),
    "centre": (lambda u, v: (u / 0.6) ** 2 + v**2 < 0.4 / np.pi / 0.6, ("centre",)),
    "spot": (lambda u, v: ((u - 0.45) / 0.6) ** 2 + (v - 0.3) ** 2 < 0.4 / np.pi / 0.6, ("spot",)),
}


def draw_farm(
    rng: np.random.Generator,
    bad: Where | None = None,
    times: float = TIMES,
    pull: float = 0.0,
    crowd: bool = False,
    hard_corner: float = 0.0,
    plates: int = PLATES,
    printers: int = PRINTERS,
) -> Records:
    """One small farm. ``pull``: chance that a failure takes its nearest neighbour. ``crowd``: parts fill from the centre.

    ``hard_corner``: odds of a design that always stands front left, against the others.
    """
    count = printers * plates
    printer = np.repeat(np.arange(printers), plates)
    day = np.tile(np.sort(rng.integers(0, DAYS, plates)), printers)
    u, v = rng.uniform(-0.95, 0.95, (2, count, PARTS))
    if crowd:
        u, v = u * np.sqrt(rng.random((count, PARTS))), v * np.sqrt(rng.random((count, PARTS)))
    risk = np.full((count, PARTS), BASE_RATE)
    design = np.full((count, PARTS), "plain", dtype=object)
    if hard_corner:
        corner = (u < -0.2) & (v < -0.2)
        risk[corner] *= hard_corner
        design[corner] = "hard"
    if bad is not None:
        risk = np.where((printer == 0)[:, None] & bad(u, v), risk * times, risk)
    failed = rng.random((count, PARTS)) < risk
    if pull:
        away = np.hypot((u[:, :, None] - u[:, None]) * WIDTH, (v[:, :, None] - v[:, None]) * DEPTH)
        away[:, np.arange(PARTS), np.arange(PARTS)] = np.inf
        nearest = away.argsort(axis=2)
        for neighbour in range(2):
            taken = failed & (rng.random((count, PARTS)) < pull)
            plate, part = np.nonzero(taken)
            failed[plate, nearest[plate, part, neighbour]] = True
    return as_records(printer, day, u, v, failed, design)


def as_records(
    printer: np.ndarray, day: np.ndarray, u: np.ndarray, v: np.ndarray, failed: np.ndarray, design: np.ndarray
) -> Records:
    """Arrays of shape (plates,) and (plates, parts) as the tables of a farm."""
    names = np.array([f"P{i + 1}" for i in range(printer.max() + 1)])
    run = np.array([f"R{i:06d}" for i in range(len(printer))])
    started = pd.Timestamp(START, tz="UTC") + pd.to_timedelta(day * 24 + 8, unit="h")
    number = u.shape[1]
    runs = pd.DataFrame(
        {
            "run_id": run,
            "printer_id": names[printer],
            "started_at": started,
            "ended_at": started + pd.to_timedelta(4, unit="h"),
            "outcome": np.where(failed.any(axis=1), "partial", "good"),
        }
    )
    parts = pd.DataFrame(
        {
            "run_id": np.repeat(run, number),
            "part_no": np.tile(np.arange(1, number + 1), len(run)),
            "design_id": design.ravel(),
            "x_mm": u.ravel() * WIDTH / 2.0,
            "y_mm": v.ravel() * DEPTH / 2.0,
            "outcome": np.where(failed.ravel(), "failed", "good"),
        }
    )
    printers = pd.DataFrame({"printer_id": names, "plate_width_mm": WIDTH, "plate_depth_mm": DEPTH})
    return Records(printers=conform(printers, "printers"), runs=conform(runs, "runs"), parts=conform(parts, "parts"))


def findings(records: Records, last_day: int = DAYS, fitted: bool = False) -> list[Evidence]:
    """What is above its limit on the night of ``last_day``; ``fitted``: with the expected risks of the nightly recipe."""
    history, as_of = join_history(records), START + dt.timedelta(days=last_day)
    night = look(history, as_of, load_settings(), ()) if fitted else history.night(as_of, load_settings())
    return [evidence for evidence in detect(night).evidence if evidence.score >= 0.0]


@dataclass(frozen=True)
class Power:
    """Shares of the farms. ``found``: above the nightly limit on the bad printer; ``right``: of those, with the right
    name; ``other``: any further finding; ``relabelled``: p <= 0.05 of the maximum over zones, by relabelling independent
    parts; ``knowing``: a nightly limit of the same height for one who knows zone, odds ratio and day of onset."""

    found: float
    right: float
    other: float
    relabelled: float
    knowing: float


def power(shape: str, repeats: int, seed: int = 1) -> Power:
    """The bad printer's first finding on the last night, in ``repeats`` farms."""
    bad, names = SHAPES[shape]
    counts = np.zeros(5)
    for number in range(repeats):
        rng = np.random.default_rng([seed, number])
        records = draw_farm(rng, bad)
        evidence = findings(records)
        mine = [e for e in evidence if e.subject.id == "P1"]
        right = bool(mine) and mine[0].zone in names
        counts += [bool(mine), right, len(evidence) > len(mine[:1]), *_fixed_tests(records, bad, rng)]
    share = counts / repeats
    return Power(share[0], counts[1] / max(counts[0], 1), share[2], share[3], share[4])


def _fixed_tests(records: Records, bad: Where, rng: np.random.Generator) -> tuple[bool, bool]:
    """Of the bad printer's plates: whether relabelling finds a zone at 5 %, and whether one who knows passes the limit."""
    mine = records.parts["run_id"].isin(records.runs.loc[records.runs["printer_id"] == "P1", "run_id"])
    parts = records.parts[mine]
    shape = (-1, PARTS)
    failed = (parts["outcome"] == "failed").to_numpy().reshape(shape)
    u = (parts["x_mm"] / (WIDTH / 2)).to_numpy().reshape(shape)
    v = (parts["y_mm"] / (DEPTH / 2)).to_numpy().reshape(shape)
    telling = failed.any(axis=1) & ~failed.all(axis=1)
    failed, u, v = failed[telling], u[telling], v[telling]
    inside = membership(zone_dictionary(), u.ravel(), v.ravel(), np.full(u.size, WIDTH / 2), np.full(u.size, DEPTH / 2))
    start = np.arange(len(u) + 1) * PARTS
    failures = failed.sum(axis=1)
    drawn = relabel(np.ones(u.size), start, failures, 199, rng)
    p_value = scan_p_value(failed.ravel(), np.repeat(failures / PARTS, PARTS), start, inside, drawn)
    region = bad(u, v)
    log_e = log_e_values((failed & region).sum(axis=1) / failures, region.mean(axis=1), TIMES)
    budget, settings = load_settings().alarm_budget, load_settings().plate_pattern
    allowed = budget.false_findings_per_month * budget.share_plate_pattern * settings.share_printer
    return p_value <= 0.05, bool(log_e.sum() > np.log(30.0 * PRINTERS / allowed))


STEPS = ("knowing all", "nearest zone", "bank of ratios", "any onset", "any zone", "others' plates")


def losses(shape: str, repeats: int, seed: int = 1) -> np.ndarray:
    """Mean log evidence of the bad printer less its limit, shape (STEPS,), as one thing more is left unknown each time.

    Knowing zone, odds ratio and onset; with the zone of the dictionary that says most instead of the true one; with the
    bank of odds ratios; with every onset summed; with every zone by its weight; and with what the others' plates show
    put into the expectation, which is what the detector has.
    """
    bad, _ = SHAPES[shape]
    total = np.zeros(len(STEPS))
    for number in range(repeats):
        records = draw_farm(np.random.default_rng([seed, number]), bad)
        scene = set_scene(join_history(records).night(START + dt.timedelta(days=DAYS), load_settings()))
        streams = None if scene is None else streams_of(scene, "printer")
        assert scene is not None
        assert streams is not None
        level = streams.names.index("P1")
        limit = float(streams.log_sum[level] - streams.score[level])
        piece = int(np.flatnonzero(streams.level == level)[0])
        ends = np.append(streams.start[1:], len(streams.order))
        rows = streams.order[streams.start[piece] : ends[piece]]
        entries, start = entries_of(scene, rows)
        region = bad(*scene.place[:2, scene.site[scene.part[entries]]]).astype(float)
        failed, failures = scene.failed[entries], scene.failures[rows]
        seen = np.add.reduceat(region * failed, start[:-1]) / failures
        true = float(log_e_values(seen, np.add.reduceat(region, start[:-1]) / np.diff(start), TIMES).sum())
        observed, expected = shares_of(scene, rows)
        nearest = int(np.argmax(log_e_values(observed, expected, TIMES).sum(axis=0)))
        one = (observed[:, [nearest]], expected[:, [nearest]])
        ratios, day, first = RATIOS, scene.day[rows], np.array([0])
        weight = candidate_days(day, first, 0)
        banked = np.logaddexp.reduce([log_e_values(*one, ratio).sum() for ratio in ratios]) - np.log(len(ratios))

        def summed(
            shares: tuple[np.ndarray, np.ndarray],
            weights: np.ndarray,
            first: np.ndarray = first,
            day_weight: np.ndarray = weight,
            ratios: tuple[float, ...] = ratios,
        ) -> float:
            terms = [restart_sums(log_e_values(*shares, ratio), first, day_weight, weights)[0] for ratio in ratios]
            return float(np.logaddexp.reduce(terms) - np.log(len(ratios)))

        known = log_e_values(*one, TIMES).sum()
        steps = [true, known, banked, summed(one, np.ones(1)), summed((observed, expected), zone_dictionary().weight)]
        total += np.array([*steps, float(streams.log_sum[level])]) - limit
    return total / repeats


QUIET = {
    "independent parts": {},
    "every failure may pull two neighbours": {"pull": 0.5},
    "parts crowd at the centre": {"crowd": True},
    "crowded, and neighbours pulled": {"crowd": True, "pull": 0.5},
    "a hard design always front left": {"hard_corner": 3.0},
}


def quiet_table(repeats: int, seed: int = 2) -> list[tuple[str, float]]:
    """Per kind of quiet farm, printed as they come: false findings per farm-month, over nights ten days apart."""
    rows = []
    for label, habits in QUIET.items():
        total = 0
        for number in range(repeats):
            records = draw_farm(np.random.default_rng([seed, number]), **habits)
            seen = {
                e.subject for last in range(10, DAYS + 1, 10) for e in findings(records, last, "hard_corner" in habits)
            }
            total += len(seen)
        rows.append((label, total / repeats / (DAYS / 30.0)))
        print(f"{label:40s}{rows[-1][1]:8.3f}", flush=True)
    return rows


def relabelling(printers: int = 300, of: int = 10_000, plates: int = 10, drawings: int = 999) -> None:
    """Processor seconds to relabel ``of`` printers of 100 parts each, measured on ``printers`` of them; prints a row each
    for one failure a plate (the detector's) and for every failure of a plate (the reference)."""
    rng, zones = np.random.default_rng(9), zone_dictionary()
    entries = plates * PARTS
    start = np.arange(plates + 1) * PARTS
    spent = np.zeros(2)
    for _ in range(printers):
        u, v = rng.uniform(-0.95, 0.95, (2, entries))
        failed = rng.random((plates, PARTS)) < 0.08
        failed[:, 0] |= ~failed.any(axis=1)
        failures = failed.sum(axis=1)
        for way in range(2):
            began = time.process_time()
            inside = membership(zones, u, v, np.full(entries, WIDTH / 2), np.full(entries, DEPTH / 2))
            if way == 0:
                share, seen = np.full(entries, 1.0 / PARTS), (failed / failures[:, None]).ravel()
                drawn = np.zeros((drawings, entries), dtype=np.float32)
                chosen = one_failure_each(share, start, drawings, rng)
                drawn[np.arange(drawings)[:, None], chosen] = 1.0
            else:
                share, seen = np.repeat(failures / PARTS, PARTS), failed.ravel()
                drawn = relabel(np.ones(entries), start, failures, drawings, rng)
            scan_p_value(seen, share, start, inside, drawn)
            spent[way] += time.process_time() - began
    print(
        f"{of} printers x {entries} parts x {drawings} relabellings, {len(zones.weight)} zones (from {printers} printers)"
    )
    for name, seconds in zip(("one failure a plate", "every failure"), spent * of / printers, strict=True):
        print(
            f"{name:24s}{seconds:8.0f} s of processor time{seconds / 2:8.0f} s on two cores, {seconds / 120:.2f} of 60 s"
        )


def limits(streams: int = 140_000) -> None:
    """How far below its bound the limit may lie: the table of ``stats.plate_limit``, before rounding."""
    print("allowed " + "".join(f"{plates:6d}" for plates in PLATE_COUNTS))
    for rare, row in zip(LOG_RARE, simulated_relief(streams, RATIOS, np.random.default_rng(1)), strict=True):
        print(f"e^-{rare:4.1f}" + "".join(f"{value:6.2f}" for value in row), flush=True)


def main(repeats: int) -> None:
    budget = load_settings().alarm_budget
    print(f"200 failures, {TIMES:g} times the rate in a tenth of the plate, {repeats} farms each")
    print(f"{'shape':12s}{'found':>8s}{'right name':>12s}{'another':>9s}{'relabelled':>12s}{'knowing':>9s}")
    for shape in SHAPES:
        row = power(shape, repeats)
        print(
            f"{shape:12s}{row.found:8.2f}{row.right:12.2f}{row.other:9.2f}{row.relabelled:12.2f}{row.knowing:9.2f}",
            flush=True,
        )
    print("\nmean log evidence over the limit, as one thing more is left unknown")
    print(f"{'shape':12s}" + "".join(f"{step:>16s}" for step in STEPS))
    for shape in SHAPES:
        print(f"{shape:12s}" + "".join(f"{value:16.1f}" for value in losses(shape, max(repeats // 5, 1))), flush=True)
    allowed = budget.false_findings_per_month * budget.share_plate_pattern
    quiet = max(repeats // 5, 1)
    print(f"\nquiet farms, {quiet} of {DAYS} days each; allowed {allowed:.2f} false findings a farm-month")
    quiet_table(quiet)


if __name__ == "__main__":
    if sys.argv[1:] == ["relabel"]:
        relabelling()
    elif sys.argv[1:] == ["limit"]:
        limits()
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
