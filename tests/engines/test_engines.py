"""The same findings wherever the detectors run, and whatever dies on the way."""

from __future__ import annotations

import datetime as dt
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from distributed import Client, LocalCluster

from farmwatch import engines
from farmwatch.causes.table import load_causes
from farmwatch.cli import main
from farmwatch.crew import alone, crew_for
from farmwatch.detectors.night import join_history
from farmwatch.engines import DaskEngine, Engine, EngineError, engine_named, engine_of
from farmwatch.nightly import look
from farmwatch.records import Records
from farmwatch.replay import replay
from farmwatch.report.text import to_json
from farmwatch.settings import EngineSection, load_settings
from farmwatch.simulate.farm import simulate
from farmwatch.simulate.spec import FarmSpec, Fault
from farmwatch.store import Farm

SETTINGS = load_settings()
FIRST, LAST = dt.date(2031, 2, 6), dt.date(2031, 2, 10)


@pytest.fixture(scope="module")
def records() -> Records:
    fault = Fault("plain_rate", ("printer", "P02"), since_day=18, odds_ratio=9.0)
    return simulate(FarmSpec(printers=5, days=36, rooms=1, faults=(fault,)), 3).records


@pytest.fixture(scope="module")
def expected(records: Records) -> str:
    return told(records, crew_for)


def told(records: Records, engine: Engine) -> str:
    """The findings of some nights, every word of them, as one JSON document."""
    walked = replay(records, FIRST, LAST, SETTINGS, load_causes(), engine=engine)
    assert not walked.failed
    assert walked.findings
    return json.dumps(to_json(walked.findings, walked.first))


@pytest.fixture
def cluster(request: pytest.FixtureRequest) -> Iterator[LocalCluster]:
    """So many worker processes, each on its own, with a nanny that starts another one for one that dies."""
    with LocalCluster(
        n_workers=request.param, threads_per_worker=1, processes=True, dashboard_address=":0", silence_logs=50
    ) as made:
        yield made


def kill_the_first_that_works(address: str, stop: threading.Event) -> list[int]:
    """SIGKILL to the first worker that has a detector in hand; its process id, or nothing if none ever had."""
    with Client(address, set_as_default=False) as client:
        of_worker = client.run(os.getpid)
        while not stop.is_set():
            for worker, tasks in client.processing().items():
                if tasks and worker in of_worker:
                    os.kill(of_worker[worker], signal.SIGKILL)
                    return [of_worker[worker]]
            time.sleep(0.02)
    return []


@pytest.mark.parametrize("cluster", [3], indirect=True)
def test_three_workers_find_what_this_process_finds_also_when_one_is_killed(
    cluster: LocalCluster, records: Records, expected: str
) -> None:
    lines: list[str] = []
    engine = DaskEngine(cluster.scheduler_address, lines.append)
    assert told(records, engine) == expected

    killed: list[int] = []
    stop = threading.Event()
    hunter = threading.Thread(target=lambda: killed.extend(kill_the_first_that_works(cluster.scheduler_address, stop)))
    hunter.start()
    again = told(records, engine)
    stop.set()
    hunter.join()
    assert len(killed) == 1
    assert again == expected
    assert lines == []  # the cluster was up to it: nothing ran here


@pytest.mark.parametrize("cluster", [1], indirect=True)
def test_one_worker_finds_the_same_and_a_night_goes_on_here_when_the_only_worker_is_gone_for_good(
    cluster: LocalCluster, records: Records, expected: str
) -> None:
    lines: list[str] = []
    assert told(records, DaskEngine(cluster.scheduler_address, lines.append)) == expected
    assert lines == []

    history = join_history(records)
    night = look(history, LAST, SETTINGS, ())
    with DaskEngine(cluster.scheduler_address, lines.append, patience_s=2.0)(history, SETTINGS, 1) as crew:
        assert repr(crew(night)) == repr(alone(night))
        cluster.scale(0)
        assert repr(crew(night)) == repr(alone(night))
        assert len(lines) == 1
        assert "the detectors run here" in lines[0]
        crew(night)
        assert len(lines) == 1  # said once, and not waited for again


@pytest.mark.parametrize("cluster", [1], indirect=True)
def test_a_worker_with_other_code_is_not_believed(
    cluster: LocalCluster, records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engines, "package_digest", lambda: "another")
    history = join_history(records)
    night = look(history, LAST, SETTINGS, ())
    lines: list[str] = []
    with DaskEngine(cluster.scheduler_address, lines.append)(history, SETTINGS, 1) as crew:
        assert repr(crew(night)) == repr(alone(night))
    assert len(lines) == 1
    assert "another version of farmwatch" in lines[0]


def free_address() -> str:
    """An address on this machine at which nobody answers."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        return f"tcp://127.0.0.1:{held.getsockname()[1]}"


@pytest.mark.parametrize("address", [free_address(), "no address at all"], ids=["nobody there", "no address"])
def test_without_an_answer_the_night_runs_here_and_a_line_says_so(address: str, records: Records) -> None:
    history = join_history(records)
    night = look(history, LAST, SETTINGS, ())
    lines: list[str] = []
    with DaskEngine(address, lines.append, patience_s=0.5)(history, SETTINGS, 1) as crew:
        assert crew is not alone
        assert repr(crew(night)) == repr(alone(night))
    assert len(lines) == 1
    assert address in lines[0]
    assert "\n" not in lines[0]


def test_an_engine_that_cannot_be_had_is_one_line(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with pytest.raises(EngineError, match="local, dask"):
        engine_named("abacus")
    with pytest.raises(EngineError, match="address of a scheduler"):
        engine_named("dask")
    monkeypatch.setitem(sys.modules, "distributed", None)
    Farm.create(tmp_path / "farm")
    days = ["--from", "2031-02-09", "--to", "2031-02-10"]
    words = ["--farm", str(tmp_path / "farm"), "--engine", "dask", "--scheduler", "tcp://127.0.0.1:9"]
    for command in (["nightly"], ["replay", *days]):
        result = CliRunner().invoke(main, [*command, *words])
        assert result.exit_code == 1
        assert result.stderr == "Error: the engine dask needs Dask's distributed: pip install 'farmwatch[dask]'\n"
        assert not result.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--engine", "dask"], "needs --scheduler"),
        (["--scheduler", "tcp://127.0.0.1:9"], "goes with --engine dask"),
        (["--engine", "local", "--scheduler", "tcp://127.0.0.1:9"], "goes with --engine dask"),
        (["--engine", "abacus"], "'abacus' is not one of"),
    ],
)
def test_options_that_do_not_fit_are_a_usage_error(words: list[str], said: str, tmp_path: Path) -> None:
    Farm.create(tmp_path / "farm")
    result = CliRunner().invoke(main, ["nightly", "--farm", str(tmp_path / "farm"), *words])
    assert result.exit_code == 2
    assert said in result.stderr


def test_the_settings_name_the_engine_of_the_nights_on_the_clock(tmp_path: Path) -> None:
    assert engine_of(SETTINGS) is crew_for
    section = EngineSection(name="dask", scheduler="tcp://127.0.0.1:9")
    assert engine_of(SETTINGS.model_copy(update={"engine": section})) == DaskEngine("tcp://127.0.0.1:9")
    farm = Farm.create(tmp_path / "farm")
    with (farm.path / "farm.toml").open("a") as text:
        text.write('\n[engine]\nname = "dask"\n')
    result = CliRunner().invoke(main, ["nightly", "--farm", str(farm.path)])
    assert result.exit_code == 1
    assert result.stderr == "Error: the engine dask needs the address of a scheduler, like tcp://host:8786\n"


def test_a_command_does_its_sums_on_one_thread_unless_told_otherwise(tmp_path: Path) -> None:
    """As the workers of a cluster do: on several threads the last digits of a sum are others."""
    script = (
        "import sys; from farmwatch.cli import main; main(['init', sys.argv[1]], standalone_mode=False); "
        "import numpy, threadpoolctl; print({pool['num_threads'] for pool in threadpoolctl.threadpool_info()})"
    )
    bare = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    for told, threads in ({}, "{1}"), ({"OMP_NUM_THREADS": "2"}, "{2}"):
        folder = tmp_path / f"farm{threads}"
        done = subprocess.run(
            [sys.executable, "-c", script, str(folder)], env=bare | told, capture_output=True, text=True, check=True
        )
        assert done.stdout.splitlines()[-1] == threads
