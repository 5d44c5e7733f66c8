"""Answers to queries for a terminal, a spreadsheet and a program."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

from farmwatch.report.text import plain, printable
from farmwatch.report.words import safe_csv_cell

if TYPE_CHECKING:
    import pyarrow as pa

ROWS_SHOWN = 1000  # on a terminal; --csv and --json print all


def as_json_rows(answer: pa.Table) -> list[dict[str, Any]]:
    """One object a row; undefined numbers and missing values are null."""
    return [plain(row) for row in answer.to_pylist()]


def as_csv_text(answer: pa.Table) -> str:
    """RFC 4180 with a head; text that a spreadsheet would run as a formula is neutralised."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([safe_csv_cell(name) for name in answer.column_names])
    for row in zip(*(column.to_pylist() for column in answer.columns), strict=True):
        writer.writerow([safe_csv_cell(value) if isinstance(value, str) else plain(value) for value in row])
    return out.getvalue()


def as_table_text(answer: pa.Table) -> str:
    """Columns side by side, numbers to the right; at most ROWS_SHOWN rows, the rest counted."""
    shown = answer.slice(0, ROWS_SHOWN)
    columns = []
    for name, column in zip(shown.column_names, shown.columns, strict=True):
        values = column.to_pylist()
        cells = ["" if value is None else printable(_short(value)) for value in values]
        size = max(len(cell) for cell in [printable(name), *cells])
        right = all(value is None or isinstance(value, (int, float)) for value in values) and bool(values)
        columns.append([cell.rjust(size) if right else cell.ljust(size) for cell in [printable(name), *cells]])
    lines = ["  ".join(row).rstrip() for row in zip(*columns, strict=True)]
    if len(answer) > ROWS_SHOWN:
        lines.append(f"... and {len(answer) - ROWS_SHOWN} more rows; --csv and --json print all")
    return "\n".join(lines)


def _short(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)
