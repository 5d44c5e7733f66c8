"""Pages of service events, measured pieces, findings and the results of checks."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import cast
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import pyarrow as pa
import pyarrow.compute as pc
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from farmwatch.causes.entered import entered_results
from farmwatch.causes.table import CausesError
from farmwatch.desk import forms, reading, taking
from farmwatch.desk.delivery import Delivered, Row, deliver, is_form, new_form, whereabouts
from farmwatch.desk.pages import Desk
from farmwatch.desk.telling import told
from farmwatch.evidence import Finding
from farmwatch.nightly import causes_of_farm
from farmwatch.store import Farm, load_findings

LIVE = ("open", "returned", "watching")
_GOOD = ("saved", "again", "waiting")


def show_service(desk: Desk, request: Request) -> Response:
    asked = request.query_params
    now = f"{dt.datetime.now(ZoneInfo(desk.farm.timezone)):%Y-%m-%dT%H:%M}"
    values = {name: asked.get(name, "") for name in forms.SERVICE_FIELDS} | {"at": now}
    return _service(desk, request, values, new_form())


def save_service(desk: Desk, request: Request) -> Response:
    fields = request.state.fields
    form = fields.text("form")
    values = {name: fields.text(name) for name in forms.SERVICE_FIELDS}
    row, problems = forms.service_row(fields, form)
    if problems or not is_form(form):
        return _service(desk, request, values, form if is_form(form) else new_form(), "problems", problems)
    done = deliver(desk.farm, form, {"service": [row]}, lambda: True)
    if done.state in _GOOD:
        return _home(desk, form, done)
    problems = taking.by_field(done.refusals, "service")
    return _service(desk, request, values, form if done.state == "refused" else new_form(), done.state, problems)


def _service(
    desk: Desk,
    request: Request,
    values: dict[str, str],
    form: str,
    state: str = "",
    problems: dict[str, str] | None = None,
) -> Response:
    farm = desk.farm
    names = [tile.printer_id for tile in reading.printers(farm)]
    for table, column in (("lots", "lot_id"), ("runs", "wash_id"), ("printers", "room"), ("runs", "profile")):
        names += reading.known(farm, table, column)
    return desk.page(
        request,
        "service",
        422 if state else 200,
        values=values,
        form=form,
        names=list(dict.fromkeys(names)),
        banner=taking.STATE_WORDS.get(state, ""),
        problems=problems or {},
    )


def show_coupons(desk: Desk, request: Request) -> Response:
    asked = request.query_params
    values = {name: asked.get(name, "") for name in forms.COUPON_FIELDS}
    values["measured_at"] = f"{dt.datetime.now(ZoneInfo(desk.farm.timezone)):%Y-%m-%dT%H:%M}"
    kind = _piece_kind(asked.get("kind", ""))
    return _coupons(desk, request, values, kind, _drawn(desk, kind, values["printer_id"]), new_form())


def save_coupons(desk: Desk, request: Request) -> Response:
    fields = request.state.fields
    form, kind = fields.text("form"), _piece_kind(fields.text("kind"))
    values = {name: fields.text(name) for name in forms.COUPON_FIELDS}
    drawn = _drawn(desk, kind, fields.own("drawn_for"))
    rows, lines, problems = forms.coupon_rows(fields, drawn, form)
    typed = forms.typed_pieces(fields)
    if problems or not is_form(form):
        again = form if is_form(form) else new_form()
        return _coupons(desk, request, values, kind, typed, again, "problems", problems)
    done = deliver(desk.farm, form, {"coupons": rows}, lambda: True)
    if done.state in _GOOD:
        return _home(desk, form, done)
    shared = {r.column: r.words for r in done.refusals if r.column in forms.COUPON_FIELDS}
    about = {lines[line - 1]: what for line, what in taking.by_line(done.refusals, "coupons").items()}
    again = form if done.state == "refused" else new_form()
    return _coupons(desk, request, values, kind, typed, again, done.state, shared, about)


def _coupons(
    desk: Desk,
    request: Request,
    values: dict[str, str],
    kind: forms.PieceKind,
    pieces: list[forms.Piece],
    form: str,
    state: str = "",
    problems: dict[str, str] | None = None,
    about: dict[int, tuple[str, str]] | None = None,
) -> Response:
    return desk.page(
        request,
        "coupons",
        422 if state else 200,
        values=values,
        kind=kind,
        drawn_for=request.query_params.get("printer_id", "") if not state else request.state.fields.own("drawn_for"),
        pieces=[dataclasses.asdict(piece) for piece in pieces],
        form=form,
        printers=[tile.printer_id for tile in reading.printers(desk.farm)],
        lots=reading.known(desk.farm, "lots", "lot_id"),
        banner=taking.STATE_WORDS.get(state, ""),
        problems=problems or {},
        about=about or {},
    )


def _piece_kind(name: str) -> forms.PieceKind:
    return cast(forms.PieceKind, name if name in ("pads", "films") else "bars")


def _drawn(desk: Desk, kind: forms.PieceKind, printer: str) -> list[forms.Piece]:
    return forms.pieces(kind, *reading.plate_size(desk.farm, printer))


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
        place, table = _last_printer(desk.farm, finding), causes_of_farm(desk.farm)
        row: Row = forms.check_result(fields, form, finding, place, table)
    except CausesError:
        return _finding(desk, request, finding_id, [], "choose what the check showed")
    done = deliver(desk.farm, form, {"service": [row]}, lambda: True, ("recorded_at", "at"))
    if done.state in _GOOD:
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


def _last_printer(farm: Farm, finding: Finding) -> str:
    """Where a check was done, as far as the records tell: the printer of the finding's last plate."""
    ids = list(finding.evidence.run_ids)
    rows = farm.read_arrow(
        "runs", ["run_id", "printer_id"], pc.field("run_id").isin(pa.array(ids, pa.string()))
    ).to_pylist()
    printers = {row["run_id"]: row["printer_id"] for row in rows}
    return next((printers[run] for run in reversed(ids) if run in printers), "farm")


def _home(desk: Desk, form: str, done: Delivered) -> Response:
    desk.note(form, taking.notes_of(done))
    return RedirectResponse(f"/?saved={form}", 303)
