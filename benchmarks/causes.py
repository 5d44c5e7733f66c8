"""Are the causes right? Simulated farms with one planted cause each: first and third places per cause, calibration.

    python benchmarks/causes.py [--seeds 3] [--days-after 25] [--pipeline]

Without ``--pipeline`` the finding is built from the truth, told as a plain shift of the failure rate of the right
subject on the right day: no zone, no height, no sign. What is measured is then the reading of the pattern and the
table alone. With it, three nights are walked with all detectors (a third, two thirds and all of the days after the
beginning), and the first finding that names the right subject is taken.
"""

from __future__ import annotations

import argparse
import datetime as dt
import time
from collections.abc import Iterable

import numpy as np
import pandas as pd

from farmwatch.causes.answers import better
from farmwatch.causes.context import Context
from farmwatch.causes.diagnose import diagnose
from farmwatch.causes.questions import CAUSES
from farmwatch.causes.table import CauseTable, load_causes
from farmwatch.detectors.night import join_history
from farmwatch.evidence import Cause, Evidence, Finding
from farmwatch.settings import Settings, load_settings
from farmwatch.simulate.scenarios import one_cause_farm
from farmwatch.simulate.spec import PlantedFault, SimulatedFarm

DAY = dt.timedelta(days=1)


def told_from_truth(fault: PlantedFault, context: Context, plates: np.ndarray) -> Finding:
    """A finding that names the right subject and day, and nothing of what the failures look like."""
    parts = context.part_known & np.isin(context.part_plate, plates)
    if fault.subject.type == "design":
        own = np.zeros(len(parts), bool)
        own[context.parts_of_design(fault.subject.id)] = True
        parts &= own
    observed, expected = float(context.part_failed[parts].sum()), float(context.risk[parts].sum())
    odds = (observed + 0.5) / (expected + 0.5)
    first = context.day[context.plates_of(fault.subject)].min().astype(object)
    kind = "rate_level" if fault.since <= first + 2 * DAY else "rate_shift"
    evidence = Evidence(kind, fault.subject, fault.since, fault.since - DAY, fault.since + 2 * DAY, observed, expected,
                        float(parts.sum()), "parts", odds, odds / 1.5, odds * 1.5, "odds ratio", 0.01, 1.0, "up",
                        run_ids=tuple(context.plates["run_id"].iloc[plates]))  # fmt: skip
    return Finding("truth", evidence, context.as_of, context.as_of)


def from_truth(farm: SimulatedFarm, days_after: int, table: CauseTable, settings: Settings) -> tuple[Cause, ...] | None:
    history, fault = join_history(farm.records), farm.truth[0]
    as_of = fault.since + days_after * DAY
    night = history.night(as_of, settings)
    risk = pd.Series(farm.quiet_risk, index=pd.MultiIndex.from_frame(farm.records.parts[["run_id", "part_no"]]))
    run = night.plates["run_id"].iloc[night.parts["plate"]].to_numpy()
    expected = risk.reindex(pd.MultiIndex.from_arrays([run, night.parts["part_no"].to_numpy(float)])).to_numpy()
    context = Context(farm.records, settings, as_of, night.plates, night.parts, expected)
    plates = context.plates_of(fault.subject)
    plates = plates[context.day[plates] >= np.datetime64(fault.since)]
    if len(plates) < 3:
        return None
    return diagnose(told_from_truth(fault, context, plates), table, settings, context)[0]


def from_pipeline(
    farm: SimulatedFarm, days_after: int, table: CauseTable, settings: Settings
) -> tuple[Cause, ...] | None:
    from farmwatch.nightly import run_night

    fault, findings = farm.truth[0], ()
    settings = settings.model_copy(update={"farm": settings.farm.model_copy(update={"timezone": farm.spec.timezone})})
    subjects, history = {fault.subject, *fault.also}, join_history(farm.records)
    for days in sorted({days_after // 3, 2 * days_after // 3, days_after}):
        findings = run_night(history, fault.since + days * DAY, settings, findings, table).findings
        for finding in findings:
            evidence = finding.evidence
            if not better(evidence) and {evidence.subject, *evidence.rivals} & subjects:
                return finding.causes
    return None


def show(rows: Iterable[tuple[str, int, tuple[Cause, ...] | None]]) -> None:
    frame = pd.DataFrame(
        [
            {
                "cause": cause,
                "found": causes is not None,
                "first": causes is not None and causes[0].code == cause,
                "third": causes is not None and cause in [c.code for c in causes[:3]],
                "given": next((c.probability for c in causes or () if c.code == cause), 0.0),
                "said": causes[0].code if causes else "-",
            }
            for cause, _, causes in rows
        ]
    )
    table = frame.groupby("cause", sort=False).agg(
        farms=("found", "size"), found=("found", "sum"), first=("first", "sum"), third=("third", "sum"),
        given=("given", "mean"), said=("said", lambda said: ", ".join(sorted(set(said)))),
    )  # fmt: skip
    print(table.round(2).to_string())
    found = frame[frame["found"]]
    for name, rated in ((f"{len(found)} found", found), (f"all {len(frame)} farms", frame)):
        print(f"\nof {name}: first {rated['first'].mean():.1%}, among three {rated['third'].mean():.1%}")


def calibration(rows: Iterable[tuple[str, int, tuple[Cause, ...] | None]]) -> None:
    """Of the causes given a probability in each tenth, how many were right."""
    pairs = np.array([(c.probability, c.code == cause) for cause, _, causes in rows for c in causes or ()], float)
    print("\ngiven        causes   mean given   right")
    for low in (0.01, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99):
        high = {0.01: 0.05, 0.05: 0.1, 0.9: 0.95, 0.95: 0.99, 0.99: 1.01}.get(low, low + 0.1)
        inside = (pairs[:, 0] >= low) & (pairs[:, 0] < high)
        if inside.any():
            print(
                f"{low:.2f}-{min(high, 1):.2f} {inside.sum():8d} {pairs[inside, 0].mean():12.3f} {pairs[inside, 1].mean():7.3f}"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first-seed", type=int, default=1)
    parser.add_argument("--days-after", type=int, default=25)
    parser.add_argument("--pipeline", action="store_true")
    parser.add_argument("--causes", nargs="*", default=list(CAUSES))
    arguments = parser.parse_args()
    settings, table, rows = load_settings(), load_causes(), []
    ask = from_pipeline if arguments.pipeline else from_truth
    begun = time.perf_counter()
    for cause in arguments.causes:
        for seed in range(arguments.first_seed, arguments.first_seed + arguments.seeds):
            farm = one_cause_farm(cause, seed)
            rows.append((cause, seed, ask(farm, arguments.days_after, table, settings)))
    show(rows)
    calibration(rows)
    print(f"\n{len(rows)} farms in {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
