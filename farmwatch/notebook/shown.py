"""How a notebook shows findings, pictures and a report: cards, a table, drawings, a frame."""

from __future__ import annotations

import html
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import pandas as pd

from farmwatch.evidence import Finding
from farmwatch.report.finding_part import finding_part
from farmwatch.report.headlines import headline
from farmwatch.report.page import framed, html_card, html_pictures
from farmwatch.report.pictures import Picture
from farmwatch.report.text import printable, to_json
from farmwatch.report.week import Week

if TYPE_CHECKING:
    from farmwatch.notebook.farm import NotebookFarm


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
        week = Week.of(farm.as_of)
        every = [view.finding for view in farm.findings()]
        return html_card(finding_part(self.finding, farm._frames, week, farm.as_of, farm._causes, every))


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
