"""The routes of the desk; errors end in a page with one line, never in a traceback."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable
from functools import partial

import click
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from farmwatch.collect import collect
from farmwatch.desk import delivery, findings, logs, runs, taking
from farmwatch.desk.guard import LOGIN, Guard
from farmwatch.desk.pages import Desk
from farmwatch.report import words
from farmwatch.store import load_findings
from farmwatch.store.files import StoreError, one_line

Handler = Callable[[Desk, Request], Response]
_WRONG_TOKEN_S = 1.0


def show_home(desk: Desk, request: Request) -> Response:
    form = request.query_params.get("saved", "")
    return _home(desk, request, taking.said_of(delivery.whereabouts(desk.farm, form), desk.notes.get(form, [])))


def _home(desk: Desk, request: Request, said: list[str]) -> Response:
    live = sum(finding.status in findings.LIVE for finding in load_findings(desk.farm))
    return desk.page(request, "home", said=said, waiting=delivery.waiting(desk.farm), findings=live)


def take_inbox(desk: Desk, request: Request) -> Response:
    """Take what waits in the inbox, as ``farmwatch collect`` does."""
    with desk.farm.writer(delivery.BUSY_S):
        summary = collect(desk.farm)
    total = summary.totals
    bad = total.quarantined.total()
    lines = [f"{words.count(total.rows, 'row')}: {total.taken} taken, {total.replaced} replaced, {bad} to quarantine."]
    lines += [f"{report.file} cannot be read: {report.error}" for report in summary.unreadable]
    return _home(desk, request, lines)


def show_login(desk: Desk, request: Request) -> Response:
    if request.state.session.entered:
        return RedirectResponse("/", 303)
    return desk.page(request, "login", banner="")


def log_in(desk: Desk, request: Request) -> Response:
    """A right token gives a session of its own, so that nobody knows its name from before."""
    if desk.rules.opens(request.state.fields.text("key")):
        request.state.session = desk.rules.new_session(entered=True)
        return RedirectResponse("/", 303)
    time.sleep(_WRONG_TOKEN_S)
    return desk.page(request, "login", 403, banner="That is not the token.")


ROUTES: tuple[tuple[str, Handler, Handler | None], ...] = (
    ("/", show_home, None),
    ("/printers", runs.show_printers, None),
    ("/printer", runs.show_printer, None),
    ("/run", runs.show_run, runs.save_run),
    ("/service", logs.show_service, logs.save_service),
    ("/coupons", logs.show_coupons, logs.save_coupons),
    ("/findings", findings.show_findings, None),
    ("/finding", findings.show_finding, findings.save_check),
    ("/inbox", show_home, take_inbox),
    (LOGIN, show_login, log_in),
)


def build_app(desk: Desk) -> Starlette:
    """The desk as an ASGI application."""
    routes = []
    for path, show, save in ROUTES:
        routes.append(Route(path, partial(_answer, desk, show), methods=["GET"]))
        if save is not None:
            routes.append(Route(path, partial(_answer, desk, save), methods=["POST"]))
    return Starlette(
        routes=routes,
        middleware=[Middleware(Guard, rules=desk.rules)],
        exception_handlers={
            404: partial(_no_page, desk),
            405: partial(_plain, "Not here.", 405),
        },
    )


def _no_page(desk: Desk, request: Request, error: Exception) -> Response:
    return desk.page(request, "trouble", 404, said="there is no such page")


def _answer(desk: Desk, handler: Handler, request: Request) -> Response:
    try:
        return handler(desk, request)
    except StoreError as error:
        return desk.page(request, "trouble", 503, said=one_line(error))
    except Exception as error:
        said = f"{type(error).__name__}: {one_line(error)}"
        place = hashlib.sha256(said.encode()).hexdigest()[:6]
        click.echo(f"farmwatch desk: {request.url.path}: {said} ({place})", err=True)
        return desk.page(
            request, "trouble", 500, said=f"This did not work; the terminal of the desk says why ({place})."
        )


def _plain(text: str, status: int, request: Request, error: Exception) -> Response:
    return PlainTextResponse(text, status)
