"""``make torture``: everything at length, as a table. Takes hours of one core; ``--share 0.01`` takes a hundredth."""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from torture.damage import harm_records
from torture.failures import WAYS, fail_everywhere, full_disk
from torture.farms import OPERATIONS, make_farms
from torture.kills import kill
from torture.mutants import take_mutants
from torture.readers import read_meanwhile, write_at_once
from torture.sequences import try_sequences

Row = tuple[str, str, tuple[str, ...]]  # what was done, what was seen, what was wrong


def main() -> int:
    """Print the table row by row; 1 if anything was wrong."""
    asked = argparse.ArgumentParser(prog="torture", description=__doc__)
    asked.add_argument("only", nargs="*", choices=[*PARTS, []], help="parts to run (default: all)")
    asked.add_argument("--share", type=float, default=1.0, help="share of the full numbers (default: 1)")
    asked.add_argument("--seed", type=int, default=1)
    told = asked.parse_args()
    # every write is synced all the same; whether the disk then keeps it is the disk's affair
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.path.isdir("/dev/shm") else None) as folder:  # noqa: PTH112
        (Path(folder) / "farms").mkdir()
        farms = make_farms(Path(folder) / "farms")
        print("| what was done | what was seen | wrong | s |\n|---|---|---|---|")
        wrong = 0
        for part in told.only or PARTS:
            began = time.monotonic()
            for done, seen, bad in PARTS[part](farms, Path(folder), told.share, told.seed):
                print(f"| {done} | {seen} | {len(bad)} | {time.monotonic() - began:.0f} |", flush=True)
                began = time.monotonic()
                wrong += len(bad)
                for line in bad[:20]:
                    print(line, file=sys.stderr)
    return 1 if wrong else 0


def _room(folder: Path) -> Path:
    return Path(tempfile.mkdtemp(dir=folder))


def _times(full: int, share: float) -> int:
    return max(1, round(full * share))


def _kills(farms: dict[str, Path], folder: Path, share: float, seed: int) -> Iterator[Row]:
    for name in OPERATIONS:
        r = kill(name, farms[name], _room(folder), _times(300, share), seed)
        seen = f"{r.states} different folders left behind; an undisturbed run passes {r.passed} states"
        yield f"`{name}` killed {r.landed} times within its {r.duration_s:.2f} s", seen, r.bad


def _failures(farms: dict[str, Path], folder: Path, share: float, seed: int) -> Iterator[Row]:
    for name in OPERATIONS:
        r = fail_everywhere(name, farms[name], _room(folder), _times(1, 1 / share))
        done = f"`{name}`: each of {r.steps} steps failed in turn, {' / '.join(WAYS)}"
        yield done, f"{r.failed} runs said so, the others did without", r.bad


def _space(farms: dict[str, Path], folder: Path, share: float, seed: int) -> Iterator[Row]:
    for name in OPERATIONS:
        found = full_disk(name, farms[name], _room(folder), _times(1, 1 / share))
        if found is None:
            yield f"`{name}` on a full disk", "not run: this user may not mount one", ()
        else:
            yield f"`{name}` with 0 to {found.steps} pages free", f"{found.failed} runs said so", found.bad


def _damage(farms: dict[str, Path], folder: Path, share: float, seed: int) -> Iterator[Row]:
    r = harm_records(farms["nightly"], _room(folder), _times(1000, share), seed)
    seen = f"{r.named} named by `doctor`, {r.harmless} changed nothing that a reader gets; all rebuilt"
    yield f"{r.harms} files of the records truncated, emptied, removed or a bit flipped", seen, r.bad


def _readers(farms: dict[str, Path], folder: Path, share: float, seed: int) -> Iterator[Row]:
    r = read_meanwhile(_room(folder), _times(1000, share))
    yield f"{r.reads} reads by pandas, DuckDB and the store", f"{3 * r.writes} writes and rebuilds meanwhile", r.bad
    r = write_at_once(_room(folder), _times(100, share))
    yield f"two processes collecting from one inbox, {r.reads} times", f"{r.writes} collects", r.bad


def _sequences(farms: dict[str, Path], folder: Path, share: float, seed: int) -> Iterator[Row]:
    r = try_sequences(_room(folder), _times(10_000, share), seed)
    yield f"{r.sequences} random sequences of deliveries", f"{r.deliveries} deliveries, against a dictionary", r.bad


def _mutants(farms: dict[str, Path], folder: Path, share: float, seed: int) -> Iterator[Row]:
    r = take_mutants(_room(folder), _times(10_000, share), seed)
    seen = f"{r.rows} rows, {r.quarantined} of them to quarantine; {r.refused} files refused; at most {r.peak_mib} MiB"
    yield f"{r.files} mutated files taken", seen, r.bad


PARTS: dict[str, Callable[[dict[str, Path], Path, float, int], Iterator[Row]]] = {
    "kills": _kills,
    "failures": _failures,
    "space": _space,
    "damage": _damage,
    "readers": _readers,
    "mutants": _mutants,
    "sequences": _sequences,
}

if __name__ == "__main__":
    sys.exit(main())
