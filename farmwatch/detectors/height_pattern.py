"""How high: does a subject's work fail in one band (base, transition, body, one height) more than comparable work does?

Given that a part failed at a recorded height, the hazards of the other subjects' plates say in which band it was due,
up to the part's own height (``stats.heights``). The failures of one plate count as one, for one bad cavity takes its
neighbours at the same height. One height on one design everywhere is the file's; one machine height on one printer
whatever it prints is the machine's. The strongest pattern is taken first and its failures set aside.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from farmwatch.detectors.height_account import Pattern, account_for, carrying_printer, find_pattern
from farmwatch.detectors.height_scene import HeightScene, set_height_scene
from farmwatch.detectors.height_streams import height_streams
from farmwatch.detectors.height_units import HeightStreams
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.detectors.pattern_counts import counts_in_band
from farmwatch.detectors.whose_fault import with_rivals
from farmwatch.evidence import Check, Evidence, Subject, SubjectType

TYPES: tuple[SubjectType, ...] = ("printer", "design", "file", "profile", "lot", "family", "room")
WIDER: tuple[SubjectType, ...] = ("profile", "lot", "family", "room")
FAR_BELOW = 3.0  # log evidence under the floor from which a find cannot lift another kind of subject over it
KNOWN_RATE = 0.5  # of the rate asked for: what was told once does not come and go with the last plates
NO_HEIGHTS = "no failed part has a recorded height"


def detect(night: Night) -> Verdicts:
    """Evidence of every subject whose failures prefer a height (down to a tenth of the limit: it may be going on)."""
    scene = set_height_scene(night)
    if scene is None:
        return Verdicts((), (Check("height_pattern", "too_few", "farm", "farm", NO_HEIGHTS),))
    settings = night.settings.height_pattern
    evidence: list[Evidence] = []
    dismissed: set[Subject] = set()
    families = _all_streams(scene)
    checks = _checks(families)
    while len(evidence) < settings.findings_at_most:
        best = _strongest(families, dismissed, -settings.keep_within)
        if best is None:
            break
        streams, index = _narrowed(scene, families, best, -settings.keep_within)
        pattern = find_pattern(scene, streams, index)
        if not _needs_a_hand(night, streams.subject(index), pattern):
            # too weak to need a hand, or not its own; and so is the wider subject that it was narrowed from
            dismissed |= {streams.subject(index), best[0].subject(best[1])}
            continue
        made, taken = account_for(scene, streams, index, pattern)
        rates = streams.units.rates[streams.level[index]]
        evidence.append(with_rivals(made, night, counts_in_band(scene, rates, made)))
        scene = replace(scene, open=scene.open & ~taken)  # they neither testify nor serve as anyone's comparison
        families = _renewed(scene, families, streams.type, -settings.keep_within)
    flagged = {made.subject for made in evidence}
    return Verdicts(tuple(evidence), tuple(_marked(check, flagged) for check in checks))


def _narrowed(
    scene: HeightScene, families: list[HeightStreams], best: tuple[HeightStreams, int], floor: float
) -> tuple[HeightStreams, int]:
    """The printer instead of a wider subject, where it carries most of the wider one's evidence and stands by itself."""
    streams, index = best
    if streams.type not in WIDER:
        return best
    level = carrying_printer(scene, streams, index)
    printers = next((family for family in families if family.type == "printer"), None)
    if level is None or printers is None:
        return best
    own = np.flatnonzero((printers.level == level) & (printers.score >= floor))
    return (printers, int(own[0])) if len(own) else best


def _all_streams(scene: HeightScene) -> list[HeightStreams]:
    """The streams of every subject type that has any."""
    return [streams for kind in TYPES if (streams := height_streams(scene, kind)) is not None]


def _renewed(
    scene: HeightScene, families: list[HeightStreams], found: SubjectType, floor: float
) -> list[HeightStreams]:
    """Streams after a finding: its own type and every type in which something stands near the limit, looked at again.

    What lies far below cannot rise that far: the comparison with others moves by what one subject weighs among them.
    """
    renewed = [
        height_streams(scene, streams.type)
        if streams.type == found or streams.score.max() >= floor - FAR_BELOW
        else streams
        for streams in families
    ]
    return [streams for streams in renewed if streams is not None]


def _needs_a_hand(night: Night, subject: Subject, pattern: Pattern) -> bool:
    """Not what is too weak to matter, nor what designs do on any good farm, each at its own height now and then; and one
    height on a printer only where several designs show it."""
    settings = night.settings.height_pattern
    if pattern.effect.low < settings.odds_ratio_at_least:
        return False
    if pattern.band != "height" and subject.type not in ("design", "file"):
        return True
    known = any(spell.subject == subject and spell.until is None for spell in night.spells)
    if pattern.rates["rate_believed"] < settings.rate_at_least * (KNOWN_RATE if known else 1.0):
        return False
    return subject.type != "printer" or not pattern.design_share > settings.design_share_at_most


def _marked(check: Check, flagged: set[Subject]) -> Check:
    """The check, flagged where its subject has a finding."""
    return replace(check, state="flagged") if Subject(check.subject_type, check.subject_id or "") in flagged else check


def _strongest(
    families: list[HeightStreams], dismissed: set[Subject], floor: float
) -> tuple[HeightStreams, int] | None:
    """The stream that stands highest over its limit, at least ``floor``, of subjects not dismissed: its family and place."""
    best: tuple[HeightStreams, int] | None = None
    for streams in families:
        for index in np.argsort(-streams.score, kind="stable"):
            if streams.score[index] < floor:
                break
            if streams.subject(int(index)) in dismissed:
                continue
            if best is None or streams.score[index] > best[0].score[best[1]]:
                best = (streams, int(index))
            break
    return best


def _checks(families: list[HeightStreams]) -> tuple[Check, ...]:
    """``clear`` for every stream looked at, and one ``too_few`` a type for those that were not."""
    checks = []
    for streams in families:
        for index in range(len(streams.start)):
            subject = streams.subject(index)
            checks.append(Check("height_pattern", "clear", subject.type, subject.id))
        if streams.too_few:
            reason = "too few plates with a recorded failure height"
            checks.append(Check("height_pattern", "too_few", streams.type, None, reason, streams.too_few))
    return tuple(checks)
