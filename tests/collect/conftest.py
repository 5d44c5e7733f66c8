"""A farm on disk and short ways to deliver to it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from farmwatch.collect import CollectSummary, collect
from farmwatch.store import Farm


@pytest.fixture
def farm(tmp_path: Path) -> Farm:
    return Farm.create(tmp_path / "farm", "Europe/Berlin")


@pytest.fixture
def deliver(farm: Farm) -> Callable[..., CollectSummary]:
    """``deliver({"runs.csv": text, ...})`` puts files into the inbox and collects."""

    def deliver(files: dict[str, str | bytes]) -> CollectSummary:
        for name, content in files.items():
            (farm.inbox / name).write_bytes(content.encode() if isinstance(content, str) else content)
        summary = collect(farm)
        for report in summary.files:
            assert report.rows == report.taken + report.replaced + report.unchanged + report.quarantined.total()
        return summary

    return deliver
