"""The life of a finding: opened, seen again, quiet, mended, back. The same thing keeps its name from night to night."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from dataclasses import replace

from farmwatch.evidence import Evidence, Finding, Status

QUIET_NIGHTS = dt.timedelta(days=3)  # an open finding unseen for longer has faded
COMES_BACK = dt.timedelta(days=45)  # trouble of a cleared subject within this time is the same trouble, returned
ONSET_SLACK = dt.timedelta(days=21)  # how far an onset may wander from night to night and still be the same
MEND_SLACK = dt.timedelta(days=3)  # between a mend and what it moves
SHARED_PLATES = 0.6  # share of a finding's plates that another subject must explain to take its place


def update(findings: Sequence[Finding], evidence: Sequence[Evidence], as_of: dt.date) -> tuple[Finding, ...]:
    """Findings after the night ``as_of``: evidence is matched to findings, what is left opens new ones or fades.

    Only evidence above its limit (score >= 0) opens a finding; weaker evidence keeps one alive. Running a night twice
    gives the same findings.
    """
    waiting = sorted(findings, key=lambda f: f.status in ("cleared", "faded"))  # what is in force is matched first
    done: list[Finding] = []
    strangers: list[Evidence] = []
    # what says the same as the night before is matched first, so that a finding does not change its tune without need
    for item in sorted(evidence, key=lambda e: (not any(_alike(f, e) for f in findings), -e.score)):
        same = [finding for finding in waiting if _same(finding, item)]
        match = next((finding for finding in same if _alike(finding, item)), same[0] if same else None)
        if match is None:
            strangers.append(item)
        else:
            waiting.remove(match)
            done.append(_seen(match, item, as_of))
    for item in strangers:
        if item.score < 0 or _follows_a_mend(item, findings) or _told_already(item, (*waiting, *done)):
            continue
        match = next((finding for finding in waiting if _explained(finding, item)), None)
        if match is None:
            done.append(_opened(item, as_of, {finding.finding_id for finding in (*waiting, *done)}))
        else:
            waiting.remove(match)
            done.append(_seen(match, item, as_of))
    done.extend(_unseen(finding, as_of) for finding in waiting)
    return tuple(sorted(done, key=lambda f: (f.first_flagged_on, f.finding_id)))


def _alike(finding: Finding, item: Evidence) -> bool:
    old = finding.evidence
    return (old.subject, old.kind, old.sign) == (item.subject, item.kind, item.sign)


def _same(finding: Finding, item: Evidence) -> bool:
    old = finding.evidence
    if old.subject != item.subject or (old.direction == "down") != (item.direction == "down"):
        return False
    if (old.kind == "odd_run") != (item.kind == "odd_run"):
        return False
    if old.sign is not None and item.sign is not None and old.sign != item.sign and old.kind == item.kind:
        return False
    if finding.status == "cleared" and not _before_mend(finding, item):
        alike = old.kind == item.kind or (old.sign is not None and old.sign == item.sign)
        return alike and item.score >= 0 and item.since <= finding.last_seen_on + COMES_BACK
    if finding.status == "faded" and item.since > finding.last_seen_on + ONSET_SLACK:
        return False
    return item.since_low <= finding.last_seen_on + ONSET_SLACK and item.since_high >= old.since_low - ONSET_SLACK


def _follows_a_mend(item: Evidence, findings: Sequence[Finding]) -> bool:
    """Whether ``item`` is no trouble but a mend at work: a measure that went back, a rate that fell, when it was done."""
    if item.kind != "signal_shift" and item.direction != "down":
        return False
    mended = [f.repair.get("on") for f in findings if f.evidence.subject == item.subject]
    return any(on is not None and item.since_low - MEND_SLACK <= on <= item.since_high + MEND_SLACK for on in mended)


def _told_already(item: Evidence, findings: Sequence[Finding]) -> bool:
    """Whether ``item`` only bears out a finding of its subject: a counter or a measure is no second fault beside it."""
    return item.kind in ("wear", "signal_shift") and any(
        finding.evidence.subject == item.subject
        and finding.evidence.kind != "odd_run"
        and (
            finding.status in ("open", "watching", "returned")
            or item.since_low <= finding.last_seen_on
            # wear that was mended is still in the records; only wear that comes back after a while is news
            or (
                item.kind == "wear"
                and finding.status == "cleared"
                and item.since_low <= finding.last_seen_on + COMES_BACK
            )
        )
        for finding in findings
    )


def _explained(finding: Finding, item: Evidence) -> bool:
    """Whether ``item``, of another subject, is what ``finding`` saw: tonight's explanation of the same plates."""
    old = finding.evidence
    if finding.status != "open" or (old.direction == "down") != (item.direction == "down") or not old.run_ids:
        return False
    if "odd_run" in (old.kind, item.kind) or "signal_shift" in (old.kind, item.kind):
        return False
    if old.sign is not None and item.sign is not None and old.sign != item.sign:
        return False
    shared = len(set(old.run_ids) & set(item.run_ids))
    # two names that the records cannot tell apart may change places from night to night: it is one trouble all the same
    rivals = item.subject in old.rivals or old.subject in item.rivals
    return shared >= SHARED_PLATES * (min(len(old.run_ids), len(item.run_ids)) if rivals else len(old.run_ids))


def _before_mend(finding: Finding, item: Evidence) -> bool:
    """Whether ``item`` only tells again what was so before the finding's mend."""
    mended = finding.repair.get("on")
    return mended is not None and item.since <= mended


def _seen(finding: Finding, item: Evidence, as_of: dt.date) -> Finding:
    if finding.status in ("watching", "cleared") and _before_mend(finding, item):
        return finding
    if finding.status == "watching":
        return replace(finding, last_seen_on=as_of)  # whether it is back is for the verdict on the mend to say
    status: Status = {"faded": "open", "cleared": "returned"}.get(finding.status, finding.status)  # type: ignore[assignment]
    return replace(finding, evidence=item, last_seen_on=as_of, status=status)


def _unseen(finding: Finding, as_of: dt.date) -> Finding:
    if finding.status in ("open", "returned") and as_of - finding.last_seen_on > QUIET_NIGHTS:
        return replace(finding, status="faded")
    return finding


def _opened(item: Evidence, as_of: dt.date, taken: set[str]) -> Finding:
    words = [item.kind, item.subject.type, item.subject.id, item.sign or "", item.direction, as_of.isoformat()]
    for attempt in range(1000):
        digest = hashlib.blake2b("\x1f".join([*words, str(attempt)]).encode(), digest_size=4).hexdigest()
        name = f"F{as_of:%y%m%d}-{digest[:4]}"
        if name not in taken:
            return Finding(name, item, first_flagged_on=as_of, last_seen_on=as_of)
    raise RuntimeError(f"no free finding id on {as_of}")
