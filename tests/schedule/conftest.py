"""A farm on disk; jobs that only count, for tests of the clock."""

from __future__ import annotations

import datetime as dt
import os
from collections import Counter
from pathlib import Path

import pytest

from farmwatch.schedule import recipes
from farmwatch.schedule.periods import Period
from farmwatch.schedule.recipes import Done, Reading
from farmwatch.simulate.scenarios import simulate_to
from farmwatch.store import Farm


@pytest.fixture
def farm(tmp_path: Path) -> Farm:
    return Farm.create(tmp_path / "farm", "Europe/Paris")


@pytest.fixture(scope="session")
def deliveries(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The files of an invented farm of three printers over five days."""
    folder = tmp_path_factory.mktemp("deliveries")
    return [path for path in simulate_to(folder, 3, 5, 1, 0) if path.suffix == ".csv"]


class Counted:
    """Stands in for the recipes: counts the successes of each period, fails where told to."""

    def __init__(self) -> None:
        self.done: Counter[tuple[str, str]] = Counter()
        self.order: list[tuple[str, str]] = []
        self.failing: set[str] = set()

    def __call__(self, farm: Farm, period: Period, reading: Reading) -> Done:
        if period.job in self.failing:
            raise RuntimeError(f"no luck\nwith {period.name}")
        self.done[period.key] += 1
        self.order.append(period.key)
        return Done("done")


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counted:
    jobs = Counted()
    for job in recipes.RECIPES:
        monkeypatch.setitem(recipes.RECIPES, job, jobs)
    # thousands of small writes: whether they reach the disk is tested with the store
    monkeypatch.setattr(os, "fsync", lambda handle: None)
    return jobs


def utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def settled(farm: Farm, **schedule: object) -> Farm:
    """The farm with settings of its own for the schedule."""
    words = {True: "true", False: "false"}
    lines = [f"{key} = {words[value] if isinstance(value, bool) else repr(value)}" for key, value in schedule.items()]
    with (farm.path / "farm.toml").open("a") as stream:
        stream.write("\n".join(["", "[schedule]", *lines, ""]))
    return Farm.open(farm.path)
