"""The answer to a query as a table, as CSV and as plain rows."""

from __future__ import annotations

import csv
import io
import unicodedata
from typing import TYPE_CHECKING, Any

from farmwatch.report.text import cells, pad, plain, printable

if TYPE_CHECKING:
    import pyarrow as pa

ROWS_SHOWN = 1000
CELL_SHOWN = 40
_FORMULA_STARTS = frozenset("=+-@|%\t\r\n")


def as_json_rows(answer: pa.Table) -> list[dict[str, Any]]:
    """One object a row. Of columns with one name the later ones get ``_2``, ``_3`` behind it."""
    names = distinct(answer.column_names)
    columns = [plain(column.to_pylist()) for column in answer.columns]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def as_csv_text(answer: pa.Table) -> str:
    """CSV with a header; nothing in it that a spreadsheet would run. Unknown values are empty."""
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\r\n")
    writer.writerow([safe_csv_cell(name) for name in answer.column_names])
    columns = [plain(column.to_pylist()) for column in answer.columns]
    writer.writerows([safe_csv_cell(value) for value in row] for row in zip(*columns, strict=True))
    return page.getvalue()


def as_table_text(answer: pa.Table) -> str:
    """Columns side by side for a terminal, numbers to the right; very long answers and cells are cut, and say so."""
    heads = [printable(name) for name in answer.column_names]
    shown = answer.slice(0, ROWS_SHOWN)
    columns = [[_cell(value) for value in plain(column.to_pylist())] for column in shown.columns]
    numeric = [_is_number(column) for column in shown.columns]
    sizes = [max([cells(head), *(cells(cell) for cell in column)]) for head, column in zip(heads, columns, strict=True)]

    def line(row: tuple[str, ...]) -> str:
        padded = (
            " " * (size - cells(cell)) + cell if right else pad(cell, size)
            for cell, size, right in zip(row, sizes, numeric, strict=True)
        )
        return "  ".join(padded).rstrip()

    lines = [line(tuple(heads)), "  ".join("-" * size for size in sizes)]
    lines += [line(row) for row in zip(*columns, strict=True)]
    rest = answer.num_rows - shown.num_rows
    rows = "1 row" if answer.num_rows == 1 else f"{answer.num_rows} rows"
    lines.append(f"({rows}{f', {rest} not shown: --csv or --json gives them all' if rest else ''})")
    return "\n".join(lines)


def distinct(names: list[str]) -> list[str]:
    """Names that differ, in order."""
    out: list[str] = []
    for name in names:
        candidate, place = name, 2
        while candidate in out:
            candidate, place = f"{name}_{place}", place + 1
        out.append(candidate)
    return out


def _cell(value: Any) -> str:
    if value is None:
        return ""
    text = f"{value:.6g}" if isinstance(value, float) else printable(str(value))
    return text if len(text) <= CELL_SHOWN else f"{text[: CELL_SHOWN - 1]}…"


def _is_number(column: pa.ChunkedArray) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_integer(column.type) or pa.types.is_floating(column.type))


def safe_csv_cell(value: object) -> object:
    """A cell that no spreadsheet takes for a formula: such a text gets a quote mark in front. Numbers stay numbers.

    What a spreadsheet may strip or fold before it looks (blanks, marks without width, wide forms) is looked through.
    """
    if not isinstance(value, str):
        return value
    seen = "".join(char for char in unicodedata.normalize("NFKC", value) if unicodedata.category(char) != "Cf").lstrip()
    return "'" + value if value[:1] in _FORMULA_STARTS or seen[:1] in _FORMULA_STARTS else value
