"""Fast and careful readers agree, and three formats of one content come to the same rows."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from farmwatch.collect import csv_files, json_files
from farmwatch.collect.plates import Plates
from farmwatch.collect.raw import LINE_LIMIT, Unreadable
from farmwatch.collect.rows import Understood, understand

COLUMNS = ["run_id", "part_no", "x_mm", "outcome", "note", "own"]
FIELDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=6) | st.sampled_from(
    ["r1", "1", "2.5", "good", ","]
)
ROWS = st.lists(st.tuples(*[FIELDS] * len(COLUMNS)), min_size=1, max_size=6)


def _csv(rows: list[tuple[str, ...]], quoting: int, ends: str) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, quoting=quoting, lineterminator=ends).writerows([COLUMNS, *rows])
    return stream.getvalue().encode()


@settings(max_examples=150, deadline=None)
@given(ROWS, st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]), st.sampled_from(["\n", "\r\n"]))
def test_csv_read_fast_is_csv_read_with_care(rows: Any, quoting: int, ends: str) -> None:
    if quoting == csv.QUOTE_MINIMAL:
        # the writer leaves a lone carriage return bare, which ends a line for every reader
        rows = [tuple(field.replace("\r", "") for field in row) for row in rows]
    data = _csv(rows, quoting, ends)
    careful = csv_files._read_with_care(data, "parts", 99)
    assert careful.broken == []
    assert [tuple(row.values()) for row in careful.columns.to_pylist()] == rows
    either = csv_files.read_csv(data, "parts", 99)
    assert either.columns.to_pylist() == careful.columns.to_pylist()
    assert either.lines.tolist() == careful.lines.tolist()


@settings(max_examples=150, deadline=None)
@given(st.lists(st.text('ab,"\n\r x', max_size=12), max_size=8))
def test_no_quote_out_of_place_makes_the_fast_reader_differ(lines: list[str]) -> None:
    data = ("run_id,part_no,outcome\n" + "\n".join(lines)).encode()
    careful = csv_files._read_with_care(data, "parts", 99)
    either = csv_files.read_csv(data, "parts", 99)
    assert either.columns.to_pylist() == careful.columns.to_pylist()
    assert either.lines.tolist() == careful.lines.tolist()
    assert either.broken == careful.broken
    assert sorted({*either.lines.tolist(), *(fault.line for fault in either.broken)}) == sorted(
        [*either.lines.tolist(), *(fault.line for fault in either.broken)]
    )


VALUES = st.fixed_dictionaries(
    {"run_id": st.sampled_from(["r1", "r2", "\u00fc", '"'])},
    optional={
        "part_no": st.integers(0, 9) | st.just(2.5),
        "x_mm": st.none() | st.floats(-1e6, 1e6) | st.booleans() | st.just("7"),
        "outcome": st.sampled_from(["good", "failed", ""]),
        "own": st.none() | st.text(max_size=4) | st.integers() | st.lists(st.integers(), max_size=2),
    },
)


@settings(max_examples=150, deadline=None)
@given(st.lists(VALUES, min_size=1, max_size=6))
def test_json_read_fast_is_json_read_with_care(objects: list[dict[str, Any]]) -> None:
    data = "\n".join(json.dumps(row) for row in objects).encode()
    fast = json_files._read_plain(data, "parts", 99)
    both = [understand(data, "parts.jsonl", "parts", "UTC", Plates.none(), 99)]
    if fast is not None:
        read_plain, json_files._read_plain = json_files._read_plain, lambda data, table, max_rows: None
        try:
            both.append(understand(data, "parts.jsonl", "parts", "UTC", Plates.none(), 99))
        finally:
            json_files._read_plain = read_plain
    assert both[0].rows.to_pylist() == both[-1].rows.select(both[0].rows.column_names).to_pylist()
    assert both[0].lines.tolist() == both[-1].lines.tolist()
    assert _reasons(both[0]) == _reasons(both[-1])


def _reasons(understood: Understood) -> list[tuple[int, str, str]]:
    return sorted((fault.line, fault.column, fault.reason) for fault in understood.faults)


def test_three_formats_of_one_content_are_the_same_rows() -> None:
    frame = pd.DataFrame(
        {
            "run_id": ["r1", "r1", "r2", "r2"],
            "part_no": [1, 2, 1, 2],
            "x_mm": [0.5, None, -3.25, 1e-7],
            "outcome": ["good", "failed", "unknown", "lost"],
            "sign": [None, "split", None, None],
            "recorded_at": pd.to_datetime(["2031-04-02T10:00:00Z"] * 4),
        }
    )
    buffer = io.BytesIO()
    frame.to_parquet(buffer)
    texts = frame.assign(recorded_at="2031-04-02T10:00:00Z")
    contents = {
        "parts.csv": texts.to_csv(index=False).encode(),
        "parts.jsonl": texts.to_json(orient="records", lines=True, double_precision=15).encode(),
        "parts.parquet": buffer.getvalue(),
    }
    read = [understand(data, name, "parts", "UTC", Plates.none(), 99) for name, data in contents.items()]
    for understood in read:
        assert understood.rows.to_pylist() == read[0].rows.to_pylist()
        assert [fault.reason for fault in understood.faults] == ["unknown_outcome"]
    assert read[0].rows["x_mm"].to_pylist() == [0.5, None, -3.25]


def test_parquet_types_that_do_not_fit_their_column() -> None:
    table = pa.table(
        {
            "run_id": pa.array([1, 2]),
            "part_no": pa.array([1.0, 1.5]),
            "x_mm": pa.array([True, None]),
            "outcome": pa.array(["good", "good"]).dictionary_encode(),
            "own": pa.array([[1], None]),
        }
    )
    buffer = io.BytesIO()
    pq.write_table(table, buffer)
    understood = understand(buffer.getvalue(), "parts.parquet", "parts", "UTC", Plates.none(), 99)
    assert _reasons(understood) == [(1, "x_mm", "bad_number"), (2, "part_no", "bad_number")]


def test_a_csv_line_without_an_end_is_refused_before_it_is_read_whole() -> None:
    head = b'run_id,part_no,outcome,note\nr1,1,good,"two\nlines"\nr1,2,good,"'
    fits = head + b"x" * 1000 + b'"\n'
    assert len(understand(fits, "parts.csv", "parts", "UTC", Plates.none(), 99).rows) == 2
    with pytest.raises(Unreadable, match="line 4 is longer than"):
        understand(head + b"x" * LINE_LIMIT + b'"\n', "parts.csv", "parts", "UTC", Plates.none(), 99)
