"""Results of checks that people entered: they stand as rows of the service table, and come back as evidence.

A result is a row with the action ``other`` and the note ``check FINDING_ID CHECK RESULT``. Anybody may write such a row
in a delivered service table; ``farmwatch check`` writes the same. It never counts as a mend.
"""

from __future__ import annotations

import datetime as dt
import re

import pandas as pd

from farmwatch.causes.pattern import Entered
from farmwatch.causes.table import CausesError, CauseTable
from farmwatch.evidence import Finding
from farmwatch.records import SERVICE_SUBJECTS

_NOTE = re.compile(r"^\s*check\s+(\S+)\s+(\S+)\s+(\S+)\s*$", re.IGNORECASE)


def check_row(
    finding: Finding, check: str, result: str, at: dt.datetime, printer_id: str, table: CauseTable
) -> dict[str, str]:
    """The service row that enters ``result`` of ``check`` for ``finding``.

    ``at`` must know its zone. The service table names printers, lots, washes, rooms and profiles only; for another
    subject the row is written to ``printer_id``, where the check was done. Raises :class:`CausesError` on an unknown
    check or result, with those that are known.
    """
    if check not in table.checks:
        raise CausesError(f"{check}: no check of that name; known are {', '.join(sorted(table.checks))}")
    if result not in table.checks[check].results:
        raise CausesError(f"{check}: no result {result!r}; possible are {', '.join(table.checks[check].results)}")
    subject = finding.evidence.subject
    kind, name = (subject.type, subject.id) if subject.type in SERVICE_SUBJECTS else ("printer", printer_id)
    stamp = at.astimezone(dt.UTC)
    return {
        "event_id": f"check-{finding.finding_id}-{check}-{stamp:%Y%m%dT%H%M%S%f}Z",
        "at": stamp.isoformat(),
        "subject_type": kind,
        "subject_id": name,
        "action": "other",
        "note": f"check {finding.finding_id} {check} {result}",
    }


def is_check(service: pd.DataFrame) -> pd.Series:
    """Which service rows are results of checks, not work done. Bool, the index of ``service``."""
    return service["note"].str.match(_NOTE).fillna(False).astype(bool)


def entered_results(service: pd.DataFrame, finding_id: str, table: CauseTable) -> tuple[Entered, ...]:
    """The results entered for one finding, in order of time; of one check the latest stands; unknown codes are left."""
    if service.empty:
        return ()
    rows = service[service["note"].str.contains(f"check {finding_id} ", case=False, regex=False, na=False)]
    latest: dict[str, Entered] = {}
    for at, note in zip(
        rows.sort_values("at", kind="stable")["at"], rows.sort_values("at", kind="stable")["note"], strict=True
    ):
        match = _NOTE.match(note)
        if match is None or match[1] != finding_id:
            continue
        check, result = match[2], match[3]
        if check in table.checks and result in table.checks[check].results:
            latest[check] = Entered(check, result, at.date())
    return tuple(latest.values())
