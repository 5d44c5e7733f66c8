"""Crossed effects: how long a large fit takes, and whether its intervals cover what they promise.

    python benchmarks/crossed.py [speed|coverage|correlated] [--rows 1000000] [--farms 100]

Prints one table each. The speed run wants 2 GiB; farms are drawn from the model itself, cells and crossing included.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np
from scipy.special import expit

from farmwatch.stats.crossed import Cells, fit_crossed, linear_predictor
from farmwatch.stats.crossed_intervals import effect_intervals
from farmwatch.stats.crossed_laplace import fit_laplace
from farmwatch.stats.plate_correlation import estimate_rho

LARGE = {"printer": 900, "lot": 600, "design": 1200, "profile": 200, "wash": 60, "operator": 40}
SPREADS = (0.5, 0.5, 0.8, 0.3, 0.2, 0.2)


def farm(
    rng: np.random.Generator, rows: int, levels: tuple[int, ...], spreads: tuple[float, ...], intercept: float
) -> tuple[tuple[np.ndarray, ...], list[np.ndarray]]:
    codes = np.column_stack([rng.integers(0, count, rows) for count in levels])
    effects = [rng.normal(0, spread, count) for spread, count in zip(spreads, levels, strict=True)]
    load = rng.normal(size=rows)
    linear = intercept + 0.2 * load
    for factor, values in enumerate(effects):
        linear += values[codes[:, factor]]
    trials = rng.integers(1, 12, rows)
    fixed = np.column_stack([np.ones(rows), load])
    return (rng.binomial(trials, expit(linear)), trials, fixed, codes), effects


def speed(rows: int) -> None:
    levels = tuple(LARGE.values())
    arguments, _ = farm(np.random.default_rng(1), rows, levels, SPREADS, -3.0)
    print(f"{rows:,} rows, {sum(levels):,} levels in {len(levels)} factors, true sd {SPREADS}")
    for name, fit in (("fixed point", fit_crossed), ("Laplace", fit_laplace)):
        start, busy = time.perf_counter(), time.process_time()
        result = fit(*arguments, levels)
        spent, busy = time.perf_counter() - start, time.process_time() - busy
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        clock = f"{spent:6.1f} s ({busy:.1f} s of processor)"
        print(f"{name:12s} {clock}  peak {peak:4.2f} GiB  looks {result.iterations:3d}  sd {result.sd.round(3)}")


def coverage(farms: int) -> None:
    spreads = (0.5, 0.5, 0.8)
    for levels, plates in (((24, 30, 60), 2500), ((5, 8, 16), 300)):
        shares = {name: np.zeros(3) for name in ("fixed point", "Laplace", "spread unknown")}
        for seed in range(farms):
            arguments, truth = farm(np.random.default_rng(5000 + seed), plates, levels, spreads, -3.0)
            quick, full = fit_crossed(*arguments, levels), fit_laplace(*arguments, levels)
            cells = Cells.of(*arguments, levels)
            for factor, effects in enumerate(truth):
                for name, fit in (("fixed point", quick), ("Laplace", full)):
                    error = (fit.effects[factor] - effects) / np.sqrt(fit.effect_variances[factor])
                    shares[name][factor] += np.mean(np.abs(error) < 1.96)
                found = effect_intervals(cells, quick, factor)
                shares["spread unknown"][factor] += np.mean((found.low < effects) & (effects < found.high))
        print(
            f"{farms} farms of {plates} plates, levels {levels}, true sd {spreads}: 95 % intervals that hold the truth"
        )
        for name, share in shares.items():
            print(f"{name:15s}", ", ".join(f"{100 * value / farms:.1f}" for value in share), "%")


def correlated(farms: int, rho: float = 0.15) -> None:
    levels, spreads, rows = (24, 30, 60), (0.5, 0.5, 0.8), 2500
    shares, found = {"parts independent": np.zeros(3), "plates weighted": np.zeros(3)}, 0.0
    for seed in range(farms):
        rng = np.random.default_rng(7000 + seed)
        codes = np.column_stack([rng.integers(0, count, rows) for count in levels])
        truth = [rng.normal(0, spread, count) for spread, count in zip(spreads, levels, strict=True)]
        load, trials = rng.normal(size=rows), rng.integers(1, 12, rows)
        risk = expit(-3.0 + 0.2 * load + sum(effects[codes[:, factor]] for factor, effects in enumerate(truth)))
        failures = rng.binomial(trials, rng.beta(risk * (1 - rho) / rho, (1 - risk) * (1 - rho) / rho))
        fixed = np.column_stack([np.ones(rows), load])
        plain = fit = fit_crossed(failures, trials, fixed, codes, levels)
        for _ in range(2):
            estimate = estimate_rho(failures, trials, expit(linear_predictor(fit, fixed, codes)))
            weights = 1.0 / (1.0 + (trials - 1.0) * estimate)
            fit = fit_crossed(failures, trials, fixed, codes, levels, weights=weights, start=fit.start)
        found += estimate / farms
        for name, result in (("parts independent", plain), ("plates weighted", fit)):
            for factor, effects in enumerate(truth):
                error = (result.effects[factor] - effects) / np.sqrt(result.effect_variances[factor])
                shares[name][factor] += np.mean(np.abs(error) < 1.96)
    print(
        f"{farms} farms with correlation {rho} within plates (estimated {found:.3f}): 95 % intervals that hold the truth"
    )
    for name, share in shares.items():
        print(f"{name:17s}", ", ".join(f"{100 * value / farms:.1f}" for value in share), "%")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", nargs="?", choices=("speed", "coverage", "correlated", "all"), default="all")
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--farms", type=int, default=100)
    options = parser.parse_args()
    if options.what in ("speed", "all"):
        speed(options.rows)
    if options.what in ("coverage", "all"):
        coverage(options.farms)
    if options.what in ("correlated", "all"):
        correlated(options.farms)


if __name__ == "__main__":
    main()
