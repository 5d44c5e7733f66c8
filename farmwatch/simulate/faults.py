"""Faults from their request to their truth: whom they befall, what the service log shows, what a reader should find."""

from __future__ import annotations

import numpy as np

from farmwatch.evidence import Subject
from farmwatch.records import SERVICE_SUBJECTS
from farmwatch.simulate import world as names
from farmwatch.simulate.causes import CAUSES
from farmwatch.simulate.planting import CauseModel, Planting, subject_names, subject_of_plates
from farmwatch.simulate.spec import Fault, PlantedFault
from farmwatch.simulate.world import World


def plant(world: World, fault: Fault, rng: np.random.Generator, taken: set[tuple[str, int]]) -> Planting:
    """Plant a fault into ``world``. Raises ``ValueError`` on an unknown cause or subject."""
    planting = _find(world, fault, rng, taken)
    model = CAUSES[fault.cause]
    model.plant(planting)
    service = world.service
    if planting.subject_type in SERVICE_SUBJECTS:
        if model.onset_action is not None:
            action = str(planting.detail.get("onset_action", model.onset_action))
            service.add(planting.since * 24.0 + 5.6, planting.named, action)
        if np.isfinite(planting.until):
            action = str(planting.detail.get("mend_action", model.mend_action))
            service.add(planting.until * 24.0 + 5.8, planting.named, action)
    return planting


def _find(world: World, fault: Fault, rng: np.random.Generator, taken: set[tuple[str, int]]) -> Planting:
    if fault.cause not in CAUSES:
        raise ValueError(f"no such cause: {fault.cause}")
    model = CAUSES[fault.cause]
    until = float(fault.until_day) if fault.until_day is not None else np.inf
    if fault.subject is not None and fault.subject[1]:
        subject_type, name = fault.subject
        known = subject_names(world, subject_type)
        if name not in known:
            raise ValueError(f"{fault.cause}: the farm has no {subject_type} {name}")
        index = known.index(name)
    else:
        subject_type = model.subjects[0] if fault.subject is None else fault.subject[0]
        index = _fitting(world, fault, model, subject_type, rng, taken)
    taken.add((subject_type, index))
    mine = _plates_of(world, subject_type, index)
    since = float(fault.since_day)
    if model.begins_with and mine.any():
        since = float(world.day[mine].min())
    active = mine & (world.day >= since) & (world.day < until)
    return Planting(fault, world, rng, subject_type, index, since, until, active, dict(fault.detail))


def _plates_of(world: World, subject_type: str, index: int) -> np.ndarray:
    if subject_type != "design":
        return subject_of_plates(world, subject_type) == index
    return np.bincount(world.plate, weights=world.design == index, minlength=world.plan.file.size) > 0


def _fitting(
    world: World,
    fault: Fault,
    model: CauseModel,
    subject_type: str,
    rng: np.random.Generator,
    taken: set[tuple[str, int]],
) -> int:
    """The subject with most plates in the time of the fault; for one that brings its fault, begun near the onset."""
    until = fault.until_day if fault.until_day is not None else world.spec.days
    if subject_type == "design":
        owner, day = world.design, world.day[world.plate]
    else:
        owner, day = subject_of_plates(world, subject_type), world.day
    size = len(subject_names(world, subject_type))
    window = (day >= fault.since_day) & (day < until)
    score = np.bincount(owner[window], minlength=size).astype(float)
    if model.begins_with:
        first = np.full(size, np.inf)
        np.minimum.at(first, owner, day)
        score *= np.exp(-(((first - fault.since_day) / 12.0) ** 2)) + 1e-6
    elif subject_type not in ("design", "file", "lot"):
        # any printer or station will do: do not always take the same
        score *= rng.uniform(0.75, 1.25, size)
    if fault.cause == "overloaded_plate":
        score *= world.stock.file_footprint
    for kind, index in taken:
        if kind == subject_type:
            score[index] = -1.0
    return int(np.argmax(score))


def truth_of(p: Planting, quiet: np.ndarray, faulted: np.ndarray) -> PlantedFault:
    """The truth about a planted fault. ``quiet``, ``faulted``: part risks before and after it was planted, (parts,)."""
    world, model = p.world, CAUSES[p.fault.cause]
    parts = p.active_parts
    odds = _odds(faulted[parts]) / _odds(quiet[parts]) if parts.any() else np.nan
    started = world.day[p.active]
    detail = dict(p.detail)
    zones, bands = tuple(detail.pop("zones", model.zones)), tuple(detail.pop("bands", model.bands))
    subject_type, name = p.named
    return PlantedFault(
        cause=p.fault.cause,
        subject=Subject(subject_type, name),  # type: ignore[arg-type]
        kinds=model.kinds,
        signs=model.signs,
        zones=zones,
        bands=bands,
        since=names.local_date(world.spec, p.since),
        until=None if np.isinf(p.until) else names.local_date(world.spec, p.until),
        strength=p.strength,
        odds_ratio=float(odds),
        plates=int(p.active.sum()),
        first_plate_on=names.local_date(world.spec, started.min()) if started.size else None,
        also=_as_right(p),
        direction=model.direction,
        detail=detail,
    )


def _as_right(p: Planting) -> tuple[Subject, ...]:
    """Subjects that name the same thing: files that hold a design, designs that are printed from a file."""
    world, stock = p.world, p.world.stock
    owner = np.repeat(np.arange(stock.file_count.size), stock.file_count)
    if p.subject_type == "design":
        files = np.unique(owner[stock.slot_design == p.subject])
        return tuple(Subject("file", names.file_name(world.spec, int(i))) for i in files)
    if p.subject_type == "file":
        designs = np.unique(stock.slot_design[owner == p.subject])
        return tuple(Subject("design", names.design_name(world.spec, int(i))) for i in designs)
    return ()


def _odds(risk: np.ndarray) -> float:
    mean = float(risk.mean())
    return mean / (1.0 - mean)
