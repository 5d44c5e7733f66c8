"""Results of checks: as rows of the service table, and back as evidence."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pandas as pd
import pytest

from farmwatch.causes.context import Context
from farmwatch.causes.diagnose import diagnose
from farmwatch.causes.entered import check_row, entered_results, is_check
from farmwatch.causes.pattern import Entered
from farmwatch.causes.table import CausesError, CauseTable
from farmwatch.detectors.night import join_history
from farmwatch.evidence import Finding, Subject
from farmwatch.records import SERVICE_SUBJECTS, Records, conform
from farmwatch.settings import Settings

AT = dt.datetime(2031, 3, 12, 9, 30, tzinfo=dt.UTC)


def _service(rows: list[dict[str, str]]) -> pd.DataFrame:
    return conform(pd.DataFrame(rows), "service")


def test_a_row_goes_in_and_comes_back(finding: Callable[..., Finding], table: CauseTable) -> None:
    row = check_row(finding(), "irradiance_grid", "high", AT, "P-01", table)
    service = _service([row])
    assert service["action"].tolist() == ["other"]
    assert service["at"].iloc[0] == pd.Timestamp(AT)
    assert entered_results(service, "F310320-abcd", table) == (Entered("irradiance_grid", "high", AT.date()),)
    assert entered_results(service, "F310320-abc", table) == ()
    assert is_check(service).tolist() == [True]


@pytest.mark.parametrize("kind", ["design", "operator", "farm"])
def test_subjects_without_service_rows_use_the_printer(
    kind: str, finding: Callable[..., Finding], table: CauseTable
) -> None:
    row = check_row(finding(subject=Subject(kind, "X")), "read_layers", "island", AT, "P-07", table)
    assert (row["subject_type"], row["subject_id"]) == ("printer", "P-07")
    assert row["subject_type"] in SERVICE_SUBJECTS


def test_of_one_check_the_latest_stands_and_strangers_are_left(
    finding: Callable[..., Finding], table: CauseTable
) -> None:
    rows = [
        check_row(finding(), "new_film", "stays", AT, "P-01", table),
        check_row(finding(), "new_film", "clears", AT + dt.timedelta(days=1), "P-01", table),
        {**check_row(finding(), "new_film", "stays", AT + dt.timedelta(days=2), "P-01", table), "note": "check the film"},
        {**check_row(finding(), "new_film", "stays", AT + dt.timedelta(days=3), "P-01", table),
         "note": "check F310320-abcd new_film perhaps"},
    ]  # fmt: skip
    rows[2]["event_id"], rows[3]["event_id"] = "a", "b"
    service = _service(rows)
    assert entered_results(service, "F310320-abcd", table) == (
        Entered("new_film", "clears", (AT + dt.timedelta(days=1)).date()),
    )
    assert is_check(service).tolist() == [True, True, False, True]


def test_an_unknown_check_or_result_is_refused_with_what_is_known(
    finding: Callable[..., Finding], table: CauseTable
) -> None:
    with pytest.raises(CausesError, match=r"prayer: no check of that name; known are .*new_film"):
        check_row(finding(), "prayer", "helps", AT, "P-01", table)
    with pytest.raises(CausesError, match=r"new_film: no result 'perhaps'; possible are clears, stays"):
        check_row(finding(), "new_film", "perhaps", AT, "P-01", table)


def test_a_result_moves_the_posterior_and_the_check_is_not_asked_again(
    finding: Callable[..., Finding], table: CauseTable, settings: Settings
) -> None:
    runs = conform(
        pd.DataFrame(
            {"run_id": ["R1"], "printer_id": ["P-01"], "started_at": ["2031-03-10T10:00Z"], "outcome": ["failed"]}
        ),
        "runs",
    )

    def given(rows: list[dict[str, str]]) -> tuple[dict[str, float], list[str]]:
        records = Records(runs=runs, service=_service(rows)) if rows else Records(runs=runs)
        as_of = dt.date(2031, 3, 20)
        night = join_history(records).night(as_of, settings)
        context = Context(records, settings, as_of, night.plates, night.parts, night.part_risk)
        causes, checks = diagnose(finding(), table, settings, context)
        return {cause.code: cause.probability for cause in causes}, [check.code for check in checks]

    before, asked = given([])
    assert "irradiance_grid" in asked
    after, still = given([check_row(finding(), "irradiance_grid", "high", AT, "P-01", table)])
    assert after["lamp_hot"] > 4 * before["lamp_hot"]
    assert "irradiance_grid" not in still
    later, _ = given([check_row(finding(), "irradiance_grid", "high", AT + dt.timedelta(days=30), "P-01", table)])
    assert later["lamp_hot"] == pytest.approx(before["lamp_hot"])
