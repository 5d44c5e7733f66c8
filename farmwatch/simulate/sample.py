"""The sample farm: twelve printers, a hundred days, six planted faults. All of it is invented."""

from __future__ import annotations

from pathlib import Path

from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec, Fault, SimulatedFarm
from farmwatch.simulate.write import write_farm

SEED = 10
PRINTERS = ("alder", "aspen", "beech", "birch", "cedar", "elder", "hazel", "larch", "maple", "oak", "rowan", "willow")
DESIGNS = (
    "pawn",
    "rook",
    "bishop",
    "knight",
    "queen",
    "king",
    "meeple",
    "die-cup",
    "lantern",
    "token-square",
    "dragon",
    "owl",
    "fox",
    "hull-short",
    "hull-long",
    "mast",
    "drill-guide",
    "jaw-insert",
    "soft-jaw",
    "nozzle-block",
    "cable-clip",
    "hinge",
    "knob",
    "bracket",
    "lamp-foot",
    "token-round",
    "vase",
    "tower",
)


def sample_spec() -> FarmSpec:
    """A workshop that prints game pieces, model boats and tooling inserts."""
    return FarmSpec(
        printers=len(PRINTERS),
        days=100,
        rooms=2,
        designs=len(DESIGNS),
        customers=4,
        wash_stations=2,
        operators=5,
        printer_names=PRINTERS,
        design_names=DESIGNS,
        faults=(
            Fault("lot_fast", since_day=36, strength=1.1),
            Fault("plate_tilt", ("printer", "birch"), since_day=62, strength=1.3, detail={"zone": "back_left"}),
            Fault("film_worn", ("printer", "maple"), since_day=22, until_day=58, strength=1.2),
            Fault("film_spot", ("printer", "hazel"), since_day=70),
            Fault("trapped_suction", since_day=42),
            Fault("wash_spent", ("wash", "wash-2"), since_day=78),
        ),
    )


def sample_farm() -> SimulatedFarm:
    """The sample farm in memory."""
    return simulate(sample_spec(), SEED)


def write_sample(folder: Path | str) -> list[Path]:
    """Write the sample farm as files of the contract, with its truth; the same bytes every time."""
    return write_farm(sample_farm(), folder, by_month=True)
