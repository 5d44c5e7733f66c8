"""Templates to answers: every text escaped, style and script in the page itself, nothing from outside."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from jinja2 import Environment
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse

from farmwatch.causes.table import load_signs
from farmwatch.desk import delivery, finish, forms, reading
from farmwatch.desk.security import Rules
from farmwatch.evidence import SUBJECT_NAMES
from farmwatch.records import ACTIONS, FEATURES, RUN_OUTCOMES, SERVICE_SUBJECTS, SIGNS
from farmwatch.report.cautions import SAFETY
from farmwatch.report.templates import templates_in
from farmwatch.store import Farm

_HERE = Path(__file__).parent / "templates"
_NOTES_KEPT = 200


@dataclass(frozen=True)
class Desk:
    """An open farm with the rules of its desk. ``notes``: what to say once of a form that was saved, by its id."""

    farm: Farm
    rules: Rules
    notes: dict[str, list[str]] = field(default_factory=dict)

    def note(self, form: str, lines: list[str]) -> None:
        for old in list(self.notes)[: 1 - _NOTES_KEPT]:
            self.notes.pop(old, None)
        self.notes[form] = lines

    def page(self, request: Request, name: str, status: int = 200, **values: Any) -> HTMLResponse:
        """The page ``name`` with ``values``."""
        state = request.state
        text = self._templates.get_template(f"{name}.html.j2").render(
            farm=self.farm.settings.farm.name,
            zone=self.farm.timezone,
            token=self.rules.form_token(state.session),
            nonce=state.nonce,
            **values,
        )
        return HTMLResponse(reading.printable(text), status)

    @cached_property
    def _templates(self) -> Environment:
        environment = templates_in(_HERE)
        environment.globals.update(
            css=Markup((_HERE / "desk.css").read_text(encoding="utf-8")),
            script=Markup((_HERE / "desk.js").read_text(encoding="utf-8")),
            signs=SIGNS,
            sign_words=load_signs(),
            actions=ACTIONS,
            outcomes=RUN_OUTCOMES,
            outcome_words=finish.OUTCOME_WORDS,
            subjects=SERVICE_SUBJECTS,
            subject_words=SUBJECT_NAMES,
            features=FEATURES,
            feature_words=forms.FEATURE_WORDS,
            labels={**finish.LABELS, **forms.PIECE_LABELS},
            safety=SAFETY,
            new_form=delivery.new_form,
        )
        return environment
