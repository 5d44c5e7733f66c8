"""False findings on a farm's own plates: counted with their uncertainty, the same for the same seed, nothing written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from scipy.stats import poisson

from farmwatch import calibrate
from farmwatch.calibrate import CalibrationError, Rehearsal, proposed
from farmwatch.causes.table import load_causes
from farmwatch.cli import main
from farmwatch.detectors.night import join_history
from farmwatch.settings import load_settings
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec
from farmwatch.simulate.write import write_farm

SETTINGS = load_settings()


def test_the_interval_is_that_of_a_poisson_count() -> None:
    """Second route: at either end the count seen, or one further out, has just the tail probability."""
    seen = Rehearsal(1.0, {"rate_shift": 4, "wear": 3}, 10.0, 0.77)
    low, high = (end * 10.0 for end in seen.interval())
    assert poisson.sf(6, low) == pytest.approx(0.05, rel=1e-9)
    assert poisson.cdf(7, high) == pytest.approx(0.05, rel=1e-9)
    assert Rehearsal(1.0, {}, 10.0, 0.77).interval()[0] == 0.0


def test_the_greatest_calibration_that_keeps_the_budget_is_proposed() -> None:
    def tried(*found: int) -> list[Rehearsal]:
        return [Rehearsal(2.0**place, {"wear": count}, 10.0, 0.7) for place, count in enumerate(found)]

    assert proposed(tried(1, 2, 20)) == 2.0
    assert proposed(tried(6, 6, 20)) == 1.0  # six in ten months: at most 1.18 a month, beyond the bound not good enough
    assert proposed(tried(30, 60)) == 1.0


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Which calibrations are walked, false findings being twice the calibration a draw; nothing is really walked."""
    walked: list[float] = []

    class Here:
        def __init__(self, *_: object) -> None: ...
        def __enter__(self) -> Here:
            return self

        def __exit__(self, *_: object) -> None: ...
        def submit(self, work: object, number: int, calibration: float) -> Here:
            self.calibration = calibration
            walked.append(calibration)
            return self

        def result(self) -> dict[str, int]:
            return {"rate_shift": round(2 * self.calibration)}

    monkeypatch.setattr(calibrate, "ProcessPoolExecutor", Here)
    monkeypatch.setattr(calibrate, "as_completed", lambda tasks: tasks)
    return walked


@pytest.mark.parametrize(("budget", "steps", "best"), [(1.5, [1.0, 0.5], 0.5), (13.0, [1.0, 2.0, 4.0], 2.0)])
def test_it_goes_up_while_the_budget_is_kept_and_down_until_it_is(
    counted: list[float], budget: float, steps: list[float], best: float
) -> None:
    history = join_history(simulate(FarmSpec(printers=3, days=30), 2).records)
    allowed = SETTINGS.alarm_budget.model_copy(update={"false_findings_per_month": budget})
    settings = SETTINGS.model_copy(update={"alarm_budget": allowed})
    tried = calibrate.calibrate(history, settings, load_causes(), (), 1, 1)
    assert counted == steps
    assert [one.calibration for one in tried] == sorted(steps)
    assert tried[0].farm_months == pytest.approx(1.0, abs=0.1)
    assert proposed(tried) == best


def test_without_plates_there_is_nothing_to_rehearse() -> None:
    records = simulate(FarmSpec(printers=2, days=5), 2).records
    empty = type(records)(**{**vars(records), "runs": records.runs.iloc[:0], "parts": records.parts.iloc[:0]})
    with pytest.raises(CalibrationError, match="no plates"):
        calibrate.calibrate(join_history(empty), SETTINGS, load_causes(), (), 1, 1)


def test_the_command_counts_and_writes_nothing(tmp_path: Path) -> None:
    write_farm(simulate(FarmSpec(printers=3, days=15), 4), tmp_path / "files")
    (tmp_path / "files" / "truth.json").unlink()
    farm = tmp_path / "farm"
    for words in (["init", str(farm)], ["collect", str(tmp_path / "files"), "--farm", str(farm)]):
        assert CliRunner().invoke(main, words).exit_code == 0
    before = {path: path.read_bytes() for path in farm.rglob("*") if path.is_file()}
    asked = ["calibrate", "--farm", str(farm), "--draws", "1", "--json"]
    answer = CliRunner().invoke(main, asked)
    assert answer.exit_code == 0
    said = json.loads(answer.output)
    assert said["allowed_per_month"] == pytest.approx(0.77)
    assert said["proposed"] in calibrate.LADDER
    assert {row["calibration"] for row in said["rehearsals"]} >= {1.0}
    assert {path: path.read_bytes() for path in farm.rglob("*") if path.is_file()} == before


def test_what_is_printed_names_the_line_for_the_settings() -> None:
    told = calibrate.as_text([Rehearsal(1.0, {"wear": 3}, 10.0, 0.77), Rehearsal(2.0, {"wear": 12}, 10.0, 0.77)])
    assert "    calibration = 1" in told
    assert "0.30" in told
    assert "1.20" in told
    assert "more draws" not in told
    few = calibrate.as_text([Rehearsal(1.0, {}, 4.0, 0.77), Rehearsal(2.0, {"wear": 1}, 4.0, 0.77)])
    assert "more draws" in few
    assert "    calibration = 1" in few
    assert "calibration = 0.25" in calibrate.as_text([Rehearsal(0.25, {"wear": 90}, 10.0, 0.77)])


def test_limits_of_what_judges_outcomes_follow_the_calibration() -> None:
    budget = SETTINGS.alarm_budget.model_copy(update={"calibration": 2.0})
    assert budget.of_outcomes == 2.0 * SETTINGS.alarm_budget.of_outcomes
