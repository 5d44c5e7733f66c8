"""Mail and webhook against servers that speak the protocols, on this machine."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
import json
import socket
import threading
from collections.abc import Iterator
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword
from torture.farms import printer_finding

from farmwatch.evidence import Finding
from farmwatch.report.week import Week
from farmwatch.schedule import recipes, run_due
from farmwatch.schedule.notices import mail_report, post_findings
from farmwatch.schedule.periods import Period
from farmwatch.schedule.recipes import Done, Reading
from farmwatch.store import Farm
from farmwatch.store.jobs import LOG_FILE, load_jobs

from .conftest import Counted, settled, utc

NIGHT = dt.date(2031, 2, 10)
NOON = utc("2031-02-11 12:00")


class Post:
    """What arrived by mail."""

    def __init__(self) -> None:
        self.letters: list[tuple[list[str], EmailMessage]] = []

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        assert isinstance(message, EmailMessage)
        self.letters.append((envelope.rcpt_tos, message))
        return "250 taken"


def _login(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
    good = isinstance(data, LoginPassword) and (data.login, data.password) == (b"farm", b"secret")
    return AuthResult(success=good, handled=False)


@pytest.fixture
def mail() -> Iterator[tuple[Post, int]]:
    post = Post()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    controller = Controller(post, hostname="127.0.0.1", port=port, authenticator=_login, auth_require_tls=False)
    controller.start()
    yield post, port
    controller.stop()


class Hook(BaseHTTPRequestHandler):
    answer = 200
    got: list[tuple[str, dict[str, str], Any]]

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.got.append((self.path, dict(self.headers), json.loads(body)))
        self.send_response(self.answer)
        if self.answer == 302:
            self.send_header("Location", "/elsewhere")
        self.end_headers()

    def do_GET(self) -> None:
        self.got.append((self.path, dict(self.headers), None))
        self.send_response(200)
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        pass


@pytest.fixture
def hook() -> Iterator[tuple[type[Hook], str]]:
    handler = type("Own", (Hook,), {"got": []})
    server = HTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    yield handler, f"http://127.0.0.1:{server.server_port}/new"
    server.shutdown()
    thread.join()
    server.server_close()


def a_report(farm: Farm) -> Path:
    page = farm.reports / "weekly-2031-W06.html"
    page.write_text("<p>Zürich</p>", encoding="utf-8")
    page.with_suffix(".md").write_text("# Zürich\n", encoding="utf-8")
    return page


def mailing(farm: Farm, port: int, **more: object) -> Farm:
    return settled(
        farm,
        mail_host="127.0.0.1",
        mail_port=port,
        mail_security="none",
        mail_from="farm@example.org",
        mail_to=["a@example.org", "b@example.org"],
        **more,
    )


def a_finding(name: str = "p<1>") -> Finding:
    return printer_finding("f-1", name, NIGHT, ("r1",))


def test_off_unless_asked_for(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_network(*_: object, **__: object) -> None:
        raise AssertionError("nothing is to be sent")

    monkeypatch.setattr("socket.create_connection", no_network)
    assert mail_report(farm, Week(2031, 6), a_report(farm)) == ()
    assert post_findings(farm, NIGHT, [a_finding()]) == ()
    assert not (farm.path / LOG_FILE).exists()


def test_the_report_arrives_by_mail(farm: Farm, mail: tuple[Post, int]) -> None:
    post, port = mail
    farm = mailing(farm, port)
    page = a_report(farm)
    assert mail_report(farm, Week(2031, 6), page) == ()
    ((to, message),) = post.letters
    assert to == ["a@example.org", "b@example.org"]
    assert message["Subject"] == "resin farm: report of 2031-W06"
    body = message.get_body(("plain",))
    assert body is not None
    assert body.get_content().splitlines() == ["# Zürich"]
    (attached,) = message.iter_attachments()
    assert attached.get_filename() == page.name
    assert attached.get_content_type() == "text/html"
    assert attached.get_payload(decode=True) == page.read_bytes()


def test_mail_with_a_password_from_the_environment(
    farm: Farm, mail: tuple[Post, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    post, port = mail
    farm = mailing(farm, port, mail_user="farm")
    (line,) = mail_report(farm, Week(2031, 6), a_report(farm))
    assert "FARMWATCH_MAIL_PASSWORD is not set" in line
    monkeypatch.setenv("FARMWATCH_MAIL_PASSWORD", "wrong")
    (line,) = mail_report(farm, Week(2031, 6), a_report(farm))
    assert "535" in line
    assert not post.letters
    monkeypatch.setenv("FARMWATCH_MAIL_PASSWORD", "secret")
    assert mail_report(farm, Week(2031, 6), a_report(farm)) == ()
    assert len(post.letters) == 1
    everything = (farm.path / LOG_FILE).read_text()
    assert "secret" not in everything


def test_no_password_in_the_clear_to_another_machine(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    class Silent:
        def __init__(self, *_: object, **__: object) -> None: ...
        def __enter__(self) -> Silent:
            return self

        def __exit__(self, *_: object) -> None: ...
        def login(self, *_: object) -> None:
            raise AssertionError("the password was sent")

    monkeypatch.setattr("smtplib.SMTP", Silent)
    monkeypatch.setenv("FARMWATCH_MAIL_PASSWORD", "secret")
    farm = settled(
        farm, mail_host="mail.example.org", mail_security="none", mail_user="farm", mail_to=["a@example.org"]
    )
    (line,) = mail_report(farm, Week(2031, 6), a_report(farm))
    assert "in the clear" in line


def test_a_server_without_encryption_is_not_used_where_it_is_asked_for(farm: Farm, mail: tuple[Post, int]) -> None:
    post, port = mail
    farm = settled(farm, mail_host="127.0.0.1", mail_port=port, mail_to=["a@example.org"])
    (line,) = mail_report(farm, Week(2031, 6), a_report(farm))
    assert "STARTTLS" in line
    assert not post.letters


def test_new_findings_are_posted(farm: Farm, hook: tuple[type[Hook], str], monkeypatch: pytest.MonkeyPatch) -> None:
    handler, url = hook
    monkeypatch.setenv("FARMWATCH_WEBHOOK_TOKEN", "secret")
    farm = settled(farm, webhook_url=url)
    assert post_findings(farm, NIGHT, []) == ()
    assert post_findings(farm, NIGHT, [a_finding()]) == ()
    ((path, headers, body),) = handler.got
    assert path == "/new"
    assert headers["Authorization"] == "Bearer secret"
    assert headers["Content-Type"] == "application/json"
    assert body["night"] == "2031-02-10"
    (finding,) = body["findings"]
    assert finding["finding_id"] == "f-1"
    assert finding["subject_id"] == "p<1>"
    assert "p<1>" in finding["headline"]


@pytest.mark.parametrize("answer", [302, 404, 500])
def test_a_webhook_that_refuses_is_a_line(farm: Farm, hook: tuple[type[Hook], str], answer: int) -> None:
    handler, url = hook
    handler.answer = answer
    (line,) = post_findings(settled(farm, webhook_url=url), NIGHT, [a_finding()])
    assert f"the webhook was not told of new findings: HTTP Error {answer}" in line
    assert [path for path, _, _ in handler.got] == ["/new"]


def test_neither_fails_the_night(farm: Farm, counted: Counted, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody listens on either port: the jobs succeed, and what was not sent stands on the ledger."""
    farm = settled(
        farm,
        webhook_url="http://127.0.0.1:9/new",
        mail_host="127.0.0.1",
        mail_port=9,
        mail_to=["a@example.org"],
        timeout_s=2.0,
    )

    def nightly(farm: Farm, period: Period, reading: Reading) -> Done:
        return Done("done", tell=lambda: post_findings(farm, period.last, [a_finding()]))

    def weekly(farm: Farm, period: Period, reading: Reading) -> Done:
        return Done("done", tell=lambda: mail_report(farm, Week(2031, 6), a_report(farm)))

    monkeypatch.setitem(recipes.RECIPES, "nightly", nightly)
    monkeypatch.setitem(recipes.RECIPES, "weekly", weekly)
    outcome = run_due(farm, NOON)
    assert not outcome.failed
    entries = load_jobs(farm)[0]
    assert {entry.state for entry in entries.values()} == {"succeeded"}
    assert "webhook was not told" in str(entries["nightly", "2031-02-10"].note)
    assert "not mailed" in str(entries["weekly", "2031-W06"].note)
    assert "Traceback" in (farm.path / LOG_FILE).read_text()


@pytest.mark.parametrize("url", ["file:///etc/passwd", "ftp://x", "http://a b", "example.org"])
def test_only_web_addresses_are_taken(farm: Farm, url: str) -> None:
    with pytest.raises(Exception, match=r"schedule\.webhook_url"):
        settled(farm, webhook_url=url)
