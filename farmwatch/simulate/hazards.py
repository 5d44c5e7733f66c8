"""From the state of a plate to the ways in which its parts can fail.

Every way of failing is a cumulative hazard over the height of the part: the expected number of such failures. The ways
compete; a part fails with chance 1 - exp(-sum). The rates and slopes are common practice at best and have no source;
they are chosen so that a well-run farm loses three to four parts in a hundred.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from farmwatch.simulate.plan import ORDINARY_LOAD_MM2
from farmwatch.simulate.spec import BASE_RATE
from farmwatch.simulate.stock import REST_S
from farmwatch.simulate.world import BASE_MM, LOW_MM, WARM_VAT_C, World

SQUEEZE_S = 1.0


@dataclass(frozen=True)
class Way:
    """One way of failing. ``hazard``: (parts,). ``low_mm``, ``high_mm``: between which heights (None: no height).

    ``fall``: 1 spreads evenly over that range, larger piles up at its low end. ``signs``: code and chance.
    ``pulls``: whether it can take neighbours. ``shared``: whether the luck of the plate multiplies it.
    """

    name: str
    hazard: np.ndarray
    signs: tuple[tuple[str, float], ...]
    low_mm: np.ndarray | None = None
    high_mm: np.ndarray | None = None
    fall: float = 1.0
    pulls: bool = False
    shared: bool = True


@dataclass(frozen=True)
class Event:
    """Something that strikes a plate as a whole with ``chance`` (plates,) and takes ``share`` of its parts.

    ``height_mm``: at that height, NaN somewhere on the way. ``row``: takes one row of parts instead of any.
    ``stops``: chance that the run was stopped for it.
    """

    name: str
    chance: np.ndarray
    share: float
    signs: tuple[tuple[str, float], ...]
    height_mm: float = np.nan
    row: bool = False
    stops: float = 0.0


def squeeze(world: World) -> np.ndarray:
    """How much resin is still caught under each part when the light comes on: 0 none, 1 all. Shape (parts,).

    It flows out with a time constant that grows as the resin cools, last of all in the middle of a crowded plate.
    """
    time_s = SQUEEZE_S * np.exp(-0.085 * (world.vat_c - WARM_VAT_C))
    left = np.exp(-world.rest_s / time_s) * (0.4 + 2.0 * world.load)
    return left[world.plate] * (1.0 - 0.7 * world.rho**2)


def peel(world: World) -> np.ndarray:
    """Log of the peel force over that of an ordinary plate: footprint, lift speed, thick resin, tired film. (plates,)"""
    area = np.maximum(world.load * world.plate_area, 1.0)
    return (
        0.8 * np.log(area / ORDINARY_LOAD_MM2)
        + 0.25 * np.log(world.lift_mm_min / 60.0)
        - 0.05 * (world.vat_c - WARM_VAT_C)
        + 0.05 * world.film_layers / 1e5
        + 0.25 * world.film_wear
    )


def ways_of_failing(world: World) -> list[Way]:
    """The ways that every farm knows. Peel force tears, dose holds or welds, trapped resin splits, wash leaves marks."""
    plate, height = world.plate, world.height_mm
    pull = np.clip(0.45 * peel(world), -1.2, 1.5)[plate]
    dose = world.log_dose[plate] + world.dose_shift
    base_dose = world.base_log_dose[plate] + world.dose_shift
    size = np.log(world.footprint_mm2 / 375.0)
    trapped = 9.0 * (squeeze(world) - np.exp(-REST_S / SQUEEZE_S) * 0.7)
    wear = (0.25 * (world.film_layers / 1.3e5) ** 3 + world.film_wear)[plate]
    cavity = world.stock.design_cavity[world.design]
    grow = 10.0 * dose
    scale = np.exp(world.effect + np.log(world.spec.base_rate / BASE_RATE))
    by_hand = np.exp(np.log(world.spec.base_rate / BASE_RATE) + world.operator_effect[plate])
    base, low = np.minimum(BASE_MM, height), np.minimum(LOW_MM + 3.0, height)
    zero = np.zeros(plate.size)
    tall = height / 30.0

    def way(rate: float, log_hazard: np.ndarray | float) -> np.ndarray:
        return rate * scale * np.exp(np.clip(log_hazard, -6.0, 7.0))

    bath = np.clip(0.4 * (world.wash_runs / 150.0) ** 2, 0.0, 1.0)[plate] + world.wash_wear[plate]
    return [
        Way(
            "grip",
            way(
                0.0040, 0.7 * pull - 2.5 * base_dose + np.maximum(world.gap_mm, 0.0) / 0.03 + 0.3 * trapped - 0.1 * size
            ),
            (("off_plate", 0.88), ("missing", 0.12)),
            zero,
            base,
        ),
        Way(
            "low_split",
            way(0.0028, pull + trapped - 2.0 * dose + world.bow_mm / 0.035),
            (("split", 0.6), ("missing", 0.2), ("off_plate", 0.2)),
            base * 0.7,
            low,
            fall=1.8,
        ),
        Way(
            "body_split",
            way(0.0038, np.log(tall) + 0.8 * pull - 3.0 * dose + 0.8 * wear),
            (("split", 0.65), ("missing", 0.35)),
            low * 0.5,
            height,
        ),
        Way(
            "suction",
            np.where(np.isfinite(cavity), way(0.008, 0.8 * pull), 0.0),
            (("split", 0.45), ("missing", 0.45), ("off_plate", 0.1)),
            np.nan_to_num(cavity) * 0.985,
            np.nan_to_num(cavity) * 1.015,
            pulls=True,
        ),
        Way("fused", way(0.0020, grow), (("fused", 1.0),), shared=False),
        Way("soft", way(0.0016, -10.0 * dose), (("soft", 0.8), ("split", 0.2)), shared=False),
        Way("stretch", way(0.0010, wear + 0.6 * pull), (("stretch", 1.0),)),
        Way("ripple", way(0.0006, np.log(tall)), (("ripple", 1.0),), shared=False),
        Way("strings", way(0.0008, 0.0), (("strings", 1.0),)),
        Way("flake", way(0.0009, 0.0), (("flake", 0.8), ("missing", 0.2)), low * 0.5, height),
        Way("wash", 0.0022 * by_hand * np.exp(bath), (("tacky", 0.55), ("haze", 0.45)), shared=False),
        Way("handling", 0.0012 * by_hand, (("other", 0.8), ("fused", 0.2)), shared=False),
    ]


def accidents(world: World) -> list[Event]:
    """What takes most of a plate at once in any farm: a plate not screwed down, resin that ran out, a power dip."""
    chance = np.full(world.plan.file.size, world.spec.plate_loss * world.spec.base_rate / BASE_RATE)
    printing = np.bincount(world.plate, weights=world.effect, minlength=chance.size)
    plain = np.bincount(world.plate, weights=world.plain, minlength=chance.size)
    chance *= np.exp((printing + plain) / np.maximum(np.bincount(world.plate, minlength=chance.size), 1))
    return [Event("accident", chance, 0.85, (("off_plate", 0.4), ("missing", 0.4), ("split", 0.2)), stops=0.5)]
