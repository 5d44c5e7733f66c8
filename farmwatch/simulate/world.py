"""The state in which each plate and each part is printed: light, temperature, wear, levelness, load.

Faults change this state, or add a way of failing; ``hazards`` turns the state into the ways of failing.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np

from farmwatch.simulate.plan import Plan
from farmwatch.simulate.spec import FarmSpec
from farmwatch.simulate.stock import (
    BASE_EXPOSURE_S,
    BASE_LAYERS,
    EXPOSURE_S,
    LAYER_MM,
    PLATE_SIZES_MM,
    REST_S,
    TRANSITION_LAYERS,
    Stock,
)

FILM_LIFE_LAYERS = 130_000.0
WASH_LIFE_RUNS = 150.0
LAMP_DECAY_PER_H = 3e-5
WARM_VAT_C = 25.0
BASE_MM = BASE_LAYERS * LAYER_MM
LOW_MM = (BASE_LAYERS + TRANSITION_LAYERS) * LAYER_MM


@dataclass
class Service:
    """Rows of the service log, in hours after the start."""

    at_h: list[float] = field(default_factory=list)
    subject: list[tuple[str, str]] = field(default_factory=list)
    action: list[str] = field(default_factory=list)
    note: list[str] = field(default_factory=list)

    def add(self, at_h: float, subject: tuple[str, str], action: str, note: str = "") -> None:
        self.at_h.append(float(at_h))
        self.subject.append(subject)
        self.action.append(action)
        self.note.append(note)

    def strike(self, subject: tuple[str, str], action: str, from_h: float, to_h: float) -> None:
        """Remove the rows of one action on one subject in a span of time."""
        keep = [
            not (s == subject and a == action and from_h <= at < to_h)
            for at, s, a in zip(self.at_h, self.subject, self.action, strict=True)
        ]
        kept = [index for index, stays in enumerate(keep) if stays]
        self.at_h = [self.at_h[i] for i in kept]
        self.subject = [self.subject[i] for i in kept]
        self.action = [self.action[i] for i in kept]
        self.note = [self.note[i] for i in kept]


@dataclass
class World:
    """Plate arrays have shape (plates,), part arrays (parts,); ``plate`` is the plate of each part.

    ``log_dose``: ln of the body exposure over what the lot needs, 0 when right; ``base_log_dose`` the same for the
    base. ``dose_shift`` and ``gap_mm`` (plate too far from the film at that place), ``bow_mm`` (plate hollow there)
    are per part. ``film_layers``, ``lamp_h``, ``wash_runs``: wear counters. ``effect``: natural log hazard per part.
    ``x_share``, ``y_share``: place of each part, -1 to 1 across the plate; ``rho``: 0 at the centre, 1 in a corner.
    ``uneven``: plates out of true, rows of (printer, from day, to day, slope over x, over y, bow in mm). ``plain``: log
    odds that plain rate faults add, per part. ``load``: share of the plate covered.
    """

    spec: FarmSpec
    stock: Stock
    plan: Plan
    plate: np.ndarray
    part_no: np.ndarray
    design: np.ndarray
    x_mm: np.ndarray
    y_mm: np.ndarray
    height_mm: np.ndarray
    footprint_mm2: np.ndarray
    rho: np.ndarray
    load: np.ndarray
    plate_area: np.ndarray
    resin: np.ndarray
    exposure_s: np.ndarray
    base_exposure_s: np.ndarray
    rest_s: np.ndarray
    lift_mm_min: np.ndarray
    ambient_c: np.ndarray
    vat_c: np.ndarray
    log_dose: np.ndarray
    base_log_dose: np.ndarray
    dose_shift: np.ndarray
    gap_mm: np.ndarray
    bow_mm: np.ndarray
    film_layers: np.ndarray
    film_wear: np.ndarray
    lamp_h: np.ndarray
    wash_runs: np.ndarray
    wash_wear: np.ndarray
    effect: np.ndarray
    operator_effect: np.ndarray
    plain: np.ndarray
    x_share: np.ndarray
    y_share: np.ndarray
    uneven: list[tuple[int, float, float, float, float, float]]
    lot_log_dose: np.ndarray
    printer_log_dose: np.ndarray
    service: Service

    @property
    def day(self) -> np.ndarray:
        return self.plan.day


def lot_name(stock: Stock, spec: FarmSpec, index: int) -> str:
    resin = stock.lot_resin[index]
    return f"{spec.prefix}{spec.resins[resin]}-{int((stock.lot_resin[:index] == resin).sum()) + 1:02d}"


def build_world(spec: FarmSpec, stock: Stock, plan: Plan, rng: np.random.Generator) -> World:
    """Expand plates into parts and draw the natural state of everything."""
    count = stock.file_count[plan.file]
    plate = np.repeat(np.arange(plan.file.size), count)
    number = np.arange(plate.size) - np.repeat(np.cumsum(count) - count, count)
    slot = stock.file_first[plan.file][plate] + number
    design = stock.slot_design[slot]
    half = plate_sizes(stock)[plan.printer][:, :2] / 2.0
    x, y = stock.slot_x[slot], stock.slot_y[slot]
    rho = np.hypot(x / half[plate, 0], y / half[plate, 1]) / np.sqrt(2.0)
    area = 4.0 * half[:, 0] * half[:, 1]
    resin = stock.lot_resin[plan.lot]
    service = Service()
    ambient, vat = _temperatures(spec, stock, plan, rng)
    film, lamp, wash = _wear(spec, stock, plan, service, rng)
    printer_dose = rng.normal(0.0, 0.03, spec.printers)
    lot_dose = rng.normal(0.0, 0.03, stock.lot_resin.size)
    printer_effect = rng.normal(0.0, spec.printer_sd, spec.printers)
    lot_effect = rng.normal(0.0, 0.8 * spec.lot_sd, stock.lot_resin.size)
    operator_effect = rng.normal(0.0, spec.operator_sd, spec.operators)
    tilt = rng.normal(0.0, 0.008, (spec.printers, 2))
    dose = printer_dose[plan.printer] + lot_dose[plan.lot] - LAMP_DECAY_PER_H * (lamp - 600.0)
    zeros = np.zeros(plate.size)
    fall_off = -0.06 * rho**2
    printer_of_part = plan.printer[plate]
    return World(
        spec=spec,
        stock=stock,
        plan=plan,
        plate=plate,
        part_no=number + 1,
        design=design,
        x_mm=x,
        y_mm=y,
        height_mm=np.round(stock.design_height[design], 1),
        footprint_mm2=np.round(stock.design_width[design] * stock.design_depth[design] * 0.6, 1),
        rho=rho,
        load=stock.file_footprint[plan.file] / area,
        plate_area=area,
        resin=resin,
        exposure_s=EXPOSURE_S[resin % EXPOSURE_S.size],
        base_exposure_s=BASE_EXPOSURE_S[resin % BASE_EXPOSURE_S.size],
        rest_s=np.full(plan.file.size, REST_S),
        lift_mm_min=np.full(plan.file.size, 60.0),
        ambient_c=ambient,
        vat_c=vat,
        log_dose=dose,
        base_log_dose=dose.copy(),
        dose_shift=fall_off + 0.02,
        gap_mm=np.maximum(
            0.0, tilt[printer_of_part, 0] * x / half[plate, 0] + tilt[printer_of_part, 1] * y / half[plate, 1]
        ),
        bow_mm=zeros.copy(),
        film_layers=film,
        film_wear=np.zeros(plan.file.size),
        lamp_h=lamp,
        wash_runs=wash,
        wash_wear=np.zeros(plan.file.size),
        effect=(printer_effect[plan.printer] + lot_effect[plan.lot])[plate] + stock.design_effect[design],
        operator_effect=operator_effect[plan.operator],
        plain=zeros.copy(),
        x_share=x / half[plate, 0],
        y_share=y / half[plate, 1],
        uneven=[(i, -1e9, 1e9, float(tilt[i, 0]), float(tilt[i, 1]), 0.0) for i in range(spec.printers)],
        lot_log_dose=lot_dose,
        printer_log_dose=printer_dose,
        service=service,
    )


def _temperatures(spec: FarmSpec, stock: Stock, plan: Plan, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Room and vat by season, day and hour; the vat is warmed by its own light and motors."""
    days = spec.days + 3
    weather = np.zeros((days, spec.rooms))
    shock = rng.normal(0.0, 0.5, (days, spec.rooms))
    for day in range(1, days):
        weather[day] = 0.8 * weather[day - 1] + shock[day]
    day_of_year = spec.start.timetuple().tm_yday + plan.day
    season = -1.1 * np.cos(2 * np.pi * (day_of_year - 25) / 365.25)
    hour = 0.5 * np.sin(2 * np.pi * (plan.start_h % 24.0 - 9.0) / 24.0)
    room = stock.room[plan.printer]
    ambient = 22.0 + season + hour + weather[plan.day, room] + rng.normal(0.0, 0.5, spec.rooms)[room]
    ambient = ambient + rng.normal(0.0, 0.25, ambient.size)
    return ambient, ambient + 3.0 + rng.normal(0.0, 0.4, ambient.size)


def _wear(
    spec: FarmSpec, stock: Stock, plan: Plan, service: Service, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Layers on the film, hours on the lamp, runs in the bath before each plate, with the routine services."""
    layers = stock.file_height[plan.file] / LAYER_MM
    film, lamp, wash = (np.zeros(plan.file.size) for _ in range(3))
    for printer in range(spec.printers):
        rows = np.flatnonzero(plan.printer == printer)
        film[rows], changed = _counter(layers[rows], FILM_LIFE_LAYERS, rng)
        for row in rows[changed]:
            service.add(plan.start_h[row] - 0.15, ("printer", printer_name(spec, printer)), "film_changed", "routine")
        lamp[rows] = rng.uniform(50.0, 900.0) + np.cumsum(plan.planned_h[rows]) - plan.planned_h[rows]
    for station in range(spec.wash_stations):
        rows = np.flatnonzero(plan.wash == station)
        wash[rows], changed = _counter(np.ones(rows.size), WASH_LIFE_RUNS, rng)
        for row in rows[changed]:
            service.add(plan.start_h[row] - 0.1, ("wash", wash_name(spec, station)), "wash_changed", "routine")
    return film, lamp, wash


def printer_name(spec: FarmSpec, index: int) -> str:
    if spec.printer_names:
        return spec.printer_names[index]
    return f"{spec.prefix}P{index + 1:0{max(2, len(str(spec.printers)))}d}"


def design_name(spec: FarmSpec, index: int) -> str:
    return spec.design_names[index] if index < len(spec.design_names) else f"{spec.prefix}D{index + 1:03d}"


def profile_name(spec: FarmSpec, resin: int) -> str:
    return f"{spec.resins[resin]}-50um"


def file_name(spec: FarmSpec, index: int) -> str:
    return f"{spec.prefix}F{index + 1:04d}"


def plate_sizes(stock: Stock) -> np.ndarray:
    """Width, depth and build height of each printer's plate in mm, shape (printers, 3)."""
    return np.array(PLATE_SIZES_MM)[stock.family % len(PLATE_SIZES_MM)]


def wash_name(spec: FarmSpec, index: int) -> str:
    return f"{spec.prefix}wash-{index + 1}"


def operator_name(spec: FarmSpec, index: int) -> str:
    return f"{spec.prefix}op-{index + 1}"


def room_name(spec: FarmSpec, index: int) -> str:
    return f"{spec.prefix}room-{index + 1}"


def family_name(index: int) -> str:
    return f"family-{'ABCDEFGH'[index]}"


def _counter(use: np.ndarray, life: float, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Use since the last change before each plate, and the rows at which a change came just before."""
    before = np.cumsum(use) - use + rng.uniform(0.0, 0.9) * life
    limits = np.cumsum(rng.uniform(0.8, 1.2, int(before[-1] / (0.8 * life)) + 2 if use.size else 1) * life)
    past = np.searchsorted(limits, before, side="right")
    since = before - np.concatenate([[0.0], limits])[past]
    changed = np.flatnonzero(np.diff(past, prepend=past[:1]) > 0) if use.size else np.zeros(0, dtype=np.int64)
    return since, changed


def local_date(spec: FarmSpec, day: float) -> dt.date:
    return spec.start + dt.timedelta(days=int(np.floor(day)))
