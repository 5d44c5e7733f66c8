"""How each cause changes the state of plates and parts, or adds a way of failing, and what service it leaves behind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from farmwatch.evidence import Subject
from farmwatch.simulate import world as names
from farmwatch.simulate.hazards import Event, Way
from farmwatch.simulate.spec import Fault, PlantedFault
from farmwatch.simulate.world import World


@dataclass
class Planting:
    """One fault being planted: where it acts, and what it adds.

    ``subject``: (type, index). ``active``: (plates,), the plates under it. ``since``, ``until``: days.
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


@dataclass(frozen=True)
class CauseModel:
    """What is known of a cause: whom it befalls, how it is planted, which marks it leaves, what mends it."""

    subjects: tuple[str, ...]
    plant: Callable[[Planting], None]
    kinds: tuple[str, ...] = ("rate_shift", "rate_level")
    signs: tuple[str, ...] = ()
    zones: tuple[str, ...] = ()
    bands: tuple[str, ...] = ()
    begins_with: str | None = None
    onset_action: str | None = None
    mend_action: str = "other"
    direction: str = "up"


def _plain_rate(p: Planting) -> None:
    p.world.plain[p.active_parts] += np.log(p.fault.odds_ratio)


CAUSES: dict[str, CauseModel] = {
    "plain_rate": CauseModel(
        ("printer", "lot", "design", "file", "profile", "wash", "operator", "room", "family"), _plain_rate
    ),
}


def subject_of_plates(world: World, subject_type: str) -> np.ndarray:
    """Index of the subject of a type on each plate, shape (plates,)."""
    plan, stock = world.plan, world.stock
    return {
        "printer": lambda: plan.printer,
        "lot": lambda: plan.lot,
        "file": lambda: plan.file,
        "profile": lambda: world.resin,
        "wash": lambda: plan.wash,
        "operator": lambda: plan.operator,
        "room": lambda: stock.room[plan.printer],
        "family": lambda: stock.family[plan.printer],
        "farm": lambda: np.zeros(plan.printer.size, dtype=np.int64),
    }[subject_type]()


def subject_names(world: World, subject_type: str) -> list[str]:
    spec, stock = world.spec, world.stock
    make: dict[str, Callable[[], list[str]]] = {
        "printer": lambda: [names.printer_name(spec, i) for i in range(spec.printers)],
        "lot": lambda: [names.lot_name(stock, spec, i) for i in range(stock.lot_resin.size)],
        "design": lambda: [names.design_name(spec, i) for i in range(stock.design_width.size)],
        "file": lambda: [names.file_name(i) for i in range(stock.file_family.size)],
        "profile": lambda: [names.profile_name(spec, i) for i in range(len(spec.resins))],
        "wash": lambda: [names.wash_name(i) for i in range(spec.wash_stations)],
        "operator": lambda: [names.operator_name(i) for i in range(spec.operators)],
        "room": lambda: [names.room_name(i) for i in range(spec.rooms)],
        "family": lambda: [names.family_name(i) for i in range(spec.families)],
        "farm": lambda: ["farm"],
    }
    return make[subject_type]()


def start_planting(world: World, fault: Fault, rng: np.random.Generator, taken: set[tuple[str, int]]) -> Planting:
    """Find the subject and the plates of a fault. Raises ``ValueError`` on an unknown cause or subject."""
    if fault.cause not in CAUSES:
        raise ValueError(f"no such cause: {fault.cause}")
    model = CAUSES[fault.cause]
    until = float(fault.until_day) if fault.until_day is not None else np.inf
    if fault.subject is not None:
        subject_type, name = fault.subject
        known = subject_names(world, subject_type)
        if name not in known:
            raise ValueError(f"{fault.cause}: the farm has no {subject_type} {name}")
        index = known.index(name)
    else:
        subject_type = model.subjects[0]
        index = _busiest(world, fault, model, subject_type, taken)
    taken.add((subject_type, index))
    mine = _plates_of(world, subject_type, index)
    since = float(fault.since_day)
    if model.begins_with is not None and mine.any():
        since = float(world.day[mine].min())
    active = mine & (world.day >= since) & (world.day < until)
    return Planting(fault, world, rng, subject_type, index, since, until, active, dict(fault.detail))


def _plates_of(world: World, subject_type: str, index: int) -> np.ndarray:
    if subject_type != "design":
        return subject_of_plates(world, subject_type) == index
    return np.bincount(world.plate, weights=world.design == index, minlength=world.plan.file.size) > 0


def _busiest(world: World, fault: Fault, model: CauseModel, subject_type: str, taken: set[tuple[str, int]]) -> int:
    """The subject with most plates in the time of the fault; for one that brings its fault, begun near the onset."""
    until = fault.until_day if fault.until_day is not None else world.spec.days
    if subject_type == "design":
        owner, day = world.design, world.day[world.plate]
    else:
        owner, day = subject_of_plates(world, subject_type), world.day
    size = len(subject_names(world, subject_type))
    window = (day >= fault.since_day) & (day < until)
    score = np.bincount(owner[window], minlength=size).astype(float)
    if model.begins_with is not None:
        first = np.full(size, np.inf)
        np.minimum.at(first, owner, day)
        score *= np.exp(-(((first - fault.since_day) / 12.0) ** 2)) + 1e-6
    elif subject_type not in ("design", "file", "lot"):
        # any printer or station will do: do not always take the same
        score *= np.random.default_rng(fault.since_day + 7).uniform(0.8, 1.2, size)
    for kind, index in taken:
        if kind == subject_type:
            score[index] = -1.0
    return int(np.argmax(score))


def finish_planting(p: Planting, quiet: np.ndarray, faulted: np.ndarray) -> PlantedFault:
    """Write the service rows of onset and mend, and the truth. ``quiet``, ``faulted``: part risks, (parts,)."""
    world, model = p.world, CAUSES[p.fault.cause]
    name = subject_names(world, p.subject_type)[p.subject]
    parts = p.active_parts
    odds = _odds(faulted[parts]) / _odds(quiet[parts]) if parts.any() else np.nan
    started = world.day[p.active]
    return PlantedFault(
        cause=p.fault.cause,
        subject=Subject(p.subject_type, name),  # type: ignore[arg-type]
        kinds=model.kinds,
        signs=model.signs,
        zones=tuple(p.detail.pop("zones", model.zones)),
        bands=model.bands,
        since=names.local_date(world.spec, p.since),
        until=None if np.isinf(p.until) else names.local_date(world.spec, p.until),
        strength=p.strength,
        odds_ratio=float(odds),
        plates=int(p.active.sum()),
        first_plate_on=names.local_date(world.spec, started.min()) if started.size else None,
        also=tuple(p.detail.pop("also", ())),
        direction=model.direction,
        detail=p.detail,
    )


def write_service(p: Planting) -> None:
    """The rows that onset and mend leave in the service log, where the log knows such a subject."""
    model, service = CAUSES[p.fault.cause], p.world.service
    if p.subject_type not in ("printer", "lot", "wash", "room", "profile"):
        return
    subject = (p.subject_type, subject_names(p.world, p.subject_type)[p.subject])
    if model.onset_action is not None:
        service.add(p.since * 24.0 + 5.6, subject, model.onset_action)
    if np.isfinite(p.until):
        service.add(p.until * 24.0 + 5.8, subject, str(p.detail.get("mend_action", model.mend_action)))


def _odds(risk: np.ndarray) -> float:
    mean = float(risk.mean())
    return mean / (1.0 - mean)
