"""The farm in a notebook, and the example notebooks run from top to bottom."""

from __future__ import annotations

import datetime as dt
import re
import subprocess
import sys
from pathlib import Path

import nbformat
import pandas as pd
import pytest
from nbclient import NotebookClient

import farmwatch
from farmwatch.collect import collect
from farmwatch.nightly import nightly
from farmwatch.notebook import NotebookFarm
from farmwatch.report.page import html_card
from farmwatch.report.week import Week
from farmwatch.settings import shipped_samples
from farmwatch.store import Farm, StoreError, save_night
from farmwatch.weekly import contents_of, weekly

from .conftest import AS_OF, SEEN, WEEK, Case, make_records
from .test_page import Reader

EXAMPLES = Path(__file__).parents[2] / "notebooks"
# what each says in the end of the sample farm; the faults that are planted there stand in data_samples/truth.json
ANSWERS = {
    "which_lot_to_quarantine": r"Set aside: sand-03",
    "is_a_new_film_worth_it": r"(Yes|Not sure yet): over 100 plates a new film on hazel saves \d+ in money \(\d+ to \d+\)",
    # no cold is planted: plates fail alike from 19 to 25 degrees
    "would_a_warmer_room_pay": r"No: heating to 22 degrees would save -?\d+ a week \(-?\d+ to -?\d+\) and costs 80",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, case: Case) -> Path:
    """The farm made by hand, stored, with its findings filed."""
    import pyarrow as pa

    from farmwatch.store.tables import declared_schema

    path = tmp_path_factory.mktemp("farms") / "farm"
    farm = Farm.create(path)
    records = make_records()
    for name in ("printers", "lots", "runs", "parts", "coupons", "service"):
        frame: pd.DataFrame = getattr(records, name)
        farm.put(name, pa.Table.from_pandas(frame, declared_schema(name), preserve_index=False))
    save_night(farm, AS_OF, case.findings, SEEN)
    return path


@pytest.fixture(scope="module")
def farm(folder: Path) -> NotebookFarm:
    return farmwatch.open_farm(folder)


def test_importing_farmwatch_is_light() -> None:
    script = (
        "import sys, farmwatch; print([m for m in ('pandas', 'matplotlib', 'duckdb', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = farmwatch.nothing


def test_tables_are_the_records(farm: NotebookFarm) -> None:
    assert (len(farm.runs), len(farm.parts), len(farm.printers), len(farm.lots)) == (105, 945, 3, 2)
    assert (len(farm.coupons), len(farm.service)) == (41, 1)
    assert repr(farm) == "<farm farm, as of 2031-04-06: 105 runs>"


def test_the_page_of_the_notebook_names_what_there_is(farm: NotebookFarm) -> None:
    page = (EXAMPLES.parent / "docs" / "notebook.md").read_text(encoding="utf-8")
    named = set(re.findall(r"farm\.(\w+)", page))
    assert {"table", "sql", "plates", "expected", "effects", "findings"} <= named
    assert [name for name in sorted(named) if not hasattr(NotebookFarm, name)] == []
    assert all(
        f"({path.relative_to(EXAMPLES.parent).as_posix()})".replace("(", "(../") in page
        for path in EXAMPLES.glob("*.ipynb")
    )


def test_filters_give_what_a_filter_of_the_whole_gives(farm: NotebookFarm) -> None:
    some = farm.table("runs", ["run_id", "outcome"], {"printer_id": "P2", "outcome": ["partial", "failed"]})
    whole = farm.runs[(farm.runs["printer_id"] == "P2") & farm.runs["outcome"].isin(["partial", "failed"])]
    assert list(some.columns) == ["run_id", "outcome"]
    assert sorted(some["run_id"]) == sorted(whole["run_id"])
    assert len(some) > 0


def test_filters_compare_times_and_numbers(farm: NotebookFarm) -> None:
    since = farm.table("runs", ["run_id", "started_at"], filters=[("started_at", ">=", "2031-03-20")])
    whole = farm.runs[farm.runs["started_at"] >= pd.Timestamp("2031-03-20", tz=farm.farm.timezone)]
    assert sorted(since["run_id"]) == sorted(whole["run_id"])
    assert 0 < len(since) < len(farm.runs)
    day = farm.table("runs", filters=[("started_at", "<", dt.date(2031, 3, 4)), ("ambient_c", ">", 0)])
    assert len(day) == 3
    warm = farm.table("runs", where={"printer_id": "P2"}, filters=[("ambient_c", "in", [21.0, 24.0])])
    assert set(warm["ambient_c"]) == {21.0, 24.0}
    assert set(warm["printer_id"]) == {"P2"}
    with pytest.raises(ValueError, match="no test '~'"):
        farm.table("runs", filters=[("ambient_c", "~", 1)])
    with pytest.raises(ValueError, match="runs has no column 'nothing'"):
        farm.table("runs", filters=[("nothing", "==", 1)])


def test_sql_and_frames_agree(farm: NotebookFarm) -> None:
    counted = farm.sql("SELECT printer_id, count(*) AS n FROM runs GROUP BY printer_id ORDER BY printer_id")
    assert (
        dict(zip(counted["printer_id"], counted["n"], strict=True)) == farm.runs["printer_id"].value_counts().to_dict()
    )


def test_findings_show_themselves(farm: NotebookFarm, case: Case) -> None:
    findings = farm.findings()
    assert {view.finding_id for view in findings} == {finding.finding_id for finding in case.findings}
    assert findings.about("lot", "L2")[0].evidence.subject.id == "L2"
    assert findings.about("run")[0].kind == "odd_run"
    assert len(findings.frame()) == len(case.findings)
    for text in (findings._repr_html_(), findings[0]._repr_html_()):
        read = Reader(text)
        assert {tag for tag, _ in read.tags}.isdisjoint({"script", "iframe", "body"})
        assert findings[0].headline in "".join(read.text)
    assert farm.findings("cleared") == []
    with pytest.raises(AttributeError):
        _ = findings[0].no_such_thing


def test_pictures_say_what_they_show(farm: NotebookFarm) -> None:
    pictures = farm.picture(farm.findings().about("lot", "L2")[0])
    assert "L2" in repr(pictures)
    assert pictures._repr_html_().count("<img") == len(pictures) > 0


def test_a_card_leaves_the_page_around_it_alone(hostile: Case) -> None:
    card = html_card(hostile.contents.new[0])
    assert "<script>alert" not in card
    css = card.partition("<style>")[2].partition("</style>")[0]
    assert css.startswith(".farmwatch {")
    assert ":root" not in css
    assert " body {" not in css
    assert css.count("{") == css.count("}")


def test_expected_holds_one_probability_a_part(farm: NotebookFarm) -> None:
    frame = farm.expected()
    assert len(frame) == 945
    assert frame["expected"].between(0, 1, inclusive="neither").all()
    assert set(frame.columns) == {"run_id", "part_no", "design_id", "failed", "expected"}


def test_effects_compare_every_subject_of_a_type(farm: NotebookFarm) -> None:
    effects = farm.effects("printer", dt.date(2031, 3, 20))
    assert effects["printer"].tolist()[0] == "P2"
    own = farm.expected().merge(farm.runs[["run_id", "printer_id", "started_at"]], on="run_id")
    own = own[(own["printer_id"] == "P2") & (own["started_at"] >= pd.Timestamp("2031-03-20", tz="UTC"))]
    first = effects.iloc[0]
    assert (first["failed"], first["parts"]) == (own["failed"].sum(), len(own))
    assert first["ratio"] == pytest.approx(own["failed"].sum() / own["expected"].sum())
    assert first["low"] < first["ratio"] < first["high"]
    assert farm.effects("nothing").empty
    assert farm.effects("run")["odds_ratio"].isna().all()


def test_joint_effects_put_the_blame_where_the_others_had_no_part(farm: NotebookFarm) -> None:
    """Printer P2 fails from the onset on; lot L2 ran on it and on two sound printers, so its ratio rises with it."""
    since = dt.date(2031, 3, 23)  # the second lot only
    printers = farm.effects("printer", since).set_index("printer")
    assert printers.loc["P2", "odds_low"] > 1.0 > printers.loc["P1", "odds_ratio"]
    lot = farm.effects("lot", since).set_index("lot").loc["L2"]
    assert lot["ratio"] > 1.5
    assert lot["odds_low"] < 1.0 < lot["odds_high"]


def test_plates_carry_their_sums_and_counters(farm: NotebookFarm) -> None:
    plates = farm.plates
    assert len(plates) == 105
    assert (plates["parts"] == 9).all()
    own = farm.expected().groupby("run_id")[["failed", "expected"]].sum()
    told = plates.set_index("run_id").loc[own.index]
    assert told["failed"].to_numpy() == pytest.approx(own["failed"].to_numpy(dtype=float))
    assert told["expected"].to_numpy() == pytest.approx(own["expected"].to_numpy())
    assert {"film_layers", "lamp_hours", "bath_runs"} <= set(plates.columns)
    late = plates[(plates["printer_id"] == "P2") & (plates["day"] >= "2031-03-20")]
    assert late["known_fault"].all()


def test_the_weekly_report_is_written_whole_and_again(folder: Path) -> None:
    opened = Farm.open(folder)
    path = weekly(opened, WEEK)
    assert path == opened.reports / "weekly-2031-W14.html"
    first = path.read_bytes()
    assert weekly(opened, WEEK).read_bytes() == first
    assert {item.name for item in opened.reports.iterdir()} == {
        f"weekly-2031-W14.{end}" for end in ("html", "json", "md")
    }


def test_weeks_without_a_night_say_so(folder: Path) -> None:
    opened = Farm.open(folder)
    before, after = contents_of(opened, Week(2031, 12)), contents_of(opened, Week(2031, 15))
    assert before.checked == after.checked == "No night was analysed in this week."
    assert (before.findings, after.sentence) == ((), "No plate was printed this week.")
    # the last day before the plates end, and no later than the records know
    assert before.known_until <= Week(2031, 12).last
    assert len(after.needs_hand) > 0


def test_a_report_without_an_expectation_says_so(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ValueError("singular")

    monkeypatch.setattr("farmwatch.weekly.look", broken)
    told = contents_of(Farm.open(folder), WEEK)
    assert told.not_checked[0].failed
    assert any("singular; everything is compared with the farm's mean" in row.text for row in told.not_checked)
    assert len(told.printers) == 3


def test_a_report_stands_in_a_frame_that_runs_nothing(farm: NotebookFarm) -> None:
    shown = farm.report("2031-W14")
    read = Reader(shown._repr_html_())
    assert [tag for tag, _ in read.tags] == ["iframe"]
    assert "sandbox" in read.tags[0][1]
    assert read.tags[0][1]["srcdoc"] == shown.page


def test_no_farm_no_notebook(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="not a farm"):
        farmwatch.open_farm(tmp_path)


@pytest.fixture(scope="session")
def sample_farm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample farm with one night analysed: enough for every example notebook."""
    path = tmp_path_factory.mktemp("sample") / "farm"
    sample = Farm.create(path, "Europe/Paris")
    collect(sample, [item for item in sorted(shipped_samples().iterdir()) if item.suffix in (".csv", ".parquet")])
    nightly(sample, dt.date(2031, 4, 13))
    return path


def test_every_example_notebook_is_run_here() -> None:
    assert {path.stem for path in EXAMPLES.glob("*.ipynb")} == set(ANSWERS)


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
@pytest.mark.parametrize("name", sorted(ANSWERS))
def test_example_notebooks_answer_their_question(name: str, sample_farm: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FARMWATCH_FARM", str(sample_farm))
    book = nbformat.read(EXAMPLES / f"{name}.ipynb", as_version=4)
    assert all(not cell.get("outputs") for cell in book.cells)
    NotebookClient(book, timeout=170, kernel_name="python3").execute()
    said = "".join(output.get("text", "") for output in book.cells[-1].outputs)
    assert re.match(ANSWERS[name], said.strip()), said
    # whatever is advised to do with resin or machines has its cautions beside it
    assert "safety data sheet" in book.cells[-2].source
