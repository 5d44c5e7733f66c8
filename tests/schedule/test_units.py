"""The units and the copy under lock that the documents show do what they say."""

from __future__ import annotations

import configparser
import shutil
import subprocess
import threading
from pathlib import Path

import click
import pytest

from farmwatch.cli import main
from farmwatch.doctor import examine
from farmwatch.store import Farm

UNITS = Path(__file__).parents[2] / "docs" / "systemd"


@pytest.mark.parametrize("name", ["farmwatch.service", "farmwatch-due.service"])
def test_a_unit_starts_a_command_that_there_is(name: str) -> None:
    unit = configparser.RawConfigParser(strict=False)
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read(UNITS / name)
    program, command, *words = unit["Service"]["ExecStart"].split()
    assert program.endswith("/farmwatch")
    given, left, _ = main.commands[command].make_parser(click.Context(main.commands[command])).parse_args(words)
    assert given["farm_path"] == unit["Service"]["ReadWritePaths"]
    assert not left


def test_a_back_up_under_the_lock_waits_for_the_writer(farm: Farm, deliveries: list[Path], tmp_path: Path) -> None:
    from farmwatch.collect import collect

    copy = tmp_path / "copy"
    held, copied = threading.Event(), threading.Event()

    def back_up() -> None:
        held.wait()
        program = shutil.which("flock")
        assert program is not None, "flock, of util-linux, is what the documents show"
        subprocess.run([program, farm.path / ".lock", "cp", "-a", farm.path, copy], check=True)
        copied.set()

    thread = threading.Thread(target=back_up)
    thread.start()
    with farm.writer():
        held.set()
        assert not copied.wait(0.3)
        collect(farm, deliveries)
    thread.join()
    restored = Farm.open(copy)
    assert examine(restored) == []
    assert restored.read_arrow("parts").equals(farm.read_arrow("parts"))
    assert len(restored.read_arrow("parts"))
