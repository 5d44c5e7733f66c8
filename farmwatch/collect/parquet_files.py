"""Parquet, read in slices so that a small file cannot unfold into more than the memory."""

from __future__ import annotations

import json

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from farmwatch.collect.raw import FIELD_LIMIT, RawRows, Unreadable, check_header

_SLICE = 65_536


def read_parquet(data: bytes, table: str, max_rows: int, max_unfolded: int) -> RawRows:
    """Rows of one Parquet file that holds at most ``max_unfolded`` bytes of values; their lines are row numbers from 1.
    Raises :class:`Unreadable`.
    """
    try:
        whole = _read(data, table, max_rows, max_unfolded)
        whole.validate(full=True)
    except (pa.ArrowException, OSError, OverflowError, MemoryError) as error:
        raise Unreadable(f"not Parquet that can be read: {' '.join(str(error).split())[:200]}") from None
    return RawRows(whole, np.arange(1, len(whole) + 1))


def _read(data: bytes, table: str, max_rows: int, max_unfolded: int) -> pa.Table:
    source = pa.BufferReader(data)
    schema = pq.read_schema(source)
    names = check_header(schema.names, table)
    texts = [
        field.name
        for field in schema
        if pa.types.is_string(field.type)
        or pa.types.is_large_string(field.type)
        or pa.types.is_binary(field.type)
        or pa.types.is_large_binary(field.type)
    ]
    # text stays a dictionary until its lengths have been added up
    file = pq.ParquetFile(pa.BufferReader(data), read_dictionary=texts)
    if file.metadata.num_rows > max_rows:
        raise Unreadable(f"{file.metadata.num_rows} rows, more than the {max_rows} that a file may have")
    unfolded = 0
    slices = []
    for batch in file.iter_batches(batch_size=_SLICE):
        columns = []
        for column in batch.columns:
            unfolded += _unfolded_bytes(column)
            if unfolded > max_unfolded:
                raise Unreadable("unfolds to more than the memory that a file may take")
            columns.append(_unfold(column))
        slices.append(pa.table(columns, names=names))
    return pa.concat_tables(slices) if slices else pa.table([pa.array([], pa.string())] * len(names), names=names)


def _unfolded_bytes(column: pa.Array) -> int:
    if not pa.types.is_dictionary(column.type):
        return int(column.nbytes)
    values = column.dictionary
    if not (
        pa.types.is_string(values.type) or pa.types.is_binary(values.type) or pa.types.is_large_string(values.type)
    ):
        return len(column) * 8
    lengths = pc.binary_length(values)
    if (pc.max(lengths).as_py() or 0) > FIELD_LIMIT:
        raise Unreadable(f"a text longer than {FIELD_LIMIT} bytes")
    return int(pc.sum(lengths.take(column.indices)).as_py() or 0) + 4 * len(column)


def _unfold(column: pa.Array) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if pa.types.is_nested(column.type):
        texts = [None if value is None else json.dumps(value, default=str) for value in column.to_pylist()]
        return pa.array(texts, pa.string())
    if pa.types.is_string(column.type):
        return column
    if (
        pa.types.is_large_string(column.type)
        or pa.types.is_binary(column.type)
        or pa.types.is_large_binary(column.type)
    ):
        return column.cast(pa.string())
    return column
