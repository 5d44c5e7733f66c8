"""How often cure_offset cries wolf, how soon it sees a lot or a lamp, and whether its intervals hold. Prints a table.

Run: python benchmarks/cure_offset.py [FARMS]
"""

from __future__ import annotations

import datetime as dt
import sys

import numpy as np
import pandas as pd

from farmwatch.detectors.cure_offset import detect
from farmwatch.detectors.night import History, join_history
from farmwatch.evidence import Evidence
from farmwatch.records import Records, conform
from farmwatch.settings import load_settings

START = dt.date(2031, 1, 6)
DAYS = 180
EVERY = 10


def coupon_farm(
    rng: np.random.Generator,
    printers: int = 8,
    lots: int = 10,
    lot_sd: float = 0.003,
    printer_sd: float = 0.003,
    day_sd: float = 0.0,
    session_sd: float = 0.003,
    piece_sd: float = 0.008,
    norm_mm: float = 0.0,
    lot_off: tuple[int, float] | None = None,
    printer_step: tuple[int, int, float] | None = None,
    every: int = EVERY,
) -> Records:
    """A farm that prints one bar and one slot of two widths on every printer each ``every`` days, staggered."""
    lot_growth, printer_growth = rng.normal(0, lot_sd, lots), rng.normal(0, printer_sd, printers)
    shared = rng.normal(0, day_sd, DAYS)
    if lot_off:
        lot_growth[lot_off[0]] += lot_off[1]
    runs, pieces = [], []
    start = pd.Timestamp(START, tz="UTC") + pd.Timedelta(hours=8)
    for printer in range(printers):
        for day in range(int(rng.integers(every)), DAYS, every):
            lot = min(int(lots * (day + rng.integers(0, 30)) / (DAYS + 30)), lots - 1)
            growth = norm_mm + lot_growth[lot] + printer_growth[printer] + shared[day] + rng.normal(0, session_sd)
            if printer_step and printer == printer_step[0] and day >= printer_step[1]:
                growth += printer_step[2]
            name, at = f"R{printer}-{day}", start + pd.Timedelta(days=day)
            run = {"run_id": name, "printer_id": f"P{printer}", "lot_id": f"L{lot}", "profile": "usual"}
            runs.append(run | {"started_at": at, "ended_at": at + pd.Timedelta(hours=5), "outcome": "good"})
            for width in (2.0, 8.0):
                for feature, way in (("bar", 2.0), ("slot", -2.0)):
                    measured = width + way * growth - 0.002 * width + rng.normal(0, piece_sd)
                    piece = {"coupon_id": f"{name}{feature}{width}", "run_id": name, "feature": feature}
                    piece |= {"measured_at": at + pd.Timedelta(hours=8), "nominal_mm": width}
                    pieces.append(piece | {"measured_mm": round(measured, 2)})
    return Records(runs=conform(pd.DataFrame(runs), "runs"), coupons=conform(pd.DataFrame(pieces), "coupons"))


def flagged(records: Records, step: int = 7, first: int = 12) -> dict[tuple[str, str], tuple[dt.date, Evidence]]:
    """Subjects over the limit, each with its first night among every ``step``-th and what was said then."""
    settings, history = load_settings(), join_history(records)
    found: dict[tuple[str, str], tuple[dt.date, Evidence]] = {}
    for n in range(first, DAYS, step):
        for one in nightly(history, n, settings):
            found.setdefault((one.subject.type, one.subject.id), (START + dt.timedelta(days=n), one))
    return found


def nightly(history: History, day: int, settings: object) -> list[Evidence]:
    night = history.night(START + dt.timedelta(days=day), settings)  # type: ignore[arg-type]
    return [one for one in detect(night).evidence if one.score >= 0.0]


QUIET = {
    "usual farm": {},
    "lots and lamps vary much": {"lot_sd": 0.006, "printer_sd": 0.005},
    "gauge differs from day to day": {"day_sd": 0.004},
    "few printers and lots": {"printers": 3, "lots": 4, "every": 14},
}
FAULTS = {
    "lot over by 0.02 mm": ({"lot_off": (5, 0.02)}, ("lot", "L5"), 0.02),
    "lot under by 0.03 mm": ({"lot_off": (5, -0.03)}, ("lot", "L5"), -0.03),
    "lamp steps by 0.02 mm": ({"printer_step": (3, 80, 0.02)}, ("printer", "P3"), 0.02),
    "lamp steps by -0.03 mm": ({"printer_step": (3, 80, -0.03)}, ("printer", "P3"), -0.03),
}


def main(farms: int = 40) -> None:
    budget = load_settings().alarm_budget
    allowed = budget.false_findings_per_month * budget.share_cure_offset
    print(f"budget: {allowed:.3f} false findings per farm-month; {farms} farms of {DAYS // 30} months a row")
    print(f"{'quiet farm':<34}{'findings':>9}{'per farm-month':>16}")
    for name, kinds in QUIET.items():
        count = sum(len(flagged(coupon_farm(np.random.default_rng([1, s]), **kinds))) for s in range(farms))  # type: ignore[arg-type]
        print(f"{name:<34}{count:>9}{count / (farms * DAYS / 30):>16.3f}", flush=True)
    head = f"{'fault':<34}{'found':>7}{'median days':>13}{'95 % holds':>12}{'since holds':>13}{'others':>8}"
    print(head)
    for name, (kinds, subject, size) in FAULTS.items():
        days, holds, since, others = [], 0, 0, 0
        for s in range(farms):
            found = flagged(coupon_farm(np.random.default_rng([2, s]), **kinds))  # type: ignore[arg-type]
            others += len(found) - (subject in found)
            if subject in found:
                night, one = found[subject]
                begin = START + dt.timedelta(days=80) if subject[0] == "printer" else one.since
                days.append((night - begin).days)
                holds += one.effect_low <= size <= one.effect_high
                since += one.since_low <= begin <= one.since_high
        count = max(len(days), 1)
        middle = float(np.median(days)) if days else float("nan")
        print(
            f"{name:<34}{len(days):>7}{middle:>13.0f}{holds / count:>12.2f}{since / count:>13.2f}{others:>8}",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
