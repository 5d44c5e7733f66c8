"""The guard before all pages: what does not pass is answered here, and no handler ever sees it."""

from __future__ import annotations

import secrets
from urllib.parse import parse_qsl

import anyio
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from farmwatch.desk.security import Rules, answer_headers

BODY_BYTES = 1 << 20
BODY_FIELDS = 20_000
BODY_S = 30.0
LOGIN = "/login"
_FORM = "application/x-www-form-urlencoded"


class Fields:
    """The fields of a posted form, with plain line ends."""

    def __init__(self, pairs: list[tuple[str, str]]) -> None:
        self._values: dict[str, list[str]] = {}
        for name, value in pairs:
            self._values.setdefault(name, []).append(value.replace("\r\n", "\n"))

    def own(self, name: str) -> str:
        """The first value of ``name`` just as the page gave it away; empty where there is none."""
        return self._values.get(name, [""])[0]

    def text(self, name: str) -> str:
        """The first value of ``name`` without the blanks around that fingers leave."""
        return self.own(name).strip()

    def all(self, name: str) -> list[str]:
        return [value.strip() for value in self._values.get(name, [])]


class Guard:
    """Host, session, origin, size and form token, in this order; then security headers on whatever is answered.

    The handler finds ``session``, ``nonce`` and, of a post, ``fields`` in the request's state.
    """

    def __init__(self, app: ASGIApp, rules: Rules) -> None:
        self._app = app
        self._rules = rules

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        rules, headers = self._rules, Headers(scope=scope)
        nonce = secrets.token_urlsafe(16)
        known = rules.session_of(headers.get("cookie", ""))
        session = known or rules.new_session()
        state = scope.setdefault("state", {})
        state.update(session=session, nonce=nonce)

        async def send_on(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                out.update(answer_headers(nonce))
                if "session" in state and (state["session"] is not known):
                    out.append("set-cookie", rules.cookie_of(state["session"]))
            await send(message)

        refusal = self._refusal(scope, headers)
        if refusal is None and scope["method"] == "POST":
            refusal = await self._read_form(scope, headers, receive, known is not None)
        await (refusal or self._app)(scope, receive, send_on)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        """Why a request is not let through, as an answer."""
        rules, method = self._rules, scope["method"]
        if not rules.answers(headers.get("host", "")):
            scope["state"].pop("session")
            return PlainTextResponse("The desk does not go by this name.", 421)
        if method not in ("GET", "POST"):
            return PlainTextResponse("The desk knows GET and POST only.", 405)
        if method == "POST" and not rules.own_origin(headers):
            return PlainTextResponse("This was not sent from a page of the desk. Nothing was saved.", 403)
        if not scope["state"]["session"].entered and scope["path"] != LOGIN:
            return RedirectResponse(LOGIN, 303)
        return None

    async def _read_form(self, scope: Scope, headers: Headers, receive: Receive, known: bool) -> Response | None:
        if headers.get("content-type", "").split(";")[0].strip().lower() != _FORM:
            return PlainTextResponse("Not a form.", 415)
        try:
            with anyio.fail_after(BODY_S):
                body = await _body(receive)
        except TimeoutError:
            return PlainTextResponse("The form came too slowly. Nothing was saved.", 408)
        if body is None:
            return PlainTextResponse(f"More than the {BODY_BYTES} bytes that a form may have.", 413)
        try:
            pairs = parse_qsl(body.decode("ascii"), True, True, "utf-8", "strict", BODY_FIELDS)
        except ValueError:
            return PlainTextResponse("Not a form.", 400)
        fields = Fields(pairs)
        if not known or not self._rules.owns_form(scope["state"]["session"], fields.text("token")):
            return PlainTextResponse(
                "This page is of another visit, or from before the desk was started anew. Nothing was saved: "
                "go back, note what you typed, load the page again.",
                403,
            )
        scope["state"]["fields"] = fields
        return None


async def _body(receive: Receive) -> bytes | None:
    """The whole body; None where it is too large or breaks off."""
    chunks: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return None
        chunks.append(message.get("body", b""))
        size += len(chunks[-1])
        if size > BODY_BYTES:
            return None
        if not message.get("more_body", False):
            return b"".join(chunks)
