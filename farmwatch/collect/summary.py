"""What one collect did, file by file."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any


@dataclass
class FileReport:
    """One file: rows in it = taken + replaced + unchanged + quarantined. ``error``: why it could not be read at all."""

    file: str
    table: str | None
    rows: int = 0
    taken: int = 0
    replaced: int = 0
    unchanged: int = 0
    quarantined: Counter[str] = field(default_factory=Counter)
    error: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """As ``farmwatch collect --json`` prints it."""
        return {
            "file": self.file,
            "table": self.table,
            "rows": self.rows,
            "taken": self.taken,
            "replaced": self.replaced,
            "unchanged": self.unchanged,
            "quarantined": dict(sorted(self.quarantined.items())),
            "error": self.error,
        }


@dataclass(frozen=True)
class Recheck:
    """Rows taken earlier that what came now showed to be bad (``quarantined``), or good after all (``released``)."""

    table: str
    reason: str
    quarantined: int
    released: int


@dataclass
class CollectSummary:
    """All files of one collect, in the order in which they were taken, those that cannot be read among them.

    ``unregistered``: ids named by rows taken now and registered nowhere, by table. ``unknown_codes``: for each column
    how often a code that no list holds was written. ``rechecked``: what became of rows of earlier collects.
    """

    files: list[FileReport] = field(default_factory=list)
    unregistered: dict[str, list[str]] = field(default_factory=dict)
    unknown_codes: dict[str, Counter[str]] = field(default_factory=dict)
    rechecked: list[Recheck] = field(default_factory=list)

    @property
    def totals(self) -> FileReport:
        """The sums over all files."""
        total = FileReport("", None)
        for report in self.files:
            total.rows += report.rows
            total.taken += report.taken
            total.replaced += report.replaced
            total.unchanged += report.unchanged
            total.quarantined.update(report.quarantined)
        return total

    @property
    def unreadable(self) -> list[FileReport]:
        """Files that could not be read at all, and stayed where they were."""
        return [report for report in self.files if report.error is not None]

    @property
    def trouble(self) -> bool:
        """Whether anything went to quarantine or could not be read."""
        moved = any(recheck.quarantined for recheck in self.rechecked)
        return moved or any(report.error is not None or report.quarantined for report in self.files)

    def to_dict(self) -> dict[str, Any]:
        """The document that ``farmwatch collect --json`` prints."""
        return {"files": [report.to_dict() for report in self.files]}
