"""A farm in a notebook: its tables as frames, its findings as cards, SQL, pictures, what was expected of each part."""

from __future__ import annotations

import datetime as dt
import html
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.compute as pc

from farmwatch.causes.table import CauseTable
from farmwatch.detectors.night import Night, join_history
from farmwatch.evidence import Evidence, Finding
from farmwatch.nightly import causes_of_farm
from farmwatch.records import conform
from farmwatch.report.contents import finding_part
from farmwatch.report.frames import Frames
from farmwatch.report.headlines import headline
from farmwatch.report.page import framed, html_card, html_page, html_pictures
from farmwatch.report.pictures import Picture
from farmwatch.report.showing import pictures_of
from farmwatch.report.text import printable, to_json
from farmwatch.report.week import Week
from farmwatch.store import Farm, load_findings, nights, query
from farmwatch.weekly import contents_of, last_known, night_of


def open_farm(path: Path | str) -> NotebookFarm:
    """Open the farm's folder at ``path``, for reading. Raises what the store raises where there is none."""
    return NotebookFarm(Farm.open(path))


class NotebookFarm:
    """A farm as of the last night that was analysed. Frames are read once; open the farm again to see new rows."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm

    def __repr__(self) -> str:
        return f"<farm {self.farm.path.name}, as of {self.as_of}: {len(self.runs)} runs>"

    def table(
        self, name: str, columns: Sequence[str] | None = None, where: Mapping[str, Any] | None = None
    ) -> pd.DataFrame:
        """Rows of a table, reading from disk only ``columns`` and rows where each column of ``where`` has its value,
        or one of its values.
        """
        tests = [
            pc.field(column).isin(list(wanted))
            if isinstance(wanted, list | tuple | set)
            else pc.field(column) == wanted
            for column, wanted in (where or {}).items()
        ]
        condition = None
        for test in tests:
            condition = test if condition is None else condition & test
        frame = conform(self.farm.read_arrow(name, columns, condition).to_pandas(), name)
        return frame if columns is None else frame[list(columns)]

    @cached_property
    def runs(self) -> pd.DataFrame:
        return self.farm.read("runs")

    @cached_property
    def parts(self) -> pd.DataFrame:
        return self.farm.read("parts")

    @cached_property
    def printers(self) -> pd.DataFrame:
        return self.farm.read("printers")

    @cached_property
    def lots(self) -> pd.DataFrame:
        return self.farm.read("lots")

    @cached_property
    def coupons(self) -> pd.DataFrame:
        return self.farm.read("coupons")

    @cached_property
    def service(self) -> pd.DataFrame:
        return self.farm.read("service")

    @cached_property
    def as_of(self) -> dt.date:
        """The last night that was analysed; without any, the last day on which something became known."""
        filed = nights(self.farm)
        if filed:
            return filed[-1]
        records = self.farm.records()
        known = records.known_from("runs").dropna()
        return records.local_dates(known).max().date() if len(known) else last_known(records, Week(1970, 1))

    @cached_property
    def night(self) -> Night:
        """What was known by :attr:`as_of`, joined, with the fitted expectation."""
        return night_of(join_history(self.farm.records()), self.as_of, self.farm.settings, self._ledger)[0]

    @cached_property
    def _ledger(self) -> list[Finding]:
        return load_findings(self.farm)

    @cached_property
    def _causes(self) -> CauseTable:
        return causes_of_farm(self.farm)

    @cached_property
    def _frames(self) -> Frames:
        night = self.night
        service, coupons = night.records.service, night.records.coupons
        return Frames(night.plates, night.parts, night.part_risk, service, coupons, self.farm.timezone)

    def findings(self, status: str | None = None) -> FindingList:
        """The findings as the last night left them, strongest first; of one ``status`` only, if named."""
        listed = [finding for finding in self._ledger if status is None or finding.status == status]
        listed.sort(key=lambda finding: (-finding.evidence.score, finding.finding_id))
        return FindingList(FindingView(finding, self) for finding in listed)

    def sql(self, statement: str) -> pd.DataFrame:
        """The answer to one SELECT over the tables, ``findings``, ``evidence`` and ``checks``. Raises ``BadQuery``."""
        return query(self.farm, statement).to_pandas()

    def picture(self, finding: FindingView | Finding) -> Pictures:
        """The pictures that show a finding, the telling one first."""
        evidence: Evidence = finding.evidence
        return Pictures(pictures_of(evidence, self._frames, self.as_of))

    def expected(self) -> pd.DataFrame:
        """One row a part with a known outcome: its run, number, design, whether it ``failed`` and the probability with
        which that was ``expected`` of such work, with the effects of known faults left out.
        """
        parts = self.night.parts
        frame = parts[["run_id", "part_no", "design_id", "failed"]].assign(expected=self.night.part_risk)
        return frame[parts["known"].to_numpy()].reset_index(drop=True)

    def effects(self, subject_type: str, since: dt.date = dt.date.min) -> pd.DataFrame:
        """Failures over expected since a day for every subject of one type (``printer``, ``lot``, ``design``, ...), the
        worst first, with 95 % intervals that allow for parts of one plate failing together.
        """
        frames = self._frames
        ratios = frames.ratios(subject_type, max(since, dt.date(1970, 1, 1)))
        table = pd.DataFrame(
            [
                (name, one.plates, one.chances, int(one.observed), one.expected, one.value, one.low, one.high)
                for name, one in ratios.items()
            ],
            columns=[subject_type, "plates", frames.unit, "failed", "expected", "ratio", "low", "high"],
        )
        return table.sort_values(["ratio", subject_type], ascending=[False, True], ignore_index=True)

    def report(self, week: str | None = None) -> WeeklyReport:
        """The weekly report, shown in place; the week of :attr:`as_of`, if none like ``2031-W14`` is named."""
        return WeeklyReport(
            html_page(contents_of(self.farm, Week.of(self.as_of) if week is None else Week.parse(week)))
        )


class FindingView:
    """One finding. Shows itself as a card; its fields are those of the finding and of its evidence."""

    def __init__(self, finding: Finding, farm: NotebookFarm) -> None:
        self.finding = finding
        self._farm = farm

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        source = self.finding if hasattr(self.finding, name) else self.finding.evidence
        return getattr(source, name)

    @property
    def headline(self) -> str:
        return headline(self.finding.evidence)

    def __repr__(self) -> str:
        return f"<{printable(self.finding.finding_id)}: {printable(self.headline)}>"

    def _repr_html_(self) -> str:
        farm = self._farm
        return html_card(finding_part(self.finding, farm._frames, Week.of(farm.as_of), farm.as_of, farm._causes))


class FindingList(list[FindingView]):
    """Findings in order. Shows itself as a table."""

    def frame(self) -> pd.DataFrame:
        """One row a finding, with the published fields."""
        return pd.DataFrame(to_json(view.finding for view in self))

    def about(self, subject_type: str, subject_id: str | None = None) -> FindingList:
        """Those about one type of subject, or about one subject."""
        return FindingList(
            view
            for view in self
            if view.subject.type == subject_type and subject_id in (None, view.finding.evidence.subject.id)
        )

    def _repr_html_(self) -> str:
        heads = "".join(f'<th scope="col">{name}</th>' for name in ("Finding", "State", "Since", "What it is"))
        rows = "".join(
            f'<tr><th scope="row">{html.escape(view.finding.finding_id)}</th><td>{view.finding.status}</td>'
            f"<td><time>{view.finding.evidence.since}</time></td><td>{html.escape(view.headline)}</td></tr>"
            for view in self
        )
        return framed(
            f'<table class="ledger"><caption>{len(self)} findings</caption><thead><tr>{heads}</tr></thead>'
            f"<tbody>{rows}</tbody></table>"
        )


class Pictures(tuple[Picture, ...]):
    """Contents of pictures. Shows them drawn."""

    def __new__(cls, pictures: Iterable[Picture]) -> Pictures:
        return super().__new__(cls, tuple(pictures))

    def __repr__(self) -> str:
        return "\n".join(picture.alt for picture in self) or "no picture"

    def _repr_html_(self) -> str:
        return html_pictures(self)


class WeeklyReport:
    """The weekly page. Shows itself in a frame; ``page`` is its HTML."""

    def __init__(self, page: str) -> None:
        self.page = page

    def _repr_html_(self) -> str:
        inside = html.escape(self.page, quote=True)
        return f'<iframe title="weekly report" sandbox srcdoc="{inside}" width="100%" height="720"></iframe>'
