"""Per-layer telemetry: peel force, vat temperature and time of every so many layers of each plate."""

from __future__ import annotations

import numpy as np
import pandas as pd

from farmwatch.simulate.hazards import Way
from farmwatch.simulate.stock import BASE_LAYERS, LAYER_MM, TRANSITION_LAYERS
from farmwatch.simulate.world import World

CAVITY_PULL = 0.8
VAT_WARMING_C = 0.6


def measure_layers(
    world: World, ways: list[Way], peak_n: np.ndarray, printed_mm: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    """One row for every ``spec.layers_every``-th layer; ``plate`` is the row of the plate. No rows where that is 0.

    ``peak_n``: largest peel force of each plate, (plates,). ``printed_mm``: how high each was printed, (plates,).
    The force follows the area that is still being printed; a cavity that closes against the film adds to it at its
    height, by as much as it is likely to tear. The vat warms a little on the way.
    """
    every = world.spec.layers_every
    if every <= 0 or not peak_n.size:
        return pd.DataFrame()
    layers = np.maximum(np.floor(printed_mm / LAYER_MM), 1.0).astype(np.int64)
    count = -(-layers // every)
    plate = np.repeat(np.arange(peak_n.size), count)
    step = np.arange(plate.size) - np.repeat(np.cumsum(count) - count, count)
    layer = 1 + step * every
    height = layer * LAYER_MM
    relative = _area_left(world, plate, height) * (1.0 + _cavity_pull(world, ways, plate, height, every * LAYER_MM))
    force = peak_n[plate] * relative * np.exp(rng.normal(0.0, 0.05, plate.size))
    warm = VAT_WARMING_C * (1.0 - np.exp(-layer / 300.0))
    in_base = np.clip((BASE_LAYERS + TRANSITION_LAYERS - layer) / TRANSITION_LAYERS, 0.0, 1.0)
    exposure = world.exposure_s[plate] + in_base * (world.base_exposure_s - world.exposure_s)[plate]
    return pd.DataFrame(
        {
            "plate": plate,
            "layer_no": layer,
            "release_n": np.round(force, 2),
            "vat_c": np.round(world.vat_c[plate] + warm + rng.normal(0.0, 0.1, plate.size), 1),
            "layer_s": np.round(exposure + world.rest_s[plate] + 5.2 + rng.normal(0.0, 0.03, plate.size), 2),
        }
    )


def _area_left(world: World, plate: np.ndarray, height: np.ndarray) -> np.ndarray:
    """Share of the plate's footprint whose parts reach above each height, shape (layers,)."""
    order = np.lexsort((world.height_mm, world.plate))
    reach, owner = world.height_mm[order], world.plate[order]
    area = np.cumsum(world.footprint_mm2[order])
    count = world.stock.file_count[world.plan.file]
    first = np.cumsum(count) - count
    # parts of one plate lie together by height: one search finds how many of them end below each layer
    key = owner * 1000.0 + reach
    below = np.searchsorted(key, plate * 1000.0 + height, side="left")
    before_plate = np.concatenate([[0.0], area])[first[plate]]
    whole = area[first[plate] + count[plate] - 1] - before_plate
    return 1.0 - (np.concatenate([[0.0], area])[below] - before_plate) / whole


def _cavity_pull(world: World, ways: list[Way], plate: np.ndarray, height: np.ndarray, reach_mm: float) -> np.ndarray:
    """What cavities add to the force at each layer, as a share of it, shape (layers,)."""
    extra = np.zeros(plate.size)
    key = plate * 1000.0 + height
    for way in ways:
        if not way.pulls or way.low_mm is None or way.high_mm is None:
            continue
        part = np.flatnonzero(way.hazard > 0)
        middle = (way.low_mm[part] + way.high_mm[part]) / 2.0
        at = np.searchsorted(key, world.plate[part] * 1000.0 + middle, side="left")
        inside = at < key.size
        part, middle, at = part[inside], middle[inside], at[inside]
        near = (plate[at] == world.plate[part]) & (height[at] - middle <= reach_mm)
        np.add.at(extra, at[near], CAVITY_PULL * np.minimum(way.hazard[part[near]] / 0.05, 1.0) / np.sqrt(2.0))
    return np.minimum(extra, 2.0 * CAVITY_PULL)
