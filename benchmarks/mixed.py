"""Several faults at once: whole replays of simulated farms, scored against what was planted.

    python benchmarks/mixed.py [FARMS] [PRINTERS] [DAYS] [FAULTS] [FIRST_SEED]

Prints each finding with what it speaks of, then found faults, delays, false findings a farm-month, findings a fault,
right zone, height and sign, covered onsets, and places of the true cause; beside a dummy that never alarms.
"""

from __future__ import annotations

import dataclasses
import math
import sys
import time
from collections import Counter

import numpy as np

from farmwatch.causes.table import load_causes
from farmwatch.evidence import Finding
from farmwatch.replay import replay
from farmwatch.settings import load_settings
from farmwatch.simulate import score as scoring
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.scenarios import mixed_faults
from farmwatch.simulate.spec import FarmSpec, PlantedFault


def told(finding: Finding, truth: list[PlantedFault]) -> str:
    evidence = finding.evidence
    of = [fault.cause for fault in truth if scoring.speaks_of(finding, fault)]
    causes = ", ".join(f"{cause.code} {cause.probability:.2f}" for cause in finding.causes[:2])
    where = evidence.zone or evidence.band or ""
    return (
        f"  {finding.first_flagged_on} {finding.status:<9}{evidence.kind:<15}{evidence.subject.type} {evidence.subject.id}"
        f" {where} {evidence.sign or 'all'} {evidence.direction}"
        f" since {evidence.since_low}..{evidence.since}..{evidence.since_high} score {evidence.score:.1f}"
        f" odds {evidence.effect:.1f} -> {' and '.join(of) or 'FALSE'} ({causes})"
    )


def main(farms: int = 3, printers: int = 24, days: int = 120, faults: int = 6, first_seed: int = 300) -> None:
    settings, table = load_settings(), load_causes()
    scores = []
    started = time.process_time()
    for seed in range(first_seed, first_seed + farms):
        farm = simulate(FarmSpec(printers=printers, days=days, faults=mixed_faults(faults, days, seed)), seed)
        records = farm.records
        first = records.first_day()
        assert first is not None
        last = records.local_dates(records.runs["started_at"]).max().date()
        walked = replay(records, first, last, settings, table)
        print(f"farm {seed}: {len(records.runs)} plates, {days} nights")
        for finding in walked.findings:
            print(told(finding, farm.truth))
        for fault in farm.truth:
            delay = scoring.delay_days(walked.findings, fault)
            told_of = [finding.status for finding in scoring.hits(walked.findings, fault)]
            print(
                f"  planted {fault.cause} on {fault.subject.type} {fault.subject.id} from {fault.first_plate_on},"
                f" {fault.plates} plates, odds ratio {fault.odds_ratio:.1f}: "
                + ("NOT FOUND" if math.isnan(delay) else f"found after {delay:.0f} nights, now {', '.join(told_of)}")
                + (f", mended on {fault.until}" if fault.until else ", never mended"),
                flush=True,
            )
        for (detector, reason), nights in Counter((c.detector, c.reason) for c in walked.failed).items():
            print(f"  NOT CHECKED on {nights} nights: {detector}: {reason}")
        scores.append(scoring.score(walked.findings, farm.truth, days))
    print(
        f"\n{farms} farms of {printers} printers, {days} nights, {faults} faults each; never alarming finds 0 of them"
    )
    for field in dataclasses.fields(scoring.Score):
        values = np.array([getattr(one, field.name) for one in scores], float)
        mean = np.nanmean(values) if np.isfinite(values).any() else math.nan
        print(f"{field.name:<20}" + "".join(f"{value:>9.2f}" for value in values) + f"   mean {mean:.2f}")
    print(f"{(time.process_time() - started) / (farms * days):.2f} s of this process's processor time a night")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
