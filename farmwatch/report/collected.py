"""What a collect did, in words for the terminal."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from farmwatch.report import words
from farmwatch.report.text import printable

if TYPE_CHECKING:
    from farmwatch.collect.summary import CollectSummary, FileReport


def file_words(file: FileReport) -> str:
    """What became of one file, in a line."""
    if file.error is not None:
        return f"{printable(file.file)}: cannot be read, left where it is: {printable(file.error)}"
    bad = sum(file.quarantined.values())
    reasons = ", ".join(f"{count} {code}" for code, count in sorted(file.quarantined.items()))
    return (
        f"{printable(file.file)}: {words.count(file.rows, 'row')} of {file.table}: {file.taken:,} taken, "
        f"{file.replaced:,} replaced, {file.unchanged:,} unchanged, {bad:,} quarantined"
        + (f" ({reasons})" if reasons else "")
    )


def total_words(summary: CollectSummary) -> str:
    """What became of all files together, in a line."""
    total, unreadable = summary.totals, len(summary.unreadable)
    return (
        f"{words.count(total.rows, 'row')}: {total.taken:,} taken, {total.replaced:,} replaced, {total.unchanged:,} unchanged, "
        f"{sum(total.quarantined.values()):,} quarantined; {words.count(unreadable, 'file')} unreadable"
    )


def summary_text(summary: CollectSummary, quarantine: Path) -> str:
    """What a collect did, for a person: a line a file, then what to look at. ``quarantine``: where refused rows lie."""
    lines = [file_words(file) for file in summary.files]
    lines.append(total_words(summary) if summary.files else "no files to take")
    for recheck in summary.rechecked:
        if recheck.quarantined or recheck.released:
            lines.append(
                f"checked again in {recheck.table} ({recheck.reason}): {recheck.quarantined} rows to quarantine, "
                f"{recheck.released} released"
            )
    for table, names in sorted(summary.unregistered.items()):
        shown = ", ".join(printable(name) for name in names[:8]) + (
            f" and {len(names) - 8} more" if len(names) > 8 else ""
        )
        lines.append(f"named but not registered in {table}: {shown}")
    for column, codes in sorted(summary.unknown_codes.items()):
        shown = ", ".join(f"{printable(code)} ({count})" for code, count in codes.most_common(8))
        lines.append(f"unknown {column}, kept as written and counted as other: {shown}")
    if any(file.quarantined for file in summary.files):
        lines.append(f"Rows in quarantine, each with file, line, column and reason: {quarantine}")
    return "\n".join(lines)
