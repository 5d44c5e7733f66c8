"""Every night of a span over the records, each with only what was known by then; nothing is written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from farmwatch.causes.table import CauseTable
from farmwatch.detectors.night import History, join_history
from farmwatch.engines import Engine, engine_of
from farmwatch.evidence import Check, Finding
from farmwatch.nightly import run_night
from farmwatch.records import Records
from farmwatch.settings import Settings


@dataclass(frozen=True)
class Replay:
    """``findings`` in the state of the last night; ``first``: each as it stood when it was first flagged; ``failed``:
    what could not be checked on some night."""

    findings: tuple[Finding, ...]
    first: dict[str, Finding]
    failed: tuple[Check, ...]


def replay(
    records: Records | History,
    first_night: dt.date,
    last_night: dt.date,
    settings: Settings,
    table: CauseTable,
    progress: Callable[[dt.date], None] | None = None,
    engine: Engine | None = None,
) -> Replay:
    """Walk the nights from ``first_night`` to ``last_night``, both included, with an empty ledger to begin with.

    ``records``: as they are, or joined already. ``engine``: where the detectors run, by default as the settings say.
    """
    engine = engine or engine_of(settings)
    history = records if isinstance(records, History) else join_history(records)
    findings: Sequence[Finding] = ()
    first: dict[str, Finding] = {}
    failed: list[Check] = []
    with engine(history, settings, (last_night - first_night).days + 1) as crew:
        night = first_night
        while night <= last_night:
            result = run_night(history, night, settings, findings, table, crew)
            findings = result.findings
            failed.extend(check for check in result.checks if check.state == "failed")
            for finding in findings:
                first.setdefault(finding.finding_id, finding)
            if progress is not None:
                progress(night)
            night += dt.timedelta(days=1)
    return Replay(tuple(findings), first, tuple(failed))
