"""What status says of the farm's freshness."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from farmwatch.cli import main
from farmwatch.collect import collect
from farmwatch.schedule import status_document, status_text
from farmwatch.store import Farm

from .conftest import Counted, settled, utc

NOW = utc("2031-02-11 12:00")


def with_runs(farm: Farm, tmp_path: Path, days_ago: dict[str, list[float]]) -> Farm:
    """Runs of one hour that ended so many days before ``NOW``."""
    rows = [
        {
            "run_id": f"{printer}-{place}",
            "printer_id": printer,
            "started_at": (NOW - dt.timedelta(days=days, hours=1)).isoformat(),
            "ended_at": (NOW - dt.timedelta(days=days)).isoformat(),
            "outcome": "good",
        }
        for printer, every in days_ago.items()
        for place, days in enumerate(every)
    ]
    path = tmp_path / "runs.csv"
    pd.DataFrame(rows).to_csv(path, index=False)
    summary = collect(farm, [path])
    assert summary.totals.taken == len(rows)
    return farm


def test_an_empty_farm(farm: Farm) -> None:
    document = status_document(farm, NOW)
    json.dumps(document, allow_nan=False)
    assert document["printers"] == []
    assert [item["last"] for item in document["jobs"]] == [None, None]
    text = status_text(document)
    assert "nightly: the clock has not run it yet" in text
    assert "due: nightly 2031-02-10: since 2031-02-11 05:00" in text
    assert "next: weekly 2031-W07 at 2031-02-17 06:00" in text


def test_records_that_cannot_be_read_are_not_called_empty(farm: Farm, tmp_path: Path) -> None:
    with_runs(farm, tmp_path, {"busy": [0.1, 0.6]})
    for path in (farm.path / "records" / "runs").rglob("*.parquet"):
        path.write_bytes(b"x")
    document = status_document(farm, NOW)
    assert not document["records_read"]
    text = status_text(document)
    assert "trouble: " in text
    assert "farmwatch rebuild makes it anew" in text
    assert text.endswith("printers: not known, as the records cannot be read")
    assert "no runs in the records" not in text


def test_the_printer_that_stopped_is_named_first(farm: Farm, tmp_path: Path) -> None:
    with_runs(
        farm,
        tmp_path,
        {
            "busy": [0.1, 0.6, 1.1, 1.6],
            "stopped": [4.0, 4.5, 5.0, 5.5],
            "weekly": [4.0, 11.0, 18.0, 25.0],
            "one overhaul": [4.0, 4.5, 30.0, 30.5],
            "once": [2.0],
        },
    )
    document = status_document(farm, NOW)
    assert [one["printer_id"] for one in document["printers"] if one["silent"]] == ["one overhaul", "stopped"]
    assert [one["printer_id"] for one in document["printers"]] == ["one overhaul", "stopped", "busy", "once", "weekly"]
    stopped = next(one for one in document["printers"] if one["printer_id"] == "stopped")
    assert stopped["days"] == pytest.approx(4.0)
    assert stopped["habit_days"] == pytest.approx(0.5)
    lines = status_text(document).splitlines()
    assert lines[1].startswith("stopped reporting: one overhaul")
    assert lines[2] == (
        "stopped reporting: stopped, last run ended 2031-02-07 13:00, 4.0 days ago (it rests up to 12 hours as a habit)"
    )


def test_the_limit_is_the_farms_own(farm: Farm, tmp_path: Path) -> None:
    farm = with_runs(settled(farm, silent_after_days=10.0), tmp_path, {"a": [4.0, 4.5, 5.0], "b": [1.0, 1.5, 2.0]})
    assert not any(one["silent"] for one in status_document(farm, NOW)["printers"])


def test_a_farm_gone_quiet_is_one_line(farm: Farm, tmp_path: Path) -> None:
    with_runs(farm, tmp_path, {"a": [9.0, 9.5, 10.0], "b": [8.0, 8.5, 9.0]})
    text = status_text(status_document(farm, NOW))
    assert "no printer reports: the last run of any ended 8.0 days ago" in text
    assert "stopped reporting" not in text


def test_a_run_from_the_future_asks_about_the_clock(farm: Farm, tmp_path: Path) -> None:
    with_runs(farm, tmp_path, {"a": [-3.0], "sound": [0.5]})
    lines = status_text(status_document(farm, NOW)).splitlines()
    assert lines[1] == "a wrong clock? The last run of a ends in the future, 3.0 days from now"
    assert "printer a: last run ends 3.0 days from now" in lines


def test_many_runs_from_the_future_are_one_question(farm: Farm, tmp_path: Path) -> None:
    with_runs(farm, tmp_path, {"a": [-3.0], "b": [-5.0], "sound": [0.5]})
    text = status_text(status_document(farm, NOW))
    assert "a wrong clock? The last runs of 2 printers end in the future, up to 5.0 days from now" in text
    assert text.count("wrong clock") == 1


def test_status_shows_the_rest_where_records_cannot_be_read(farm: Farm, counted: Counted, tmp_path: Path) -> None:
    with_runs(farm, tmp_path, {"a": [1.0]})
    broken = next((farm.path / "records" / "runs").rglob("*.parquet"))
    broken.write_bytes(b"")
    text = status_text(status_document(farm, NOW))
    assert f"trouble: {broken}" in text
    assert "due: nightly 2031-02-10" in text


def test_the_commands(farm: Farm, counted: Counted) -> None:
    run = CliRunner()
    done = run.invoke(main, ["due", "--farm", str(farm.path)])
    assert done.exit_code == 0
    counted.failing = {"nightly"}
    (farm.path / "jobs.jsonl").unlink()
    failed = run.invoke(main, ["due", "--farm", str(farm.path)])
    assert failed.exit_code == 1
    assert "failed: nightly" in failed.stderr
    shown = run.invoke(main, ["status", "--farm", str(farm.path), "--json"])
    assert shown.exit_code == 0
    assert json.loads(shown.stdout)["jobs"][0]["last"]["state"] == "failed"


def test_records_that_are_gone_are_no_empty_farm(farm: Farm) -> None:
    assert "trouble" not in status_text(status_document(farm, NOW))
    shutil.rmtree(farm.folder("runs").path)
    assert f"trouble: {farm.records_path}: no file of runs; farmwatch rebuild" in status_text(
        status_document(farm, NOW)
    )
