"""What the farm owns and is asked to print: printers, lots, designs, files, customers, operators."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.simulate.spec import FarmSpec

LAYER_MM = 0.05
BASE_LAYERS, TRANSITION_LAYERS = 6, 8
PLATE_SIZES_MM = ((144.0, 90.0, 175.0), (218.0, 124.0, 250.0), (196.0, 122.0, 200.0))
EXPOSURE_S = np.array([2.5, 2.9, 2.2])
REST_S = 2.0
BASE_EXPOSURE_S = np.array([28.0, 32.0, 26.0])


@dataclass(frozen=True)
class Stock:
    """What the farm owns and is asked to print; one entry per printer, lot, design or file.

    ``lot_*``: ``resin`` index, ``made``, ``opened``, ``closed`` in days. ``design_*``: ``customer``, side lengths and
    height in mm, ``cavity_mm`` (height of a cavity, NaN without), ``arrives`` day, ``effect`` (log hazard).
    ``file_*``: ``family`` it is laid out for, ``arrives``, ``leaves`` days, ``first`` and ``count`` into ``slot_*``
    (design, x and y of each part), ``popularity``, ``height_mm``, ``footprint_mm2``, ``row_like`` (parts lined up).
    """

    family: np.ndarray
    room: np.ndarray
    printer_resin: np.ndarray
    lot_resin: np.ndarray
    lot_made: np.ndarray
    lot_opened: np.ndarray
    lot_closed: np.ndarray
    design_customer: np.ndarray
    design_width: np.ndarray
    design_depth: np.ndarray
    design_height: np.ndarray
    design_cavity: np.ndarray
    design_arrives: np.ndarray
    design_effect: np.ndarray
    file_family: np.ndarray
    file_arrives: np.ndarray
    file_first: np.ndarray
    file_count: np.ndarray
    file_popularity: np.ndarray
    file_height: np.ndarray
    file_footprint: np.ndarray
    file_lined_up: np.ndarray
    slot_design: np.ndarray
    slot_x: np.ndarray
    slot_y: np.ndarray
    customer_activity: np.ndarray
    affinity: np.ndarray
    operator_shift: np.ndarray
    operator_from: np.ndarray


def make_stock(spec: FarmSpec, rng: np.random.Generator) -> Stock:
    """Draw printers, lots, designs, files, customers and operators."""
    family = np.arange(spec.printers) % spec.families
    room = (np.arange(spec.printers) * spec.rooms) // max(spec.printers, 1)
    printer_resin = rng.permutation(np.arange(spec.printers) % len(spec.resins))
    lots = _lots(spec, rng)
    designs = _designs(spec, rng)
    files = _files(spec, designs, rng)
    # hard designs are made up for by easy ones, so that farms differ in their mix and not in how well they run
    weight = np.repeat(files["file_popularity"], files["file_count"])
    effect = designs["design_effect"]
    effect -= np.log(np.average(np.exp(effect[files["slot_design"]]), weights=weight))
    weeks = spec.days // 7 + 2
    activity = np.exp(np.cumsum(rng.normal(0.0, 0.35, (weeks, spec.customers)), axis=0) * 0.6)
    activity *= rng.random((weeks, spec.customers)) < 0.85
    activity += 0.05
    return Stock(
        family=family,
        room=room,
        printer_resin=printer_resin,
        **lots,
        **designs,
        **files,
        customer_activity=activity,
        affinity=np.exp(rng.normal(0.0, 0.7, (spec.printers, spec.customers))),
        operator_shift=np.arange(spec.operators) % 2,
        operator_from=np.where(np.arange(spec.operators) < max(2, spec.operators - 1), 0.0, 0.45 * spec.days),
    )


def _lots(spec: FarmSpec, rng: np.random.Generator) -> dict[str, np.ndarray]:
    per_resin = spec.lots_per_resin or max(3, round(spec.days / 18 * max(1.0, spec.printers / 24)))
    spacing = (spec.days + 18.0) / per_resin
    resin, opened = [], []
    for index in range(len(spec.resins)):
        steps = spacing * (np.arange(per_resin) + rng.uniform(-0.3, 0.3, per_resin)) - 18.0 + index * spacing / 3
        resin.append(np.full(per_resin, index))
        opened.append(np.floor(steps))
    opened_day = np.concatenate(opened)
    # bottles of a lot last so long that two or three lots of a resin are in use at once
    life = rng.uniform(1.8, 2.8, opened_day.size) * np.maximum(spacing, 14.0)
    return {
        "lot_resin": np.concatenate(resin),
        "lot_made": opened_day - rng.integers(20, 90, opened_day.size),
        "lot_opened": opened_day,
        "lot_closed": opened_day + life,
    }


def _designs(spec: FarmSpec, rng: np.random.Generator) -> dict[str, np.ndarray]:
    count = spec.designs or max(12, round(60 * (spec.printers / 24) ** 0.5 * (spec.days / 180) ** 0.5))
    customer = rng.integers(0, spec.customers, count)
    width = np.clip(np.exp(rng.normal(np.log(25.0), 0.3, count)), 10.0, 55.0)
    height = np.clip(np.exp(rng.normal(np.log(27.0), 0.5, count)), 7.0, 95.0)
    has_cavity = rng.random(count) < 0.15
    has_cavity[: count // 8] = False
    new = rng.random(count) < 0.5
    arrives = np.where(new, np.floor(rng.uniform(0.03, 0.9, count) * spec.days), -100.0)
    arrives[: max(3, count // 6)] = -100.0
    by_customer = rng.normal(0.0, 0.5 * spec.design_sd, spec.customers)
    return {
        "design_customer": customer,
        "design_width": width,
        "design_depth": np.clip(width * np.exp(rng.normal(0.0, 0.2, count)), 10.0, 55.0),
        "design_height": height,
        "design_cavity": np.where(has_cavity, height * rng.uniform(0.15, 0.8, count), np.nan),
        "design_arrives": arrives,
        "design_effect": by_customer[customer] + rng.normal(0.0, np.sqrt(0.75) * spec.design_sd, count),
    }


def _files(spec: FarmSpec, designs: dict[str, np.ndarray], rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Two layouts a design and family: one of that design alone, one shared with designs of the same customer."""
    rows: dict[str, list[float]] = {name: [] for name in ("family", "arrives", "first", "count", "popularity", "lined")}
    slots: list[np.ndarray] = []
    total = 0
    for design in range(designs["design_width"].size):
        mates = np.flatnonzero(designs["design_customer"] == designs["design_customer"][design])
        mates = mates[designs["design_arrives"][mates] <= designs["design_arrives"][design]]
        for family in range(spec.families):
            for shared in (False, True) if rng.random() < 0.5 else (False,):
                layout, lined = _layout(design, mates if shared else None, family, designs, rng)
                rows["family"].append(family)
                rows["arrives"].append(designs["design_arrives"][design])
                rows["first"].append(total)
                rows["count"].append(len(layout))
                rows["popularity"].append(float(np.exp(rng.normal(0.0, 0.7))))
                rows["lined"].append(float(lined))
                slots.append(layout)
                total += len(layout)
    slot = np.concatenate(slots)
    first = np.array(rows["first"], dtype=np.int64)
    design_of = slot[:, 0].astype(np.int64)
    area = designs["design_width"][design_of] * designs["design_depth"][design_of] * 0.6
    return {
        "file_family": np.array(rows["family"], dtype=np.int64),
        "file_arrives": np.array(rows["arrives"]),
        "file_first": first,
        "file_count": np.array(rows["count"], dtype=np.int64),
        "file_popularity": np.array(rows["popularity"]),
        "file_height": np.maximum.reduceat(designs["design_height"][design_of], first),
        "file_footprint": np.add.reduceat(area, first),
        "file_lined_up": np.array(rows["lined"]) > 0,
        "slot_design": design_of,
        "slot_x": slot[:, 1],
        "slot_y": slot[:, 2],
    }


def _layout(
    design: int, mates: np.ndarray | None, family: int, designs: dict[str, np.ndarray], rng: np.random.Generator
) -> tuple[np.ndarray, bool]:
    """Places on a grid, filled by the habit of whoever laid the file out. Rows: design, x, y."""
    chosen = [design] if mates is None else [design, *rng.choice(mates, size=min(2, mates.size)).tolist()]
    width, depth, _ = PLATE_SIZES_MM[family % len(PLATE_SIZES_MM)]
    pitch_x = max(designs["design_width"][chosen]) + 3.0
    pitch_y = max(designs["design_depth"][chosen]) + 3.0
    across, deep = max(1, int(width // pitch_x)), max(1, int(depth // pitch_y))
    x, y = np.meshgrid((np.arange(across) - (across - 1) / 2) * pitch_x, (np.arange(deep) - (deep - 1) / 2) * pitch_y)
    x, y = x.ravel(), y.ravel()
    wanted = int(np.clip(np.round(x.size**0.78 * rng.uniform(0.35, 1.5)), 1, x.size))
    habit = rng.random()
    if habit < 0.75:
        order = np.argsort(np.hypot(x / width, y / depth) + rng.normal(0.0, 0.02, x.size), kind="stable")
    elif habit < 0.9:
        order = np.argsort(y * 1000.0 + x, kind="stable")
    else:
        order = rng.permutation(x.size)
    spots = order[:wanted]
    jitter = rng.normal(0.0, 0.4, (2, wanted))
    lined = bool(rng.random() < 0.4)
    if lined:
        jitter[:] = 0.0
    which = np.array(chosen)[np.arange(wanted) % len(chosen)]
    return np.column_stack([which, np.round(x[spots] + jitter[0], 1), np.round(y[spots] + jitter[1], 1)]), lined
