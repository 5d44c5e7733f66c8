"""Telling people: the weekly report by mail, new findings to a webhook. Both are off unless the settings name where to.

Nothing here raises: what could not be sent is returned as a line, the rest goes to the farm's log. Each notice is sent
at most once. Secrets come from the environment: ``FARMWATCH_MAIL_PASSWORD``, ``FARMWATCH_WEBHOOK_TOKEN``.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from farmwatch.evidence import Finding
from farmwatch.report.week import Week
from farmwatch.store import Farm
from farmwatch.store.files import one_line
from farmwatch.store.jobs import write_log

if TYPE_CHECKING:
    import smtplib

MAIL_PASSWORD, WEBHOOK_TOKEN = "FARMWATCH_MAIL_PASSWORD", "FARMWATCH_WEBHOOK_TOKEN"
_LOOPBACK = ("localhost", "127.0.0.1", "::1")


def mail_report(farm: Farm, week: Week, page: Path) -> tuple[str, ...]:
    """Mail the report at ``page`` (its Markdown beside it as the text). What could not be sent, in words."""
    wanted = farm.settings.schedule
    if not (wanted.mail_host and wanted.mail_to):
        return ()
    return _tried(farm, "the weekly report was not mailed", lambda: _mail(farm, week, page))


def post_findings(farm: Farm, night: dt.date, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Post ``findings`` as one JSON document, in the form of ``farmwatch findings --json``. Nothing new, no post."""
    if not farm.settings.schedule.webhook_url or not findings:
        return ()
    return _tried(farm, "the webhook was not told of new findings", lambda: _post(farm, night, findings))


def _tried(farm: Farm, trouble: str, send: Callable[[], None]) -> tuple[str, ...]:
    try:
        send()
    except Exception as error:  # a report that is written counts, whoever hears of it
        line = f"{trouble}: {one_line(error)}"
        write_log(farm, dt.datetime.now(dt.UTC), line, traceback.format_exc())
        return (line,)
    return ()


def _mail(farm: Farm, week: Week, page: Path) -> None:
    from email.message import EmailMessage

    wanted = farm.settings.schedule
    message = EmailMessage()
    message["Subject"] = f"{' '.join(farm.settings.farm.name.split())}: report of {week}"
    message["From"] = wanted.mail_from or wanted.mail_to[0]
    message["To"] = ", ".join(wanted.mail_to)
    message.set_content(page.with_suffix(".md").read_text(encoding="utf-8"))
    message.add_attachment(page.read_bytes(), maintype="text", subtype="html", filename=page.name)
    with _connected(farm) as server:
        if wanted.mail_user:
            if wanted.mail_security == "none" and wanted.mail_host not in _LOOPBACK:
                raise ValueError("mail_security is none: the password would travel in the clear")
            if not os.environ.get(MAIL_PASSWORD):
                raise ValueError(f"{MAIL_PASSWORD} is not set in the environment")
            server.login(wanted.mail_user, os.environ[MAIL_PASSWORD])
        refused = server.send_message(message)
    if refused:
        raise ValueError(f"refused by the mail server: {', '.join(sorted(refused))}")


def _connected(farm: Farm) -> smtplib.SMTP:
    import smtplib
    import ssl

    wanted = farm.settings.schedule
    if wanted.mail_security == "tls":
        context = ssl.create_default_context()
        return smtplib.SMTP_SSL(wanted.mail_host, wanted.mail_port, timeout=wanted.timeout_s, context=context)
    server = smtplib.SMTP(wanted.mail_host, wanted.mail_port, timeout=wanted.timeout_s)
    if wanted.mail_security == "starttls":
        try:
            server.starttls(context=ssl.create_default_context())
        except BaseException:
            server.close()
            raise
    return server


def _post(farm: Farm, night: dt.date, findings: Sequence[Finding]) -> None:
    import urllib.request

    from farmwatch.report.headlines import headline
    from farmwatch.report.text import to_json

    document = {
        "farm": farm.settings.farm.name,
        "night": night.isoformat(),
        "findings": [
            {"headline": headline(finding.evidence), **published}
            for finding, published in zip(findings, to_json(findings), strict=True)
        ],
    }
    request = urllib.request.Request(
        farm.settings.schedule.webhook_url,
        data=json.dumps(document, allow_nan=False).encode(),
        headers={"Content-Type": "application/json", "User-Agent": "farmwatch"},
        method="POST",
    )
    if os.environ.get(WEBHOOK_TOKEN):
        request.add_unredirected_header("Authorization", f"Bearer {os.environ[WEBHOOK_TOKEN]}")
    with urllib.request.build_opener(_no_redirects()).open(request, timeout=farm.settings.schedule.timeout_s):
        pass


def _no_redirects() -> Any:
    """What is posted goes where the settings say and nowhere else."""
    import urllib.request

    class NoRedirects(urllib.request.HTTPRedirectHandler):
        def redirect_request(self, *_: Any) -> None:
            return None

    return NoRedirects()
