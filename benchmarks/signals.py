"""How the watching of measures and of odd runs behaves: false findings on quiet farms, delay for shifts, odd runs found.

    python benchmarks/signals.py [--farms N] [--days N] [--every NIGHTS] [--repeats N] [--only streams|rooms|farms|odd]

Quiet farms come from the simulator, with seasons, weather, printers of their own level and worn films; shifts are put
on the daily spread of a stream. Every number in docs/methods/signal_shift.md and odd_run.md is printed here.
"""

from __future__ import annotations

import argparse
import dataclasses
import datetime as dt

import numpy as np

from farmwatch.detectors import odd_run, signal_shift
from farmwatch.detectors.night import join_history
from farmwatch.settings import load_settings
from farmwatch.simulate import FarmSpec, simulate
from farmwatch.stats.change_points import segment
from farmwatch.stats.drift_scan import scan_drifting
from farmwatch.stats.mean_scan import course_basis, daily_noise, scan_steps
from farmwatch.stats.run_length import cusum_run_length

STREAMS, BUDGET = 77, 0.1
PLANTED = 8
LIMIT = 30 * STREAMS / BUDGET


def correlated(rng: np.random.Generator, streams: int, days: int, rho: float, heavy: bool = False) -> np.ndarray:
    """AR(1) rows with marginal variance 1; ``heavy`` draws the innovations from Student's t with 4 degrees."""
    fresh = rng.standard_t(4, (streams, days)) / np.sqrt(2.0) if heavy else rng.normal(size=(streams, days))
    fresh[:, 1:] *= np.sqrt(1 - rho**2)
    for day in range(1, days):
        fresh[:, day] += rho * fresh[:, day - 1]
    return fresh


def first_alarms(values: np.ndarray, degree: int, from_day: int, pooled: bool = True) -> np.ndarray:
    """Night of each stream's first alarm, looking every night from ``from_day`` on over 120 days; days if none."""
    streams, days = values.shape
    first = np.full(streams, days)
    for night in range(from_day, days):
        grid = values[:, max(0, night - 119) : night + 1]
        noise = [daily_noise(grid)] * streams if pooled else [daily_noise(row[None]) for row in grid]
        candidates = np.ones(grid.shape)
        candidates[:, :10] = 0.0
        scale, rho = (np.array([getattr(each, name) for each in noise]) for name in ("scale", "rho"))
        scan = scan_steps(grid, np.ones(grid.shape), course_basis(grid.shape[1], degree), candidates, scale, rho)
        first[(scan.log_evidence >= np.log(LIMIT)) & (first == days)] = night
    return first


def quiet_streams(repeats: int) -> None:
    print(f"\nfalse alarms per farm-month of {STREAMS} streams, budget {BUDGET}; 180 nights each")
    for rho in (0.0, 0.3, 0.6, 0.8):
        for heavy in (False, True):
            alarms = 0
            for repeat in range(repeats):
                rng = np.random.default_rng([repeat, int(10 * rho), heavy])
                values = correlated(rng, STREAMS, 180, rho, heavy) + rng.normal(0, 3, (STREAMS, 1))
                alarms += int((first_alarms(values, 0, 20) < 180).sum())
            tails = "t(4)" if heavy else "normal"
            print(
                f"  rho {rho:.1f}  {tails:6}  {alarms / repeats / (160 / 30):.3f}  ({alarms} in {repeats} farms)",
                flush=True,
            )


def rooms(repeats: int) -> None:
    """Rooms alone: false alarms of 30 streams' share of the budget, and nights to an alarm for a heating that fails."""
    print(
        "\nrooms, looked at every third night of 240 (limit of 30 streams); heating lost on day 100, every second night"
    )
    for name, rho, spread_c, season_c, period in (
        ("weather rho 0.8, season +-5 degC in a year", 0.8, 0.85, 5.0, 365.25),
        ("days alone, season +-2.1 degC in 180 days", 0.0, 0.5, 2.1, 180.0),
        ("weather rho 0.95, no season", 0.95, 1.0, 0.0, 365.25),
    ):
        rng = np.random.default_rng(99)
        turn = 2 * np.pi * (np.arange(240) - rng.uniform(0, 365, (repeats, 1))) / period
        values = spread_c * correlated(rng, repeats, 240, rho) - season_c * np.cos(turn)
        alarms = int((_first_of_rooms(values, 20, 3) < 240).sum())
        print(f"  {name}: {alarms} false alarms of {repeats} rooms of 240 nights", flush=True)
        for drop_c in (2.0, 3.0, 5.0):
            cold = values[:, :180].copy()
            cold[:, 100:] -= drop_c
            late = _first_of_rooms(cold, 100, 2) - 99
            print(f"    drop of {drop_c:.0f} degC: median {np.median(late):.0f}, 90 % {np.quantile(late, 0.9):.0f},"
                  f" found within 80 nights {np.mean(late <= 80):.2f}", flush=True)  # fmt: skip


def _first_of_rooms(values: np.ndarray, from_day: int, every: int) -> np.ndarray:
    """Night of each room's first alarm, as :func:`first_alarms` with a course that drifts."""
    first = np.full(len(values), values.shape[1])
    for night in range(from_day, values.shape[1], every):
        grid = values[:, max(0, night - 119) : night + 1]
        candidates = np.ones(grid.shape)
        candidates[:, :10] = 0.0
        scan = scan_drifting(grid, np.ones(grid.shape, dtype=bool), candidates)
        first[(scan.log_evidence >= np.log(30 * 30 / BUDGET)) & (first == values.shape[1])] = night
    return first


def delays(repeats: int) -> None:
    print(
        "\nnights to an alarm after 60 days of baseline (median, 90 %), and a CUSUM that knows level, size and spread"
    )
    for rho in (0.0, 0.5):
        for size in (0.5, 1.0, 2.0, 4.0):
            rng = np.random.default_rng([int(10 * size), int(10 * rho)])
            values = correlated(rng, repeats, 180, rho)
            values[:, 60:] += size
            # the quiet streams beside them, from which the noise is known
            noise = daily_noise(correlated(rng, STREAMS, 120, rho))
            first = np.full(repeats, 180)
            for night in range(60, 180):
                grid = values[:, max(0, night - 119) : night + 1]
                candidates = np.ones(grid.shape)
                candidates[:, :10] = 0.0
                scan = scan_steps(
                    grid,
                    np.ones(grid.shape),
                    course_basis(grid.shape[1], 0),
                    candidates,
                    np.full(repeats, noise.scale),
                    np.full(repeats, noise.rho),
                )
                first[(scan.log_evidence >= np.log(LIMIT)) & (first == 180)] = night
            late = first - 60 + 1
            known = f"{_knowing(size):6.1f}" if rho == 0.0 else "     -"
            print(f"  rho {rho:.1f}  {size:.1f} sd: {np.median(late):5.0f} {np.quantile(late, 0.9):5.0f}  knowing {known}"
                  f"  found within 120 nights {np.mean(first < 180):.2f}", flush=True)  # fmt: skip


def _knowing(size: float) -> float:
    """Mean delay of the one-sided CUSUM for this shift at one false alarm in LIMIT nights."""
    low, high = 0.0, 1.0
    while cusum_run_length(0.0, size / 2, high) < LIMIT:
        low, high = high, high + 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if cusum_run_length(0.0, size / 2, middle) < LIMIT else (low, middle)
    return cusum_run_length(size, size / 2, high)


def quiet_segments(repeats: int) -> None:
    print("\nshare of series of 150 values without a change that the one setting cuts")
    for rho in (0.0, 0.3, 0.5, 0.7, 0.8):
        rng = np.random.default_rng(1)
        cut = sum(segment(row).changes.size > 0 for row in correlated(rng, repeats, 150, rho))
        print(f"  rho {rho:.1f}  {cut / repeats:.3f}")


def whole_farms(farms: int, days: int, every: int, printers: int) -> None:
    print(
        f"\nquiet simulated farms, {printers} printers, {days} nights, signal_shift every {every}, odd_run every night",
        flush=True,
    )
    settings = load_settings()
    shifts = odd = 0
    for seed in range(farms):
        farm = simulate(FarmSpec(printers=printers, days=days), 9000 + seed)
        history = join_history(farm.records)
        seen = set()
        for day in range(1, days):
            night = history.night(farm.spec.start + dt.timedelta(days=day), settings)
            found = signal_shift.detect(night).evidence if day % every == 0 else ()
            seen |= {(each.subject, each.detail["measure"], each.direction) for each in found}
            odd += len(odd_run.detect(night).evidence)
        shifts += len(seen)
        print(f"  farm {seed}: so far {shifts} shifts, {odd} odd runs", flush=True)
    months = farms * days / 30
    print(f"  signal_shift {shifts / months:.3f} a farm-month ({shifts}), budget 0.1")
    print(f"  odd_run      {odd / months:.3f} a farm-month ({odd}), budget 0.05")


def planted_odd_runs(farms: int) -> None:
    print("\nshare of planted odd runs that are named")
    settings = load_settings()
    kinds = {
        "peel force x 1.6": ("peak_release_n", lambda value: value * 1.6),
        "peel force x 2.5": ("peak_release_n", lambda value: value * 2.5),
        "vat + 3 degC": ("vat_c", lambda value: value + 3.0),
        "vat + 6 degC": ("vat_c", lambda value: value + 6.0),
        "exposure x 1.2": ("exposure_s", lambda value: value * 1.2),
        "rest halved": ("rest_s", lambda value: value * 0.5),
    }
    for name, (column, change) in kinds.items():
        hits = planted = 0
        for seed in range(farms):
            farm = simulate(FarmSpec(days=70), 9500 + seed)
            rng = np.random.default_rng(seed)
            for _ in range(PLANTED):
                # one at a time: a run that has its like is not odd
                runs = farm.records.runs.copy()
                able = runs[column].notna() & (runs["outcome"] != "stopped")
                row = int(rng.choice(np.flatnonzero(able.to_numpy())[-1500:-100]))
                runs.iloc[row, runs.columns.get_loc(column)] = change(runs[column].iloc[row])
                history = join_history(dataclasses.replace(farm.records, runs=runs))
                run_id = runs["run_id"].iloc[row]
                at = history.plates["known_at"][history.plates["run_id"] == run_id]
                day = farm.records.local_dates(at).iloc[0].date()
                found = odd_run.detect(history.night(day, settings)).evidence
                hits += any(each.subject.id == run_id for each in found)
                planted += 1
        print(f"  {name:18} {hits / planted:.2f} of {planted}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--farms", type=int, default=4)
    parser.add_argument("--days", type=int, default=180)
    parser.add_argument("--printers", type=int, default=24)
    parser.add_argument("--every", type=int, default=8)
    parser.add_argument("--repeats", type=int, default=20)
    parser.add_argument("--only", choices=["streams", "rooms", "farms", "odd"])
    chosen = parser.parse_args()
    if chosen.only in (None, "streams"):
        quiet_streams(chosen.repeats)
        delays(10 * chosen.repeats)
        quiet_segments(20 * chosen.repeats)
    if chosen.only in (None, "rooms"):
        rooms(2 * chosen.repeats)
    if chosen.only in (None, "odd"):
        planted_odd_runs(max(chosen.farms // 2, 1))
    if chosen.only in (None, "farms"):
        whole_farms(chosen.farms, chosen.days, chosen.every, chosen.printers)


if __name__ == "__main__":
    main()
