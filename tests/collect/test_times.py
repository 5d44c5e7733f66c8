"""Times: offsets, the farm's zone, the two nights on which its clock changes."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest

from farmwatch.collect.plates import Plates
from farmwatch.collect.rows import understand
from farmwatch.collect.times import read_times

UTC_TEXTS = {
    "2031-04-02T10:00:00Z": "2031-04-02T10:00:00",
    "2031-04-02T10:00:00+02:00": "2031-04-02T08:00:00",
    "2031-04-02 10:00:00.123456-0530": "2031-04-02T15:30:00.123456",
    "20310402T100000Z": "2031-04-02T10:00:00",
    "2031-W14-3T10:00+02": "2031-04-02T08:00:00",
    "2031-04-02T10:00:00.123456789Z": "2031-04-02T10:00:00.123456",
}
BAD = [
    "",
    "10:00",
    "2031-13-01",
    "2031-04-02T24:01",
    "1800-01-01",
    "9999-12-31T23:59Z",
    "0001-01-01",
    "tomorrow",
    "\x00",
]


def _text(value: np.datetime64) -> dt.datetime:
    return value.astype("datetime64[us]").item()


@pytest.mark.parametrize("company", [[], ["2031-04-02"], ["2031-04-02T10:00Z"], ["nonsense"]])
def test_a_time_reads_the_same_in_any_company(company: list[str]) -> None:
    texts = [*UTC_TEXTS, *company]
    times = read_times(pa.array(texts), "Europe/Berlin")
    for value, expected in zip(times.first, UTC_TEXTS.values(), strict=False):
        assert _text(value) == dt.datetime.fromisoformat(expected)


def test_what_is_no_time_is_bad_and_nothing_is_missing() -> None:
    times = read_times(pa.array([*BAD, None, "2031-04-02"]), "Europe/Berlin")
    assert times.bad.tolist() == [True] * len(BAD) + [False, False]
    assert np.isnat(times.first).tolist() == [True] * (len(BAD) + 1) + [False]


@pytest.mark.parametrize(
    "zone", ["Europe/Berlin", "Europe/Dublin", "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"]
)
def test_every_quarter_of_an_hour_of_a_year_as_the_standard_library_reads_it(zone: str) -> None:
    """Second route: :mod:`zoneinfo` with fold 0 for the first pass and 1 for the second, value by value."""
    clock = [dt.datetime(2031, 1, 1) + dt.timedelta(minutes=15 * quarter) for quarter in range(4 * 24 * 365)]
    times = read_times(pa.array([time.isoformat() for time in clock]), zone)
    assert not times.bad.any()
    first = [time.replace(tzinfo=ZoneInfo(zone)).astimezone(dt.UTC).replace(tzinfo=None) for time in clock]
    assert times.first.astype("datetime64[us]").tolist() == first
    second = [time.replace(tzinfo=ZoneInfo(zone), fold=1).astimezone(dt.UTC).replace(tzinfo=None) for time in clock]
    twice = [early for early, late in zip(first, second, strict=True) if late > early]
    differ = times.second > times.first
    assert times.first[differ].astype("datetime64[us]").tolist() == twice
    assert times.second[differ].tolist() == [late for early, late in zip(first, second, strict=True) if late > early]


def test_arrow_times_and_dates_are_read_in_the_same_way() -> None:
    naive = dt.datetime(2031, 7, 1, 12)
    zoned = pa.array([naive], pa.timestamp("ns", tz="America/New_York"))
    assert _text(read_times(zoned, "Europe/Berlin").first[0]) == naive
    assert _text(read_times(pa.array([naive], pa.timestamp("ms")), "Europe/Berlin").first[0]) == naive.replace(hour=10)
    midnight = read_times(pa.array([naive.date()]), "Europe/Berlin").first[0]
    assert _text(midnight) == dt.datetime(2031, 6, 30, 22)
    assert read_times(pa.array([5]), "Europe/Berlin").bad.tolist() == [True]


def test_the_end_of_a_run_in_the_hour_that_comes_twice() -> None:
    """Berlin, 26 October 2031: 02:00 to 03:00 comes twice; an end before its start is of the second pass."""
    text = (
        "run_id,printer_id,started_at,ended_at,outcome\n"
        "a,p,2031-10-26T02:50,2031-10-26T02:10,good\n"
        "b,p,2031-10-26T02:10,2031-10-26T02:50,good\n"
        "c,p,2031-10-26T02:50+01:00,2031-10-26T02:10,good\n"
        "d,p,2031-10-26T01:00,2031-10-26T03:00,good\n"
    )
    understood = understand(text.encode(), "runs.csv", "runs", "Europe/Berlin", Plates.none(), 100)
    frame = understood.rows.to_pandas()
    minutes = (frame["ended_at"] - frame["started_at"]).dt.total_seconds() / 60
    assert dict(zip(frame["run_id"], minutes, strict=True)) == {"a": 20.0, "b": 40.0, "d": 180.0}
    assert [(fault.line, fault.reason) for fault in understood.faults] == [(4, "end_before_start")]


def test_the_first_and_the_last_moment_that_are_taken() -> None:
    edge = ["1899-12-31T23:59:59Z", "1900-01-01T00:00Z", "2199-12-31T23:59:59Z", "2200-01-01T00:00Z"]
    assert read_times(pa.array(edge), "Asia/Kolkata").bad.tolist() == [True, False, False, True]
    slow = read_times(pa.array([*edge, "nonsense"]), "Asia/Kolkata")
    assert slow.bad.tolist() == [True, False, False, True, True]
    assert (slow.first[1:3] == slow.second[1:3]).all()


@pytest.mark.parametrize("zone", ["UTC", None])
def test_what_is_finer_than_a_microsecond_is_cut_off(zone: str | None) -> None:
    fine = pa.array([1_932_000_000_123_456_789], pa.timestamp("ns", tz=zone))
    times = read_times(fine, "UTC")
    assert times.first.tolist() == [dt.datetime(2031, 3, 23, 2, 40, 0, 123456)]
    assert not times.bad.any()


@pytest.mark.parametrize("text", ["2031-04-02T10:00", "2031-W14-3T10:00", "20310402T1000", "2031-04-02T10"])
@pytest.mark.parametrize(("zone", "hour"), [("Europe/Berlin", 8), ("Asia/Tokyo", 1), ("UTC", 10)])
def test_a_time_without_offset_is_on_the_farms_clock_however_it_is_written(text: str, zone: str, hour: int) -> None:
    times = read_times(pa.array([text]), zone)
    assert _text(times.first[0]) == _text(times.second[0]) == dt.datetime(2031, 4, 2, hour)
