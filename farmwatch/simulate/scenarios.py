"""Ready-made farms: of any size with some faults, with one cause, with none."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec, Fault, SimulatedFarm
from farmwatch.simulate.write import write_farm, write_truth

PRINTERS_A_PIECE = 100

# the order in which a farm is given faults: the plainest first
USUAL = (
    "lot_fast",
    "plate_tilt",
    "film_spot",
    "trapped_suction",
    "wash_spent",
    "lamp_dim",
    "supports_after_cure",
    "z_wear",
    "weak_base",
    "resin_old",
    "film_worn",
    "unsupported_island",
    "panel_end_of_life",
    "lot_slow",
    "frozen_panel",
    "plate_bow",
    "bad_file",
    "lamp_hot",
    "resin_unmixed",
    "overloaded_plate",
    "short_rest",
    "image_row_glitch",
    "profile_hot",
    "profile_cold",
    "cold_resin",
)


def mixed_faults(count: int, days: int, seed: int) -> tuple[Fault, ...]:
    """``count`` different causes with onsets spread over the middle of the farm's days; every third is mended."""
    rng = np.random.default_rng([seed, 17])
    causes = [USUAL[i % len(USUAL)] for i in range(count)]
    onsets = (0.2 + 0.5 * (np.arange(count) + rng.uniform(0.1, 0.9, count)) / max(count, 1)) * days
    rng.shuffle(onsets)
    return tuple(
        Fault(cause, since_day=int(onset), until_day=int(onset + 0.2 * days) if i % 3 == 1 else None)
        for i, (cause, onset) in enumerate(zip(causes, onsets, strict=True))
    )


def simulate_to(
    folder: Path | str, printers: int = 24, days: int = 180, seed: int = 1, faults: int | Sequence[Fault] = 6
) -> list[Path]:
    """Simulate a farm and write it as contract files with ``truth.json``; returns the paths.

    ``faults``: how many to plant, or which. Above a hundred printers the farm is made and written in pieces, each with
    lots, designs and files of its own, and the faults are dealt out over the pieces.
    """
    planted = mixed_faults(faults, days, seed) if isinstance(faults, int) else tuple(faults)
    if printers <= PRINTERS_A_PIECE:
        return write_farm(simulate(FarmSpec(printers=printers, days=days, faults=planted), seed), folder)
    pieces = -(-printers // PRINTERS_A_PIECE)
    shares = [len(part) for part in np.array_split(np.arange(printers), pieces)]
    written, farms = [], []
    for index, share in enumerate(shares):
        prefix = f"{index + 1:02d}-"
        spec = FarmSpec(printers=share, days=days, faults=planted[index::pieces], prefix=prefix)
        farm = simulate(spec, seed * 1000 + index)
        written += write_farm(farm, folder, by_month=True, piece=prefix)
        # the truth is small, the records are not
        farms.append(
            dataclasses.replace(farm, records=type(farm.records)(), quiet_risk=np.empty(0), true_risk=np.empty(0))
        )
    return [*written, write_truth(farms, Path(folder))]


def one_cause_farm(
    cause: str, seed: int, printers: int = 12, days: int = 90, since_day: int = 50, strength: float = 1.0
) -> SimulatedFarm:
    """A farm with this cause and no other, planted about ``since_day``; the subject that fits best is taken."""
    fault = Fault(cause, since_day=since_day, strength=strength)
    return simulate(FarmSpec(printers=printers, days=days, faults=(fault,)), seed)


def quiet_farm(seed: int, printers: int = 24, days: int = 180) -> SimulatedFarm:
    """A well-run farm without a fault: natural variation, seasons, new designs, job mixes and operators."""
    return simulate(FarmSpec(printers=printers, days=days), seed)
