"""One finding, asked about by its id: its story told from the records, and what a check on it showed taken in."""

from __future__ import annotations

import datetime as dt
import json
import os
import tempfile
from pathlib import Path

from farmwatch.causes.entered import check_row
from farmwatch.causes.explain import Story, tell
from farmwatch.causes.repairs import verdict_of
from farmwatch.collect import CollectSummary, collect
from farmwatch.evidence import Finding
from farmwatch.nightly import causes_of_farm, context_of, history_of, look
from farmwatch.store import Farm, StoreError, last_printer, load_findings, nights


def story_of(farm: Farm, finding_id: str) -> Story:
    """The story of a finding as the last filed night left it, its plates named. Raises :class:`StoreError` on an
    unknown id, and what the store and the table of causes raise.
    """
    every = load_findings(farm)
    finding = _asked(every, finding_id)
    night = look(history_of(farm), nights(farm)[-1], farm.settings, every)
    return tell(finding, causes_of_farm(farm), farm.settings, context_of(night), verdict_of(finding.repair))


def enter_check(farm: Farm, finding_id: str, check: str, result: str, printer_id: str | None = None) -> CollectSummary:
    """Take in what a check showed, now, on ``printer_id`` (default: the printer of the finding's last plate).

    It goes through the same door as every other row, so that a rebuild finds it again. Raises :class:`StoreError` on an
    unknown id, :class:`~farmwatch.causes.table.CausesError` on an unknown check or result.
    """
    finding = _asked(load_findings(farm), finding_id)
    place = printer_id or last_printer(farm, finding)
    row = check_row(finding, check, result, dt.datetime.now(dt.UTC), place, causes_of_farm(farm))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"service.check-{os.getpid()}.jsonl"
        path.write_text(json.dumps(row) + "\n", encoding="utf-8")
        return collect(farm, [path], None)


def _asked(findings: list[Finding], finding_id: str) -> Finding:
    found = next((finding for finding in findings if finding.finding_id == finding_id), None)
    if found is None:
        raise StoreError(f"no finding of that id: {finding_id}; farmwatch findings lists them")
    return found
