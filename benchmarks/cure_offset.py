"""How often cure_offset cries wolf, how soon it sees a lot or a lamp, and whether its intervals hold. Prints a table.

    python benchmarks/cure_offset.py [FARMS] [WHOLE_FARMS] [INTERVALS]

FARMS (40) small coupon farms a row, every seventh night looked at; the planted ones from the week before the fault until
it is told, and once more on the last night, on which the intervals are held against the truth: an interval of the night
that first flags is picked at its worst. Then WHOLE_FARMS (6) quiet farms of ``farmwatch.simulate``, every second night.
Then INTERVALS (0) farms a row of which only the last night is looked at: how many are told there, and whether the intervals
hold.
"""

from __future__ import annotations

import datetime as dt
import sys
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from farmwatch.detectors.cure_offset import detect
from farmwatch.detectors.night import History, join_history
from farmwatch.evidence import Evidence
from farmwatch.records import Records, conform
from farmwatch.settings import load_settings
from farmwatch.simulate.scenarios import quiet_farm

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
FAULTS: dict[str, tuple[dict[str, Any], tuple[str, str], float]] = {
    "lot over by 0.02 mm": ({"lot_off": (5, 0.02)}, ("lot", "L5"), 0.02),
    "lot under by 0.03 mm": ({"lot_off": (5, -0.03)}, ("lot", "L5"), -0.03),
    "lamp steps by 0.02 mm": ({"printer_step": (3, 80, 0.02)}, ("printer", "P3"), 0.02),
    "lamp steps by -0.03 mm": ({"printer_step": (3, 80, -0.03)}, ("printer", "P3"), -0.03),
}


FEW: dict[str, Any] = {"printers": 3, "lots": 4, "every": 14}
MORE_FAULTS: dict[str, tuple[dict[str, Any], tuple[str, str], float]] = {
    "few printers, lot over by 0.03 mm": (FEW | {"lot_off": (2, 0.03)}, ("lot", "L2"), 0.03),
    "few printers, lamp steps by 0.03 mm": (FEW | {"printer_step": (1, 80, 0.03)}, ("printer", "P1"), 0.03),
}


def truth_of(kinds: dict[str, Any], seed: int) -> float:
    """What the effect of the planted subject is: a lot lies off by what was added and by what it had; a step is measured
    against the printer's own before."""
    if "printer_step" in kinds:
        return float(kinds["printer_step"][2])
    lot, size = kinds["lot_off"]
    own = np.random.default_rng([2, seed]).normal(0, 0.003, kinds.get("lots", 10))  # natural growths, drawn first
    return float(own[lot] + size)


def last_night(kinds: dict[str, Any], subject: tuple[str, str], seed: int) -> bool | None:
    """Whether the interval of the growth told on the last night holds the truth; None where the fault is not told."""
    history, truth = join_history(coupon_farm(np.random.default_rng([2, seed]), **kinds)), truth_of(kinds, seed)
    for one in nightly(history, DAYS, load_settings()):
        if (one.subject.type, one.subject.id) == subject:
            return one.effect_low <= truth <= one.effect_high
    return None


@dataclass(frozen=True)
class Told:
    """One planted farm: days to the first night that told it (None: never), whether the growth interval and the
    interval of onsets held the truth (on that night; on the last), and how many other subjects were told."""

    days: int | None
    held_first: bool
    held_last: bool | None
    since_held: bool
    others: int


def planted(kinds: dict[str, Any], subject: tuple[str, str], seed: int, step: int = 7) -> Told:
    settings = load_settings()
    history = join_history(coupon_farm(np.random.default_rng([2, seed]), **kinds))
    truth = truth_of(kinds, seed)
    steps = START + dt.timedelta(days=kinds["printer_step"][1]) if "printer_step" in kinds else None
    begin = steps or first_day(history, subject[1])
    onset, others = (begin - START).days, set()
    night, one = None, None
    for n in range(max(onset - 7, 12), DAYS, step):
        told = {(e.subject.type, e.subject.id): e for e in nightly(history, n, settings)}
        others |= set(told) - {subject}
        if subject in told:
            night, one = START + dt.timedelta(days=n), told[subject]
            break
    last = {(e.subject.type, e.subject.id): e for e in nightly(history, DAYS, settings)}
    others |= set(last) - {subject}
    held = last[subject].effect_low <= truth <= last[subject].effect_high if subject in last else None
    if one is None or night is None:
        return Told(None, False, held, False, len(others))
    return Told(
        (night - begin).days,
        one.effect_low <= truth <= one.effect_high,
        held,
        one.since_low <= begin <= one.since_high,
        len(others),
    )


def first_day(history: History, lot: str) -> dt.date:
    day: dt.date = history.plates.loc[history.plates["lot_id"] == lot, "day"].min().date()
    return day


def whole_farms(farms: int, first_seed: int = 7200, days: int = 120) -> int:
    """Subjects ever over the limit on quiet farms of the simulator, every second night."""
    settings, count = load_settings(), 0
    for seed in range(first_seed, first_seed + farms):
        records = quiet_farm(seed, 24, days).records
        history, first = join_history(records), records.first_day()
        assert first is not None
        seen = set()
        for n in range(10, days, 2):
            night = history.night(first + dt.timedelta(days=n), settings)
            seen |= {one.subject for one in detect(night).evidence if one.score >= 0.0}
        count += len(seen)
    return count


def intervals(farms: int) -> None:
    """Print the share of intervals that hold on the last night, among the farms whose fault is told then."""
    print(f"\n{f'last night of {farms} farms a row':<38}{'told':>6}{'95 % interval holds':>21}{'standard error':>16}")
    for name, (fault, subject, _) in (FAULTS | MORE_FAULTS).items():
        held = [one for seed in range(farms) if (one := last_night(fault, subject, seed)) is not None]
        share = float(np.mean(held)) if held else float("nan")
        print(f"{name:<38}{len(held):>6}{share:>21.3f}{np.sqrt(0.0475 / max(len(held), 1)):>16.3f}", flush=True)


def main(farms: int = 40, whole: int = 6, last_nights: int = 0) -> None:
    if farms or whole:
        walks(farms, whole)
    if last_nights:
        intervals(last_nights)


def walks(farms: int, whole: int) -> None:
    budget = load_settings().alarm_budget
    allowed = budget.false_findings_per_month * budget.share_cure_offset
    print(f"budget: {allowed:.3f} false findings per farm-month; {farms} farms of {DAYS // 30} months a row")
    print(f"{'quiet farm':<34}{'findings':>9}{'per farm-month':>16}{'of the budget':>15}")
    for name, kinds in QUIET.items() if farms else ():
        count = sum(len(flagged(coupon_farm(np.random.default_rng([1, s]), **kinds))) for s in range(farms))  # type: ignore[arg-type, misc]
        rate = count / (farms * DAYS / 30)
        print(f"{name:<34}{count:>9}{rate:>16.3f}{rate / allowed:>15.2f}", flush=True)
    if whole:
        count = whole_farms(whole)
        rate = count / (whole * 4.0)
        print(f"{f'{whole} whole simulated farms':<34}{count:>9}{rate:>16.3f}{rate / allowed:>15.2f}", flush=True)
    if not farms:
        return
    print(f"{'':<41}{'':>13}{'95 % interval holds':>21}")
    print(f"{'fault':<34}{'found':>7}{'median days':>13}{'flagged':>10}{'last':>11}{'since holds':>13}{'others':>8}")
    every: list[bool] = []
    for name, (fault, subject, _) in FAULTS.items():
        told = [planted(fault, subject, s) for s in range(farms)]
        found = [one for one in told if one.days is not None]
        middle = float(np.median([one.days for one in found])) if found else float("nan")
        last = [one.held_last for one in told if one.held_last is not None]
        every += last
        shares = [np.mean(kept) if kept else float("nan") for kept in ([o.held_first for o in found], last)]
        since = np.mean([one.since_held for one in found]) if found else float("nan")
        others = sum(one.others for one in told)
        print(
            f"{name:<34}{len(found):>7}{middle:>13.0f}{shares[0]:>10.2f}{shares[1]:>11.2f}{since:>13.2f}{others:>8}",
            flush=True,
        )
    print(f"growth interval on the last night, all faults: holds {np.mean(every):.3f} of {len(every)} (0.95 promised)")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
