"""Would a bank of ramps pay beside the bank of steps that the rates have?

    python benchmarks/ramps.py [STREAMS]

One printer, two plates a day of nine parts, one part in 25 failing, its own level among its peers unknown, the expectation
known. From day 50 on the odds grow to five or eight times over 20, 40 or 60 days, or step. Prints nights to the same
limit of the restart sum (looked at every third night) for the bank of steps, for one of ramps, and for the mean of both.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.special import logsumexp

from farmwatch.stats.plate_model import LOSS, LOSS_MEAN, PlateModel
from farmwatch.stats.rate_scan import UP_STEPS, ZERO, ShiftTable, own_levels, scan_shifts

DAYS, ONSET, EVERY = 130, 50, 3
PLATES_A_DAY, PARTS, RATE, OWN_SD = 2, 9, 0.04, 0.2
MODEL = PlateModel(0.02, 0.2)
LOG_LIMIT = 8.0
RAMPS = [(days, steps) for days in (20, 60) for steps in (5, 8, 13)]  # odds ratios 2.7, 5 and 13.5 at their end
FAULTS = {"ramp of 20 days to 5": (20, 5.0), "ramp of 40 days to 5": (40, 5.0), "ramp of 60 days to 8": (60, 8.0)}
FAULTS |= {"step to 3": (1, 3.0), "step to 5": (1, 5.0)}


def drawn_days(log_odds: np.ndarray, rng: np.random.Generator, table: ShiftTable) -> np.ndarray:
    """Log-likelihood of each day's plates at each offset, (days, offsets), failures drawn at ``log_odds``, (days,)."""
    p = np.repeat(1.0 / (1.0 + np.exp(-log_odds)), PLATES_A_DAY)
    accident = MODEL.accident_share * p / LOSS_MEAN
    rest, size = (1.0 - MODEL.accident_share) * p / (1.0 - accident), (1.0 - MODEL.rho) / MODEL.rho
    usual = rng.beta(rest * size, (1.0 - rest) * size)
    failures = rng.binomial(PARTS, np.where(rng.random(p.size) < accident, rng.beta(*LOSS, p.size), usual)).astype(
        float
    )
    known = np.full(p.size, np.log(RATE / (1.0 - RATE)))
    return table(failures, np.full(p.size, float(PARTS)), known).reshape(DAYS, PLATES_A_DAY, -1).sum(axis=1)


def ramp_evidence(days: np.ndarray) -> float:
    """The restart sum over onsets and RAMPS, natural logarithm, own level integrated out as in ``rate_scan``."""
    steps, log_weight = own_levels(OWN_SD)
    base = ZERO + steps
    posterior = log_weight + days[:, base].sum(axis=0)
    posterior -= logsumexp(posterior)
    terms = []
    for length, top in RAMPS:
        for onset in range(len(days)):
            day = np.arange(onset, len(days))
            rise = np.minimum(np.round(top * (day - onset + 1) / length), top).astype(int)
            after = days[day[:, None], base[None] + rise[:, None]].sum(axis=0) - days[onset:, base].sum(axis=0)
            terms.append(logsumexp(posterior + after))
    return float(logsumexp(terms) - np.log(len(RAMPS)))


def delays(length: int, odds_ratio: float, streams: int) -> np.ndarray:
    """Nights to the limit, (streams, 3): bank of steps, of ramps, mean of both; infinite if not within the days drawn."""
    table, day = ShiftTable(MODEL), np.arange(DAYS)
    shift = np.clip((day - ONSET + (length == 1)) / length, 0.0, 1.0) * np.log(odds_ratio)
    found = np.full((streams, 3), np.inf)
    for stream in range(streams):
        rng = np.random.default_rng([stream, 7])
        level = OWN_SD * rng.standard_normal()
        days = drawn_days(np.log(RATE / (1.0 - RATE)) + level + shift, rng, table)
        for night in range(ONSET, DAYS, EVERY):
            known = days[: night + 1]
            active = np.ones((1, night + 1), bool)
            steps = float(scan_shifts(known[None], active, OWN_SD, UP_STEPS, False).log_evidence[0])
            ramps = ramp_evidence(known)
            both = np.logaddexp(steps, ramps) - np.log(2.0)
            passed = np.array([steps, ramps, both]) >= LOG_LIMIT
            found[stream, passed & np.isinf(found[stream])] = night - ONSET
            if passed.all():
                break
    return found


def main(streams: int = 24) -> None:
    print(f"nights to the limit, mean of {streams} streams (missed within {DAYS - ONSET}: counted as that)")
    print(f"{'fault':<24}{'steps':>8}{'ramps':>8}{'both':>8}{'missed':>8}")
    for name, (length, odds_ratio) in FAULTS.items():
        found = delays(length, odds_ratio, streams)
        means = np.minimum(found, DAYS - ONSET).mean(axis=0)
        print(f"{name:<24}{means[0]:>8.1f}{means[1]:>8.1f}{means[2]:>8.1f}{int(np.isinf(found).sum()):>8}", flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
