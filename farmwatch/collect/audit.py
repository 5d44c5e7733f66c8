"""The kept deliveries against records and quarantine: whole, none missing, and together just what those two hold."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa

from farmwatch.collect import deliveries, quarantine
from farmwatch.collect.door import ORDER
from farmwatch.collect.plates import POSITIONED, Plates
from farmwatch.collect.recheck import is_due, understand_delivery
from farmwatch.collect.rows import table_of
from farmwatch.records import TABLES
from farmwatch.store import Farm, StoreError
from farmwatch.store.doctor import REBUILD, Trouble
from farmwatch.store.merge import fold_rows, key_codes, same_rows
from farmwatch.store.tables import declared_schema, fit, widen

Refused = tuple[int, str, str]  # line, column, reason of a row in quarantine
_BACKUP = "take it from a back-up; without one its rows stay in the records, but a rebuild would lose them"


def examine_deliveries(farm: Farm, against_records: bool) -> list[Trouble]:
    """What is wrong with the deliveries, and with ``against_records`` where the records differ from what they say.

    The records must be readable for that. Call under the writer's lock.
    """
    every = deliveries.kept(farm)
    troubles = [*_gaps(farm, every), *_unreadable(every), *_strangers(farm, every)]
    if troubles or not against_records:
        return troubles
    if is_due(farm):
        return [
            Trouble(str(farm.records_path), "a killed collect left a check of positions undone", "farmwatch collect")
        ]
    told: dict[str, pa.Table] = {}
    refused: dict[Path, Counter[Refused]] = {}
    try:
        for table in ORDER:
            told[table] = _told(farm, table, every, told, refused)
            troubles += _differences(farm, table, told[table])
        troubles += _quarantine(farm, refused)
    except StoreError as error:
        troubles.append(Trouble(str(farm.deliveries), str(error), "was max_file_rows lowered? Raise it again"))
    return troubles


def _gaps(farm: Farm, every: Sequence[deliveries.Delivery]) -> Iterator[Trouble]:
    """Deliveries are numbered without gaps as they are taken."""
    numbers = Counter(delivery.number for delivery in every)
    missing = sorted(set(range(1, max(numbers, default=0) + 1)) - set(numbers))
    if missing:
        shown = ", ".join(f"{number:08d}" for number in missing[:8])
        yield Trouble(str(farm.deliveries), f"{len(missing)} deliveries are missing: {shown}", _BACKUP)
    twice = [number for number, count in numbers.items() if count > 1]
    if twice:
        shown = ", ".join(f"{number:08d}" for number in twice[:8])
        yield Trouble(str(farm.deliveries), f"numbers given twice: {shown}", "move out the copies that are not yours")


def _unreadable(every: Sequence[deliveries.Delivery]) -> Iterator[Trouble]:
    for delivery in every:
        try:
            delivery.read()
        except StoreError as error:
            yield Trouble(str(delivery.path), str(error).removeprefix(f"{delivery.path}: "), _BACKUP)


def _strangers(farm: Farm, every: Sequence[deliveries.Delivery]) -> Iterator[Trouble]:
    known = {delivery.path for delivery in every}
    for path in sorted(farm.deliveries.iterdir()) if farm.deliveries.is_dir() else ():
        if path not in known:
            yield Trouble(str(path), "not a kept delivery", "move it out; to take it, put it into the inbox")


def _told(
    farm: Farm,
    table: str,
    every: Sequence[deliveries.Delivery],
    known: Mapping[str, pa.Table],
    refused: dict[Path, Counter[Refused]],
) -> pa.Table:
    """The rows of one table that stand when all deliveries are taken; ``known``: those of the tables before it. Rows
    that none of them understands are put into ``refused`` by the file that holds them.
    """
    plates = Plates(known["printers"], known["runs"]) if table in POSITIONED else Plates.none()
    rows = []
    for delivery in every:
        if table_of(delivery.name) == table:
            understood = understand_delivery(farm, delivery, table, plates)
            rows.append(understood.rows)
            faults = ((fault.line, fault.column, fault.reason) for fault in understood.faults)
            refused[quarantine.file_for(farm, delivery.digest, delivery.name)] = Counter(faults)
    declared = declared_schema(table).empty_table()
    return fold_rows(pa.concat_tables([declared, *rows], promote_options="default"), TABLES[table].key)


def _quarantine(farm: Farm, refused: Mapping[Path, Counter[Refused]]) -> Iterator[Trouble]:
    """Files of the quarantine that cannot be read, or hold other rows than the deliveries say. Rows off their plate are
    left out: which of them are still held hangs on what was known when.
    """
    for path in sorted({*refused, *farm.quarantine.glob("*.jsonl")}):
        try:
            held = Counter((e["line"], e["column"], e["reason"]) for e in quarantine.entries_of(path))
        except StoreError as error:
            yield Trouble(str(path), str(error).removeprefix(f"{path}: ").partition(";")[0], REBUILD)
            continue
        differing = {row for row in held | refused.get(path, Counter()) if row[2] != "off_plate"}
        differing = {row for row in differing if held[row] != refused.get(path, Counter())[row]}
        if differing:
            yield Trouble(str(path), f"{len(differing)} rows differ between quarantine and deliveries", REBUILD)


def _differences(farm: Farm, table: str, told: pa.Table) -> Iterator[Trouble]:
    """Rows of one table that only the records or only the deliveries have, or that differ between them."""
    stored = farm.read_arrow(table)
    schema = widen(stored.schema, told.column_names)
    both = pa.concat_tables([fit(stored, schema), fit(told, schema)]).combine_chunks()
    codes = key_codes(both, TABLES[table].key)
    own, theirs = codes[: len(stored)], codes[len(stored) :]
    _, left, right = np.intersect1d(own, theirs, return_indices=True)
    counts = {
        "only the records have": len(own) - len(left),
        "only the deliveries have": len(theirs) - len(right),
        "differ between records and deliveries": int((~same_rows(both, left, right + len(stored))).sum()),
    }
    for words, count in counts.items():
        if count:
            yield Trouble(str(farm.records_path / table), f"{count} rows {words}", REBUILD)
