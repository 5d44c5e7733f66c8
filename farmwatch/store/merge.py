"""New rows over old ones by key: which of them stand, and what each drawer then holds.

Rows are taken in their order. Of two rows with one key the one with the later ``recorded_at`` stands; where either has
none, or both have the same, the one taken last; a row equal to the one that stands changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.store.tables import TableFolder, fit, widen

TAKEN, REPLACED, UNCHANGED = 0, 1, 2


@dataclass(frozen=True)
class Plan:
    """What a merge would do. ``status``: shape (rows,), int8: TAKEN, REPLACED or UNCHANGED, row by row.

    ``drawers`` holds the whole new content of every drawer that changes, ``schema`` the columns of the table after it.
    """

    folder: TableFolder
    status: np.ndarray
    schema: pa.Schema
    drawers: dict[str, pa.Table] = field(default_factory=dict)

    def apply(self) -> None:
        """Write the changed drawers, each in one step. Done again after a crash it comes to the same records."""
        before = self.folder.schema()
        if self.schema.equals(before):
            for drawer in sorted(self.drawers):
                self.folder.write(drawer, self.drawers[drawer])
            return
        # a read takes the columns of the first file for those of all: it comes last, so that whoever does this again
        # after a crash still finds the old columns, and widens every file
        for drawer in sorted({*self.drawers, *self.folder.files()}, reverse=True):
            rows = self.drawers.get(drawer)
            if rows is None:
                rows = fit(self.folder.read(drawers=[drawer]), self.schema)
            self.folder.write(drawer, rows)


def plan_merge(folder: TableFolder, rows: pa.Table, filing: np.ndarray) -> Plan:
    """Lay ``rows`` over ``folder``. ``filing``: shape (rows,), text: the drawer for a row whose key is new."""
    schema = widen(folder.schema(), rows.column_names)
    rows = fit(rows, schema)
    stored, homes = _load(folder, rows, schema)
    both = pa.concat_tables([stored, rows]).combine_chunks()
    codes = key_codes(both, folder.key)
    standing, status = _fold(both, codes, len(stored))
    return Plan(folder, status, schema, _changed_drawers(folder, both, codes, standing, homes, filing, schema))


def plan_settle(folder: TableFolder, keys: pa.Table, rows: pa.Table, filing: np.ndarray) -> Plan:
    """Drop every row with one of ``keys`` and let ``rows`` stand instead, in the drawer of the row they replace."""
    schema = widen(folder.schema(), rows.column_names)
    stored, homes = _load(folder, keys, schema)
    codes = key_codes(
        pa.concat_tables([stored.select(folder.key), keys.select(folder.key), rows.select(folder.key)]), folder.key
    )
    own, dropped, new = np.split(codes, [len(stored), len(stored) + len(keys)])
    home_of = dict(zip(own[np.isin(own, dropped)], homes[np.isin(own, dropped)], strict=True))
    filing = np.array([home_of.get(code, drawer) for code, drawer in zip(new, filing, strict=True)], dtype=object)
    kept = ~np.isin(own, dropped)
    drawers = {}
    for drawer in sorted({*homes[~kept], *filing}):
        if drawer in homes:
            old = stored.filter(pa.array(kept & (homes == drawer)))
        else:
            old = fit(folder.read(drawers=[drawer]), schema)
        drawers[drawer] = pa.concat_tables([old, fit(rows.filter(pa.array(filing == drawer)), schema)])
    return Plan(folder, np.zeros(len(rows), np.int8), schema, drawers)


def key_codes(rows: pa.Table, key: tuple[str, ...]) -> np.ndarray:
    """A number for each row, shape (rows,), equal where the keys are equal, dense from 0."""
    parts = [pc.dictionary_encode(_one(rows[name])).indices.to_numpy(zero_copy_only=False) for name in key]
    codes = parts[0].astype(np.int64)
    for part in parts[1:]:
        codes = codes * (int(part.max(initial=0)) + 1) + part
    if len(parts) > 1 and (codes[1:] > codes[:-1]).all():
        return np.arange(len(codes))  # in the order of their keys, as most files are: a fifth of the time of a merge
    return pd.factorize(codes)[0] if len(parts) > 1 else codes


def same_rows(rows: pa.Table, left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Whether row ``left[i]`` equals row ``right[i]`` in every column, missing equal to missing; shape (pairs,)."""
    same = np.ones(len(left), dtype=bool)
    if not len(left):
        return same
    first, second = pa.array(left), pa.array(right)
    for column in map(_one, rows.columns):
        a, b = column.take(first), column.take(second)
        equal = pc.fill_null(pc.equal(a, b), False)
        same &= pc.or_(equal, pc.and_(pc.is_null(a), pc.is_null(b))).to_numpy(zero_copy_only=False)
    return same


def recorded(rows: pa.Table) -> np.ndarray:
    """``recorded_at`` as ``datetime64[us]``, shape (rows,), NaT where missing."""
    times = _one(rows["recorded_at"]).cast(pa.timestamp("us"))
    return times.to_numpy(zero_copy_only=False).astype("datetime64[us]")


def fold_rows(rows: pa.Table, key: tuple[str, ...]) -> pa.Table:
    """Lay ``rows`` over each other in their order; those that stand at last, one a key."""
    standing, _ = _fold(rows.combine_chunks(), key_codes(rows, key), 0)
    return rows.take(pa.array(standing))


def _fold(both: pa.Table, codes: np.ndarray, stored: int) -> tuple[np.ndarray, np.ndarray]:
    """Take the rows after the first ``stored`` one after another; which row of ``both`` stands for each key at last."""
    standing = np.full(int(codes.max(initial=-1)) + 1, -1, dtype=np.int64)
    standing[codes[:stored]] = np.arange(stored)
    status = np.full(len(both) - stored, UNCHANGED, dtype=np.int8)
    times = recorded(both)
    turn = np.zeros(len(status), dtype=np.int64)  # how many rows with its key came before each
    if len(status) and np.bincount(codes[stored:]).max() > 1:
        turn = pd.Series(codes[stored:]).groupby(codes[stored:]).cumcount().to_numpy()
    order = np.argsort(turn, kind="stable")
    for turns in np.split(order, np.flatnonzero(np.diff(turn[order])) + 1):
        row = turns + stored
        now = standing[codes[row]]
        fresh = now < 0
        status[turns[fresh]] = TAKEN
        standing[codes[row[fresh]]] = row[fresh]
        row, now, turns = row[~fresh], now[~fresh], turns[~fresh]
        wins = ~(times[row] < times[now]) & ~same_rows(both, row, now)
        status[turns[wins]] = REPLACED
        standing[codes[row[wins]]] = row[wins]
    return standing, status


def _load(folder: TableFolder, rows: pa.Table, schema: pa.Schema) -> tuple[pa.Table, np.ndarray]:
    """The whole of every drawer that may hold a key of ``rows``, and the drawer of each of its rows."""
    name = folder.key[0]
    wanted = pc.unique(rows[name])
    loaded, homes = [fit(pa.table({}), schema)], [np.array([], dtype=object)]
    for drawer in folder.files() if len(wanted) else ():
        held = folder.read(columns=[name], drawers=[drawer])[name]
        if pc.any(pc.is_in(held, value_set=wanted), min_count=0).as_py():
            loaded.append(fit(folder.read(drawers=[drawer]), schema))
            homes.append(np.full(len(loaded[-1]), drawer, dtype=object))
    return pa.concat_tables(loaded), np.concatenate(homes)


def _changed_drawers(
    folder: TableFolder,
    both: pa.Table,
    codes: np.ndarray,
    standing: np.ndarray,
    homes: np.ndarray,
    filing: np.ndarray,
    schema: pa.Schema,
) -> dict[str, pa.Table]:
    stored = len(homes)
    first_row = np.full(len(standing), len(both), dtype=np.int64)
    np.minimum.at(first_row, codes, np.arange(len(both)))
    drawer_of = np.concatenate([homes, filing])[first_row] if len(both) else np.array([], dtype=object)
    drawers = {}
    numbers, names = pd.factorize(drawer_of)
    loaded = set(pd.unique(homes))
    changed = np.unique(numbers[standing >= stored])
    for number in changed:
        rows = both.take(pa.array(standing[numbers == number]))
        if names[number] not in loaded:
            rows = pa.concat_tables([fit(folder.read(drawers=[names[number]]), schema), rows])
        drawers[str(names[number])] = rows
    return drawers


def _one(column: pa.ChunkedArray) -> pa.Array:
    whole = column.combine_chunks()
    return whole if isinstance(whole, pa.Array) else pa.concat_arrays(whole.chunks)
