"""The weekly recipe: ledger and records of the week's last night -> contents -> page, Markdown, JSON in reports/."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import BinaryIO

from farmwatch.causes.table import CauseTable
from farmwatch.detectors.night import History, Night
from farmwatch.evidence import Check, Finding
from farmwatch.nightly import causes_of_farm, history_of, look
from farmwatch.report.contents import WeeklyContents, build_contents
from farmwatch.report.markdown import json_page, markdown_page
from farmwatch.report.page import html_page
from farmwatch.report.week import Week
from farmwatch.settings import Settings
from farmwatch.store import Farm, load_checks, load_findings, nights
from farmwatch.store.files import replace_file


def weekly(farm: Farm, week: Week) -> Path:
    """Write the report of a week to ``reports/`` as HTML, Markdown and JSON; the path of the HTML page.

    Each file is replaced whole. Raises what the store and the table of causes raise.
    """
    contents = contents_of(farm, week)
    page = farm.reports / f"weekly-{week}.html"
    with farm.writer():
        for path, text in (
            (page.with_suffix(".json"), json_page(contents)),
            (page.with_suffix(".md"), markdown_page(contents)),
            (page, html_page(contents)),
        ):
            replace_file(path, farm.drafts, partial(_write, text))
    return page


def _write(text: str, stream: BinaryIO) -> None:
    stream.write(text.encode("utf-8"))


def contents_of(farm: Farm, week: Week) -> WeeklyContents:
    """What the report of a week says: the ledger as the week's last filed night left it, the records as known then.

    A week without a filed night shows the findings of the last night before it, and says that none was analysed.
    """
    filed = [night for night in nights(farm) if night <= week.last]
    analysed = bool(filed) and filed[-1] >= week.first
    findings = load_findings(farm, week.last)
    checks = load_checks(farm, week.last) if analysed else []
    history = history_of(farm)
    as_of = filed[-1] if analysed else last_known(history, week)
    night, trouble = night_of(history, as_of, farm.settings, findings)
    return contents_of_night(night, week, findings, [*checks, *trouble], causes_of_farm(farm))


def night_of(
    history: History, as_of: dt.date, settings: Settings, findings: Sequence[Finding]
) -> tuple[Night, tuple[Check, ...]]:
    """The night's view with its expectation. Where none can be fitted every part is given the farm's own failure rate,
    and a failed check says so: a report that is poorer is worth more than none.
    """
    try:
        return look(history, as_of, settings, findings), ()
    except Exception as error:  # whatever it is, the reader is told in the report's first lines
        reason = f"{type(error).__name__}: {error}; everything is compared with the farm's mean failure rate"
        return history.night(as_of, settings), (Check("expected", "failed", "farm", None, reason),)


def contents_of_night(
    night: Night,
    week: Week,
    findings: Sequence[Finding],
    checks: Sequence[Check],
    table: CauseTable | None = None,
) -> WeeklyContents:
    """The contents from a night's view that is at hand, in the words of the farm's own table of causes."""
    return build_contents(
        week,
        findings,
        checks,
        night.plates,
        night.parts,
        night.part_risk,
        night.records.service,
        night.settings,
        coupons=night.records.coupons,
        known_until=night.as_of,
        table=table,
    )


def last_known(history: History, week: Week) -> dt.date:
    """The last day of the week on which anything became known; its last day on a farm without any."""
    known = history.plates["known_at"]
    if known.empty:
        return week.last
    return min(max(history.records.local_dates(known).max().date(), week.first), week.last)
