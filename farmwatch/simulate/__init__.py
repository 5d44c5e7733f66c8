"""Farms with planted faults and their truth, and the scoring of findings against it."""

from __future__ import annotations

from farmwatch.simulate.farm import simulate
from farmwatch.simulate.scenarios import mixed_faults, one_cause_farm, quiet_farm, simulate_to
from farmwatch.simulate.spec import FarmSpec, Fault, PlantedFault, SimulatedFarm
from farmwatch.simulate.write import write_farm

__all__ = [
    "FarmSpec",
    "Fault",
    "PlantedFault",
    "SimulatedFarm",
    "mixed_faults",
    "one_cause_farm",
    "quiet_farm",
    "simulate",
    "simulate_to",
    "write_farm",
]
