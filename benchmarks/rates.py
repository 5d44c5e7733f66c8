"""How soon a moved failure rate is flagged, beside the best possible.

    python benchmarks/rates.py [FARMS [ODDS RATIO...]]

One printer of 24 gets an odds ratio of 3 (5, 2) from day 60 on. Beside farmwatch's rates (every stream and sign
watched, nothing known; limits as shipped, and as a farm calibrated on its own plates may set them) stand the CUSUM that
knows each part's true risk, the odds ratio and the plate model, once allowed the whole budget of one false finding a
farm-month for its 24 streams, once the slice of it that farmwatch gives to printers' failures of all signs; one that
flags every 500th plate of the printer; and never.
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
from farmwatch.simulate.scenarios import quiet_farm
from farmwatch.simulate.spec import FarmSpec, Fault, SimulatedFarm
from farmwatch.stats.plate_model import PlateModel, fit_plate_model
from farmwatch.stats.risk_cusum import cusum, plate_weights

ONSET, NIGHTS, PRINTER = 60, 40, "P07"
CALIBRATIONS = (1.0, 4.0)  # as shipped, and what `farmwatch calibrate` found to keep the budget on such plates


def plates_of(farm: SimulatedFarm) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Printer, day, parts, failures and true mean risk of each plate, in the order in which they became known."""
    history = join_history(farm.records)
    raw = farm.records.parts
    key = raw["run_id"] + "/" + raw["part_no"].astype(int).astype(str)
    run = history.plates["run_id"].iloc[history.parts["plate"]].reset_index(drop=True)
    known = run + "/" + history.parts["part_no"].astype(int).astype(str)
    risk = farm.quiet_risk[np.argsort(key.to_numpy())][np.argsort(np.argsort(known.to_numpy()))]
    plate, counted = history.parts["plate"].to_numpy(), history.parts["known"].to_numpy()
    number = len(history.plates)
    n = np.bincount(plate, weights=counted, minlength=number)
    y = np.bincount(plate, weights=history.parts["failed"], minlength=number)
    p = np.bincount(plate, weights=risk * counted, minlength=number) / np.maximum(n, 1)
    return history.plates["printer_id"].to_numpy(), history.cells.day, n, y, np.clip(p, 1e-5, 0.9)


def known_path(
    farm: SimulatedFarm, printer: str, odds_ratio: float, model: PlateModel
) -> tuple[np.ndarray, np.ndarray]:
    """Day and W of the CUSUM that knows everything, after each plate of ``printer``."""
    who, day, n, y, p = plates_of(farm)
    mine = (who == printer) & (n > 0)
    weights = plate_weights(y[mine], n[mine], np.log(p[mine] / (1 - p[mine])), model, odds_ratio)
    return day[mine], cusum(weights)


def limit_for(paths: list[np.ndarray], months: float, per_month: float) -> float:
    """The limit at which restarted charts over all streams alarm ``per_month`` times, by counting on quiet paths."""
    for limit in np.arange(1.0, 12.0, 0.1):
        alarms = sum(count_alarms(path, float(limit)) for path in paths)
        if alarms <= per_month * months:
            return float(limit)
    return 12.0


def count_alarms(path: np.ndarray, limit: float) -> int:
    """Alarms of one chart restarted at zero after each; ``path`` holds plate weights."""
    level, alarms = 0.0, 0
    for weight in path:
        level = max(0.0, level + weight)
        if level >= limit:
            alarms, level = alarms + 1, 0.0
    return alarms


def our_delay(farm: SimulatedFarm, calibration: float) -> float:
    """Nights from the onset to the first night on which the printer is flagged; infinite if not within NIGHTS."""
    shipped, history = load_settings(), join_history(farm.records)
    budget = shipped.alarm_budget.model_copy(update={"calibration": calibration})
    settings = shipped.model_copy(update={"alarm_budget": budget})
    first = farm.records.first_day()
    assert first is not None
    for night in range(ONSET, ONSET + NIGHTS):
        seen = look(history, first + dt.timedelta(days=night), settings, ())
        for item in rates.detect(seen).evidence:
            if item.score >= 0 and item.subject.id == PRINTER and item.direction == "up":
                return float(night - ONSET)
    return float("inf")


def main(farms: int = 12, *odds_ratios: int) -> None:
    quiet = [quiet_farm(9000 + seed, 24, 120) for seed in range(4)]
    who, _, n, y, p = plates_of(quiet[0])
    model = fit_plate_model(y[n > 1], n[n > 1], p[n > 1])
    print(f"plate model of the quiet farms: {model}")
    settings = load_settings()
    budget = settings.alarm_budget
    slice_ = (
        budget.share_rates
        * settings.rates.share_printer
        * (1 - settings.rates.share_down)
        * (1 - settings.rates.share_signs)
    )
    print(f"{'odds ratio':<12}{'scheme':<44}{'median':>8}{'mean<=40':>10}{'missed':>8}  nights, of {farms} farms")
    for odds_ratio in odds_ratios or (3.0, 5.0, 2.0):
        paths = []
        for farm in quiet:
            who, _, n, y, p = plates_of(farm)
            weights = plate_weights(y, n, np.log(p / (1 - p)), model, odds_ratio)
            paths += [weights[(who == name) & (n > 0)] for name in np.unique(who)]
        months = len(quiet) * 4.0
        whole, part = limit_for(paths, months, 1.0), limit_for(paths, months, max(slice_, 1.0 / months))
        rows: dict[str, list[float]] = {
            **{f"farmwatch, rates, calibration {calibration:g}": [] for calibration in CALIBRATIONS},
            f"CUSUM that knows all, whole budget, h={whole:.1f}": [],
            f"CUSUM that knows all, our slice, h={part:.1f}": [],
            "every 500th plate of the printer": [],
        }
        for seed in range(farms):
            fault = Fault("plain_rate", ("printer", PRINTER), since_day=ONSET, odds_ratio=odds_ratio)
            farm = simulate(FarmSpec(printers=24, days=ONSET + NIGHTS, faults=(fault,)), 8000 + seed)
            day, path = known_path(farm, PRINTER, odds_ratio, model)
            delays = [our_delay(farm, calibration) for calibration in CALIBRATIONS]
            for limit in (whole, part):
                over = day[(path >= limit) & (day >= ONSET)]
                delays.append(float(over[0] - ONSET) if len(over) else float("inf"))
            counted = np.arange(1, len(day) + 1)
            every = day[(counted % 500 == 0) & (day >= ONSET)]
            delays.append(float(every[0] - ONSET) if len(every) else float("inf"))
            for row, delay in zip(rows.values(), delays, strict=True):
                row.append(delay)
        rows["never"] = [float("inf")] * farms
        for name, delays in rows.items():
            capped = np.minimum(delays, NIGHTS)
            missed = int(np.isinf(delays).sum())
            print(f"{odds_ratio:<12g}{name:<44}{np.median(delays):>8g}{capped.mean():>10.1f}{missed:>8}", flush=True)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
