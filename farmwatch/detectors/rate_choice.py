"""Which of the streams that explain much is to blame: near ties, the one behind a group, and groups that are not to blame."""

from __future__ import annotations

import numpy as np

from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.rate_scene import ALL_SIGNS, Stream, own_risk, roll_of, subject_of
from farmwatch.detectors.rate_weigh import Candidate, Scenes, lifted, weigh
from farmwatch.evidence import SubjectType
from farmwatch.records import SIGNS

AFTER_WASH = ("tacky", "haze")
MOST = 0.75  # share of a group's failures from which they are one member's
COMES_FROM: dict[SubjectType, tuple[SubjectType, ...]] = {
    "printer": ("family", "room", "farm"),
    "lot": ("profile", "operator", "room", "family", "farm"),
    "file": ("design",),  # saved anew when it began
    "wash": ("profile", "operator", "room", "family", "farm"),  # what shows after washing
}
WIDE = ("profile", "wash", "operator", "room", "family", "farm")
ELSEWHERE = 0.2  # share of a design's parts since that other files must have printed well for one file to be to blame
NEW_LOT_DAYS = 7  # an older bottle may still be in some vats


def preferred(candidates: list[Candidate], found: list[Candidate], scenes: Scenes) -> Candidate:
    """The candidate that explains most; of near ties a subject that is at fault already and, for what shows after washing,
    the wash station; and the one printer or new lot that a wider subject's trouble comes from."""
    best = max(candidates, key=lambda c: c.score)
    culprits = {(c.stream.type, c.stream.level) for c in found}
    again = [
        c
        for c in candidates
        if (c.stream.type, c.stream.level) in culprits and c.log_evidence > best.log_evidence - 3.0
    ]
    if again:
        return max(again, key=lambda c: c.score)
    if best.stream.sign < len(SIGNS) and SIGNS[best.stream.sign] in AFTER_WASH:
        close = [c for c in candidates if c.direction == best.direction and c.log_evidence > best.log_evidence - 5.0]
        return max((c for c in close if c.stream.type == "wash"), key=lambda c: c.score, default=best)
    return _narrower(best, scenes) or best


def _narrower(best: Candidate, scenes: Scenes) -> Candidate | None:
    """The one printer of a group, the lot opened or the design's file saved when it began, or of what shows after washing the
    one wash station, that holds most of the failures of ``best`` and explains about as much, or leaves nothing of it above
    its limit: its own evidence may be less where the wide subject has the longer past to stand apart from."""
    scene = scenes.told
    mine = best.cells[scene.day[best.cells] >= best.onset.day]
    sign = best.stream.sign
    fails = scene.failures[mine].sum(axis=1) if sign == ALL_SIGNS else scene.failures[mine, sign]
    washed = sign < len(SIGNS) and SIGNS[sign] in AFTER_WASH
    for kind in (narrow for narrow, wide in COMES_FROM.items() if best.stream.type in wide):
        if kind == "wash" and not washed:
            continue
        codes = scene.cells.codes[mine, FACTORS.index(kind)]
        held = np.bincount(codes[codes >= 0], weights=fails[codes >= 0], minlength=1)
        if held.max() < MOST * fails.sum():
            continue
        if kind == "file":
            told_already = any(spell.subject == subject_of(best.stream, scene.cells) for spell in scene.night.spells)
            elsewhere = scene.trials[mine][codes != held.argmax()].sum()
            if told_already or elsewhere < ELSEWHERE * scene.trials[mine].sum():
                continue  # where no other file was printed since, the design may as well be to blame
        stream = Stream(kind, int(held.argmax()), sign)
        if kind in ("lot", "file"):
            opened = scene.day[roll_of(scene, kind).members[stream.level]].min()
            began_with_it = best.onset.low - NEW_LOT_DAYS <= opened <= best.onset.high + NEW_LOT_DAYS
            if not began_with_it or best.onset.first_mass >= 0.5:
                continue
        own = next((c for c in scenes.weigh(stream) if c.direction == best.direction and c.score >= 0), None)
        if own is not None:
            left = weigh(lifted(scene, own), best.stream)
            nothing_left = all(c.score < 0 for c in left if c.direction == best.direction)
            if nothing_left or own.log_evidence > best.log_evidence - 5.0:
                return own
    return None


def hangs_on_one(best: Candidate, scenes: Scenes) -> bool:
    """Whether a wide subject's evidence is brought by one printer, lot or design: half of its excess is that one's, and
    without it much less is left than by its share of the parts, and not enough to file. Then it is not the wide subject's,
    whether or not the one stands by itself: a single plate lost whole to a rare sign may outweigh a room's quiet months."""
    scene, stream = scenes.of(best.stream), best.stream
    if stream.type not in WIDE:
        return False
    mine = best.cells[scene.day[best.cells] >= best.onset.day]
    risk, failures = own_risk(scene, stream, mine), scene.failures[mine]
    failed = failures.sum(axis=1) if stream.sign == ALL_SIGNS else failures[:, stream.sign]
    excess = best.direction * (failed - risk * scene.trials[mine])
    for kind in ("printer", "lot", "design"):
        column = scene.cells.codes[:, FACTORS.index(kind)]
        named = column[mine] >= 0
        held = np.bincount(column[mine][named], weights=excess[named], minlength=1)
        if held.max() < 0.5 * excess.sum():
            continue
        one = int(held.argmax())
        others = best.cells[column[best.cells] != one]
        kept = scene.trials[mine][column[mine] != one].sum() / scene.trials[mine].sum()
        if not kept > 0.0:
            continue  # it has no other plates: the two are rivals
        (left,) = (c for c in scenes.weigh(stream, others) if c.direction == best.direction)
        if left.score < 0.0 and left.log_evidence < 0.5 * kept * best.log_evidence:
            return True
    return False
