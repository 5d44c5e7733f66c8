"""Who prints what, when, of which bottle: the life of the farm before anything goes right or wrong.

Times are hours after midnight of the first day. Arrays of plates are in order of their start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.simulate.spec import FarmSpec
from farmwatch.simulate.stock import EXPOSURE_S, LAYER_MM, REST_S, Stock

SHIFT_FROM_H, SHIFT_TO_H = 6.5, 22.0
LATE_SHIFT_FROM_H = 14.0
PLATES_A_BOTTLE = 24.0
ORDINARY_LOAD_MM2 = 3400.0


@dataclass(frozen=True)
class Plan:
    """Plates in order of start: indices into :class:`Stock` and times in hours; ``bottle`` counts bottles opened."""

    printer: np.ndarray
    start_h: np.ndarray
    planned_h: np.ndarray
    file: np.ndarray
    lot: np.ndarray
    bottle: np.ndarray
    operator: np.ndarray
    wash: np.ndarray

    @property
    def day(self) -> np.ndarray:
        return np.floor(self.start_h / 24.0).astype(np.int64)


def layer_seconds(resin: np.ndarray) -> np.ndarray:
    """Seconds a body layer takes of each resin: exposure, rest, lift and return."""
    return EXPOSURE_S[resin % len(EXPOSURE_S)] + REST_S + 5.2


def make_plan(spec: FarmSpec, stock: Stock, rng: np.random.Generator) -> Plan:
    """Walk all printers forward together, plate by plate, until each has passed the last day."""
    count = spec.printers
    end_h = spec.days * 24.0
    clock = SHIFT_FROM_H + rng.uniform(0.0, 6.0, count)
    file = np.full(count, -1)
    repeats = np.zeros(count, dtype=np.int64)
    lot, bottle = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    left = np.zeros(count)
    resin = stock.printer_resin
    seconds = layer_seconds(resin)
    mean_h = float(np.mean(stock.file_height)) / LAYER_MM * float(np.mean(seconds)) / 3600.0
    gap_h = max(0.4, (SHIFT_TO_H - SHIFT_FROM_H) / spec.plates_per_day - 0.62 * mean_h)
    columns: list[tuple[np.ndarray, ...]] = []
    while (running := clock < end_h).any():
        clock = _into_shift(clock, rng)
        running = clock < end_h
        day = np.minimum(np.floor(clock / 24.0), spec.days - 1)
        fresh = repeats <= 0
        drawn = _draw_files(stock, day, rng)
        file = np.where(fresh, drawn, file)
        repeats = np.where(fresh, rng.geometric(0.4, count), repeats) - 1
        empty = left <= 0
        lot = np.where(empty, _draw_lots(stock, resin, day, rng), lot)
        bottle = bottle + empty
        left = (
            np.where(empty, PLATES_A_BOTTLE * rng.uniform(0.6, 1.4, count), left)
            - stock.file_footprint[file] / ORDINARY_LOAD_MM2
        )
        planned = stock.file_height[file] / LAYER_MM * seconds / 3600.0 + 0.12
        columns.append(tuple(a[running] for a in (np.arange(count), clock, planned, file, lot, bottle)))
        clock = clock + planned + 0.2 + rng.exponential(gap_h, count)
    printer, start, planned_h, files, lots, bottles = (np.concatenate(parts) for parts in zip(*columns, strict=True))
    order = np.lexsort((printer, start))
    start = start[order]
    return Plan(
        printer=printer[order],
        start_h=start,
        planned_h=planned_h[order],
        file=files[order],
        lot=lots[order],
        bottle=bottles[order],
        operator=_draw_operators(stock, start, rng),
        wash=rng.integers(0, spec.wash_stations, start.size),
    )


def _into_shift(clock: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    hour = clock % 24.0
    morning = np.floor(clock / 24.0) * 24.0 + SHIFT_FROM_H + rng.exponential(0.4, clock.size)
    clock = np.where(hour < SHIFT_FROM_H, morning, clock)
    return np.where(hour >= SHIFT_TO_H, morning + 24.0, clock)


def _draw_files(stock: Stock, day: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    week = (day // 7).astype(np.int64)
    customer = stock.design_customer[stock.slot_design[stock.file_first]]
    age = day[:, None] - stock.file_arrives[None, :]
    weight = stock.file_popularity * (stock.customer_activity[week] * stock.affinity)[:, customer]
    weight = weight * (stock.file_family[None, :] == stock.family[:, None]) * (age >= 0)
    # a new part is wanted most in its first weeks
    weight = weight * (1.0 + 2.0 * np.exp(-np.maximum(age, 0.0) / 14.0) * (stock.file_arrives >= 0))
    total = np.cumsum(weight, axis=1)
    point = rng.random(day.size) * total[:, -1]
    return (total <= point[:, None]).sum(axis=1)


def _draw_lots(stock: Stock, resin: np.ndarray, day: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    opened = stock.lot_opened[None, :] <= day[:, None]
    in_use = (stock.lot_resin[None, :] == resin[:, None]) & opened & (stock.lot_closed[None, :] > day[:, None])
    key = np.where(in_use, rng.random(in_use.shape), -1.0)
    same = stock.lot_resin[None, :] == resin[:, None]
    # between lots the last one opened (or the first there will be) is used up
    key = np.where(~in_use & same & opened, -2.0 + stock.lot_opened / 1e5, key)
    key = np.where(same | in_use, key, -9.0)
    key = np.where(same & ~opened, -5.0 - stock.lot_opened / 1e5, key)
    return np.argmax(key, axis=1)


def _draw_operators(stock: Stock, start_h: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    late = (start_h % 24.0) >= LATE_SHIFT_FROM_H
    present = (stock.operator_shift[None, :] == late[:, None]) & (stock.operator_from[None, :] <= start_h[:, None] / 24)
    return np.argmax(np.where(present, rng.random(present.shape), -1.0), axis=1)
