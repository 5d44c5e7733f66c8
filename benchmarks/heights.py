"""How often heights cry wolf, and how soon they see a fault; on whole simulated farms, with this detector alone. Cheap.

    python benchmarks/heights.py [FARMS] [FIRST_SEED] [EVERY]

Quiet farms of ``farmwatch.simulate`` (24 printers, 120 days) are looked at every EVERY-th night (3 by default) and every
subject counts once that was ever above its limit; printed by subject type and band beside the share of the budget, and
beside a dummy that flags every thousandth plate. Then farms of one planted fault each: how many were found with the right
subject and band, how many days after the first plate under it, and what else was filed. Beside the hits stands the share
that one who knows subject, band and day would see (an e-value of the true band at an odds ratio of 4 over the same limit).
"""

from __future__ import annotations

import datetime as dt
import sys
import time
from collections import Counter

import numpy as np

from farmwatch.detectors.height_pattern import TYPES, detect
from farmwatch.detectors.height_scene import set_height_scene
from farmwatch.detectors.height_streams import height_streams
from farmwatch.detectors.height_units import unit_shares
from farmwatch.detectors.night import History, join_history
from farmwatch.evidence import BANDS, Evidence, Subject
from farmwatch.settings import load_settings
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.scenarios import quiet_farm
from farmwatch.simulate.spec import FarmSpec, Fault, PlantedFault
from farmwatch.stats.plate_scan import log_e_values

SETTINGS = load_settings()
PRINTERS, DAYS = 24, 120
FAULTS = {
    "plate out of level": ("plate_tilt", "base"),
    "suction in a design": ("trapped_suction", "height"),
    "weak base of a profile": ("weak_base", "base"),
    "worn screw": ("z_wear", "height"),
    "worn film": ("film_worn", "body"),
}


def above(history: History, as_of: dt.date) -> list[Evidence]:
    """What is above its limit that night."""
    return [evidence for evidence in detect(history.night(as_of, SETTINGS)).evidence if evidence.score >= 0.0]


def quiet(farms: int, first_seed: int, every: int) -> tuple[Counter[tuple[str, str]], int]:
    """Subjects ever above their limit, by type and band; and the number of plates."""
    counts: Counter[tuple[str, str]] = Counter()
    plates = 0
    for seed in range(first_seed, first_seed + farms):
        history = join_history(quiet_farm(seed, PRINTERS, DAYS).records)
        plates += len(history.plates)
        first = history.plates["day"].min().date()
        told: dict[Subject, Evidence] = {}
        for day in range(every, DAYS, every):
            for one in above(history, first + dt.timedelta(days=day)):
                told.setdefault(one.subject, one)
        for one in told.values():
            counts[one.subject.type, str(one.band)] += 1
            print(
                f"  farm {seed}: {one.subject.type} {one.subject.id} {one.band} {one.detail['from_mm']:.1f} to "
                f"{one.detail['to_mm']:.1f} mm, {one.observed:.1f} of {one.opportunities:.0f} plates, "
                f"{one.expected:.1f} due, effect {one.effect:.1f} from {one.effect_low:.1f}, score {one.score:.1f}",
                flush=True,
            )
    return counts, plates


def first_hit(cause: str, band: str, seed: int, every: int) -> tuple[int | None, bool, int]:
    """Days from the first plate under the fault to the first night it was told (None: not by the last); whether one who
    knows would have been over the limit by then; how many other subjects were told."""
    fault = Fault(cause, since_day=40)
    farm = simulate(FarmSpec(printers=PRINTERS, days=DAYS, faults=(fault,)), seed)
    history, truth = join_history(farm.records), farm.truth[0]
    begun = truth.first_plate_on
    if begun is None:
        return None, False, 0
    right = {truth.subject, *truth.also}
    last = farm.spec.start + dt.timedelta(days=DAYS)
    delay, others = None, set()
    for as_of in (begun + dt.timedelta(days=n) for n in range(every, (last - begun).days + 1, every)):
        for one in above(history, as_of):
            if one.subject not in right:
                others.add(one.subject)
            elif delay is None and one.band == band:
                delay = (as_of - begun).days
    return delay, _knowing(history, truth, band, last), len(others)


def _knowing(history: History, truth: PlantedFault, band: str, as_of: dt.date) -> bool:
    """Whether the true band (of windows: the best) at an odds ratio of 4 since the true day passes the stream's limit."""
    scene = set_height_scene(history.night(as_of, SETTINGS))
    streams = None if scene is None else height_streams(scene, truth.subject.type)
    if scene is None or streams is None:
        return False
    index = np.flatnonzero(streams.names[streams.level] == truth.subject.id)
    if not len(index) or truth.first_plate_on is None:
        return False
    rows = streams.rows(int(index[0]))
    shares = unit_shares(scene, streams.units, rows)
    after = streams.units.day[rows] >= (truth.first_plate_on - scene.first_day).days
    columns = [BANDS.index(band)] if band != "height" else list(range(3, 3 + len(streams.units.windows)))
    gain = log_e_values(shares.observed[after][:, columns], shares.expected[after][:, columns], 4.0).sum(axis=0)
    return bool(gain.max() >= np.log(30.0 * len(streams.start) / streams.per_month))


def main(farms: int = 12, first_seed: int = 7200, every: int = 3) -> None:
    started = time.process_time()
    budget = SETTINGS.alarm_budget.false_findings_per_month * SETTINGS.alarm_budget.share_height_pattern
    counts, plates = quiet(farms, first_seed, every)
    months = farms * DAYS / 30.0
    print(f"{farms} quiet farms from seed {first_seed}, {months:g} farm-months, every {every}. night")
    print(f"{'a farm-month':<14}" + "".join(f"{band:>12}" for band in BANDS) + f"{'all':>9}{'share':>9}")
    for kind in TYPES:
        row = [counts[kind, band] / months for band in BANDS]
        share = budget * SETTINGS.height_pattern.share_of(kind)
        print(f"{kind:<14}" + "".join(f"{rate:>12.3f}" for rate in row) + f"{sum(row):>9.3f}{share:>9.3f}")
    total = sum(counts.values()) / months
    print(f"all {total:.3f}, share of the budget {budget:.3f}: {total / budget:.2f} of it")
    print(f"dummies: never 0.000, every thousandth plate {plates / 1000 / months:.3f}")
    each = max(farms // 2, 1)
    print(f"\nplanted on day 40, {each} farms each, looked at every {every}. night")
    print(f"{'fault':<26}{'band':>8}{'found':>8}{'knowing':>9}{'median days':>13}{'others':>8}")
    for name, (cause, band) in FAULTS.items():
        rows = [first_hit(cause, band, first_seed + 500 + n, every * 2) for n in range(each)]
        delays = [row[0] for row in rows if row[0] is not None]
        middle = float(np.median(delays)) if delays else float("nan")
        knowing, others = sum(row[1] for row in rows), sum(row[2] for row in rows)
        print(f"{name:<26}{band:>8}{len(delays):>8}{knowing:>9}{middle:>13.0f}{others:>8}", flush=True)
    print(f"{time.process_time() - started:.0f} s of processor time")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
