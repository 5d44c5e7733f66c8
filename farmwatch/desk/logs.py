"""Pages of service events and measured pieces."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import cast
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from farmwatch.desk import forms, reading, taking
from farmwatch.desk.delivery import Delivered, deliver, is_form, new_form
from farmwatch.desk.pages import Desk


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
    if done.state in taking.GOOD:
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
    if done.state in taking.GOOD:
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


def _home(desk: Desk, form: str, done: Delivered) -> Response:
    desk.note(form, taking.notes_of(done))
    return RedirectResponse(f"/?saved={form}", 303)
