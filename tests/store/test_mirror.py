"""A mirror holds what the farm holds, sends what changed, and is whole for readers whatever cuts it off."""

from __future__ import annotations

import importlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest
from click.testing import CliRunner
from object_store import LOGIN, ObjectStore, object_store
from pyarrow import fs

from farmwatch.cli import main
from farmwatch.collect import collect, rebuild
from farmwatch.records import TABLES
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec, Fault
from farmwatch.simulate.write import write_farm
from farmwatch.store import Farm, Mirrored, StoreError, mirror, records_at

MODULE = importlib.import_module("farmwatch.store.mirror")


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch) -> Iterator[ObjectStore]:
    for name, value in LOGIN.items():
        monkeypatch.setenv(name, value)
    with object_store() as serving:
        yield serving


@pytest.fixture(params=["object store", "folder"])
def uri(request: pytest.FixtureRequest, store: ObjectStore, tmp_path: Path) -> str:
    return store.uri() if request.param == "object store" else (tmp_path / "drive" / "records").as_uri()


def instants(*days: str) -> pa.Array:
    return pa.array([pd.Timestamp(day, tz="UTC") for day in days]).cast(pa.timestamp("us", tz="UTC"))


def put_runs(farm: Farm, days: dict[str, str]) -> None:
    """One run each day, by id, and two parts of each."""
    runs = list(days)
    farm.put(
        "runs", pa.table({"run_id": runs, "started_at": instants(*days.values()), "outcome": ["good"] * len(runs)})
    )
    put_parts(farm, runs)


def put_parts(farm: Farm, runs: list[str]) -> None:
    parts = {"run_id": [run for run in runs for _ in "ab"], "part_no": pa.array([0, 1] * len(runs), pa.int64())}
    farm.put("parts", pa.table({**parts, "outcome": ["good"] * 2 * len(runs)}))


def assert_same(farm: Farm, uri: str) -> None:
    here, there = farm.records(), records_at(uri, farm.timezone)
    for table in TABLES:
        pd.testing.assert_frame_equal(getattr(there, table), getattr(here, table))


def assert_readable(uri: str) -> None:
    """No run without both its parts, no row twice."""
    there = records_at(uri, "UTC")
    for table in TABLES:
        assert not getattr(there, table).duplicated(list(TABLES[table].key)).any()
    counted = there.parts.groupby("run_id", observed=True).size()
    assert {run: counted.get(run, 0) for run in there.runs["run_id"]} == dict.fromkeys(there.runs["run_id"], 2)


@pytest.fixture
def later(tmp_path: Path) -> Farm:
    """The farm of ``before``, rebuilt: files that are new, changed and gone, rows that went from one to another."""
    farm = Farm.create(tmp_path / "later", "Europe/Berlin")
    farm.put("lots", pa.table({"lot_id": ["L1", "L2"]}))
    put_runs(farm, {"R1": "2031-01-05", "R2": "2031-04-05", "R3": "2031-01-07", "R4": "2031-04-06", "R5": "2031-01-09"})
    return farm


@pytest.fixture
def before(farm: Farm) -> Farm:
    farm.put("lots", pa.table({"lot_id": ["L1"]}))
    put_parts(farm, ["R5"])  # before its run, and so in a file of their own
    put_runs(farm, {"R1": "2031-01-05", "R2": "2031-02-05", "R3": "2031-03-05", "R5": "2031-01-09"})
    return farm


# ------------------------------------------------------------------------------------------------------- what it sends


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("files")
    fault = Fault("plain_rate", ("printer", "P02"), since_day=18, odds_ratio=9.0)
    return write_farm(simulate(FarmSpec(printers=4, days=40, rooms=1, faults=(fault,)), 3), folder)


def test_a_mirror_follows_the_records_and_sends_what_changed(farm: Farm, files: list[Path], uri: str) -> None:
    collect(farm, [path for path in files if path.suffix == ".csv"])
    (farm.records_path / ".other").mkdir()
    (farm.records_path / ".other" / "rows.parquet").write_bytes(b"none of a mirror's business")
    count = sum(len(farm.folder(table).files()) for table in TABLES)
    assert count > len(TABLES)  # runs and parts have files for several months
    told: list[tuple[int, int]] = []

    def progress(done: int, total: int, name: str) -> None:
        told.append((done, total))
        if name:
            with pytest.raises(StoreError, match="another farmwatch is writing"), Farm.open(farm.path).writer(wait_s=0):
                pass

    assert mirror(farm, uri, progress) == Mirrored(count, 0, 0)
    assert told == sorted(told)
    total = sum(path.stat().st_size for table in TABLES for path in farm.folder(table).files().values())
    assert (told[0], told[-1]) == ((0, total), (total, total))
    assert_same(farm, uri)

    run = farm.read("runs").iloc[0]
    row = {"run_id": run["run_id"], "printer_id": run["printer_id"], "started_at": run["started_at"].isoformat()}
    correction = farm.inbox / "runs.jsonl"
    correction.write_text(json.dumps({**row, "outcome": "stopped", "note": "corrected"}))
    collect(farm)
    assert mirror(farm, uri) == Mirrored(1, count - 1, 0)
    assert_same(farm, uri)
    assert "corrected" in set(records_at(uri, "UTC").runs["note"])

    rebuild(farm)
    mirror(farm, uri)
    assert_same(farm, uri)
    assert not list(farm.drafts.iterdir())


def test_a_second_mirror_changes_nothing_there(before: Farm, store: ObjectStore) -> None:
    assert mirror(before, store.uri()).sent > 7
    held = dict(store.objects)
    store.requests.clear()
    assert mirror(before, store.uri()) == Mirrored(0, len(held) - 1, 0)
    assert store.requests
    assert store.changes() == []
    assert store.objects == held


def test_runs_are_sent_after_all_else_and_removed_before_it(before: Farm, later: Farm, store: ObjectStore) -> None:
    mirror(before, store.uri())
    store.requests.clear()
    assert mirror(later, store.uri()).removed == 4
    tables = [key.split("/")[2] for method, key in store.changes() if method == "POST" and "uploads" not in key]
    assert tables[0] == tables[-1] == "mirror.json"
    assert tables.index("runs") > max(place for place, table in enumerate(tables) if table == "parts")
    removed = [key.split("/")[2] for method, key in store.changes() if method == "DELETE"]
    assert removed == ["runs", "runs", "parts", "parts"]
    assert not [key for key in store.objects if "2031-03" in key and store.objects[key]]


def test_a_file_is_told_by_what_is_in_it_and_not_by_its_size(before: Farm, tmp_path: Path) -> None:
    drive, name = tmp_path / "drive", "lots/rows.parquet"
    count = mirror(before, drive.as_uri()).sent
    other = bytes(reversed((before.records_path / name).read_bytes()))
    (before.records_path / name).write_bytes(other)
    assert mirror(before, drive.as_uri()) == Mirrored(1, count - 1, 0)
    assert (drive / name).read_bytes() == other


def test_a_file_that_is_gone_here_goes_there_though_nothing_is_sent(before: Farm, tmp_path: Path) -> None:
    drive = tmp_path / "drive"
    count = mirror(before, drive.as_uri()).sent
    for name in ("runs/filed=2031-03/rows.parquet", "parts/filed=2031-03/rows.parquet"):
        (before.records_path / name).unlink()
    (drive / "parts" / "filed=2031-03" / "rows.parquet").unlink()  # which nobody need remove
    assert mirror(before, drive.as_uri()) == Mirrored(0, count - 2, 1)
    assert_same(before, drive.as_uri())
    assert not list(drive.glob("*/filed=2031-03/rows.parquet"))


def test_what_was_lost_there_is_sent_again(before: Farm, store: ObjectStore) -> None:
    mirror(before, store.uri())
    del store.objects["farm/records/parts/filed=2031-01/rows.parquet"]
    store.objects["farm/records/lots/rows.parquet"] = b"half"
    assert mirror(before, store.uri()).sent == 2
    assert_same(before, store.uri())


def test_replay_finds_in_a_mirror_what_it_finds_at_home(
    farm: Farm, files: list[Path], store: ObjectStore, capfd: pytest.CaptureFixture[str]
) -> None:
    collect(farm, [path for path in files if path.suffix == ".csv"])
    sent = CliRunner().invoke(main, ["mirror", store.uri(), "--farm", str(farm.path)])
    assert sent.exit_code == 0
    count = sum(len(farm.folder(table).files()) for table in TABLES)
    assert sent.output == f"{count} files sent, 0 unchanged, 0 removed\n"
    words = ["replay", "--farm", str(farm.path), "--from", "2031-02-07", "--to", "2031-02-09", "--json"]
    home = CliRunner().invoke(main, words)
    away = CliRunner().invoke(main, [*words, "--records", store.uri()])
    assert (home.exit_code, away.exit_code) == (0, 0), home.output + away.output
    assert json.loads(home.stdout)
    assert away.stdout == home.stdout
    assert capfd.readouterr() == ("", "")  # nor does the library below say anything


# ------------------------------------------------------------------------------------------------------- cut off


def test_refused_at_any_request_it_leaves_what_can_be_read_and_mended(
    before: Farm, later: Farm, store: ObjectStore, capfd: pytest.CaptureFixture[str]
) -> None:
    mirror(before, store.uri())
    old = dict(store.objects)
    store.requests.clear()
    mirror(later, store.uri())
    steps, new = len(store.requests), store.files()
    assert steps > 30
    for step, for_good in product(range(steps), (True, False)):
        store.objects = dict(old)
        store.requests.clear()
        store.fail = range(step, 1000 if for_good else step + 1)
        with pytest.raises(StoreError, match="cannot be written") as caught:
            mirror(later, store.uri())
        assert "\n" not in str(caught.value)
        store.fail = ()
        for key, held in store.files().items():
            assert held in (old.get(key), new.get(key)) or key.endswith("mirror.json"), key
        if for_good:  # else the same
            assert_readable(store.uri())
        mirror(later, store.uri())
        assert store.files() == new
    assert capfd.readouterr() == ("", "")


def test_the_first_mirror_cut_off_at_any_request_is_gone_on_with(before: Farm, store: ObjectStore) -> None:
    mirror(before, store.uri())
    steps, new = len(store.requests), store.files()
    for step in range(steps):
        store.objects = {}
        store.requests.clear()
        store.fail = range(step, 1000)
        with pytest.raises(StoreError, match="cannot be written"):
            mirror(before, store.uri())
        store.fail = ()
        if any(key.endswith(".parquet") for key in store.objects) and step % 3 == 0:  # the same as a request later
            assert_readable(store.uri())
        mirror(before, store.uri())
        assert store.files() == new
    assert_same(before, store.uri())


def failing(counted: list[str], fail_at: set[int]) -> fs.PyFileSystem:
    """The folders of this machine; the calls whose numbers are in ``fail_at`` raise, ``counted`` takes the names of all."""
    local = fs.LocalFileSystem()
    renamed = {"get_file_info_selector": "get_file_info"}

    def method(name: str) -> Any:
        def call(_: object, *words: Any, **named: Any) -> Any:
            if name in ("get_type_name", "normalize_path"):
                return "failing" if name == "get_type_name" else words[0]
            counted.append(name)
            if len(counted) - 1 in fail_at:
                raise OSError("no route to the drive")
            if name == "create_dir":
                return local.create_dir(words[0], recursive=words[1])
            return getattr(local, renamed.get(name, name))(*words[:1] if name.startswith("open") else words)

        return call

    names = fs.FileSystemHandler.__abstractmethods__
    return fs.PyFileSystem(type("Failing", (fs.FileSystemHandler,), {name: method(name) for name in names})())


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("for_good", [True, False], ids=["for good", "once"])
def test_a_drive_that_fails_at_any_call_is_left_readable_and_mended(
    before: Farm, later: Farm, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, for_good: bool
) -> None:
    counted: list[str] = []
    fail: set[int] = set()
    drive, kept = tmp_path / "drive", tmp_path / "kept"
    monkeypatch.setattr(MODULE, "folder_at", lambda uri: fs.SubTreeFileSystem(str(drive), failing(counted, fail)))
    uri = drive.as_uri()
    mirror(before, uri)
    shutil.copytree(drive, kept)
    counted.clear()
    mirror(later, uri)
    steps, old, new = len(counted), contents(kept), contents(drive)
    assert steps > 25
    for step in range(steps):
        shutil.rmtree(drive)
        shutil.copytree(kept, drive)
        counted.clear()
        fail |= set(range(step, 1000)) if for_good else {step}
        with pytest.raises(StoreError, match=r"cannot be written \(no route to the drive\)"):
            mirror(later, uri)
        fail.clear()
        for name, held in contents(drive).items():
            assert held in (old.get(name), new.get(name)) or name in ("mirror.json", ".mirror-draft"), name
        assert_readable(uri)
        mirror(later, uri)
        assert contents(drive) == new
    assert_same(later, uri)


# what runs in the background of a shell would not hear an interrupt
SENDING = """
import signal, sys
from farmwatch.store import Farm, mirror
signal.signal(signal.SIGINT, signal.default_int_handler)
mirror(Farm.open(sys.argv[1]), sys.argv[2])
"""


@pytest.mark.parametrize(
    ("ending", "at"),
    [
        (signal.SIGKILL, "parts/filed=2031-04"),
        (signal.SIGKILL, "runs/filed=2031-01"),
        (signal.SIGTERM, "mirror.json"),
        (signal.SIGINT, "parts/filed=2031-01"),
    ],
)
def test_ended_in_the_middle_of_an_object_it_leaves_whole_ones(
    before: Farm, later: Farm, store: ObjectStore, tmp_path: Path, ending: signal.Signals, at: str
) -> None:
    mirror(before, store.uri())
    old = dict(store.objects)
    with (tmp_path / "said").open("w") as said:
        sending = subprocess.Popen([sys.executable, "-c", SENDING, str(later.path), store.uri()], stderr=said)
        store.upon = ("PUT", f"farm/records/{at}", lambda: os.kill(sending.pid, ending))
        assert sending.wait() == -ending
    store.upon = None
    cut_off = store.files()
    assert_readable(store.uri())
    mirror(later, store.uri())
    assert_same(later, store.uri())
    for key, held in cut_off.items():
        assert held in (old.get(key), store.objects.get(key)) or key.endswith("mirror.json"), key


def test_a_large_mirror_that_was_cut_off_is_taken_up_where_it_was(
    before: Farm, store: ObjectStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(MODULE, "_LIST_EVERY_BYTES", 1)
    count = mirror(before, store.uri()).sent
    steps = len(store.requests)
    store.objects = {}
    store.requests.clear()
    store.fail = range(steps - 20, 1000)
    with pytest.raises(StoreError):
        mirror(before, store.uri())
    store.fail = ()
    mirrored = mirror(before, store.uri())
    assert 0 < mirrored.sent <= 4
    assert mirrored.sent + mirrored.unchanged == count
    assert_same(before, store.uri())


def test_readers_beside_a_mirror_never_see_a_run_without_its_parts(before: Farm, store: ObjectStore) -> None:
    mirror(before, store.uri())
    ended = threading.Event()

    def work() -> None:
        mine = Farm.open(before.path)
        for number in range(12):
            month = f"2031-{number % 4 + 4:02d}"
            put_runs(mine, {f"N{number}": f"{month}-01", f"M{number}": f"2031-01-{number + 1:02d}"})
            mirror(mine, store.uri())
        ended.set()

    thread = threading.Thread(target=work)
    thread.start()
    seen = set()
    while not ended.is_set():
        assert_readable(store.uri())
        seen.add(len(records_at(store.uri(), "UTC").runs))
    thread.join()
    assert len(seen) > 2
    assert_same(before, store.uri())


# ------------------------------------------------------------------------------------------------------- what it refuses


def test_a_place_that_holds_other_things_is_left_alone(before: Farm, store: ObjectStore, tmp_path: Path) -> None:
    store.objects["farm/records/runs/filed=2031-01/rows.parquet"] = b"somebody else's"
    (tmp_path / "drive").mkdir()
    (tmp_path / "drive" / "letters.txt").write_text("dear")
    for uri, what in ((store.uri(), "runs"), ((tmp_path / "drive").as_uri(), "letters.txt")):
        with pytest.raises(StoreError, match=rf"holds other things \({re.escape(what)}\) and no mirror.json"):
            mirror(before, uri)
    assert store.changes() == []
    assert list((tmp_path / "drive").iterdir()) == [tmp_path / "drive" / "letters.txt"]


def test_half_a_list_that_a_first_mirror_left_is_nobody_elses(before: Farm, tmp_path: Path) -> None:
    drive = tmp_path / "drive"
    drive.mkdir()
    (drive / ".mirror-draft").write_bytes(b'{"files"')
    mirror(before, drive.as_uri())
    assert_same(before, drive.as_uri())
    assert not (drive / ".mirror-draft").exists()


@pytest.mark.parametrize("text", ["[]", "{}", "not json", '{"files": 3}'])
def test_a_list_of_something_else_is_refused(farm: Farm, store: ObjectStore, text: str) -> None:
    store.objects["farm/records/mirror.json"] = text.encode()
    with pytest.raises(StoreError, match="cannot be written"):
        mirror(farm, store.uri())
    assert store.objects == {"farm/records/mirror.json": text.encode()}


def test_only_files_of_a_table_are_ever_removed(before: Farm, tmp_path: Path) -> None:
    drive = tmp_path / "drive"
    mirror(before, drive.as_uri())
    names = ["../letter", "runs/../../letter", "notes.txt", "runs/filed=2031-01/other", "runs/a/rows.parquet"]
    for name in names:
        (drive / name).parent.mkdir(exist_ok=True, parents=True)
        (drive / name).write_text("dear")
    listed = json.loads((drive / "mirror.json").read_text())
    listed["files"] |= dict.fromkeys(names)
    (drive / "mirror.json").write_text(json.dumps(listed))
    before.put("lots", pa.table({"lot_id": ["L3"]}))
    assert mirror(before, drive.as_uri()).removed == 0
    assert all((drive / name).read_text() == "dear" for name in names)


def test_a_table_that_was_lost_at_home_is_not_removed_there(before: Farm, store: ObjectStore) -> None:
    mirror(before, store.uri())
    (before.records_path / "lots" / "rows.parquet").unlink()
    store.requests.clear()
    with pytest.raises(StoreError, match="lots: no file there any more; farmwatch rebuild makes it anew"):
        mirror(before, store.uri())
    assert store.changes() == []


def test_trouble_with_the_store_is_one_line(farm: Farm, store: ObjectStore, capfd: pytest.CaptureFixture[str]) -> None:
    gone = store.uri().replace(f":{store.server_port}", ":9")
    for uri, said in (
        (store.uri("elsewhere"), "NO_SUCH_BUCKET"),
        (gone, "[Cc]onnect"),
        ("gopher://records", "Unrecognized filesystem"),
        ("no uri", "URI"),
        ("s3://key:se/cret@bucket/records", "cannot be written"),
    ):
        result = CliRunner().invoke(main, ["mirror", uri, "--farm", str(farm.path)])
        assert result.exit_code == 1
        assert re.fullmatch(rf"Error: .*{said}.*\n", result.output), result.output
        assert "cret" not in result.output
    store.fail = range(1000)
    result = CliRunner().invoke(main, ["mirror", store.uri(), "--farm", str(farm.path)])
    assert result.exit_code == 1
    assert re.fullmatch(r"Error: .*ACCESS_DENIED.*\n", result.output)
    assert capfd.readouterr() == ("", "")
