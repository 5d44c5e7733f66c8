"""A farm, simulated: stock, plan, world, faults, outcomes, records."""

from __future__ import annotations

import zlib
from itertools import pairwise

import numpy as np

from farmwatch.simulate.draw import draw, part_risk
from farmwatch.simulate.faults import plant, truth_of
from farmwatch.simulate.hazards import accidents, ways_of_failing
from farmwatch.simulate.plan import make_plan
from farmwatch.simulate.planting import Planting
from farmwatch.simulate.rows import make_records
from farmwatch.simulate.spec import FarmSpec, SimulatedFarm
from farmwatch.simulate.stock import make_stock
from farmwatch.simulate.world import build_world


def simulate(spec: FarmSpec, seed: int) -> SimulatedFarm:
    """Simulate a farm. The same spec and seed give the same farm.

    The same seed with other faults keeps stock, plan, weather and luck. Raises ``ValueError`` on an impossible fault.
    """

    def stream(name: str) -> np.random.Generator:
        return np.random.default_rng([seed, zlib.crc32(name.encode())])

    stock = make_stock(spec, stream("stock"))
    plan = make_plan(spec, stock, stream("plan"))
    world = build_world(spec, stock, plan, stream("world"))
    risks = [part_risk(world, ways_of_failing(world), accidents(world))]
    plantings: list[Planting] = []
    taken: set[tuple[str, int]] = set()
    for number, fault in enumerate(spec.faults):
        plantings.append(plant(world, fault, stream(f"fault {number}"), taken))
        ways = ways_of_failing(world) + [way for p in plantings for way in p.ways]
        events = accidents(world) + [event for p in plantings for event in p.events]
        risks.append(part_risk(world, ways, events))
    if not plantings:
        ways, events = ways_of_failing(world), accidents(world)
    luck = np.exp(stream("luck").normal(-(spec.plate_sd**2) / 2.0, spec.plate_sd, plan.file.size))
    outcome = draw(world, ways, events, luck, stream)
    truth = [truth_of(p, *pair) for p, pair in zip(plantings, pairwise(risks), strict=True)]
    records = make_records(world, outcome, ways, stream)
    return SimulatedFarm(records, truth, risks[0], risks[-1], spec, seed)
