"""Rivals: how often the innocent is cleared, named beside the guilty or blamed alone, against plates that could tell.

    python benchmarks/separable.py [--farms 300]

One printer is bad (odds ratio 3, expected failure rate 5 %, 4 to 11 parts a plate, correlation .15 within plates) and
all its 60 plates are of one lot; the lot stands on more and more plates of healthy printers.
"""

from __future__ import annotations

import argparse

import numpy as np
from scipy.special import expit, logit

from farmwatch.stats.separable import rivals
from farmwatch.stats.separating import plates_to_separate

RATE, ODDS_RATIO, RHO = 0.05, 3.0, 0.15


def farm(rng: np.random.Generator, elsewhere: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    printer = np.concatenate([np.zeros(60, int), rng.integers(1, 8, elsewhere + 300)])
    lot = np.concatenate([np.zeros(60 + elsewhere, int), rng.integers(1, 6, 300)])
    trials = rng.integers(4, 12, len(lot))
    risk = expit(logit(RATE) + np.log(ODDS_RATIO) * (printer == 0))
    share = (1 - RHO) / RHO
    failures = rng.binomial(trials, rng.beta(risk * share, (1 - risk) * share))
    return failures, trials, np.full(len(lot), logit(RATE)), np.column_stack([printer, lot])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--farms", type=int, default=300)
    farms = parser.parse_args().farms
    known = 60 * 7.5 * 0.136 * 0.864 / (1 + 6.5 * RHO)  # information of the printer's own plates at its raised rate
    for chance in (0.5, 0.8, 0.95):
        needed = plates_to_separate(RATE, ODDS_RATIO, 8, RHO, chance=chance, effect_information=known)
        print(f"plates of the lot elsewhere that settle it with chance {chance}: {needed.plates[0]:.0f}")
    print("elsewhere  printer alone  both named  printer with the lot the better suspect")
    for elsewhere in (0, 5, 10, 20, 40, 80, 160):
        alone = beside = worse = 0
        for seed in range(farms):
            failures, trials, offset, codes = farm(np.random.default_rng(seed), elsewhere)
            weights = 1.0 / (1.0 + (trials - 1.0) * RHO)
            found = rivals(failures, trials, offset, codes, (0, 0), weights)
            lots = [rival for rival in found if (rival.factor, rival.level) == (1, 0)]
            alone += not lots
            worse += bool(lots) and lots[0].cost_without_rival > 3.0
            beside += bool(lots) and lots[0].cost_without_rival <= 3.0
        print(f"{elsewhere:9d}  {alone / farms:13.3f}  {beside / farms:10.3f}  {worse / farms:10.3f}")


if __name__ == "__main__":
    main()
