"""Did the mend hold? Simulated farms with one fault and one mend, sound or useless, judged every night thereafter.

    python benchmarks/repairs.py [--seeds 4] [--first-seed 71] [--causes ...]

The finding is told from the truth (subject, day and cause; flagged a fortnight after the beginning), so that what is measured
is the verdict alone: which work counts, what is expected of the plates since, and the sequential test under nightly looks.
The useless mend is the same service row on a farm whose fault goes on.
"""

from __future__ import annotations

import argparse
import datetime as dt
import time
from dataclasses import replace

import numpy as np
import pandas as pd

from farmwatch.causes.table import CauseTable, load_causes
from farmwatch.detectors.night import join_history
from farmwatch.evidence import Cause, Evidence, Finding
from farmwatch.nightly import context_of, judged, look
from farmwatch.records import Records, conform
from farmwatch.settings import Settings, load_settings
from farmwatch.simulate import simulate
from farmwatch.simulate.causes import CAUSES
from farmwatch.simulate.spec import FarmSpec, Fault, SimulatedFarm

CAUSES_ASKED = ("plate_tilt", "film_spot", "frozen_panel", "lot_slow", "profile_hot", "wash_spent", "cold_resin")
SINCE, MENDED, NIGHTS = 30, 50, 25
DAY = dt.timedelta(days=1)


def mended_farm(cause: str, seed: int, held: bool) -> tuple[SimulatedFarm, dt.date]:
    """A farm whose fault is mended on a day, or goes on though the same work was done on that day."""
    fault = Fault(cause, since_day=SINCE, until_day=MENDED if held else None)
    farm = simulate(FarmSpec(printers=12, days=MENDED + NIGHTS + 1, faults=(fault,)), seed)
    truth = farm.truth[0]
    if held and truth.until is not None:
        return farm, truth.until
    on = truth.since + (MENDED - SINCE) * DAY
    action = CAUSES[cause].mend_action
    row = {"event_id": "useless", "at": f"{on}T05:00:00Z", "subject_type": truth.subject.type,
           "subject_id": truth.subject.id, "action": action}  # fmt: skip
    service = pd.concat([farm.records.service, conform(pd.DataFrame([row]), "service")], ignore_index=True)
    return replace(farm, records=replace(farm.records, service=service)), on


def finding_of(farm: SimulatedFarm, mended: dt.date) -> Finding | None:
    """The fault as a shift of its subject's failure rate from its day to the mend; None where it lost nothing."""
    truth, records = farm.truth[0], farm.records
    history = join_history(records)
    night = history.night(mended, load_settings())
    parts, plates = night.parts, night.plates
    risk = pd.Series(farm.quiet_risk, index=pd.MultiIndex.from_frame(records.parts[["run_id", "part_no"]]))
    run = plates["run_id"].to_numpy(dtype=object)[parts["plate"].to_numpy()]
    expected = risk.reindex(pd.MultiIndex.from_arrays([run, parts["part_no"]])).to_numpy()
    context = context_of(night)
    mine = np.isin(parts["plate"].to_numpy(), context.plates_of(truth.subject)) & parts["known"].to_numpy(bool)
    mine &= (plates["day"].to_numpy() >= np.datetime64(truth.since))[parts["plate"].to_numpy()]
    seen, due, count = float(parts["failed"].to_numpy(bool)[mine].sum()), float(expected[mine].sum()), float(mine.sum())
    if seen <= due:
        return None
    odds = (seen + 0.5) / (due + 0.5)
    evidence = Evidence("rate_shift", truth.subject, truth.since, truth.since, truth.since + DAY, seen, due, count, "parts",
                        odds, odds / 1.5, odds * 1.5, "odds ratio", 0.01, 1.0, "up")  # fmt: skip
    causes = (Cause(truth.cause, 0.95), Cause("unknown", 0.05))
    flagged = truth.since + 14 * DAY
    return Finding("truth", evidence, flagged, flagged, causes=causes)


def judge(
    records: Records, finding: Finding, mended: dt.date, settings: Settings, table: CauseTable
) -> tuple[str, int, int]:
    """Status after the last night, the night of the decision (-1: none) and the plates by then."""
    history = join_history(records)
    for nights in range(NIGHTS):
        night = look(history, mended + nights * DAY, settings, (finding,))
        finding = judged(finding, night, context_of(night), table)
        if finding.status in ("cleared", "returned"):
            return finding.status, nights, int(finding.repair["plates"])
    return finding.status, -1, int(finding.repair.get("plates", 0))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--first-seed", type=int, default=71)
    parser.add_argument("--causes", nargs="*", default=list(CAUSES_ASKED))
    arguments = parser.parse_args()
    table, begun, rows = load_causes(), time.perf_counter(), []
    settings = load_settings()
    for cause in arguments.causes:
        for held in (True, False):
            for seed in range(arguments.first_seed, arguments.first_seed + arguments.seeds):
                farm, mended = mended_farm(cause, seed, held)
                zone = settings.farm.model_copy(update={"timezone": farm.spec.timezone})
                finding = finding_of(farm, mended)
                if finding is None:
                    continue
                status, nights, plates = judge(
                    farm.records, finding, mended, settings.model_copy(update={"farm": zone}), table
                )
                rows.append((cause, finding.evidence.subject.type, held, status, nights, plates))
    frame = pd.DataFrame(rows, columns=["cause", "subject", "held", "status", "nights", "plates"])
    for (cause, subject, held), some in frame.groupby(["cause", "subject", "held"], sort=False):
        decided = some[some["nights"] >= 0]
        said = ", ".join(f"{status} {count}" for status, count in some["status"].value_counts().items())
        print(f"{cause:14s} {subject:8s} {'sound' if held else 'useless':8s} farms {len(some)}: {said}; "
              f"decided after {decided['nights'].median():.0f} nights, {decided['plates'].median():.0f} plates")  # fmt: skip
    print(f"\n{len(rows)} farms in {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
