"""Nobody writes through the desk but from its own pages, under its own name, and with the token where one is asked."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

from farmwatch.desk import Desk, app, guard, open_desk
from farmwatch.desk.security import Rules, host_of, is_loopback
from farmwatch.store import Farm, StoreError
from tests.desk.conftest import Browser, filled

Rows = Callable[..., list[dict[str, object]]]
EVENT = {"subject_type": "printer", "subject_id": "fir", "action": "other", "at": "2031-03-05T12:30"}
TOKEN = "a token of some length"


@pytest.fixture
def locked(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> Desk:
    monkeypatch.setattr(app, "_WRONG_TOKEN_S", 0.0)
    return Desk(farm, Rules(TOKEN, frozenset({"127.0.0.1"}), addresses=True))


def test_every_answer_carries_the_security_headers(browser: Browser) -> None:
    for path in ("/", "/run?id=R1", "/nothing", "/run?id=none"):
        answer = browser.get(path)
        policy = answer.headers["content-security-policy"]
        nonce = re.search(r"script-src 'nonce-([\w-]+)'", policy)
        assert nonce is not None
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert set(re.findall(r"<(?:script|style)([^>]*)>", answer.html)) <= {f' nonce="{nonce[1]}"'}
        assert not re.search(r"\son\w+=|\sstyle=", answer.html), "nothing that the policy would block"
    assert browser.get("/").headers["content-security-policy"] != browser.get("/").headers["content-security-policy"]


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": ""},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "http://localhost:8420"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_a_post_from_elsewhere_is_refused(browser: Browser, rows: Rows, headers: dict[str, str]) -> None:
    pairs = filled(browser.get("/service").form("/service"), dict(EVENT))
    assert browser.post("/service", pairs, **headers).status == 403
    assert rows("service") == []
    assert browser.post("/service", pairs).status == 303


def test_a_post_without_the_token_of_its_session_is_refused(browser: Browser, desk: Desk, rows: Rows) -> None:
    pairs = filled(browser.get("/service").form("/service"), dict(EVENT))
    other = Browser(desk)
    theirs = other.get("/service").value("/service", "token")
    for token in ("", "0" * 40, theirs, "ü"):
        assert browser.post("/service", filled(pairs, {"token": token})).status == 403
    assert Browser(desk).post("/service", pairs).status == 403, "without a session"
    again = Browser(Desk(desk.farm, Rules(None, desk.rules.names)))
    again.client.cookies = browser.client.cookies
    assert again.post("/service", pairs).status == 403, "after a restart"
    assert rows("service") == []


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8420", "127.0.0.1.evil.example", "", "a@127.0.0.1", "[::1"]
)
def test_a_name_that_is_not_the_desks_is_not_answered(browser: Browser, host: str) -> None:
    answer = browser.client.get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "set-cookie" not in answer.headers
    assert "frame-ancestors" in answer.headers["content-security-policy"]


def test_names_of_hosts_are_read_as_they_are() -> None:
    assert [host_of(h) for h in ("LOCALHOST:1", "[::1]:80", "1.2.3.4")] == ["localhost", "::1", "1.2.3.4"]
    assert [host_of(h) for h in ("a/b", "a:x", "a?b", "a#b", "u@a", "")] == [None] * 6
    assert [is_loopback(h) for h in ("127.0.0.1", "127.9.9.9", "::1", "localhost")] == [True] * 4
    assert [is_loopback(h) for h in ("0.0.0.0", "::", "192.0.2.1", "machine")] == [False] * 4
    wide = Rules("x" * 16, frozenset({"machine"}), addresses=True)
    assert [wide.answers(h) for h in ("192.0.2.1:1", "[2001:db8::1]:1", "machine", "other")] == [
        True,
        True,
        True,
        False,
    ]


def test_too_much_and_what_is_no_form_is_refused(browser: Browser, rows: Rows) -> None:
    pairs = filled(browser.get("/service").form("/service"), dict(EVENT))
    assert browser.post("/service", filled(pairs, {"note": "x" * guard.BODY_BYTES})).status == 413
    assert browser.post("/service", pairs + [("a", "")] * guard.BODY_FIELDS).status == 400
    assert browser.post("/service", pairs, **{"content-type": "multipart/form-data; boundary=x"}).status == 415
    assert browser.post("/service", pairs, **{"content-type": "text/plain"}).status == 415
    wrong = browser.client.post(
        "/service",
        content=b"token=%FF",
        headers={**browser.headers, "content-type": "application/x-www-form-urlencoded"},
    )
    assert wrong.status_code == 400
    for method in ("PUT", "DELETE", "OPTIONS", "HEAD"):
        assert browser.client.request(method, "/", headers=browser.headers).status_code == 405
    assert rows("service") == []


def test_without_the_token_nothing_is_shown_or_written(locked: Desk, rows: Rows) -> None:
    browser = Browser(locked)
    for path in ("/", "/printers", "/run?id=R1", "/findings", "/nothing"):
        answer = browser.get(path)
        assert (answer.status, answer.headers["location"]) == (303, "/login")
        assert "R1" not in answer.html
    page = browser.get("/login")
    token = page.value("/login", "token")
    assert browser.post("/service", [*EVENT.items(), ("token", token)]).status == 303
    for wrong in ("", "a token", TOKEN + " x", TOKEN.upper(), "ü" * 20):
        answer = browser.send(page, "/login", {"key": wrong})
        assert answer.status == 403
        assert TOKEN not in answer.html
        assert browser.get("/").status == 303
    assert rows("service") == []


def test_the_token_opens_a_session_of_its_own(locked: Desk, rows: Rows) -> None:
    browser = Browser(locked)
    page = browser.get("/login")
    before = browser.client.cookies["farmwatch_desk"]
    entered = browser.send(page, "/login", {"key": TOKEN})
    assert entered.status == 303
    assert "HttpOnly" in entered.headers["set-cookie"]
    assert "SameSite=Strict" in entered.headers["set-cookie"]
    after = browser.client.cookies["farmwatch_desk"]
    assert before.split(".")[0] != after.split(".")[0], "a session known from before is not let in"
    assert browser.follow(browser.send(browser.get("/service"), "/service", dict(EVENT))).status == 200
    assert len(rows("service")) == 1
    name, _, mac = before.split(".")
    for forged in (f"{name}.in.{mac}", f"{name}.in.", "x", f"{name}.in.{'0' * 40}", f"{name}.in.ü"):
        other = Browser(locked)
        assert other.client.get("/", headers=[(b"cookie", f"farmwatch_desk={forged}".encode())]).status_code == 303


def test_loopback_is_open_and_all_else_asks_for_a_token(farm: Farm) -> None:
    local = open_desk(farm, "127.0.0.1", 0, None)
    wide = open_desk(farm, "0.0.0.0", 0, None)
    named = open_desk(farm, "0.0.0.0", 0, TOKEN)
    try:
        assert local.desk.rules.token is None
        assert "token" not in local.line
        assert wide.desk.rules.token is not None
        assert len(wide.desk.rules.token) >= 24
        assert wide.line.endswith(f"token: {wide.desk.rules.token}")
        assert TOKEN not in named.line
        assert named.desk.rules.opens(TOKEN)
        assert "\n" not in local.line + wide.line
        with pytest.raises(StoreError, match="cannot be had"):
            open_desk(farm, "127.0.0.1", local.bound.getsockname()[1], None)
    finally:
        for opened in (local, wide, named):
            opened.bound.close()
    with pytest.raises(StoreError, match="shorter than 16"):
        open_desk(farm, "0.0.0.0", 0, "short")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_cleanly(farm: Farm, number: signal.Signals, tmp_path: Path) -> None:
    command = [sys.executable, "-m", "farmwatch", "desk", "--farm", str(farm.path), "--port", "0"]
    env = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env) as desk:
        assert desk.stdout is not None
        line = desk.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:\d+/", line)
        assert address is not None, line
        with urllib.request.urlopen(address[0], timeout=20) as answer:
            assert "What do you enter?" in answer.read().decode()
        began = time.monotonic()
        desk.send_signal(number)
        out, err = desk.communicate(timeout=20)
    assert (desk.returncode, out, err) == (0, "", "")
    assert time.monotonic() - began < 10


def test_a_busy_port_is_one_line(farm: Farm) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        command = [sys.executable, "-m", "farmwatch", "desk", "--farm", str(farm.path), "--port", str(port)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert re.fullmatch(rf"Error: 127\.0\.0\.1, port {port}: cannot be had: .+\n", done.stderr)
