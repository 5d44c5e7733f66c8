"""ISO 8601 times to UTC. A time without an offset is in the farm's zone.

An hour that comes twice in autumn is read as its first pass (the caller may ask for the second: the end of a run that
would come before its start is of the second pass). An hour that does not come at all in spring is read as on a clock
that nobody had put forward yet, so that durations stay true.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.collect.rules import EARLIEST_YEAR, LATEST_YEAR

_ZONED = r"[Tt ].*([Zz]|[+-]\d\d(:?\d\d)?)$"
_USUAL = r"^\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?)?([Zz]|[+-]\d\d(:?\d\d)?)?$"
_PLAIN, _UTC = pa.timestamp("us"), pa.timestamp("us", tz="UTC")


@dataclass(frozen=True)
class Times:
    """``first``: shape (n,), ``datetime64[us]`` in UTC, NaT where missing or bad; ``second``: the other reading, where

    the time came twice on the farm's clock, the same otherwise. ``bad``: shape (n,), bool.
    """

    first: np.ndarray
    second: np.ndarray
    bad: np.ndarray


def read_times(column: pa.Array, zone: str) -> Times:
    """Text, dates or timestamps of any Arrow kind to UTC; everything else is bad."""
    missing = column.is_null().to_numpy(zero_copy_only=False)
    kind = column.type
    if pa.types.is_timestamp(kind) and kind.tz is not None:
        return _checked(_numpy(column.cast(pa.timestamp("us", tz=kind.tz), safe=False).cast(_UTC)), None, missing)
    if pa.types.is_timestamp(kind) or pa.types.is_date(kind):
        return _checked(*_localised(_numpy(column.cast(_PLAIN, safe=False)), zone), missing)
    if pa.types.is_string(kind):
        return _read_texts(column, zone, missing)
    nothing = np.full(len(column), np.datetime64("NaT", "us"))
    return Times(nothing, nothing, ~missing)


def _read_texts(column: pa.Array, zone: str, missing: np.ndarray) -> Times:
    try:
        return _checked(_numpy(column.cast(_UTC)), None, missing)
    except pa.ArrowInvalid:
        pass
    try:
        return _checked(*_localised(_numpy(column.cast(_PLAIN)), zone), missing)
    except pa.ArrowInvalid:
        pass
    column = pc.utf8_trim_whitespace(column)
    zoned = _mask(pc.match_substring_regex(column, _ZONED))
    plain = np.full(len(column), np.datetime64("NaT", "us"))
    utc = plain.copy()
    rest = ~missing
    usual = _mask(pc.match_substring_regex(column, _USUAL))
    for group, kind, into in ((usual & zoned, _UTC, utc), (usual & ~zoned, _PLAIN, plain)):
        try:
            into[group] = _numpy(column.filter(pa.array(group)).cast(kind))
            rest &= ~group
        except pa.ArrowInvalid:
            pass  # one of them is no day of the calendar: each by itself below
    for place in np.flatnonzero(rest):
        _read_one(column[int(place)].as_py(), int(place), plain, utc)
    first, second = _localised(plain, zone)
    known = ~np.isnat(utc)
    first[known], second[known] = utc[known], utc[known]
    return _checked(first, second, missing)


def _read_one(text: str, place: int, plain: np.ndarray, utc: np.ndarray) -> None:
    try:
        time = dt.datetime.fromisoformat(text)
        if time.tzinfo is None:
            plain[place] = np.datetime64(time, "us")
        else:
            utc[place] = np.datetime64(time.astimezone(dt.UTC).replace(tzinfo=None), "us")
    except (ValueError, OverflowError):
        return


def _checked(first: np.ndarray, second: np.ndarray | None, missing: np.ndarray) -> Times:
    early, late = np.datetime64(f"{EARLIEST_YEAR}-01-01", "us"), np.datetime64(f"{LATEST_YEAR}-01-01", "us")
    outside = ~((first >= early) & (first < late))
    first = np.where(outside, np.datetime64("NaT", "us"), first)
    return Times(first, first if second is None else np.where(outside, first, second), outside & ~missing)


def _localised(plain: np.ndarray, zone: str) -> tuple[np.ndarray, np.ndarray]:
    """Both readings of times on the farm's clock, in UTC; they differ in the hour that comes twice."""
    early, late = np.datetime64(f"{EARLIEST_YEAR}-01-02", "us"), np.datetime64(f"{LATEST_YEAR - 1}-12-31", "us")
    plain = np.where((plain >= early) & (plain < late), plain, np.datetime64("NaT", "us"))
    if zone == "UTC":
        return plain, plain.copy()
    clock = pd.DatetimeIndex(plain)
    first, second = (
        clock.tz_localize(zone, ambiguous=np.full(len(plain), summer), nonexistent="NaT")
        .tz_convert("UTC")
        .tz_localize(None)
        .to_numpy()
        .astype("datetime64[us]")
        .copy()
        for summer in (True, False)
    )
    for place in np.flatnonzero(np.isnat(first) & ~np.isnat(plain)):
        local = plain[place].item().replace(tzinfo=ZoneInfo(zone), fold=0)
        first[place] = second[place] = np.datetime64(local.astimezone(dt.UTC).replace(tzinfo=None), "us")
    return np.minimum(first, second), np.maximum(first, second)


def _numpy(column: pa.Array) -> np.ndarray:
    return column.cast(_PLAIN).to_numpy(zero_copy_only=False).astype("datetime64[us]")


def _mask(column: pa.Array) -> np.ndarray:
    return pc.fill_null(column, False).to_numpy(zero_copy_only=False)
