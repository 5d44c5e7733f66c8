"""Whose failure rate moved, or stands above its peers: every printer, lot, design, ... and every sign, at once.

Each stream's failures are held against its expectation; the evidence is that of ``stats.rate_scan``. The subject that
explains most is taken first, its effect is put into the expectation, and everything is looked at again, until nothing
is above its limit: so that a lot's trouble is not also filed as that of its printers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from farmwatch.detectors.cells import FACTORS
from farmwatch.detectors.expected import Expectation
from farmwatch.detectors.night import Night, Verdicts
from farmwatch.detectors.rate_account import account_for
from farmwatch.detectors.rate_scene import (
    ALL_SIGNS,
    TYPES,
    Scene,
    Stream,
    own_risk,
    roll_of,
    set_scene,
    subject_of,
    told_elsewhere,
)
from farmwatch.detectors.rate_screen import screen
from farmwatch.detectors.rate_weigh import Candidate, lifted, weigh
from farmwatch.detectors.whose_fault import with_rivals
from farmwatch.evidence import Check, Subject, SubjectType
from farmwatch.records import SIGNS

AFTER_WASH = ("tacky", "haze")
NEAR = 6.0  # log-likelihood within which another stream may be the better explanation
MOST = 0.75  # share of a group's failures from which they are one member's
COMES_FROM: dict[SubjectType, tuple[SubjectType, ...]] = {
    "printer": ("family", "room", "farm"),
    "lot": ("profile", "operator", "room", "family", "farm"),
    "file": ("design",),  # saved anew when it began
    "wash": ("profile", "operator", "room", "family", "farm"),  # what shows after washing
}
WIDE = ("profile", "wash", "operator", "room", "family", "farm")
NEW_LOT_DAYS = 7  # an older bottle may still be in some vats
SAME_TIME_DAYS = 21  # onsets of one subject closer than this are of one fault


@dataclass(frozen=True)
class Scenes:
    """The night as its streams see it: ``told`` with what other detectors' findings account for explained, in which
    everybody is judged but the subjects ``known`` of those findings; they are judged in ``plain``."""

    plain: Scene
    told: Scene
    known: frozenset[Subject]

    def of(self, stream: Stream) -> Scene:
        return self.plain if self.knows(stream) else self.told

    def knows(self, stream: Stream) -> bool:
        return subject_of(stream, self.plain.cells) in self.known

    def lifted(self, found: Candidate) -> Scenes:
        """With the effect of a find explained to all."""
        return replace(self, plain=lifted(self.plain, found), told=lifted(self.told, found))


def detect(night: Night) -> Verdicts:
    """Evidence of every stream above its limit (and, down to a tenth of it, of what may be going on already)."""
    if night.expectation is None:
        raise ValueError("the rates need the night's fitted expectation")
    scenes = _set_scenes(night, night.expectation)
    evidence = []
    for story, others in _backward(scenes, _forward(scenes)):
        signs = [SIGNS[candidate.stream.sign] for candidate in story[1:] if candidate.stream.sign < len(SIGNS)]
        evidence.append(with_rivals(account_for(story[0], others, signs), night))
    return Verdicts(tuple(evidence), _checks(scenes.plain))


def _set_scenes(night: Night, expectation: Expectation) -> Scenes:
    plain = set_scene(night, expectation)
    told, known = told_elsewhere(plain)
    return Scenes(plain, told, known)


def _forward(scenes: Scenes) -> list[Candidate]:
    """Take the stream that explains most, put its effect into the expectation, look again, until nothing is left."""
    found: list[Candidate] = []
    night, cells = scenes.plain.night, scenes.plain.cells
    open_now = {spell.subject for spell in night.spells}
    floor = -night.settings.rates.keep_within
    weighed: dict[Stream, list[Candidate]] = {}
    while len(found) < night.settings.rates.findings_at_most:
        candidates = [c for c in _look(scenes, weighed, found) if c.score >= floor]
        # what is below its limit counts only where it keeps a known finding alive
        candidates = [c for c in candidates if c.score >= 0 or subject_of(c.stream, cells) in open_now]
        if not candidates:
            break
        best = _preferred(candidates, found, scenes)
        if _hangs_on_one(best, scenes):
            weighed[best.stream] = [c for c in weighed[best.stream] if c.direction != best.direction]
            continue
        found.append(best)
        before, scenes = scenes, scenes.lifted(best)
        moved = _moved(before.plain, scenes.plain) | _moved(before.told, scenes.told)
        weighed = {stream: seen for stream, seen in weighed.items() if seen and not moved[seen[0].cells].any()}
    return found


def _moved(before: Scene, after: Scene) -> np.ndarray:
    """Of which cells another number of failures is expected now, bool (cells,)."""
    return (before.lift != after.lift).any(axis=1) | (before.added != after.added).any(axis=1)


def _look(scenes: Scenes, weighed: dict[Stream, list[Candidate]], found: list[Candidate]) -> list[Candidate]:
    """The streams that may explain most, with their evidence; ``weighed``: what is known already, and is added to.

    Likeliest first by the cheap screen, until no stream left can come near the best. What was found already is no rival.
    """
    candidates: list[Candidate] = []
    best = -np.inf
    for bound, stream in _screened(scenes):
        if bound < best - NEAR:
            break
        if stream not in weighed:
            weighed[stream] = weigh(scenes.of(stream), stream)
        fresh = [candidate for candidate in weighed[stream] if not _taken(candidate, found)]
        candidates += fresh
        best = max([best, *(candidate.score for candidate in fresh)])
    return candidates


def _screened(scenes: Scenes) -> list[tuple[float, Stream]]:
    """What is worth the full look, likeliest first."""
    told = screen(scenes.told)
    if not scenes.known:
        return told
    streams = [item for item in told if not scenes.knows(item[1])]
    streams += [item for item in screen(scenes.plain) if scenes.knows(item[1])]
    return sorted(streams, key=lambda item: -item[0])


def _backward(scenes: Scenes, found: list[Candidate]) -> list[tuple[list[Candidate], Scene]]:
    """Each story weighed once more with all the others explained: what was taken too early drops out here.

    Weakest first; returns the stories that stand, each with its finds in the order found and the scene in which the
    others are explained.
    """
    floor = -scenes.plain.night.settings.rates.keep_within
    stories: list[list[Candidate]] = []
    for candidate in found:
        home = next((story for story in stories if _one_story(story[0], candidate)), None)
        if home is None:
            stories.append([candidate])
        else:
            home.append(candidate)
    told: dict[int, tuple[list[Candidate], Scene]] = {}
    for story in sorted(stories, key=lambda story: max(c.score for c in story)):
        others = scenes.of(story[0].stream)
        for candidate in (candidate for other in stories if other is not story for candidate in other):
            others = lifted(others, candidate)
        again = [
            (first, weighed)
            for first in story
            for weighed in weigh(others, first.stream)
            if weighed.direction == first.direction and weighed.score >= floor
        ]
        story[:] = [first for first, _ in again]  # what does not stand explains nothing to those that come after
        told[id(story)] = [weighed for _, weighed in again], others
    return [told[id(story)] for story in stories if story]


def _one_story(one: Candidate, other: Candidate) -> bool:
    """Streams of one subject that moved at about the same time: one fault with several signs."""
    return (one.stream.type, one.stream.level, one.direction) == (
        other.stream.type,
        other.stream.level,
        other.direction,
    ) and abs(one.onset.day - other.onset.day) <= SAME_TIME_DAYS


def _taken(candidate: Candidate, found: list[Candidate]) -> bool:
    """Whether this stream was taken already, at about this time or in the other direction."""
    return any(
        candidate.stream == earlier.stream
        and (candidate.direction != earlier.direction or abs(candidate.onset.day - earlier.onset.day) <= SAME_TIME_DAYS)
        for earlier in found
    )


def _preferred(candidates: list[Candidate], found: list[Candidate], scenes: Scenes) -> Candidate:
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
        stream = Stream(kind, int(held.argmax()), sign)
        if kind in ("lot", "file"):
            opened = scene.day[roll_of(scene, kind).members[stream.level]].min()
            began_with_it = best.onset.low - NEW_LOT_DAYS <= opened <= best.onset.high + NEW_LOT_DAYS
            if not began_with_it or best.onset.first_mass >= 0.5:
                continue
        own = next(
            (c for c in weigh(scenes.of(stream), stream) if c.direction == best.direction and c.score >= 0), None
        )
        if own is not None:
            left = weigh(lifted(scene, own), best.stream)
            nothing_left = all(c.score < 0 for c in left if c.direction == best.direction)
            if nothing_left or own.log_evidence > best.log_evidence - 5.0:
                return own
    return None


def _hangs_on_one(best: Candidate, scenes: Scenes) -> bool:
    """Whether a wide subject's evidence is brought by one printer, lot or design: half of its excess is that one's, and
    without it much less is left than by its share of the parts, and not enough to file. Then it is not the wide subject's,
    whether or not the one stands by itself: a single plate lost whole to a rare sign may outweigh a room's quiet months."""
    scene, stream = scenes.of(best.stream), best.stream
    if stream.type not in WIDE:
        return False
    mine = best.cells[scene.day[best.cells] >= best.onset.day]
    risk, failures = own_risk(scene, stream, mine), scene.failures[mine]
    if stream.sign != ALL_SIGNS:
        risk, failures = risk[:, [stream.sign]], failures[:, [stream.sign]]
    excess = best.direction * (failures.sum(axis=1) - risk.sum(axis=1) * scene.trials[mine])
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
        (left,) = (c for c in weigh(scene, stream, others) if c.direction == best.direction)
        if left.score < 0.0 and left.log_evidence < 0.5 * kept * best.log_evidence:
            return True
    return False


def _checks(scene: Scene) -> tuple[Check, ...]:
    """How many subjects of each type were looked at, and which types the records do not name."""
    checks = []
    for kind in TYPES:
        seen = len(roll_of(scene, kind).levels)
        if seen == 0:
            checks.append(Check("rates", "too_few", kind, None, f"no plate names its {kind}"))
        else:
            checks.append(Check("rates", "clear", kind, None, "", seen))
    return tuple(checks)
