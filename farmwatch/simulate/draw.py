"""From the ways of failing to what happened to each part, and from that to the chance it had."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from farmwatch.records import SIGNS
from farmwatch.simulate.hazards import Event, Way
from farmwatch.simulate.stock import LAYER_MM
from farmwatch.simulate.world import World

NEAR_MM = 42.0


@dataclass(frozen=True)
class Outcome:
    """What became of each part: ``failed``, ``height_mm`` of the failure (NaN without), ``sign`` (index, -1 without).

    ``stopped``: (plates,), the runs that were stopped before their end, and ``stop_mm`` at what height.
    """

    failed: np.ndarray
    height_mm: np.ndarray
    sign: np.ndarray
    stopped: np.ndarray
    stop_mm: np.ndarray


def plain_hazard(hazard: np.ndarray, log_odds: np.ndarray) -> np.ndarray:
    """The cumulative hazard whose chance has odds ``exp(log_odds)`` times those of ``hazard``'s chance."""
    return np.log1p(np.exp(log_odds) * np.expm1(hazard))


def draw(
    world: World, ways: list[Way], events: list[Event], luck: np.ndarray, stream: Callable[[str], np.random.Generator]
) -> Outcome:
    """Let the ways compete on every part, then let the events strike.

    ``luck``: (plates,), multiplies the shared hazards of a plate. ``stream(name)`` gives each stage its own numbers, so
    that one more way or event leaves the draws of the others as they were.
    """
    parts = world.plate.size
    hazards = np.stack([w.hazard * (luck[world.plate] if w.shared else 1.0) for w in ways])
    total = hazards.sum(axis=0)
    total_now = plain_hazard(total, world.plain)
    general = stream("parts")
    failed = general.exponential(size=parts) < total_now
    rows = np.flatnonzero(failed)
    height, sign = np.full(parts, np.nan), np.full(parts, -1)
    pick = general.random(parts)[rows] * total[rows]
    which = (np.cumsum(hazards[:, rows], axis=0) <= pick).sum(axis=0).clip(0, len(ways) - 1)
    u, v = general.random(parts)[rows], general.random(parts)[rows]
    pulled: list[np.ndarray] = []
    for index, way in enumerate(ways):
        mine = which == index
        at = rows[mine]
        sign[at] = _signs(way.signs, v[mine])
        if way.low_mm is not None and way.high_mm is not None:
            span = way.high_mm[at] - way.low_mm[at]
            height[at] = way.low_mm[at] + span * u[mine] ** way.fall
        if way.pulls:
            pulled.append(at)
    _pull_neighbours(world, np.concatenate(pulled), failed, height, sign, stream("neighbours"))
    stopped, stop_mm = np.zeros(world.plan.file.size, dtype=bool), np.full(world.plan.file.size, np.nan)
    for event in events:
        _strike(world, event, failed, height, sign, stopped, stop_mm, stream(event.name))
    height = np.minimum(np.maximum(np.round(height / LAYER_MM), 1.0) * LAYER_MM, world.height_mm)
    return Outcome(failed, np.round(height, 2), sign, stopped, stop_mm)


def _signs(signs: tuple[tuple[str, float], ...], u: np.ndarray) -> np.ndarray:
    edges = np.cumsum([chance for _, chance in signs])
    return np.array([SIGNS.index(code) for code, _ in signs])[np.searchsorted(edges[:-1], u, side="right")]


def _pull_neighbours(
    world: World,
    source: np.ndarray,
    failed: np.ndarray,
    height: np.ndarray,
    sign: np.ndarray,
    rng: np.random.Generator,
) -> None:
    """A part torn off by suction takes near neighbours at the same height, if they are that tall."""
    chance, code = rng.random(failed.size), rng.random(failed.size)
    origin, other = _near_pairs(world, source, height)
    taken = ~failed[other] & (chance[other] < world.spec.neighbour_pull)
    target, from_part = other[taken], origin[taken]
    failed[target] = True
    height[target] = height[from_part]
    sign[target] = _signs((("split", 0.3), ("missing", 0.45), ("off_plate", 0.25)), code[target])


def _near_pairs(world: World, source: np.ndarray, height_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pairs (source part, other part near it on its plate and taller than ``height_mm`` of the source)."""
    count = world.stock.file_count[world.plan.file]
    first = np.cumsum(count) - count
    reps = count[world.plate[source]]
    origin = np.repeat(source, reps)
    step = np.arange(reps.sum()) - np.repeat(np.cumsum(reps) - reps, reps)
    other = np.repeat(first[world.plate[source]], reps) + step
    near = np.hypot(world.x_mm[other] - world.x_mm[origin], world.y_mm[other] - world.y_mm[origin]) < NEAR_MM
    near &= (other != origin) & (world.height_mm[other] > height_mm[origin])
    return origin[near], other[near]


def _strike(
    world: World,
    event: Event,
    failed: np.ndarray,
    height: np.ndarray,
    sign: np.ndarray,
    stopped: np.ndarray,
    stop_mm: np.ndarray,
    rng: np.random.Generator,
) -> None:
    plates = world.plan.file.size
    struck = rng.random(plates) < event.chance
    top = world.stock.file_height[world.plan.file]
    # most accidents come early: the plate is worst held and the first layers are the hardest
    at = np.where(np.isnan(event.height_mm), top * rng.random(plates) ** 2.0, event.height_mm)
    own_sign = _signs(event.signs, rng.random(plates))
    hit = struck[world.plate] & (rng.random(world.plate.size) < event.share) & (world.height_mm > at[world.plate])
    if event.row:
        chosen = np.floor(rng.random(plates) * world.stock.file_count[world.plan.file])
        y = world.y_mm[np.flatnonzero(chosen[world.plate] == world.part_no - 1)]
        hit &= np.abs(world.y_mm - y[world.plate]) < 2.0
    earlier = failed & (np.nan_to_num(height, nan=np.inf) < at[world.plate])
    hit &= ~earlier
    failed[hit] = True
    height[hit] = at[world.plate[hit]]
    sign[hit] = own_sign[world.plate[hit]]
    stops = struck & (rng.random(plates) < event.stops)
    stopped |= stops
    stop_mm[stops] = at[stops]


def part_risk(world: World, ways: list[Way], events: list[Event]) -> np.ndarray:
    """Failure chance of each part, averaged over the luck of plates, over events and over what neighbours pull along."""
    shared = np.sum([w.hazard for w in ways if w.shared], axis=0)
    alone = np.sum([w.hazard for w in ways if not w.shared], axis=0)
    nodes, weights = np.polynomial.hermite_e.hermegauss(7)
    sd = world.spec.plate_sd
    survive = np.zeros(world.plate.size)
    for node, weight in zip(nodes, weights / weights.sum(), strict=True):
        hazard = shared * np.exp(sd * node - sd**2 / 2.0) + alone
        survive += weight * np.exp(-plain_hazard(hazard, world.plain))
    for way in ways:
        if way.pulls and way.low_mm is not None:
            origin, other = _near_pairs(world, np.flatnonzero(way.hazard > 0), way.low_mm)
            safe = np.log1p(world.spec.neighbour_pull * np.expm1(-way.hazard[origin]))
            survive *= np.exp(np.bincount(other, weights=safe, minlength=survive.size))
    for event in events:
        reach = _row_share(world) if event.row else 1.0
        survive *= 1.0 - event.chance[world.plate] * event.share * reach
    return 1.0 - survive


def _row_share(world: World) -> np.ndarray:
    """Share of its plate's parts that stand in one row with each part, shape (parts,)."""
    _, row, members = np.unique(np.round(world.y_mm, 1) + 1e4 * world.plate, return_inverse=True, return_counts=True)
    return members[row] / np.bincount(world.plate)[world.plate]
