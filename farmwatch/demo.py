"""The demo: a farm from the invented sample data, every night of it, a report, and where to look."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

from farmwatch.collect import collect
from farmwatch.nightly import causes_of_farm, history_of, nights
from farmwatch.report.text import findings_table
from farmwatch.report.week import Week
from farmwatch.settings import shipped_samples
from farmwatch.store import Farm, StoreError
from farmwatch.weekly import weekly

TIMEZONE = "Europe/Paris"


def demo(directory: Path, say: Callable[[str], object]) -> Path:
    """Make a farm at ``directory``, run the whole job on the sample data, return the report's path."""
    samples = shipped_samples()
    if (directory / "farm.toml").exists():
        raise StoreError(f"{directory}: is a farm already; name another folder: farmwatch demo DIR")
    say("The sample farm is invented: its printers, resins, people and parts do not exist.")
    farm = Farm.create(directory, TIMEZONE)
    total = collect(farm, [path for path in sorted(samples.iterdir()) if path.suffix in (".csv", ".parquet")]).totals
    say(f"Collected {total.taken:,} rows from {samples.name}/ into {directory}/records.")
    history = history_of(farm)
    first, last = history.plates["day"].agg(["min", "max"])
    count = (last - first).days + 1
    say(f"Analysing {count} nights, {first:%Y-%m-%d} to {last:%Y-%m-%d}, each with what was known by then ...")

    def month(night: dt.date) -> None:  # it takes a minute or more: somebody waits
        if night.day == 1:
            say(f"... {night:%Y-%m-%d}")

    found = nights(farm, history, first.date(), last.date(), causes_of_farm(farm), month).findings
    say(findings_table(found))
    path = weekly(farm, Week.of(last.date()))
    live = [finding for finding in found if finding.status in ("open", "returned")]
    say("")
    say(f"Open the weekly report in a browser:  {path}")
    if live:
        say(f"Read one finding's story:             farmwatch explain {live[0].finding_id} --farm {directory}")
    say(f'Ask the records:                      farmwatch query "SELECT * FROM printers" --farm {directory}')
    say(f"What was planted in the sample:       {samples / 'truth.json'}")
    return path
