"""What the tutorial shows on records of one's own is what happens."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from farmwatch.cli import TROUBLE, main

PAGE = (Path(__file__).parents[2] / "docs" / "tutorial.md").read_text(encoding="utf-8")


def files_shown() -> dict[str, str]:
    return dict(re.findall(r"^```csv file=(\S+)\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE))


def lines_of(day: str) -> list[str]:
    section = re.split(r"^## ", PAGE, flags=re.MULTILINE)
    text = next(part for part in section if part.startswith(day))
    return [line.strip() for line in text.splitlines() if line.startswith("    ")]


@pytest.fixture(scope="module")
def saturday(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Result]]:
    """Every line of Saturday done in an empty folder; results by line, numbered where a line comes twice."""
    folder = tmp_path_factory.mktemp("saturday")
    for name, text in files_shown().items():
        (folder / name).write_text(text, encoding="utf-8")
    results: dict[str, Result] = {}
    patch = pytest.MonkeyPatch()
    patch.chdir(folder)
    for line in lines_of("Saturday"):
        program, *words = shlex.split(line)
        if program == "cp":
            for name in words[:-1]:
                shutil.copy(name, words[-1])
        elif program == "farmwatch":
            count = sum(key.startswith(line) for key in results)
            results[f"{line}{' again' * count}"] = CliRunner().invoke(main, words)
    patch.undo()
    return folder, results


def test_the_bad_row_is_kept_out_and_everything_else_goes_in(saturday: tuple[Path, dict[str, Result]]) -> None:
    folder, results = saturday
    first = results["farmwatch collect --farm workshop"]
    assert first.exit_code == TROUBLE
    assert "3 rows of runs: 2 taken, 0 replaced, 0 unchanged, 1 quarantined (1 end_before_start)" in first.output
    kept = "".join(path.read_text(encoding="utf-8") for path in (folder / "workshop" / "quarantine").rglob("*.jsonl"))
    assert "R-0003" in kept
    assert "end_before_start" in kept


def test_the_rest_of_the_day_goes_through(saturday: tuple[Path, dict[str, Result]]) -> None:
    folder, results = saturday
    assert len(results) == 7
    for line, result in results.items():
        if line != "farmwatch collect --farm workshop":
            assert result.exit_code == 0, f"{line}: {result.output}"
    asked = next(result.output for line, result in results.items() if "query" in line)
    assert re.findall(r"R-\d+", asked) == ["R-0001", "R-0002", "R-0003"]
    assert "0 findings in force" in next(result.output for line, result in results.items() if "nightly" in line)
    assert (folder / "workshop" / "reports" / "weekly-2031-W19.html").exists()


def test_the_service_row_of_thursday_is_taken(tmp_path: Path) -> None:
    file = tmp_path / "service-thursday.csv"
    file.write_text(files_shown()[file.name], encoding="utf-8")
    assert CliRunner().invoke(main, ["init", str(tmp_path / "farm")]).exit_code == 0
    taken = CliRunner().invoke(main, ["collect", str(file), "--farm", str(tmp_path / "farm")])
    assert taken.exit_code == 0, taken.output
    assert "1 row of service: 1 taken" in taken.output
    assert "unknown action" not in taken.output
