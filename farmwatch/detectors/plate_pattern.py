"""Where on the plate: does one place fail more than the plate around it, plate after plate, and whose is it?

Every plate is its own control (``stats.plate_scan``): only plates on which some parts failed and some did not speak, and
each counts once, so a plate whose parts pull each other down is no alarm. A subject is compared with what the other
subjects' plates show, so that a pattern of the whole farm is not filed as each printer's. The strongest pattern is taken
first and put into the expectation, and everything is looked at again.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from farmwatch.detectors.night import Night, Verdicts
from farmwatch.detectors.pattern_counts import counts_in_zone
from farmwatch.detectors.plate_account import Account, Segment, account_for, carrying_printer, evidence_of, segment_of
from farmwatch.detectors.plate_scene import Scene, explained, levels_of, set_scene
from farmwatch.detectors.plate_streams import Streams, from_first, group_prior, renewed, streams_of
from farmwatch.detectors.whose_fault import with_rivals
from farmwatch.evidence import Check, Evidence, Subject, SubjectType

TYPES: tuple[SubjectType, ...] = ("printer", "family", "profile", "lot", "room", "farm")
NO_PLATES = "no plate with both good and failed parts at known positions"


def detect(night: Night) -> Verdicts:
    """Evidence of every subject whose failures prefer a place (and, down to a tenth of the limit, of what is going on)."""
    scene = set_scene(night)
    if scene is None:
        return Verdicts((), (Check("plate_pattern", "too_few", "farm", "farm", NO_PLATES),))
    settings = night.settings.plate_pattern
    evidence: list[Evidence] = []
    dismissed: set[Subject] = set()
    known = {spell.subject for spell in night.spells}
    families = _all_streams(scene)
    checks = _checks(scene, families)
    while len(evidence) < settings.findings_at_most:
        best = _strongest(families, dismissed, known, -settings.keep_within)
        if best is None:
            break
        streams, level, account = _narrowed(scene, families, best, -settings.keep_within)
        subject = Subject(streams.type, streams.names[level])
        made = evidence_of(scene, subject, account, float(streams.score[level]), streams.per_month)
        if made.effect_low < settings.odds_ratio_at_least:
            # too weak to need a hand; and so is the wider subject that it was narrowed from
            dismissed |= {subject, Subject(best[0].type, best[0].names[best[1]])}
            continue
        counts = counts_in_zone(night, account.zone, scene.groups[account.group], made)
        evidence.append(with_rivals(made, night, counts))
        scene = explained(scene, account.zone, _touched(scene, streams.type, level, account))
        families = [renewed(scene, family, -settings.keep_within) for family in families]
    flagged = {made.subject for made in evidence}
    return Verdicts(tuple(evidence), tuple(_marked(check, flagged) for check in checks))


def _narrowed(
    scene: Scene, families: list[Streams], best: tuple[Streams, int], floor: float
) -> tuple[Streams, int, Account]:
    """The account of ``best``, or of the printer that carries most of a wider subject's evidence and stands by itself."""
    streams, level = best
    account = account_for(scene, _segments(scene, streams, level))
    printer = None if streams.type == "printer" else carrying_printer(scene, account)
    printers = next((family for family in families if family.type == "printer"), None)
    if printer is None or printers is None or printers.score[printer] < floor:
        return streams, level, account
    return printers, printer, account_for(scene, _segments(scene, printers, printer))


def _all_streams(scene: Scene) -> list[Streams]:
    """The streams of every subject type that has any."""
    return [streams for kind in TYPES if (streams := streams_of(scene, kind)) is not None]


def _touched(scene: Scene, kind: SubjectType, level: int, account: Account) -> np.ndarray:
    """Rows of ``night.plates``: the subject's telling plates since the earliest credible onset."""
    by_plate, _ = levels_of(scene.night, kind)
    return np.unique(scene.plate[(by_plate[scene.plate] == level) & (scene.day >= account.onset.low)])


def _segments(scene: Scene, streams: Streams, level: int) -> list[Segment]:
    """What one subject's streams are made of: a segment for each group of failures (all, and each sign) that it has."""
    prior = group_prior(scene, streams.type)
    ends = np.append(streams.start[1:], len(streams.order))
    by_plate, _ = levels_of(scene.night, streams.type)
    plates = np.flatnonzero((by_plate == level) & (scene.plate_day >= 0))
    at_first = float(from_first(scene, by_plate, streams.telling)[level])
    return [
        segment_of(
            scene,
            int(streams.group[piece]),
            streams.order[streams.start[piece] : ends[piece]],
            plates,
            streams.reference[piece],
            float(prior[streams.group[piece]]),
            at_first,
        )
        for piece in np.flatnonzero(streams.level == level)
    ]


def _strongest(
    families: list[Streams], dismissed: set[Subject], known: set[Subject], floor: float
) -> tuple[Streams, int] | None:
    """What stands highest over its limit; below it, down to ``floor``, only who is ``known``."""
    best: tuple[Streams, int] | None = None
    for streams in families:
        scores = streams.score
        for level in np.argsort(-scores, kind="stable"):
            score = scores[level]
            if score < floor:
                break
            subject = Subject(streams.type, streams.names[level])
            if subject in dismissed or (score < 0.0 and subject not in known):
                continue
            if best is None or score > best[0].score[best[1]]:
                best = (streams, int(level))
            break
    return best


def _marked(check: Check, flagged: set[Subject]) -> Check:
    """The check, flagged where its subject has a finding."""
    return replace(check, state="flagged") if Subject(check.subject_type, check.subject_id or "") in flagged else check


def _checks(scene: Scene, families: list[Streams]) -> tuple[Check, ...]:
    """``clear`` for every subject looked at, and one ``too_few`` a type for those that were not."""
    least = scene.night.settings.plate_pattern.plates_at_least
    checks = []
    for streams in families:
        for level, name in enumerate(streams.names):
            if streams.telling[level] >= least:
                checks.append(Check("plate_pattern", "clear", streams.type, name))
        few = int(((streams.telling > 0) & (streams.telling < least)).sum())
        if few:
            reason = f"fewer than {least} plates with both good and failed parts"
            checks.append(Check("plate_pattern", "too_few", streams.type, None, reason, few))
    return tuple(checks)
