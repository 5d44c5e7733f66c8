"""Random sequences of deliveries against a dictionary: twice, late, corrected, reordered, off the plate by then or not."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from torture.model import Model, Row, check

from farmwatch.collect import collect, quarantine, rebuild
from farmwatch.store import Farm

STAMPS = st.sampled_from([None, "2031-04-02T00:00:00Z", "2031-04-03T00:00:00Z", "2031-05-01T00:00:00Z"])
PRINTERS = st.builds(
    lambda who, width, stamp: {
        "printer_id": who,
        "plate_width_mm": width,
        "plate_depth_mm": 50.0,
        "recorded_at": stamp,
    },
    st.sampled_from(["p1", "p2"]),
    st.sampled_from([40.0, 100.0]),
    STAMPS,
)
RUNS = st.builds(
    lambda run, who, day, stamp: {
        "run_id": run,
        "printer_id": who,
        "started_at": day,
        "outcome": "good",
        "recorded_at": stamp,
    },
    st.sampled_from(["r1", "r2"]),
    st.sampled_from(["p1", "p2"]),
    st.sampled_from(["2031-04-30T10:00:00Z", "2031-05-02T10:00:00Z"]),
    STAMPS,
)
PARTS = st.builds(
    lambda run, number, x, outcome, stamp: {
        "run_id": run,
        "part_no": number,
        "x_mm": x,
        "outcome": outcome,
        "recorded_at": stamp,
    },
    st.sampled_from(["r1", "r2", "r3"]),
    st.integers(1, 2),
    st.sampled_from([None, 10.0, 30.0]),
    st.sampled_from(["good", "failed", "lost"]),
    STAMPS,
)
FILES = st.one_of(
    st.tuples(st.just("printers"), st.lists(PRINTERS, min_size=1, max_size=2)),
    st.tuples(st.just("runs"), st.lists(RUNS, min_size=1, max_size=3)),
    st.tuples(st.just("parts"), st.lists(PARTS, min_size=1, max_size=4)),
)
SEQUENCES = st.lists(st.lists(FILES, min_size=1, max_size=3), min_size=1, max_size=5)


@settings(max_examples=12, deadline=None)
@given(SEQUENCES)
def test_any_sequence_of_deliveries_comes_to_what_a_dictionary_holds(
    sequence: list[list[tuple[str, list[Row]]]],
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        farm = Farm.create(Path(folder), "UTC")
        model = Model()
        for batch in sequence:
            for number, (table, rows) in enumerate(batch):
                lines = "\n".join(json.dumps(row) for row in rows)
                (farm.inbox / f"{table}-{number}.jsonl").write_text(lines)
                model.take(table, rows)
            for report in collect(farm).files:
                quarantined = report.quarantined.total()
                assert report.rows == report.taken + report.replaced + report.unchanged + quarantined
                assert report.error is None
        check(farm, model)
        held = {json.dumps(entry) for entry in quarantine.entries(farm)}
        rebuild(farm)
        check(farm, model)
        # a rebuild also names rows off their plate that a correction had replaced before the plate was known
        rebuilt = {json.dumps(entry) for entry in quarantine.entries(farm)}
        assert held <= rebuilt
        assert {json.loads(entry)["reason"] for entry in rebuilt - held} <= {"off_plate"}
