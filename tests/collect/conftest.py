"""A farm on disk and short ways to deliver to it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from farmwatch.collect import CollectSummary, collect
from farmwatch.store import Farm


@pytest.fixture(autouse=True, scope="module")
def no_waiting_for_the_disk() -> Iterator[None]:
    """Syncing to disk is tested where power cuts are; here it only takes time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda handle: None)
        yield


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
