"""``make torture``: everything at length, as a table. Takes hours of one core; ``--share 0.01`` takes a hundredth.

``--operation`` picks what is killed, failed or filled up. With ``--share 0.25`` the seeds 1 to 4 take every fourth step of
``failures``, ``space`` and ``power`` from the first, second, third and fourth on: together all of them.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from torture.damage import harm_records
from torture.failures import WAYS, fail_everywhere, full_disk
from torture.farms import OPERATIONS, make_farms
from torture.kills import kill
from torture.mutants import take_mutants
from torture.packed import FILE_MIB, take_packed
from torture.power import cut_power
from torture.readers import read_meanwhile, write_at_once
from torture.sequences import try_sequences

Row = tuple[str, str, tuple[str, ...]]  # what was done, what was seen, what was wrong


@dataclass(frozen=True)
class Asked:
    """``farms`` by operation, ``folder`` for scratch, and what the command line chose."""

    farms: dict[str, Path]
    folder: Path
    share: float
    seed: int
    operations: tuple[str, ...]

    def room(self) -> Path:
        """A new folder."""
        return Path(tempfile.mkdtemp(dir=self.folder))

    def times(self, full: int) -> int:
        """The share of a full number."""
        return max(1, round(full * self.share))

    def stride(self) -> int:
        """Steps from one to the next, where only a share of them is taken."""
        return max(1, round(1 / self.share))

    def first(self) -> int:
        """The step to begin with: seeds 1, 2, ... of one share take other steps, and all of them in the end."""
        return 1 + (self.seed - 1) % self.stride()


def main() -> int:
    """Print the table row by row; 1 if anything was wrong."""
    asked = argparse.ArgumentParser(prog="torture", description=__doc__)
    asked.add_argument("only", nargs="*", choices=[*PARTS, []], help="parts to run (default: all)")
    asked.add_argument("--share", type=float, default=1.0, help="share of the full numbers (default: 1)")
    asked.add_argument("--seed", type=int, default=1, help="what is drawn; of a share of steps, the first (default: 1)")
    asked.add_argument(
        "--operation", action="append", choices=OPERATIONS, help="what to kill, fail, fill up or cut off (default: all)"
    )
    told = asked.parse_args()
    # every write is synced all the same; whether the disk then keeps it is the disk's affair
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as name:  # noqa: PTH112
        folder = Path(name)
        (folder / "farms").mkdir()
        farms = make_farms(folder / "farms")
        chosen = Asked(farms, folder, told.share, told.seed, tuple(told.operation or OPERATIONS))
        print("| what was done | what was seen | wrong | s |\n|---|---|---|---|")
        wrong = 0
        for part in told.only or PARTS:
            began = time.monotonic()
            for done, seen, bad in PARTS[part](chosen):
                print(f"| {done} | {seen} | {len(bad)} | {time.monotonic() - began:.0f} |", flush=True)
                began = time.monotonic()
                wrong += len(bad)
                for line in bad[:20]:
                    print(line, file=sys.stderr)
    return 1 if wrong else 0


def _kills(asked: Asked) -> Iterator[Row]:
    for name in asked.operations:
        r = kill(name, asked.farms[name], asked.room(), asked.times(300), asked.seed)
        seen = f"{r.states} different folders left behind; an undisturbed run passes {r.passed} states"
        yield f"`{name}` killed {r.landed} times within its {r.duration_s:.2f} s", seen, r.bad


def _failures(asked: Asked) -> Iterator[Row]:
    for name in asked.operations:
        r = fail_everywhere(name, asked.farms[name], asked.room(), asked.stride(), asked.first())
        done = f"`{name}`: {r.tried} of {r.steps} steps failed, from step {asked.first()} on, {' / '.join(WAYS)}"
        yield done, f"{r.failed} runs said so, {r.tried * len(WAYS) - r.failed} did without", r.bad


def _space(asked: Asked) -> Iterator[Row]:
    for name in asked.operations:
        found = full_disk(name, asked.farms[name], asked.room(), asked.stride(), asked.first() - 1)
        if found is None:
            yield f"`{name}` on a full disk", "not run: this user may not mount one", ()
        else:
            yield (
                f"`{name}` with {asked.first() - 1} to {found.steps} pages free, {found.tried} times",
                f"{found.failed} runs said so",
                found.bad,
            )


def _power(asked: Asked) -> Iterator[Row]:
    for name in asked.operations:
        r = cut_power(name, asked.farms[name], asked.room(), asked.stride(), asked.first())
        seen = f"{r.disks} different disks could be left; {r.tried} of them tried"
        yield f"`{name}` twice, the power failing at each of {r.moments} moments", seen, r.bad


def _damage(asked: Asked) -> Iterator[Row]:
    r = harm_records(asked.farms["nightly"], asked.room(), asked.times(1000), asked.seed)
    seen = f"{r.named} named by `doctor`, {r.harmless} changed nothing that a reader gets; all rebuilt"
    yield f"{r.harms} files of the records truncated, emptied, removed or a bit flipped", seen, r.bad


def _readers(asked: Asked) -> Iterator[Row]:
    r = read_meanwhile(asked.room(), asked.times(1000))
    yield f"{r.reads} reads by pandas, DuckDB and the store", f"{3 * r.writes} writes and rebuilds meanwhile", r.bad
    r = write_at_once(asked.room(), asked.times(100))
    yield f"two processes collecting from one inbox, {r.reads} times", f"{r.writes} collects", r.bad


def _sequences(asked: Asked) -> Iterator[Row]:
    r = try_sequences(asked.room(), asked.times(10_000), asked.seed)
    yield f"{r.sequences} random sequences of deliveries", f"{r.deliveries} deliveries, against a dictionary", r.bad


def _mutants(asked: Asked) -> Iterator[Row]:
    r = take_mutants(asked.room(), asked.times(10_000), asked.seed)
    seen = f"{r.rows} rows, {r.quarantined} of them to quarantine; {r.refused} files refused; at most {r.peak_mib} MiB"
    yield f"{r.files} mutated files taken", seen, r.bad


def _packed(asked: Asked) -> Iterator[Row]:
    taken = take_packed(asked.room())
    refused = sum(file.refused is not None for file in taken)
    seen = f"{refused} refused; the process grew by at most {max(file.grown_mib for file in taken)} MiB"
    yield f"{len(taken)} files made to swell, none above {FILE_MIB} MiB, taken one by one", seen, ()


PARTS: dict[str, Callable[[Asked], Iterator[Row]]] = {
    "kills": _kills,
    "failures": _failures,
    "space": _space,
    "power": _power,
    "damage": _damage,
    "readers": _readers,
    "mutants": _mutants,
    "packed": _packed,
    "sequences": _sequences,
}

if __name__ == "__main__":
    sys.exit(main())
