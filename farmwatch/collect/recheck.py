"""Rows checked again when the row that they lacked has come, or has been corrected.

Whether a position lies on its plate is decided by all that is known, whatever order it arrived in. Where a decision
changes, the keys concerned are settled from the kept deliveries: of all rows ever delivered with that key, those that
are good by what is known now are laid over each other in the order of their taking. A mark in the farm's folder says
that a check is due: it is set before printers or runs change and taken away when all is checked, so that a collect
killed in between is made up for by the next one, which then checks everything.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.collect import deliveries, quarantine
from farmwatch.collect.columns import one
from farmwatch.collect.plates import POSITIONED, Plates
from farmwatch.collect.raw import Unreadable
from farmwatch.collect.rows import UNFOLDED_BYTES, Understood, table_of, understand
from farmwatch.collect.rules import WORDS, Fault
from farmwatch.collect.summary import Recheck
from farmwatch.records import TABLES
from farmwatch.store import Farm, StoreError
from farmwatch.store.files import remove_file, replace_file
from farmwatch.store.merge import fold_rows, key_codes
from farmwatch.store.tables import declared_schema, fit, widen

_MARK = ".recheck"
_REGISTERED = (("printers", "printer_id"), ("runs", "run_id"))


def mark_due(farm: Farm) -> None:
    """Printers or runs are about to change."""
    replace_file(farm.path / _MARK, farm.drafts, lambda stream: stream.write(b""))


def has_positions(farm: Farm) -> bool:
    """Whether there is any row whose position was checked against what was known by then."""
    return any(farm.folder(table).rows() for table in POSITIONED)


def clear_due(farm: Farm) -> None:
    """All is checked."""
    remove_file(farm.path / _MARK)


def is_due(farm: Farm) -> bool:
    """Whether an earlier collect did not come to check all that it changed."""
    return (farm.path / _MARK).exists()


def recheck_all(farm: Farm) -> list[Recheck]:
    """Check every position against all that is known."""
    known = {name: set(farm.read_arrow(name, [key])[key].to_pylist()) for name, key in _REGISTERED}
    return recheck(farm, known, corrected=True, everything=True)


def recheck(farm: Farm, changed: Mapping[str, set[str]], corrected: bool, everything: bool = False) -> list[Recheck]:
    """Check positions again after the printers and runs in ``changed`` came or (``corrected``) were corrected.

    With ``everything`` the keys of all positions that were ever bad are settled anew, whatever stands.
    """
    plates = Plates.known(farm)
    runs = pa.array(sorted(changed["runs"] | set(plates.runs_on(changed["printers"]))), pa.string())
    printers = pa.array(sorted(changed["printers"]), pa.string())
    done = []
    for table in POSITIONED:
        bad = _standing_off_plate(farm, table, plates, runs, printers)
        good = _released(farm, table, plates) if corrected else _keys(table, [])
        keys = [bad, good, _ever_bad(farm, table, plates)] if everything else [bad, good]
        _settle(farm, table, plates, _distinct(pa.concat_tables(keys), table))
        if len(bad) or len(good):
            done.append(Recheck(table, "off_plate", quarantined=len(bad), released=len(good)))
    clear_due(farm)
    return done


def _ever_bad(farm: Farm, table: str, plates: Plates) -> pa.Table:
    faults = [fault for _, understood in _again(farm, table, plates) for fault in understood.faults]
    return _keys(table, [fault.key for fault in faults if fault.reason == "off_plate"])


def _standing_off_plate(farm: Farm, table: str, plates: Plates, runs: pa.Array, printers: pa.Array) -> pa.Table:
    """Keys of rows in the records that lie off their plate."""
    concerned = pc.field("run_id").isin(runs)
    if table == "coupons":
        concerned = concerned | pc.field("printer_id").isin(printers)
    columns = {*TABLES[table].key, "run_id", "x_mm", "y_mm"} | ({"printer_id"} if table == "coupons" else set())
    rows = farm.read_arrow(table, list(columns), where=concerned)
    off = np.logical_or.reduce(list(plates.off_plate(table, rows).values()))
    return rows.select(TABLES[table].key).filter(pa.array(off))


def _released(farm: Farm, table: str, plates: Plates) -> pa.Table:
    """Keys of rows in quarantine for their position that are on their plate by what is known now."""
    held: dict[str, set[tuple[object, ...]]] = {}
    for entry in quarantine.entries(farm, table, "off_plate"):
        held.setdefault(entry["delivery"], set()).add(tuple(entry["key"]))
    if not held:
        return _keys(table, [])
    free: list[tuple[object, ...]] = []
    for delivery, understood in _again(farm, table, plates):
        if delivery.digest in held:
            still = {fault.key for fault in understood.faults if fault.reason == "off_plate"}
            free.extend(held[delivery.digest] - still)
    return _keys(table, free)


def _settle(farm: Farm, table: str, plates: Plates, keys: pa.Table) -> None:
    if not len(keys):
        return
    key = TABLES[table].key
    rows = [keys.slice(0, 0)]
    found = np.zeros(len(keys), dtype=bool)
    for delivery, understood in _again(farm, table, plates):
        quarantine.write(farm, delivery.digest, delivery.name, table, understood.faults)
        found |= _named(keys, {fault.key for fault in understood.faults if fault.reason == "off_plate"})
        codes = key_codes(pa.concat_tables([keys, understood.rows.select(key)]), key)
        mine = np.isin(codes[len(keys) :], codes[: len(keys)])
        rows.append(understood.rows.filter(pa.array(mine)))
    _keep_unfound(farm, table, plates, keys.filter(pa.array(~found)))
    together = pa.concat_tables(rows, promote_options="default")
    together = fit(together, widen(declared_schema(table), together.column_names))
    farm.settle(table, keys, fold_rows(together, key))


def _named(keys: pa.Table, names: set[tuple[object, ...]]) -> np.ndarray:
    return np.array([tuple(key.values()) in names for key in keys.to_pylist()], dtype=bool)


def _keep_unfound(farm: Farm, table: str, plates: Plates, keys: pa.Table) -> None:
    """Rows that came by no kept delivery: they are kept in quarantine from the records themselves."""
    if not len(keys):
        return
    key = TABLES[table].key
    stored = farm.read_arrow(table, where=pc.field(key[0]).isin(one(keys[key[0]])))
    off = plates.off_plate(table, stored)
    wanted = _named(stored.select(key), {tuple(row.values()) for row in keys.to_pylist()})
    faults = [
        Fault(0, column, "off_plate", WORDS["off_plate"], row, tuple(row[name] for name in key))
        for column, where in off.items()
        for row in stored.filter(pa.array(where & wanted)).to_pylist()
    ]
    quarantine.write(farm, "0" * 16, f"{table}.records", table, faults)


def _again(farm: Farm, table: str, plates: Plates) -> Iterator[tuple[deliveries.Delivery, Understood]]:
    for delivery in deliveries.kept(farm):
        if table_of(delivery.name) == table:
            yield delivery, understand_delivery(farm, delivery, table, plates)


def understand_delivery(farm: Farm, delivery: deliveries.Delivery, table: str, plates: Plates) -> Understood:
    """The rows of a kept delivery by what is known now. Raises :class:`StoreError`."""
    limits = farm.settings.collect
    unfolded = max(UNFOLDED_BYTES, limits.max_file_mib << 21)  # what the door once let in must come back
    try:
        return understand(delivery.read(), delivery.name, table, farm.timezone, plates, limits.max_file_rows, unfolded)
    except Unreadable as error:
        raise StoreError(f"{delivery.path}: cannot be read any more: {error}") from None


def _keys(table: str, keys: Sequence[tuple[object, ...]]) -> pa.Table:
    schema = pa.schema([(name, pa.int64() if name == "part_no" else pa.string()) for name in TABLES[table].key])
    columns = list(zip(*sorted(set(keys)), strict=True)) or [()] * len(schema)
    return pa.table(
        [pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)], schema=schema
    )


def _distinct(keys: pa.Table, table: str) -> pa.Table:
    _, first = np.unique(key_codes(keys, TABLES[table].key), return_index=True)
    return keys.take(pa.array(first))
