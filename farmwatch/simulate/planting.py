"""One fault being planted, and how subjects are told from plates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from farmwatch.simulate import world as names
from farmwatch.simulate.hazards import Event, Way
from farmwatch.simulate.spec import Fault
from farmwatch.simulate.world import World


@dataclass
class Planting:
    """One fault being planted: where it acts, and what it adds.

    ``subject``: index of its subject. ``active``: (plates,), the plates under it. ``since``, ``until``: days.
    ``detail``: what was drawn or given; it ends up in the truth.
    """

    fault: Fault
    world: World
    rng: np.random.Generator
    subject_type: str
    subject: int
    since: float
    until: float
    active: np.ndarray
    detail: dict[str, Any]
    ways: list[Way] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    @property
    def strength(self) -> float:
        return self.fault.strength

    @property
    def active_parts(self) -> np.ndarray:
        """(parts,): the parts under the fault; of a design only its own parts."""
        parts = self.active[self.world.plate]
        return parts & (self.world.design == self.subject) if self.subject_type == "design" else parts

    @property
    def named(self) -> tuple[str, str]:
        """Type and name of the subject."""
        return self.subject_type, subject_names(self.world, self.subject_type)[self.subject]

    def beside(self, direction: tuple[float, float]) -> np.ndarray:
        """How far each part stands in a direction: 0 at the centre, 1 at the edge or corner. Shape (parts,)."""
        return direction[0] * self.world.x_share + direction[1] * self.world.y_share

    def uneven(self, slope_x: float, slope_y: float, bow: float) -> None:
        """Let thickness pads on the fault's printer show the plate out of true, in mm at the edge."""
        self.world.uneven.append((self.subject, self.since, self.until, slope_x, slope_y, bow))

    def suspend(self, action: str) -> None:
        """Strike the routine services of the subject while the fault lasts."""
        self.world.service.strike(self.named, action, self.since * 24.0, self.until * 24.0)

    def ramp(self, days: float) -> np.ndarray:
        """0 before the onset, rising to 1 over ``days``, 0 off the fault's plates. Shape (plates,)."""
        return np.where(self.active, np.clip((self.world.plan.start_h / 24.0 - self.since) / days, 0.0, 1.0), 0.0)

    def draw(self, key: str, make: Callable[[np.random.Generator], Any]) -> Any:
        """A detail of the fault: as given, or drawn now and kept."""
        drawn = make(self.rng)
        return self.detail.setdefault(key, drawn)

    def add_way(self, name: str, hazard: np.ndarray, signs: tuple[tuple[str, float], ...], **how: Any) -> None:
        """Another way of failing, on the fault's parts only."""
        own = np.where(self.active_parts, hazard, 0.0)
        self.ways.append(Way(f"{self.fault.cause} {name}", own, signs, **how))


@dataclass(frozen=True)
class CauseModel:
    """What is known of a cause: whom it befalls, how it is planted, which marks it leaves, what mends it.

    ``begins_with``: the fault begins with its subject, not at a day of its own.
    """

    subjects: tuple[str, ...]
    plant: Callable[[Planting], None]
    kinds: tuple[str, ...] = ("rate_shift", "rate_level")
    signs: tuple[str, ...] = ()
    zones: tuple[str, ...] = ()
    bands: tuple[str, ...] = ()
    begins_with: bool = False
    onset_action: str | None = None
    mend_action: str = "other"
    direction: str = "up"


def subject_of_plates(world: World, subject_type: str) -> np.ndarray:
    """Index of the subject of a type on each plate, shape (plates,)."""
    plan, stock = world.plan, world.stock
    of: dict[str, Callable[[], np.ndarray]] = {
        "printer": lambda: plan.printer,
        "lot": lambda: plan.lot,
        "file": lambda: plan.file,
        "profile": lambda: world.resin,
        "wash": lambda: plan.wash,
        "operator": lambda: plan.operator,
        "room": lambda: stock.room[plan.printer],
        "family": lambda: stock.family[plan.printer],
        "farm": lambda: np.zeros(plan.printer.size, dtype=np.int64),
    }
    return of[subject_type]()


def subject_names(world: World, subject_type: str) -> list[str]:
    """Names of all subjects of a type, by index."""
    spec, stock = world.spec, world.stock
    make: dict[str, Callable[[], list[str]]] = {
        "printer": lambda: [names.printer_name(spec, i) for i in range(spec.printers)],
        "lot": lambda: [names.lot_name(stock, spec, i) for i in range(stock.lot_resin.size)],
        "design": lambda: [names.design_name(spec, i) for i in range(stock.design_width.size)],
        "file": lambda: [names.file_name(spec, i) for i in range(stock.file_family.size)],
        "profile": lambda: [names.profile_name(spec, i) for i in range(len(spec.resins))],
        "wash": lambda: [names.wash_name(spec, i) for i in range(spec.wash_stations)],
        "operator": lambda: [names.operator_name(spec, i) for i in range(spec.operators)],
        "room": lambda: [names.room_name(spec, i) for i in range(spec.rooms)],
        "family": lambda: [names.family_name(i) for i in range(spec.families)],
        "farm": lambda: ["farm"],
    }
    return make[subject_type]()
