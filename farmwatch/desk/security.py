"""Who may speak with the desk, under which names, and what every answer carries along.

Loopback needs no token: whoever is on the machine may write the farm's folder anyway. A page of a stranger in the same
browser may not, so posts need a token of their session and come from the desk's own address; and a stranger's name that
is made to point here is not answered at all.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

TOKEN_LEAST = 16  # characters of a token given by hand


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address. A name other than ``localhost`` is not trusted to."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def host_of(header: str) -> str | None:
    """The name in a ``Host`` header, without port and brackets, in lower case; None where it is none."""
    try:
        parts = urlsplit(f"//{header}")
        _ = parts.port
    except ValueError:
        return None
    plain = parts.hostname is not None and not (parts.path or parts.query or parts.fragment or parts.username)
    return parts.hostname if plain else None


@dataclass(frozen=True)
class Session:
    """One browser. ``entered``: it has shown the token, or needs none."""

    name: str
    entered: bool


@dataclass(frozen=True)
class Rules:
    """What is asked of a request. ``token``: None where none is needed; ``names``: hosts under which the desk answers.

    ``addresses``: whether it answers under every numeric address too (a numeric address cannot be made to point
    elsewhere). ``cookie``: its name; two desks of one machine must not overwrite each other's.
    """

    token: str | None
    names: frozenset[str]
    addresses: bool = False
    cookie: str = "farmwatch_desk"
    _secret: bytes = field(default_factory=lambda: secrets.token_bytes(32), repr=False)

    def answers(self, header: str) -> bool:
        """Whether the desk goes by the name in a ``Host`` header."""
        name = host_of(header)
        if name is None:
            return False
        if name in self.names:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return self.addresses

    def own_origin(self, headers: Mapping[str, str]) -> bool:
        """Whether a post comes from a page of the desk: its origin is the very host that it is sent to."""
        origin, host = headers.get("origin", ""), headers.get("host", "")
        if headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return False
        return origin in (f"http://{host}", f"https://{host}")

    def opens(self, token: str) -> bool:
        """Whether this is the token; takes as long for one that is nearly right."""
        return self.token is not None and hmac.compare_digest(token.encode(), self.token.encode())

    def new_session(self, entered: bool = False) -> Session:
        return Session(secrets.token_hex(16), entered or self.token is None)

    def cookie_of(self, session: Session) -> str:
        """The header that gives a browser its session. Over plain HTTP, so without ``Secure``."""
        state = "in" if session.entered else "out"
        value = f"{session.name}.{state}.{self._mac('session', session.name, state)}"
        return f"{self.cookie}={value}; Path=/; HttpOnly; SameSite=Strict"

    def session_of(self, header: str) -> Session | None:
        """The session that a ``Cookie`` header carries; None for none, a forged one, or one of an earlier start."""
        jar: SimpleCookie = SimpleCookie()
        try:
            jar.load(header)
            name, state, mac = jar[self.cookie].value.split(".")
        except (CookieError, KeyError, ValueError):
            return None
        if not mac.isascii() or not hmac.compare_digest(mac, self._mac("session", name, state)):
            return None
        return Session(name, state == "in")

    def form_token(self, session: Session) -> str:
        """What every form of a session carries, and no other page can know."""
        return self._mac("form", session.name)

    def owns_form(self, session: Session, token: str) -> bool:
        return token.isascii() and hmac.compare_digest(token, self.form_token(session))

    def _mac(self, *words: str) -> str:
        return hmac.new(self._secret, "\0".join(words).encode(), hashlib.sha256).hexdigest()[:40]


def answer_headers(nonce: str) -> dict[str, str]:
    """What every answer carries. The referrer stays inside: with none at all browsers would hide a post's origin."""
    policy = (
        f"default-src 'none'; style-src 'nonce-{nonce}'; script-src 'nonce-{nonce}'; img-src data:; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )
    return {
        "content-security-policy": policy,
        "x-frame-options": "DENY",
        "x-content-type-options": "nosniff",
        "referrer-policy": "same-origin",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
        "cache-control": "no-store",
    }
