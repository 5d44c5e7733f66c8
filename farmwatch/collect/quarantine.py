"""Rows that could not be understood, kept whole with their reason: one JSON Lines file for each delivered file.

What stands in it is what of that delivery is in quarantine now: taking the file again writes the same, and a row that
is understood later leaves it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO

from farmwatch.collect.deliveries import short_name
from farmwatch.collect.rules import Fault
from farmwatch.collect.sheet_archive import original_name
from farmwatch.store import Farm, StoreError
from farmwatch.store.files import one_line, replace_file


def file_for(farm: Farm, digest: str, name: str) -> Path:
    """The quarantine file of the delivery ``name`` with content ``digest``."""
    return farm.quarantine / f"{short_name(name)}.{digest}.jsonl"


def write(farm: Farm, digest: str, name: str, table: str, faults: Sequence[Fault]) -> None:
    """Let the quarantine of one delivery hold just ``faults``."""
    path = file_for(farm, digest, name)
    if not faults and not path.exists():
        return

    def lines(stream: BinaryIO) -> None:
        for fault in sorted(faults, key=lambda fault: fault.line):
            entry = {
                "file": original_name(name),
                "delivery": digest,
                "table": table,
                "line": fault.line,
                "column": fault.column,
                "reason": fault.reason,
                "words": fault.words,
                "key": list(fault.key),
                "row": fault.row,
            }
            stream.write(json.dumps(entry, default=str).encode() + b"\n")

    replace_file(path, farm.drafts, lines)


def entries(farm: Farm, table: str | None = None, reason: str | None = None) -> Iterator[dict[str, Any]]:
    """Every row in quarantine, as written: with ``file``, ``delivery``, ``table``, ``line``, ``reason`` and so on."""
    for path in sorted(farm.quarantine.glob("*.jsonl")):
        for entry in entries_of(path, reason):
            if table is None or entry["table"] == table:
                yield entry


def entries_of(path: Path, reason: str | None = None) -> Iterator[dict[str, Any]]:
    """The rows of one quarantine file, as written. Raises :class:`StoreError` where it cannot be read."""
    try:
        for line in path.read_bytes().splitlines() if path.exists() else ():
            if reason is not None and reason.encode() not in line:
                continue
            entry = json.loads(line)
            if {"table", "line", "column", "reason"} - entry.keys():
                raise ValueError("not a row in quarantine")
            if reason is None or entry["reason"] == reason:
                yield entry
    except (OSError, ValueError, AttributeError) as error:
        raise StoreError(f"{path}: cannot be read: {one_line(error)}; farmwatch rebuild makes it anew") from None
