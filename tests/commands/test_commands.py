"""The commands, end to end, as other programs call them."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from promised import FINDING_FIELDS

from farmwatch.cli import main
from farmwatch.evidence import KINDS, STATUSES, SUBJECT_TYPES
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec, Fault
from farmwatch.simulate.write import write_farm


def run(*words: str, farm: Path | None = None) -> Result:
    result = CliRunner().invoke(main, [*words, *(["--farm", str(farm)] if farm else [])], catch_exceptions=True)
    assert "Traceback" not in result.output
    return result


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("farm")
    fault = Fault("plain_rate", ("printer", "P02"), since_day=18, odds_ratio=9.0)
    write_farm(simulate(FarmSpec(printers=5, days=32, rooms=1, faults=(fault,)), 3), folder / "files")
    path = folder / "workshop"
    assert run("init", str(path), "--timezone", "Europe/Paris").exit_code == 0
    (folder / "files" / "truth.json").unlink()
    collected = run("collect", str(folder / "files"), "--json", farm=path)
    assert collected.exit_code == 0, collected.output
    for file in json.loads(collected.stdout)["files"]:
        assert set(file) == {"file", "table", "rows", "taken", "replaced", "unchanged", "quarantined", "error"}
        assert file["rows"] == file["taken"] > 0
    for night in ("2031-02-05", "2031-02-06"):
        assert run("nightly", "--as-of", night, farm=path).exit_code == 0
    return path


def test_findings_are_published_with_every_field_of_the_contract(farm: Path) -> None:
    listed = json.loads(run("findings", "--json", farm=farm).stdout)
    assert any(row["subject_id"] == "P02" and row["kind"] == "rate_shift" for row in listed)
    for row in listed:
        assert set(row) >= set(FINDING_FIELDS)
        assert row["kind"] in KINDS
        assert row["subject_type"] in SUBJECT_TYPES
        assert row["status"] in STATUSES
        assert row["first_flagged_on"] >= "2031-02-05"
        assert row["since_low"] <= row["since"] <= row["since_high"]
        assert abs(sum(cause["probability"] for cause in row["causes"]) - 1.0) < 0.2
        assert "unknown" in {cause["code"] for cause in row["causes"]}
    assert json.loads(run("findings", "--json", "--status", "cleared", farm=farm).stdout) == []
    assert json.loads(run("findings", "--json", "--as-of", "2031-02-01", farm=farm).stdout) == []
    early = json.loads(run("findings", "--json", "--as-of", "2031-02-05", farm=farm).stdout)
    assert {row["finding_id"] for row in early} <= {row["finding_id"] for row in listed}


def test_a_finding_is_explained_and_a_check_entered(farm: Path) -> None:
    listed = json.loads(run("findings", "--json", farm=farm).stdout)
    row = next(row for row in listed if row["subject_id"] == "P02")
    told = run("explain", row["finding_id"], farm=farm)
    assert told.exit_code == 0
    assert "P02" in told.stdout
    check = row["next_checks"][0]
    result = next(iter(check["means"]))
    entered = run("check", row["finding_id"], check["code"], result, farm=farm)
    assert entered.exit_code == 0, entered.output
    asked = run("query", "SELECT note FROM service WHERE action = 'other'", "--json", farm=farm)
    assert f"check {row['finding_id']} {check['code']} {result}" in asked.stdout
    assert run("check", row["finding_id"], "no-such-check", "yes", farm=farm).exit_code == 1
    unknown = run("explain", "F000000-dead", farm=farm)
    assert unknown.exit_code == 1
    assert "no finding of that id" in unknown.output


def test_the_replay_says_what_each_finding_said_first_and_writes_nothing(farm: Path) -> None:
    before = sorted(path for path in farm.rglob("*") if path.name != ".lock")
    walked = run("replay", "--from", "2031-02-03", "--to", "2031-02-05", "--json", farm=farm)
    assert walked.exit_code == 0
    rows = json.loads(walked.stdout)
    assert any(row["subject_id"] == "P02" for row in rows)
    for row in rows:
        assert row["at_first_flag"]["first_flagged_on"] == row["first_flagged_on"]
        assert row["at_first_flag"]["last_seen_on"] == row["first_flagged_on"]
    assert sorted(path for path in farm.rglob("*") if path.name != ".lock") == before


def test_the_week_is_written_as_one_page(farm: Path) -> None:
    written = run("weekly", "--week", "2031-W06", farm=farm)
    assert written.exit_code == 0, written.output
    page = Path(written.stdout.strip())
    assert page.parent == farm / "reports"
    text = page.read_text(encoding="utf-8")
    assert "P02" in text
    assert "<script" not in text


def test_questions_are_answered_three_ways_and_refused_in_one_line(farm: Path) -> None:
    sql = "SELECT count(*) AS plates FROM runs"
    plates = json.loads(run("query", sql, "--json", farm=farm).stdout)[0]["plates"]
    assert plates > 300
    # the runner gives line ends back as plain newlines
    assert run("query", sql, "--csv", farm=farm).stdout == f"plates\n{plates}\n"
    assert {"plates", str(plates)} <= set(run("query", sql, farm=farm).stdout.split())
    for bad in ("SELEC 1", "DROP TABLE runs", "COPY runs TO 'x.csv'", "SELECT * FROM read_csv('/etc/passwd')"):
        refused = run("query", bad, farm=farm)
        assert refused.exit_code == 2, bad
    assert run("query", sql, "--csv", "--json", farm=farm).exit_code == 2


def test_a_path_that_cannot_be_is_told_in_a_line(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    refused = run("simulate", str(tmp_path / "file" / "farm"), "--printers", "1", "--days", "1", "--faults", "0")
    assert refused.exit_code == 1
    assert refused.output == f"Error: {tmp_path / 'file' / 'farm'}: Not a directory\n"


def test_records_are_rebuilt_from_the_deliveries(farm: Path) -> None:
    sql = "SELECT round(sum(peak_release_n), 3) AS s, count(*) AS n FROM runs"
    before = run("query", sql, "--json", farm=farm).stdout
    again = run("rebuild", farm=farm)
    assert again.exit_code == 0
    assert re.search(r"^\d[\d,]* rows: [1-9][\d,]* taken, .* 0 quarantined; 0 files unreadable$", again.stdout), (
        again.stdout
    )
    assert run("query", sql, "--json", farm=farm).stdout == before


def test_an_empty_farm_gets_sensible_answers(tmp_path: Path) -> None:
    path = tmp_path / "new"
    assert run("init", str(path)).exit_code == 0
    assert run("collect", farm=path).stdout == "no files to take\n"
    assert run("findings", farm=path).stdout.startswith("No night has been analysed yet")
    assert json.loads(run("collect", "--json", farm=path).stdout) == {"files": []}
    night = run("nightly", "--as-of", "2031-02-01", farm=path)
    assert night.exit_code == 0
    assert night.stdout.splitlines()[1] == "Nothing was looked at: too little is recorded by then."
    assert json.loads(run("findings", "--json", farm=path).stdout) == []
    assert run("findings", farm=path).stdout.strip() == "No findings."
    assert run("weekly", "--week", "2031-W05", farm=path).exit_code == 0
    assert json.loads(run("replay", "--from", "2031-01-01", "--to", "2031-01-03", "--json", farm=path).stdout) == []
    assert json.loads(run("query", "SELECT * FROM parts", "--json", farm=path).stdout) == []
    assert run("status", farm=path).exit_code == 0


def test_wrong_input_is_refused_in_one_line(tmp_path: Path, farm: Path) -> None:
    nowhere = run("findings", farm=tmp_path)
    assert nowhere.exit_code == 1
    assert len(nowhere.output.strip().splitlines()) == 1
    assert run("init", str(farm)).exit_code == 1
    assert run("init", str(tmp_path / "a"), "--timezone", "Mars/Olympus").exit_code == 1
    assert run("nightly", "--as-of", "yesterday", farm=farm).exit_code == 2
    assert run("weekly", "--week", "2031-W60", farm=farm).exit_code == 2
    assert run("replay", "--from", "2031-02-03", "--to", "2031-02-01", farm=farm).exit_code == 2
    assert run("no-such-command").exit_code == 2
    settings = farm / "farm.toml"
    kept = settings.read_text()
    try:
        settings.write_text(kept + "\n[alarm_budget]\nfalse_findings = 2\n")
        wrong = run("findings", farm=farm)
        assert wrong.exit_code == 1
        assert "alarm_budget.false_findings: unknown key" in wrong.output
    finally:
        settings.write_text(kept)


def test_a_bad_row_is_named_and_exits_3(tmp_path: Path) -> None:
    path = tmp_path / "new"
    run("init", str(path))
    (path / "inbox" / "runs.csv").write_text(
        "run_id,printer_id,started_at,outcome\nr1,heron,2031-01-01T10:00:00,good\nr2,heron,2031-01-01T11:00:00,splendid\n"
    )
    taken = run("collect", farm=path)
    assert taken.exit_code == 3
    assert "1 unknown_outcome" in taken.output
    assert "named but not registered in printers: heron" in taken.output


@pytest.mark.parametrize("command", ["", *sorted(main.commands)])
def test_help_answers_at_once(command: str) -> None:
    """Under half a second of processor time, since the machine of a test may be busy."""
    words = [sys.executable, "-X", "importtime", "-m", "farmwatch", *([command] if command else []), "--help"]
    started = time.perf_counter()
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert time.perf_counter() - started < 30
    assert "Usage:" in done.stdout
    imported = done.stderr
    for heavy in (
        "pandas",
        "numpy",
        "scipy",
        "sklearn",
        "statsmodels",
        "pyarrow",
        "duckdb",
        "matplotlib",
        "apscheduler",
    ):
        assert f" {heavy}\n" not in imported, f"{command} --help imports {heavy}"
