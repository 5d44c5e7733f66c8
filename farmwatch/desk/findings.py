"""Pages of findings, and of what a check on one showed."""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from farmwatch.causes.entered import entered_results
from farmwatch.causes.table import CausesError
from farmwatch.desk import forms, taking
from farmwatch.desk.delivery import Row, deliver, is_form, whereabouts
from farmwatch.desk.pages import Desk
from farmwatch.desk.telling import told
from farmwatch.evidence import Finding
from farmwatch.nightly import causes_of_farm
from farmwatch.store import Farm, last_printer, load_findings

LIVE = ("open", "returned", "watching")


def show_findings(desk: Desk, request: Request) -> Response:
    """The findings in force, with their first words."""
    live = [finding for finding in load_findings(desk.farm) if finding.status in LIVE]
    live.sort(key=lambda finding: (LIVE.index(finding.status), -finding.evidence.score, finding.finding_id))
    table = causes_of_farm(desk.farm)
    return desk.page(request, "findings", findings=[told(finding, table) for finding in live])


def show_finding(desk: Desk, request: Request) -> Response:
    form = request.query_params.get("saved", "")
    said = taking.said_of(whereabouts(desk.farm, form), desk.notes.get(form, []))
    if said:
        said.append("The next night weighs the causes with it.")
    return _finding(desk, request, request.query_params.get("id", ""), said)


def save_check(desk: Desk, request: Request) -> Response:
    """Enter what a check showed, by the same row as ``farmwatch check`` does."""
    fields = request.state.fields
    form, finding_id = fields.text("form"), fields.own("finding_id")
    finding = _find(desk.farm, finding_id)
    if finding is None or not is_form(form):
        return desk.page(request, "trouble", 404, said=f"no finding of that id: {finding_id}")
    try:
        place, table = last_printer(desk.farm, finding), causes_of_farm(desk.farm)
        row: Row = forms.check_result(fields, form, finding, place, table)
    except CausesError:
        return _finding(desk, request, finding_id, [], "choose what the check showed")
    done = deliver(desk.farm, form, {"service": [row]}, lambda: True, ("recorded_at", "at"))
    if done.state in taking.GOOD:
        return RedirectResponse(f"/finding?{urlencode({'id': finding_id, 'saved': form})}", 303)
    words = [refusal.words for refusal in done.refusals]
    return _finding(desk, request, finding_id, [], "; ".join([taking.STATE_WORDS[done.state], *words]))


def _finding(desk: Desk, request: Request, finding_id: str, said: list[str], banner: str = "") -> Response:
    finding = _find(desk.farm, finding_id)
    if finding is None:
        return desk.page(request, "trouble", 404, said=f"no finding of that id: {finding_id}")
    table = causes_of_farm(desk.farm)
    entered = entered_results(desk.farm.read("service"), finding_id, table)
    return desk.page(
        request,
        "finding",
        422 if banner else 200,
        finding=told(finding, table, entered),
        said=said,
        banner=banner,
    )


def _find(farm: Farm, finding_id: str) -> Finding | None:
    return next((finding for finding in load_findings(farm) if finding.finding_id == finding_id), None)
