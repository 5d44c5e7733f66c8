"""The first look at a long record, nothing known before: one look, and two, as `nightly.run_night` takes where faults are old.

    python benchmarks/first_look.py [FARMS] [PRINTERS] [DAYS] [FAULTS] [FIRST_SEED]

Prints of each farm's last night the planted faults whose subject is named, the findings of other subjects (false), and which
these are; beside a dummy that never alarms. A fault that was mended months ago is as good a find as one that goes on.
"""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Sequence

from farmwatch.causes.table import load_causes
from farmwatch.crew import alone
from farmwatch.detectors.night import History, join_history
from farmwatch.evidence import Finding, Subject
from farmwatch.nightly import filed, look, run_night
from farmwatch.settings import load_settings
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.scenarios import mixed_faults
from farmwatch.simulate.spec import FarmSpec, PlantedFault


def looks(history: History, night: dt.date) -> tuple[Sequence[Finding], Sequence[Finding]]:
    """The findings of one look, and of the whole night."""
    settings, table = load_settings(), load_causes()
    seen = look(history, night, settings, ())
    return filed(seen, alone(seen), (), table).findings, run_night(history, night, settings, (), table).findings


def subjects_of(fault: PlantedFault) -> set[Subject]:
    return {fault.subject, *fault.also} if fault.first_plate_on is not None else set()


def main(farms: int = 6, printers: int = 24, days: int = 150, faults: int = 5, first_seed: int = 901) -> None:
    named, false, planted = [0, 0], [0, 0], 0
    for seed in range(first_seed, first_seed + farms):
        farm = simulate(FarmSpec(printers=printers, days=days, faults=mixed_faults(faults, days, seed)), seed)
        history = join_history(farm.records)
        truth = [subjects for fault in farm.truth if (subjects := subjects_of(fault))]
        planted += len(truth)
        for number, found in enumerate(looks(history, history.plates["day"].max().date())):
            told = [finding.evidence.subject for finding in found]
            others = [who.words for who in told if not any(who in subjects for subjects in truth)]
            hit = sum(any(who in subjects for who in told) for subjects in truth)
            named[number] += hit
            false[number] += len(others)
            print(
                f"farm {seed}, look {number + 1}: {hit} of {len(truth)} faults named; false: {', '.join(others) or 'none'}",
                flush=True,
            )
    for number in range(2):
        print(
            f"look {number + 1}: {named[number]} of {planted} faults named, {false[number]} false findings on {farms} farms"
        )
    print(f"never alarming: 0 of {planted}, 0 false")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
