"""The desk on its address: bound, told on one line, served until Ctrl-C or SIGTERM."""

from __future__ import annotations

import secrets
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

import uvicorn

from farmwatch.desk.app import build_app
from farmwatch.desk.pages import Desk
from farmwatch.desk.security import TOKEN_LEAST, Rules, is_loopback
from farmwatch.store import Farm, StoreError
from farmwatch.store.files import one_line

_GRACE_S = 5
_AT_ONCE = 256
_WILDCARDS = ("0.0.0.0", "::")


@dataclass(frozen=True)
class Opened:
    """A desk that is bound and not yet serving. ``line``: what to tell on the terminal."""

    desk: Desk
    bound: socket.socket
    line: str

    def serve(self) -> None:
        """Answer until Ctrl-C or SIGTERM; then finish what is in hand, and return."""
        config = uvicorn.Config(
            build_app(self.desk),
            log_config=None,
            access_log=False,
            server_header=False,
            lifespan="off",
            ws="none",
            limit_concurrency=_AT_ONCE,
            timeout_keep_alive=15,
            timeout_graceful_shutdown=_GRACE_S,
        )
        with _signals_end_quietly(), self.bound:
            uvicorn.Server(config).run(sockets=[self.bound])


def open_desk(farm: Farm, host: str, port: int, token: str | None) -> Opened:
    """Bind the desk of ``farm``. Off loopback it asks for ``token``; without one a token is made up and told.

    Raises :class:`StoreError` where the address cannot be had or the token is too short.
    """
    local = is_loopback(host)
    if token is not None and len(token) < TOKEN_LEAST:
        raise StoreError(f"FARMWATCH_DESK_TOKEN: shorter than {TOKEN_LEAST} characters")
    made_up = not local and token is None
    asked = None if local and token is None else token or secrets.token_urlsafe(18)
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        bound = socket.create_server((host, port), family=family)
    except (OSError, OverflowError, UnicodeError) as error:
        raise StoreError(f"{host}, port {port}: cannot be had: {one_line(error)}") from None
    port = bound.getsockname()[1]
    name = socket.gethostname().lower()
    names = {host, "localhost", "127.0.0.1", "::1"} if local else {host.lower(), name, f"{name}.local"}
    rules = Rules(asked, frozenset(names), host in _WILDCARDS, f"farmwatch_desk_{port}")
    shown = f"[{host}]" if ":" in host else name if host in _WILDCARDS else host
    tail = f"; token: {asked}" if made_up else ""
    return Opened(
        Desk(farm, rules), bound, f"The desk of {farm.path} is at http://{shown}:{port}/ (Ctrl-C ends it){tail}"
    )


@contextmanager
def _signals_end_quietly() -> Iterator[None]:
    """The server raises the signal that ended it once more when it is done; by then it has been obeyed."""

    def obeyed(number: int, frame: FrameType | None) -> None:
        return None

    before = {number: signal.signal(number, obeyed) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
