"""The published form of findings, their table in a terminal, and answers to queries."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import io
import json
import math
import re

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from promised import FINDING_FIELDS

from farmwatch.evidence import Subject
from farmwatch.report.answers import as_csv_text, as_json_rows, as_table_text
from farmwatch.report.text import cells, findings_table, plain, printable, to_json

from .conftest import Case, finding_of, one_of_each


def test_every_published_field_is_there_in_plain_types(case: Case) -> None:
    published = to_json(case.findings)
    assert json.loads(json.dumps(published, allow_nan=False)) == published
    for item in published:
        assert set(FINDING_FIELDS) <= set(item)
        for name in ("since", "since_low", "since_high", "first_flagged_on", "last_seen_on"):
            assert dt.date.fromisoformat(item[name]).isoformat() == item[name]
        assert item["causes"][0] == {
            "code": "plate_tilt",
            "probability": 0.71,
            "evidence_for": ["it fails on one side"],
            "evidence_against": [],
        }
        assert {"check", "tells_apart", "cost"} <= set(item["next_checks"][0])


def test_rivals_and_undefined_numbers() -> None:
    item = dataclasses.replace(one_of_each()["rate_level"], effect_high=math.nan, error_rate=math.inf)
    published = to_json([finding_of(1, item)])[0]
    assert published["rivals"][0] == {"subject_type": "printer", "subject_id": "P2"}
    assert published["effect_high"] is None
    assert published["error_rate"] is None
    assert published["sign"] is None


def test_a_replay_carries_what_was_said_at_first() -> None:
    now = finding_of(1, one_of_each()["rate_shift"])
    then = dataclasses.replace(now, evidence=dataclasses.replace(now.evidence, observed=9.0))
    published = to_json([now], {"F1": then})[0]
    assert published["observed"] == 54.0
    assert published["at_first_flag"]["observed"] == 9.0
    assert "at_first_flag" not in published["at_first_flag"]
    assert "at_first_flag" not in to_json([now])[0]


def test_plain_values_of_numpy_and_pandas() -> None:
    given = {
        "a": np.float64("nan"),
        "b": np.int64(3),
        "c": np.array([1.5, np.inf]),
        "d": pd.Timestamp("2031-01-02T03:04:05Z"),
        "e": pd.NaT,
        "f": (Subject("lot", "L1"),),
        "g": np.bool_(True),
        7: {dt.date(2031, 1, 2)},
    }
    assert plain(given) == {
        "a": None,
        "b": 3,
        "c": [1.5, None],
        "d": "2031-01-02T03:04:05+00:00",
        "e": None,
        "f": [{"subject_type": "lot", "subject_id": "L1"}],
        "g": True,
        "7": ["2031-01-02"],
    }


@pytest.mark.parametrize("width", [80, 100])
def test_the_table_fits_its_width(case: Case, hostile: Case, width: int) -> None:
    long = finding_of(1, one_of_each("P" * 128)["rate_shift"], finding_id="名" * 60)
    for findings in (case.findings, hostile.findings, (long,)):
        text = findings_table(findings, width)
        assert max(cells(line) for line in text.splitlines()) <= width
        assert not any(ord(char) < 32 and char != "\n" for char in text)
        assert "\u202e" not in text


def test_the_table_says_who_and_since_when(case: Case) -> None:
    text = findings_table(case.findings)
    assert text.splitlines()[0].split() == ["finding", "state", "since", "first", "flagged", "what"]
    for finding in case.findings:
        assert re.search(rf"^{finding.finding_id} +{finding.status} +{finding.evidence.since} ", text, re.MULTILINE)
    assert findings_table([]) == "No findings."


def test_terminals_are_not_steered_by_records() -> None:
    assert printable("a\x1b[31mb\u202ec\nd\u200be") == "a�[31mb�c d�e"


ANSWER = pa.table(
    {
        "printer_id": ["P1", "=HYPERLINK(1)", None],
        "failed": [3, None, 12],
        "rate": [0.25, float("nan"), None],
        "at": pa.array([dt.datetime(2031, 4, 2, tzinfo=dt.UTC), None, None]),
    }
)


def test_csv_answers_are_safe_to_open() -> None:
    rows = list(csv.reader(io.StringIO(as_csv_text(ANSWER), newline="")))
    assert rows[0] == ["printer_id", "failed", "rate", "at"]
    assert rows[1] == ["P1", "3", "0.25", "2031-04-02T00:00:00+00:00"]
    assert rows[2] == ["'=HYPERLINK(1)", "", "", ""]


def test_json_answers_keep_every_column() -> None:
    twice = pa.Table.from_arrays([pa.array([1]), pa.array([2]), pa.array([3])], names=["n", "n", "n_2"])
    assert as_json_rows(twice) == [{"n": 1, "n_2": 2, "n_2_2": 3}]
    assert as_json_rows(ANSWER)[1] == {"printer_id": "=HYPERLINK(1)", "failed": None, "rate": None, "at": None}
    assert as_json_rows(ANSWER.slice(0, 0)) == []


def test_table_answers_line_up_and_say_what_is_cut() -> None:
    lines = as_table_text(ANSWER).splitlines()
    assert lines[0].startswith("printer_id")
    assert lines[2].index("3") == lines[4].index("2", 3)
    assert lines[-1] == "(3 rows)"
    long = pa.table({"n": list(range(1500))})
    assert as_table_text(long).splitlines()[-1] == "(1500 rows, 500 not shown: --csv or --json gives them all)"
