"""Parquet, read in slices so that a small file cannot unfold into more than the memory."""

from __future__ import annotations

import json

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from farmwatch.collect.raw import FIELD_LIMIT, RawRows, Unreadable, check_header

_SLICE = 65_536
_TOO_MUCH = "unfolds to more than the memory that a file may take"
_WIDTHS = {"INT32": 4, "FLOAT": 4, "BYTE_ARRAY": 4, "INT64": 8, "DOUBLE": 8, "INT96": 12}
_OBJECT_BYTES = 40  # what a value in a list takes until the list is text


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
    told = pq.read_metadata(pa.BufferReader(data))
    if told.num_rows > max_rows:
        raise Unreadable(f"{told.num_rows} rows, more than the {max_rows} that a file may have")
    if _told_bytes(told) > max_unfolded:
        raise Unreadable(_TOO_MUCH)
    leaves = [told.schema.column(place) for place in range(told.num_columns)]
    # text stays a dictionary until its lengths have been added up
    texts = [leaf.path for leaf in leaves if leaf.physical_type == "BYTE_ARRAY"]
    file = pq.ParquetFile(pa.BufferReader(data), read_dictionary=texts)
    unfolded = 0
    slices = []
    for batch in file.iter_batches(batch_size=_SLICE):
        columns = []
        for column in batch.columns:
            unfolded += _unfolded_bytes(column)
            if unfolded > max_unfolded:
                raise Unreadable(_TOO_MUCH)
            columns.append(_unfold(column))
        slices.append(pa.table(columns, names=names))
    return pa.concat_tables(slices) if slices else pa.table([pa.array([], pa.string())] * len(names), names=names)


def _told_bytes(told: pq.FileMetaData) -> int:
    """What the file itself says that its pages and its values take, without texts that are written once for many rows."""
    total = 0
    for group in (told.row_group(number) for number in range(told.num_row_groups)):
        for place in range(told.num_columns):
            chunk, leaf = group.column(place), told.schema.column(place)
            width = leaf.length if leaf.physical_type == "FIXED_LEN_BYTE_ARRAY" else _WIDTHS.get(leaf.physical_type, 1)
            each = max(width, _OBJECT_BYTES) if leaf.max_repetition_level else width
            total += max(chunk.total_uncompressed_size, chunk.num_values * each)
    return total


def _unfolded_bytes(column: pa.Array) -> int:
    if pa.types.is_struct(column.type):
        return sum(_unfolded_bytes(child) for child in column.flatten())
    if pa.types.is_list(column.type) or pa.types.is_large_list(column.type):
        return 8 * len(column) + _unfolded_bytes(column.flatten())
    if pa.types.is_map(column.type):
        return 8 * len(column) + _unfolded_bytes(column.keys) + _unfolded_bytes(column.items)
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
