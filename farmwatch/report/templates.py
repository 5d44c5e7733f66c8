"""How the report's page and the desk's pages come from templates: every text escaped, every missing name an error."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from farmwatch.causes.questions import percent
from farmwatch.report import words


def templates_in(folder: Path) -> Environment:
    """The templates of ``folder``, with the filters that all pages share."""
    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters.update(
        action=words.action, date=words.date, percent=percent, phrase=words.phrase, sentence=words.sentence
    )
    return environment
