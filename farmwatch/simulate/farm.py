"""A farm, simulated: stock, plan, world, faults, outcomes, records."""

from __future__ import annotations

import zlib

import numpy as np

from farmwatch.simulate.draw import draw, part_risk
from farmwatch.simulate.faults import plant, truth_of
from farmwatch.simulate.hazards import accidents, ways_of_failing
from farmwatch.simulate.plan import make_plan, make_stock
from farmwatch.simulate.rows import make_records
from farmwatch.simulate.spec import FarmSpec, SimulatedFarm
from farmwatch.simulate.world import build_world


def simulate(spec: FarmSpec, seed: int) -> SimulatedFarm:
    """Simulate a farm. The same spec and seed give the same farm; so do the same seed and other faults, but for what

    the faults do: stock, plan, weather and luck stay as they were. Raises ``ValueError`` on an impossible fault.
    """

    def stream(name: str) -> np.random.Generator:
        return np.random.default_rng([seed, zlib.crc32(name.encode())])

    stock = make_stock(spec, stream("stock"))
    plan = make_plan(spec, stock, stream("plan"))
    world = build_world(spec, stock, plan, stream("world"))
    quiet = part_risk(world, ways_of_failing(world), accidents(world))
    taken: set[tuple[str, int]] = set()
    plantings = [plant(world, fault, stream(f"fault {i}"), taken) for i, fault in enumerate(spec.faults)]
    ways = ways_of_failing(world) + [way for p in plantings for way in p.ways]
    events = accidents(world) + [event for p in plantings for event in p.events]
    faulted = part_risk(world, ways, events) if plantings else quiet
    luck = np.exp(stream("luck").normal(-(spec.plate_sd**2) / 2.0, spec.plate_sd, plan.file.size))
    outcome = draw(world, ways, events, luck, stream)
    truth = [truth_of(p, quiet, faulted) for p in plantings]
    records = make_records(world, outcome, stream)
    return SimulatedFarm(records, truth, quiet, faulted, spec, seed)
