"""The subject among its peers and rivals."""

from __future__ import annotations

import math

from farmwatch.evidence import SUBJECT_NAMES, Evidence, Subject
from farmwatch.report import words
from farmwatch.report.frames import Frames
from farmwatch.report.pictures import Comparison, ComparisonRow

PEERS_SHOWN = 12


def comparison(evidence: Evidence, frames: Frames) -> Comparison | None:
    """The subject among its peers since the onset, with its rivals of any type; the worst peers are shown."""
    who = evidence.subject
    peers = frames.ratios(who.type, evidence.since)
    named = {Subject(who.type, name): ratio for name, ratio in peers.items()}
    for rival in evidence.rivals:
        found = frames.ratios(rival.type, evidence.since) if rival.type != who.type else {}
        named |= {rival: found[rival.id]} if rival.id in found else {}
    if who not in named or len(named) < 2:
        return None
    order = sorted(named, key=lambda item: (item != who, item not in evidence.rivals, -named[item].low, item))
    rows = [
        ComparisonRow(
            name=item.id if item.type == who.type else item.words,
            ratio=named[item].value,
            low=named[item].low,
            high=named[item].high,
            role="subject" if item == who else "rival" if item in evidence.rivals else "peer",
            chances=named[item].chances,
        )
        for item in order[:PEERS_SHOWN]
        if math.isfinite(named[item].value)
    ]
    rows.sort(key=lambda row: (-row.ratio, row.name))
    own = named[who]
    kind = SUBJECT_NAMES[who.type]
    beside = words.listed(f"{row.name}, {words.number_text(row.ratio)} times" for row in rows if row.role == "rival")
    return Comparison(
        title=f"Failures against expected since {words.date(evidence.since)}, {kind} by {kind}",
        alt=(
            f"Failures over expected with 95 % intervals for {len(rows)} of {len(named)}, {kind} by {kind}. "
            f"{words.sentence(who.words)}: {words.number_text(own.value)} times "
            f"({words.number_text(own.low)} to {words.number_text(own.high)})."
            + (f" Rivals: {beside}." if beside else "")
        ),
        unit=frames.unit,
        rows=tuple(rows),
    )
