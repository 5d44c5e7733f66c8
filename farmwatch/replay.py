"""Every night of a span over the records, each with only what was known by then; nothing is written."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from farmwatch.detectors.night import join_history
from farmwatch.evidence import Finding
from farmwatch.nightly import NightResult, run_night
from farmwatch.records import Records
from farmwatch.settings import Settings


@dataclass(frozen=True)
class Replay:
    """``findings`` in the state of the last night; ``first``: each as it stood when it was first flagged."""

    findings: tuple[Finding, ...]
    first: dict[str, Finding]
    last_night: NightResult | None


def replay(
    records: Records,
    first_night: dt.date,
    last_night: dt.date,
    settings: Settings,
    progress: Callable[[dt.date], None] | None = None,
) -> Replay:
    """Walk the nights from ``first_night`` to ``last_night``, both included, with an empty ledger to begin with."""
    history = join_history(records)
    findings: Sequence[Finding] = ()
    first: dict[str, Finding] = {}
    result: NightResult | None = None
    night = first_night
    while night <= last_night:
        result = run_night(history, night, settings, findings)
        findings = result.findings
        for finding in findings:
            first.setdefault(finding.finding_id, finding)
        if progress is not None:
            progress(night)
        night += dt.timedelta(days=1)
    return Replay(tuple(findings), first, result)
