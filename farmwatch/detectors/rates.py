"""Whose failure rate moved, or stands above its peers: every printer, lot, design, ... and every sign, at once.

Each stream's failures are held against its expectation; the evidence is that of ``stats.rate_scan``. The subject that
explains most is taken first, its effect is put into the expectation, and everything is looked at again, until nothing
is above its limit: so that a lot's trouble is not also filed as that of its printers.
"""

from __future__ import annotations

import numpy as np

from farmwatch.detectors.night import Night, Verdicts
from farmwatch.detectors.rate_account import account_for
from farmwatch.detectors.rate_choice import hangs_on_one, preferred
from farmwatch.detectors.rate_scene import TYPES, Scene, Stream, roll_of, subject_of
from farmwatch.detectors.rate_screen import carry_over, screen
from farmwatch.detectors.rate_weigh import Candidate, Scenes, lifted, set_scenes, weigh
from farmwatch.detectors.whose_fault import with_rivals
from farmwatch.evidence import Check, Evidence
from farmwatch.records import SIGNS

NEAR = 6.0  # log-likelihood within which another stream may be the better explanation
SAME_TIME_DAYS = 21  # onsets of one subject closer than this are of one fault


def detect(night: Night) -> Verdicts:
    """Evidence of every stream above its limit (and, down to a tenth of it, of what may be going on already)."""
    if night.expectation is None:
        raise ValueError("the rates need the night's fitted expectation")
    scenes = set_scenes(night, night.expectation)
    evidence = tuple(with_rivals(account, night) for account in _backward(scenes, _forward(scenes)))
    return Verdicts(evidence, _checks(scenes.plain))


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
        best = preferred(candidates, found, scenes)
        if hangs_on_one(best, scenes):
            weighed[best.stream] = [c for c in weighed[best.stream] if c.direction != best.direction]
            continue
        found.append(best)
        before, scenes = scenes, scenes.lifted(best)
        moved = _moved(before.plain, scenes.plain)
        if scenes.told is not scenes.plain:
            moved |= _moved(before.told, scenes.told)
        del before
        weighed = {stream: seen for stream, seen in weighed.items() if seen and not moved[seen[0].cells].any()}
    return found


def _moved(before: Scene, after: Scene) -> np.ndarray:
    """Of which cells another number of failures is expected now, bool (cells,); what is due goes on from there."""
    moved = after.raised.differs(before.raised)
    carry_over(before, after, moved)
    return moved


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
            weighed[stream] = scenes.weigh(stream)
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


def _backward(scenes: Scenes, found: list[Candidate]) -> list[Evidence]:
    """Each story weighed once more with all the others explained: what was taken too early drops out here.

    Weakest first; returns an account of each story that stands, in the order found. It is given while the scene in which
    the others are explained is at hand: kept until all are weighed, eight such scenes took 300 bytes a part.
    """
    floor = -scenes.plain.night.settings.rates.keep_within
    stories: list[list[Candidate]] = []
    for candidate in found:
        home = next((story for story in stories if _one_story(story[0], candidate)), None)
        if home is None:
            stories.append([candidate])
        else:
            home.append(candidate)
    told: dict[int, Evidence] = {}
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
        if again:
            told[id(story)] = _account([weighed for _, weighed in again], others)
    return [told[id(story)] for story in stories if story]


def _account(story: list[Candidate], others: Scene) -> Evidence:
    """The first find of a story, with the signs of what was found of the same subject after it."""
    signs = [SIGNS[candidate.stream.sign] for candidate in story[1:] if candidate.stream.sign < len(SIGNS)]
    return account_for(story[0], others, signs)


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
