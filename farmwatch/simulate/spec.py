"""What a simulated farm is asked to be, which faults are planted in it, and what it hands back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from farmwatch.evidence import Subject
from farmwatch.records import Records

BASE_RATE = 0.032


@dataclass(frozen=True)
class Fault:
    """A fault to plant.

    ``cause``: a code of the table of causes, or ``plain_rate``. ``subject``: (type, id); None takes the subject that
    fits best (busy after the onset, not yet taken by another fault). ``since_day``: days after the farm's start;
    causes that begin with their subject (a bottle, a design, a file) move to the day on which that subject began.
    ``until_day``: the day of its mend, written as a service row; None lasts to the end. ``strength``: 1 is an
    ordinary case of the cause. ``odds_ratio``: for ``plain_rate`` only. ``detail``: fixes what is drawn otherwise,
    such as ``x_mm``, ``y_mm`` of a spot, ``zone`` of a tilt.
    """

    cause: str
    subject: tuple[str, str] | None = None
    since_day: int = 50
    until_day: int | None = None
    strength: float = 1.0
    odds_ratio: float = 3.0
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class PlantedFault:
    """The truth about one fault: what a perfect reader of the records would say.

    ``kinds``, ``signs``, ``zones``, ``bands``: any of these is a right answer; empty: the cause leaves no such mark.
    ``also``: subjects that are as right as ``subject``. ``until``: the day of the mend. ``odds_ratio``: of part
    failure on the plates under the fault against the same plates without it, faults planted before it left as they are
    (NaN where no plate was under it).
    ``plates``: plates under it. ``first_plate_on``: the local day of the first of them, None without one.
    """

    cause: str
    subject: Subject
    kinds: tuple[str, ...]
    signs: tuple[str, ...]
    zones: tuple[str, ...]
    bands: tuple[str, ...]
    since: dt.date
    until: dt.date | None
    strength: float
    odds_ratio: float
    plates: int
    first_plate_on: dt.date | None
    also: tuple[Subject, ...] = ()
    direction: str = "up"
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class FarmSpec:
    """A farm. Rates are per part; ``*_sd`` are standard deviations of natural variation on the log of the hazard.

    ``plates_per_day``: plates per printer and day. ``designs``, ``lots_per_resin``: None grows with the farm.
    ``plate_sd``: plates differ among themselves by more than chance. ``plate_loss``: chance that an accident takes
    most of a plate at once. ``neighbour_pull``: chance that a suction failure takes a near neighbour with it.
    ``missing``: share of optional fields left empty. ``prefix``: stands before every
    id of this farm's own, so that several farms can be put together. ``coupons``: whether test pieces are
    measured. ``layers_every``: telemetry of every so many layers, 0 for none.
    """

    printers: int = 24
    days: int = 180
    start: dt.date = dt.date(2031, 1, 6)
    timezone: str = "Europe/Paris"
    rooms: int = 2
    families: int = 2
    resins: tuple[str, ...] = ("amber", "slate", "sand")
    lots_per_resin: int | None = None
    designs: int | None = None
    customers: int = 6
    wash_stations: int = 3
    operators: int = 6
    plates_per_day: float = 3.5
    base_rate: float = BASE_RATE
    printer_sd: float = 0.25
    lot_sd: float = 0.25
    design_sd: float = 0.6
    operator_sd: float = 0.1
    plate_sd: float = 0.6
    plate_loss: float = 0.006
    neighbour_pull: float = 0.45
    missing: float = 0.02
    coupons: bool = True
    layers_every: int = 0
    faults: tuple[Fault, ...] = ()
    design_names: tuple[str, ...] = ()
    printer_names: tuple[str, ...] = ()
    prefix: str = ""


@dataclass(frozen=True)
class SimulatedFarm:
    """A farm's records and the truth behind them.

    ``quiet_risk``, ``true_risk``: failure probability of each row of ``records.parts`` without and with the faults,
    averaged over what happens to single plates, shape (parts,).
    """

    records: Records
    truth: list[PlantedFault]
    quiet_risk: np.ndarray
    true_risk: np.ndarray
    spec: FarmSpec
    seed: int
