"""How often farmwatch cries wolf: whole replays of simulated farms without a fault, all detectors together.

    python benchmarks/quiet.py [FARMS [PRINTERS [DAYS [FIRST SEED [CALIBRATION]]]]]

Prints false findings per farm-month by kind beside the budget, a dummy that never alarms, and one that flags every
thousandth plate. The farms are of ``farmwatch.simulate``: plate correlation by accidents and suction, job-mix shifts,
seasons, new designs and operators, natural variation of printers, lots and designs.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

from farmwatch.causes.table import load_causes
from farmwatch.evidence import KINDS
from farmwatch.replay import replay
from farmwatch.settings import load_settings
from farmwatch.simulate.scenarios import quiet_farm


def main(farms: int = 4, printers: int = 24, days: int = 120, first_seed: int = 7000, calibration: float = 1.0) -> None:
    settings, table = load_settings(), load_causes()
    budget = settings.alarm_budget.model_copy(update={"calibration": calibration})
    settings = settings.model_copy(update={"alarm_budget": budget})
    counts: Counter[str] = Counter()
    by_subject: Counter[tuple[str, str]] = Counter()
    plates = 0
    started = time.process_time()
    for seed in range(first_seed, first_seed + farms):
        records = quiet_farm(seed, printers, days).records
        plates += len(records.runs)
        first = records.first_day()
        assert first is not None
        last = records.local_dates(records.runs["started_at"]).max().date()
        walked = replay(records, first, last, settings, table)
        for finding in walked.findings:
            counts[finding.evidence.kind] += 1
            by_subject[finding.evidence.kind, finding.evidence.subject.type] += 1
            print(
                f"  farm {seed}: {finding.first_flagged_on} {finding.evidence.kind} {finding.evidence.subject.type} "
                f"{finding.evidence.subject.id} sign {finding.evidence.sign} {finding.evidence.direction} "
                f"score at last {finding.evidence.score:.1f}",
                flush=True,
            )
        for check in walked.failed:
            print(f"  farm {seed}: NOT CHECKED {check.detector}: {check.reason}")
    months = farms * days / 30.0
    print(f"{farms} quiet farms, {printers} printers, {days} nights each: {months:g} farm-months, {plates} plates")
    print(f"{'kind':<16}{'findings':>10}{'per farm-month':>16}")
    for kind in KINDS:
        print(f"{kind:<16}{counts[kind]:>10}{counts[kind] / months:>16.3f}")
    print(f"{'all':<16}{sum(counts.values()):>10}{sum(counts.values()) / months:>16.3f}")
    print(f"{'budget':<16}{'':>10}{settings.alarm_budget.false_findings_per_month:>16.3f}")
    print(f"{'never alarm':<16}{0:>10}{0.0:>16.3f}")
    print(f"{'every 1000th':<16}{plates // 1000:>10}{plates // 1000 / months:>16.3f}")
    print("by subject:", dict(by_subject))
    print(f"{(time.process_time() - started) / (farms * days):.2f} s of processor time a night")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:5]), *(float(word) for word in sys.argv[5:6]))
