"""One delivered column to its declared type, and which of its values cannot be understood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.collect.raw import FIELD_LIMIT
from farmwatch.collect.times import read_times
from farmwatch.records import ID_LIMIT, Column

_NUMBER = r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$"
_LARGEST_COUNT = float(1 << 53)


@dataclass(frozen=True)
class Typed:
    """``values`` in the declared type (null where missing or bad), ``bad``: shape (rows,), bool.

    ``second``: for times, the other reading of an hour that came twice, ``datetime64[us]`` UTC.
    """

    values: pa.Array
    bad: np.ndarray
    second: np.ndarray | None = None


def read_column(column: pa.ChunkedArray, declared: Column, zone: str) -> Typed:
    """``column`` of any Arrow type as ``declared``."""
    whole = _emptied(one(column))
    if declared.kind == "time":
        times = read_times(whole, zone)
        return Typed(pa.array(times.first).cast(pa.timestamp("us", tz="UTC")), times.bad, times.second)
    if declared.kind == "number":
        return _numbers(whole)
    if declared.kind == "count":
        return _counts(whole)
    return _texts(whole, declared)


def read_own(column: pa.ChunkedArray) -> pa.Array:
    """A column that only this farm knows, as text."""
    whole = one(column)
    return _emptied(whole if pa.types.is_string(whole.type) else whole.cast(pa.string()))


def one(column: pa.ChunkedArray) -> pa.Array:
    """The chunks of ``column`` in one."""
    whole = column.combine_chunks()
    return whole if isinstance(whole, pa.Array) else pa.concat_arrays(whole.chunks)


def truth(column: pa.Array | pa.ChunkedArray) -> np.ndarray:
    """A column of truth values as NumPy, null as False."""
    filled = pc.fill_null(column, False)
    return (one(filled) if isinstance(filled, pa.ChunkedArray) else filled).to_numpy(zero_copy_only=False)


def _emptied(column: pa.Array) -> pa.Array:
    """Empty text means unknown."""
    if not pa.types.is_string(column.type):
        return column
    return pc.if_else(pc.equal(column, ""), pa.scalar(None, pa.string()), column)


def _numbers(column: pa.Array) -> Typed:
    missing = column.is_null().to_numpy(zero_copy_only=False)
    kind = column.type
    if pa.types.is_string(kind):
        values = _parsed(column)
        missing |= truth(pc.equal(pc.utf8_trim_whitespace(column), "")) if values.null_count > missing.sum() else False
    elif pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        values = column.cast(pa.float64(), safe=False)
    else:
        values = pa.nulls(len(column), pa.float64())
    finite = truth(pc.is_finite(values))
    return Typed(pc.if_else(pa.array(finite), values, pa.scalar(None, pa.float64())), ~finite & ~missing)


def _parsed(column: pa.Array) -> pa.Array:
    """Text to numbers, null where it is none."""
    try:
        return column.cast(pa.float64())
    except pa.ArrowInvalid:
        trimmed = pc.utf8_trim_whitespace(column)
        good = pc.if_else(pc.match_substring_regex(trimmed, _NUMBER), trimmed, pa.scalar(None, pa.string()))
        return pc.replace_substring_regex(good, r"^\+", "").cast(pa.float64())


def _counts(column: pa.Array) -> Typed:
    typed = _numbers(column)
    numbers = typed.values.to_numpy(zero_copy_only=False)
    whole = (np.abs(numbers) <= _LARGEST_COUNT) & (np.floor(numbers) == numbers)  # NaN is neither
    counts = pa.array(np.where(whole, numbers, 0.0).astype(np.int64), mask=~whole)
    return Typed(counts, typed.bad | (np.isfinite(numbers) & ~whole))


def _texts(column: pa.Array, declared: Column) -> Typed:
    if pa.types.is_integer(column.type):
        column = column.cast(pa.string())
    if not pa.types.is_string(column.type):
        bad = ~column.is_null().to_numpy(zero_copy_only=False)
        return Typed(pa.nulls(len(column), pa.string()), bad)
    if declared.kind == "id":
        bad = truth(pc.greater(pc.utf8_length(column), ID_LIMIT)) | truth(pc.utf8_is_space(column))
    elif declared.choices and declared.strict:
        bad = truth(pc.invert(pc.is_in(column, value_set=pa.array(declared.choices)))) & ~column.is_null().to_numpy(
            zero_copy_only=False
        )
    else:
        bad = truth(pc.greater(pc.binary_length(column), FIELD_LIMIT))
    return Typed(pc.if_else(pa.array(bad), pa.scalar(None, pa.string()), column) if bad.any() else column, bad)
