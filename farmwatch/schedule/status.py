"""How the farm's jobs and records stand: as plain data, and in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any
from zoneinfo import ZoneInfo

from farmwatch.records import TABLES
from farmwatch.report.text import printable
from farmwatch.report.words import count
from farmwatch.schedule.periods import JOBS, Period, candidates, held_back, standing, upcoming
from farmwatch.settings import Settings
from farmwatch.store import Farm, StoreError
from farmwatch.store.freshness import Freshness, freshness
from farmwatch.store.jobs import LEDGER_FILE, Entry, Ledger, is_busy, load_jobs


def status_document(farm: Farm, now: dt.datetime | None = None) -> dict[str, Any]:
    """Everything that ``farmwatch status`` shows, times on the farm's clock. Records or a ledger that cannot be read
    are said in ``troubles``, and the rest is shown all the same.
    """
    now = (now or dt.datetime.now(dt.UTC)).astimezone(dt.UTC)
    zone = ZoneInfo(farm.timezone)
    troubles: list[str] = []
    ledger: Ledger = {}
    printers: list[Freshness] | None = None
    running = False
    try:
        ledger, bad = load_jobs(farm)
        troubles += [f"{LEDGER_FILE}: line {number} cannot be read" for number in bad]
        running = any(entry.state == "started" for entry in ledger.values()) and is_busy(farm)
    except StoreError as error:
        troubles.append(str(error))
    missing = [table for table in TABLES if not farm.folder(table).files()]
    if missing:
        troubles.append(f"{farm.records_path}: no file of {', '.join(missing)}; farmwatch rebuild makes it anew")
    try:
        printers = freshness(farm, now)
    except StoreError as error:
        troubles.append(str(error))
    owed = _open(ledger, now, farm.settings)
    return {
        "farm": str(farm.path),
        "timezone": farm.timezone,
        "now": _local(now, zone),
        "running": running,
        "troubles": troubles,
        "jobs": [_job(job, ledger, zone, running) for job in JOBS],
        "due": [
            _owed(period, owed, ledger, now, farm.settings, zone)
            for period in owed
            if not (running and period.key in ledger and ledger[period.key].state == "started")
        ],
        "next": [_next(upcoming(job, now, farm.settings), zone) for job in JOBS],
        "inbox_files": sum(path.is_file() for path in farm.inbox.rglob("*")) if farm.inbox.is_dir() else 0,
        "records_read": printers is not None,
        "printers": [_printer(one, zone) for one in printers or ()],
    }


def _local(time: dt.datetime | None, zone: ZoneInfo) -> str | None:
    return None if time is None else time.astimezone(zone).isoformat(timespec="seconds")


def _open(ledger: Ledger, now: dt.datetime, settings: Settings) -> list[Period]:
    return [
        period
        for period in candidates(ledger, now, settings)
        if standing(ledger.get(period.key), now, settings) != "done"
    ]


def _job(job: str, ledger: Ledger, zone: ZoneInfo, running: bool) -> dict[str, Any]:
    """The last try and the last success of one job."""
    own = sorted((entry for entry in ledger.values() if entry.job == job), key=lambda entry: entry.started)
    good = [entry for entry in own if entry.state == "succeeded"]
    return {
        "job": job,
        "last": _entry(own[-1], zone, running) if own else None,
        "last_success": _entry(good[-1], zone, running) if good else None,
    }


def _entry(entry: Entry, zone: ZoneInfo, running: bool) -> dict[str, Any]:
    state = entry.state if entry.state != "started" else "running" if running else "killed"
    return {
        "period": entry.period,
        "state": state,
        "started": _local(entry.started, zone),
        "ended": _local(entry.ended, zone),
        "attempts": entry.attempts,
        "error": entry.error,
        "note": entry.note,
    }


def _owed(
    period: Period, owed: Sequence[Period], ledger: Ledger, now: dt.datetime, settings: Settings, zone: ZoneInfo
) -> dict[str, Any]:
    entry = ledger.get(period.key)
    stands = standing(entry, now, settings)
    again = None
    if entry is not None and entry.ended is not None and stands == "waiting":
        again = entry.ended + dt.timedelta(minutes=settings.schedule.retry_minutes)
    return {
        "job": period.job,
        "period": period.name,
        "since": _local(period.due, zone),
        "standing": "held back" if held_back(period, owed, ledger, now, settings) else stands,
        "next_try": _local(again, zone),
    }


def _next(period: Period, zone: ZoneInfo) -> dict[str, Any]:
    return {"job": period.job, "period": period.name, "at": _local(period.due, zone)}


def _printer(one: Freshness, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "printer_id": one.printer_id,
        "last_run_ended": _local(one.last_ended, zone),
        "days": one.days,
        "habit_days": one.habit_days,
        "silent": one.silent,
    }


def status_text(document: dict[str, Any]) -> str:
    """The document of :func:`status_document` in words, what needs a person first."""
    lines = [f"{document['farm']}, {_clock(document['now'])} ({document['timezone']})"]
    lines += [f"trouble: {trouble}" for trouble in document["troubles"]]
    lines += _silent_lines(document["printers"])
    lines += _future_lines(document["printers"])
    for job in document["jobs"]:
        lines += _job_lines(job)
    for owed in document["due"]:
        lines.append(_owed_line(owed))
    lines += [f"next: {item['job']} {item['period']} at {_clock(item['at'])}" for item in document["next"]]
    files = document["inbox_files"]
    lines.append(f"inbox: {files} {'file waits' if files == 1 else 'files wait'}")
    lines += _fresh_lines(document["printers"], document["records_read"])
    return "\n".join(printable(line) for line in lines)


def _clock(text: str) -> str:
    return text[:16].replace("T", " ")


def _days(days: float) -> str:
    """In hours below two days, in whole days from ten on."""
    if days < 2.0:
        return count(round(24.0 * days), "hour")
    return f"{days:.0f} days" if days >= 10.0 else f"{days:.1f} days"


def _silent_lines(printers: list[dict[str, Any]]) -> list[str]:
    silent = [one for one in printers if one["silent"]]
    if len(silent) > 1 and len(silent) == sum(one["days"] is not None for one in printers):
        newest_days = min(one["days"] for one in silent)
        return [f"no printer reports: the last run of any ended {_days(newest_days)} ago; do the files still come?"]
    return [
        f"stopped reporting: {one['printer_id']}, last run ended {_clock(one['last_run_ended'])}, "
        f"{_days(one['days'])} ago{_habit(one)}"
        for one in silent
    ]


def _future_lines(printers: list[dict[str, Any]]) -> list[str]:
    """Runs that end after now: one clock is wrong, this machine's or a printer's, and freshness cannot be judged."""
    ahead = [one for one in printers if one["days"] is not None and one["days"] < 0]
    if not ahead:
        return []
    days = max(-float(one["days"]) for one in ahead)
    if len(ahead) == 1:
        return [f"a wrong clock? The last run of {ahead[0]['printer_id']} ends in the future, {_days(days)} from now"]
    return [f"a wrong clock? The last runs of {len(ahead)} printers end in the future, up to {_days(days)} from now"]


def _habit(one: dict[str, Any]) -> str:
    return "" if one["habit_days"] is None else f" (it rests up to {_days(one['habit_days'])} as a habit)"


def _job_lines(job: dict[str, Any]) -> list[str]:
    last, good = job["last"], job["last_success"]
    if last is None:
        return [f"{job['job']}: the clock has not run it yet"]
    words = {
        "succeeded": f"succeeded {_clock(last['ended'] or last['started'])}",
        "failed": f"failed {_clock(last['ended'] or last['started'])} after {last['attempts']} "
        f"{'try' if last['attempts'] == 1 else 'tries'}: {last['error']}",
        "running": f"runs since {_clock(last['started'])}",
        "killed": f"was cut off (started {_clock(last['started'])}, try {last['attempts']})",
    }
    note = f"; {last['note']}" if last["note"] else ""
    lines = [f"{job['job']} {last['period']}: {words[last['state']]}{note}"]
    if last["state"] != "succeeded":
        then = f"{good['period']}, {_clock(good['ended'])}" if good else "never"
        lines.append(f"{job['job']}: last success {then}")
    return lines


def _owed_line(owed: dict[str, Any]) -> str:
    after = {
        "due": f"since {_clock(owed['since'])}",
        "waiting": f"failed, tried again from {_clock(owed['next_try'] or owed['since'])} on",
        "held back": "waits for the week's last night"
        if owed["job"] == "weekly"
        else "waits for an earlier night that is tried again",
        "given up": "given up after its last try; farmwatch.log says why. By hand: "
        f"farmwatch {owed['job']} {'--as-of' if owed['job'] == 'nightly' else '--week'} {owed['period']}",
    }
    return f"due: {owed['job']} {owed['period']}: {after[owed['standing']]}"


def _fresh_lines(printers: list[dict[str, Any]], read: bool) -> list[str]:
    if not read:
        return ["printers: not known, as the records cannot be read"]
    if not printers:
        return ["printers: no runs in the records yet"]
    lines = []
    for one in printers:
        if one["days"] is None:
            lines.append(f"printer {one['printer_id']}: no run yet")
        elif one["days"] < 0:
            lines.append(f"printer {one['printer_id']}: last run ends {_days(-one['days'])} from now")
        else:
            lines.append(f"printer {one['printer_id']}: last run ended {_days(one['days'])} ago")
    return lines
