"""How far below its bound the nightly limit of a plate pattern may lie, for a stream of so many plates.

The mean of the restart sum bounds how often it passes a height: at ``1 / q``, not oftener than ``q`` times a plate while
nothing is wrong. It stays below that bound by what an alarm overshoots, and by far more while a stream is young, for a sum
over a few plates has not had the time to get so high. The table says how much lower the height may be that is passed
just ``q`` times a plate, after so many plates, by streams that were held against it from their first plate on.

A place that is bad from a stream's first plate on is as likely as one that goes bad within its next FROM_FIRST plates, a
judgement: an onset there counts as so many. What that costs is in the table.

Simulated with the dictionary of zones and both odds ratios, one failure a plate, anywhere on it
(:func:`simulated_relief`; ``python benchmarks/plate_pattern.py limit``), rounded down, and nowhere growing with the plates.
Several failures on a plate that pull each other down share one plate's say and pass less often.
"""

from __future__ import annotations

import numpy as np

from farmwatch.stats.zones import membership, zone_dictionary

FROM_FIRST = 30.0  # telling plates: about a month of one printer; a judgement
# after so many plates (upper ends of the blocks), and for false alarms so rare: minus the logarithm of their number a plate
PLATES = np.array([10, 15, 22, 32, 45, 64, 90, 128, 180, 256, 360, 512, 720])
LOG_RARE = np.arange(5.0, 10.75, 0.5)
RELIEF = np.array(
    [
        (0.35, 0.10, 0.10, 0.10, 0.10, 0.10, 0.05, 0.00, 0.00, 0.00, 0.00, 0.00, 0.00),
        (0.60, 0.30, 0.25, 0.25, 0.25, 0.20, 0.15, 0.10, 0.10, 0.05, 0.05, 0.05, 0.05),
        (0.85, 0.45, 0.35, 0.35, 0.35, 0.30, 0.25, 0.20, 0.20, 0.15, 0.10, 0.10, 0.10),
        (1.15, 0.65, 0.50, 0.50, 0.45, 0.40, 0.35, 0.30, 0.25, 0.20, 0.20, 0.20, 0.20),
        (1.35, 0.80, 0.60, 0.55, 0.55, 0.50, 0.40, 0.35, 0.30, 0.25, 0.25, 0.20, 0.20),
        (1.65, 0.95, 0.70, 0.60, 0.60, 0.50, 0.45, 0.40, 0.30, 0.30, 0.25, 0.25, 0.25),
        (1.85, 1.10, 0.80, 0.70, 0.60, 0.60, 0.50, 0.45, 0.35, 0.30, 0.30, 0.30, 0.25),
        (2.15, 1.30, 0.90, 0.70, 0.65, 0.65, 0.55, 0.45, 0.40, 0.35, 0.30, 0.30, 0.30),
        (2.40, 1.45, 1.00, 0.80, 0.65, 0.65, 0.65, 0.50, 0.40, 0.35, 0.30, 0.30, 0.30),
        (2.65, 1.70, 1.10, 0.95, 0.65, 0.65, 0.65, 0.55, 0.40, 0.35, 0.35, 0.35, 0.30),
        (2.85, 1.75, 1.10, 1.00, 0.70, 0.70, 0.70, 0.55, 0.45, 0.40, 0.35, 0.35, 0.35),
        (3.15, 2.00, 1.20, 1.00, 0.75, 0.75, 0.75, 0.55, 0.50, 0.40, 0.35, 0.35, 0.35),
    ]
)
PLACES = 20_000
AT_ONCE = 1000


def relief(plates: np.ndarray, log_rare: np.ndarray) -> np.ndarray:
    """By how much the logarithm of the limit may lie below ``log_rare``, shape of both.

    ``plates``: of the stream so far, at least 1; ``log_rare``: minus the logarithm of the false alarms allowed a plate.
    """
    block = np.minimum(np.searchsorted(PLATES, plates), len(PLATES) - 1)
    place = np.clip((np.asarray(log_rare) - LOG_RARE[0]) / (LOG_RARE[1] - LOG_RARE[0]), 0.0, len(LOG_RARE) - 1.0)
    low = np.minimum(place.astype(int), len(LOG_RARE) - 2)
    step = place - low
    found = (1.0 - step) * RELIEF[low, block] + step * RELIEF[low + 1, block]
    return np.asarray(np.where(np.asarray(log_rare) < LOG_RARE[0], 0.0, found))


def simulated_relief(
    streams: int, ratios: tuple[float, ...], rng: np.random.Generator, half_mm: tuple[float, float] = (100.0, 60.0)
) -> np.ndarray:
    """The table anew, from ``streams`` simulated streams on a plate of such half sides: shape of :data:`RELIEF`."""
    highest = _highest_by_block(streams, ratios, rng, half_mm)
    table = np.zeros((len(LOG_RARE), len(PLATES)))
    for row, rare in enumerate(LOG_RARE):
        waiting = np.ones(streams, dtype=bool)
        for block, number in enumerate(np.diff(PLATES, prepend=0)):
            allowed = -np.expm1(-np.exp(-rare) * number)
            ordered = np.sort(highest[waiting, block])
            if not len(ordered):
                break
            # just above the last that must not pass: on plates laid out alike many streams stand at the same height
            limit = min(np.nextafter(ordered[len(ordered) - 1 - int(allowed * len(ordered))], np.inf), rare)
            table[row, block] = rare - limit
            waiting &= highest[:, block] < limit
    return table


def _highest_by_block(
    streams: int, ratios: tuple[float, ...], rng: np.random.Generator, half_mm: tuple[float, float]
) -> np.ndarray:
    """Logarithm of the highest restart sum in each block of plates, (streams, blocks), nothing being wrong."""
    zones = zone_dictionary()
    u, v = rng.uniform(-0.95, 0.95, (2, PLACES))
    inside = membership(zones, u, v, np.full(PLACES, half_mm[0]), np.full(PLACES, half_mm[1]))
    due = inside.mean(axis=0)
    e_values = np.hstack([(1.0 + (r - 1.0) * inside) / (1.0 + (r - 1.0) * due) for r in ratios]).astype(np.float32)
    weight = (np.tile(zones.weight, len(ratios)) / len(ratios)).astype(np.float32)
    out = []
    for first in range(0, streams, AT_ONCE):
        number = min(AT_ONCE, streams - first)
        sums, best, blocks = np.full((number, e_values.shape[1]), FROM_FIRST, np.float32), np.zeros(number), []
        for plate in range(1, int(PLATES[-1]) + 1):
            sums += 1.0
            sums *= e_values[rng.integers(0, PLACES, number)]
            best = np.maximum(best, sums @ weight)
            if plate in PLATES:
                blocks.append(np.log(best))
                best = np.zeros(number)
        out.append(np.stack(blocks, axis=1))
    return np.concatenate(out)
