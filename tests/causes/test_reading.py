"""The readers' page says what the table says."""

from __future__ import annotations

from pathlib import Path

from farmwatch.causes.questions import CAUSES
from farmwatch.causes.reading import as_markdown
from farmwatch.causes.table import CauseTable

PAGE = Path(__file__).parents[2] / "docs" / "causes.md"


def test_the_page_is_that_of_the_table(table: CauseTable) -> None:
    assert PAGE.read_text(encoding="utf-8") == as_markdown(table), "python -m farmwatch.causes.reading > docs/causes.md"


def test_every_cause_and_check_has_its_heading(table: CauseTable) -> None:
    page = as_markdown(table)
    for code in (*CAUSES, *table.checks):
        assert f"(`{code}`)\n" in page
