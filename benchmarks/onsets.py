"""Does the interval of ``since`` hold the day on which a rate moved?

    python benchmarks/onsets.py [FARMS] [FIRST_SEED]

Three printers of 24 get odds ratios of 3, 5 and 8 from days 40, 55 and 70 on; one look on night 95. Prints, for those
flagged, how often the 90 % interval holds the first plate under the fault (aim 85 to 95 %), its width, and the error of
the day named; beside an interval of the same width laid at random over the days watched.
"""

from __future__ import annotations

import datetime as dt
import sys

import numpy as np

from farmwatch.detectors import rates
from farmwatch.detectors.night import join_history
from farmwatch.nightly import look
from farmwatch.settings import load_settings
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec, Fault

PLANTED = (("P03", 40, 5.0), ("P09", 55, 3.0), ("P17", 70, 8.0))
NIGHT = 95


def main(farms: int = 30, first_seed: int = 600) -> None:
    settings = load_settings()
    rows = []
    for seed in range(first_seed, first_seed + farms):
        faults = tuple(Fault("plain_rate", ("printer", name), day, odds_ratio=odds) for name, day, odds in PLANTED)
        farm = simulate(FarmSpec(printers=24, days=NIGHT + 1, faults=faults), seed)
        first = farm.records.first_day()
        assert first is not None
        night = look(join_history(farm.records), first + dt.timedelta(days=NIGHT), settings, ())
        told = {item.subject.id: item for item in rates.detect(night).evidence if item.score >= 0}
        for fault, (name, _, odds) in zip(farm.truth, PLANTED, strict=True):
            item, began = told.get(name), fault.first_plate_on
            if item is None or began is None or item.direction == "down":
                rows.append((odds, False, np.nan, np.nan, np.nan))
                continue
            width = (item.since_high - item.since_low).days + 1
            covered = item.since_low <= began <= item.since_high
            rows.append((odds, True, covered, width, (item.since - began).days))
    table = np.array(rows, float)
    print(f"{farms} farms, night {NIGHT}, seeds {first_seed} to {first_seed + farms - 1}")
    print(
        f"{'odds ratio':<12}{'flagged':>9}{'covered':>9}{'median width, days':>20}{'median error':>14}{'by chance':>11}"
    )
    for odds in (3.0, 5.0, 8.0, None):
        mine = table if odds is None else table[table[:, 0] == odds]
        seen = mine[mine[:, 1] == 1]
        print(
            f"{'all' if odds is None else f'{odds:g}':<12}{len(seen):>5} / {len(mine):<3}{np.mean(seen[:, 2]):>7.2f}"
            f"{np.median(seen[:, 3]):>20g}{np.median(seen[:, 4]):>14g}{np.mean(seen[:, 3]) / NIGHT:>11.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
