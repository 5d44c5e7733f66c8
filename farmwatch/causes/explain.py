"""The story of one finding in plain words: seen and expected, the five questions, causes, checks, what stays unknown."""

from __future__ import annotations

import datetime as dt
import textwrap
from dataclasses import dataclass, replace

import numpy as np

from farmwatch.causes.answers import better, read_pattern, told
from farmwatch.causes.checks import next_checks
from farmwatch.causes.context import Context
from farmwatch.causes.diagnose import causes_of
from farmwatch.causes.pattern import Pattern
from farmwatch.causes.posterior import Posterior, weigh
from farmwatch.causes.questions import (
    HEIGHTS,
    MEASURED,
    PLACE_OF_ZONE,
    PLACES,
    UNKNOWN,
    day_words,
    percent,
    spot_words,
)
from farmwatch.causes.repairs import BEYOND_COUNTING, RepairVerdict
from farmwatch.causes.table import CauseTable
from farmwatch.evidence import Cause, Evidence, Finding, Status
from farmwatch.settings import Settings

#: causes told at length, and the probability from which a mend is advised
_TOLD = 5
_LEAST_TOLD = 0.01
_MEND_FROM = 0.1
_PAIR_FROM = 0.05
_FURTHER = ("course", "cold", "load", "aligned", "neighbours", "stood", "power_clears", "stirring_clears", "measure")
#: what made no difference is told in one sentence
_NO_WORSE = {
    "cold": "cold days",
    "load": "full plates",
    "aligned": "plates with parts in line",
    "stood": "plates after standing",
}
_STATE = {
    "open": "it is open",
    "watching": "something was done since, and whether that held is being watched",
    "cleared": "it was mended, and that held",
    "returned": "it came back, or what was done did not hold",
    "faded": "it is no longer seen, and nothing is known to have been done",
}


@dataclass(frozen=True)
class Sentence:
    """One sentence, with the plates on which it rests (none where it rests on no plate of its own)."""

    text: str
    run_ids: tuple[str, ...] = ()


@dataclass(frozen=True)
class Paragraph:
    heading: str
    sentences: tuple[Sentence, ...]


@dataclass(frozen=True)
class Story:
    """What ``farmwatch explain`` tells of one finding."""

    title: str
    paragraphs: tuple[Paragraph, ...]


def tell(
    finding: Finding,
    table: CauseTable,
    settings: Settings,
    context: Context | None = None,
    verdict: RepairVerdict | None = None,
) -> Story:
    """The story of ``finding``; with the night's ``context`` its sentences name their plates, else only the finding's."""
    pattern = read_pattern(finding, None if context is None else replace(context, naming=True), table)
    paragraphs = [_seen(finding), _questions(finding, pattern)]
    if (unsought := _unsought(finding.evidence)) is not None:
        paragraphs.append(Paragraph("Causes", (Sentence(unsought),)))
    else:
        posterior = weigh(pattern, table, settings.causes)
        paragraphs += [
            _causes(causes_of(posterior, settings), posterior, table),
            _checks(pattern, posterior, table, settings, finding.status),
        ]
    if verdict is not None:
        paragraphs.append(_repair(verdict, finding))
    elif _done(finding):
        unsaid = "Failures are not what was found here: whether it held, the measure will tell, not a count of plates."
        if finding.evidence.kind == "wear":
            unsaid = "Every service starts the counter anew: whether failures climb with it again will tell if it held."
        paragraphs.append(Paragraph("Did the mend hold", (*_done(finding), Sentence(unsaid))))
    if pattern.silent:
        paragraphs.append(Paragraph("What the records cannot tell", tuple(Sentence(_full(s)) for s in pattern.silent)))
    return Story(f"{finding.finding_id}: {finding.evidence.subject.words}", tuple(paragraphs))


def as_text(story: Story, plates: bool = False, width: int = 100) -> str:
    """The story as plain text; with ``plates`` every sentence is followed by the plates on which it rests, the same ones
    listed once and called by a number from then on.
    """
    out = [story.title, "=" * len(story.title)]
    lists: dict[tuple[str, ...], int] = {}
    for paragraph in story.paragraphs:
        out += ["", paragraph.heading, "-" * len(paragraph.heading)]
        for sentence in paragraph.sentences:
            out += textwrap.wrap(sentence.text, width, initial_indent="- ", subsequent_indent="  ")
            if plates and sentence.run_ids:
                known = sentence.run_ids in lists
                number = lists.setdefault(sentence.run_ids, len(lists) + 1)
                names = "as above" if known else ", ".join(sentence.run_ids)
                listed = f"plates, list {number} ({len(sentence.run_ids)}): {names}"
                out += textwrap.wrap(
                    listed, width, initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False
                )
    return "\n".join(out) + "\n"


def _since(evidence: Evidence) -> str:
    if evidence.since_low == evidence.since_high:
        return day_words(evidence.since)
    return f"{day_words(evidence.since)} (between {day_words(evidence.since_low)} and {day_words(evidence.since_high)})"


def _number(value: float) -> str:
    return "?" if not np.isfinite(value) else f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"


def _unsought(evidence: Evidence) -> str | None:
    """Why no cause is looked for; None where one is."""
    if evidence.kind == "odd_run":
        return "One run unlike its like is a note, told once: look at it; no cause is looked for."
    if better(evidence):
        return "It got better than expected. That is told so that it can be kept, not mended; no cause is looked for."
    return None


def _counted(evidence: Evidence, name: str) -> str:
    """How many failed of how many, and what was expected, in the terms of each kind."""
    sign = f' with the sign "{evidence.sign.replace("_", " ")}"' if evidence.sign else ""
    most = f", most{sign}," if sign else ""  # a pattern is of every sign, and names the one that leads
    every, expected = _number(evidence.opportunities), _number(evidence.expected)
    seen = _number(round(evidence.observed)) if np.isfinite(evidence.observed) else "?"
    since = f"since {_since(evidence)}"
    if evidence.kind == "plate_pattern":
        place = PLACES[PLACE_OF_ZONE[evidence.zone]] if evidence.zone else "in one place"
        place = f"{place}, {spot}," if (spot := spot_words(evidence)) else place
        return (
            f"Of {every} {evidence.unit} {place} on plates of {name}, {seen} failed{most} {since}; were the "
            f"failures of these plates spread as usual, {expected} of them would have been there"
        )
    if evidence.kind == "height_pattern":
        return (
            f"Of {every} plates of {name} with failures of known height, {seen} failed {_at_height(evidence)}{most} "
            f"{since}, where {expected} were expected to; a plate that failed at several heights is shared out between them"
        )
    return (
        f"Of {every} {evidence.unit} of {name}, {seen} failed{sign} {since}; "
        f"{expected} were expected of the work that they were"
    )


def _at_height(evidence: Evidence) -> str:
    low, high = (evidence.detail.get(name) for name in ("from_mm", "to_mm"))
    if evidence.band == "height" and low is not None and high is not None:
        return f"at {_number(low)} to {_number(high)} mm"
    return {"body": "in the body"}.get(str(evidence.band), HEIGHTS.get(str(evidence.band), "at one height"))


def _measured(evidence: Evidence, name: str) -> tuple[str, str]:
    """Two sentences of a finding about a measure: where it stands, and by how much it moved."""
    unit = f" {evidence.effect_unit}" if evidence.effect_unit else ""
    stands, expected = _number(evidence.observed), _number(evidence.expected)
    over = f"over {_number(evidence.opportunities)} {evidence.unit}"
    if evidence.kind == "cure_offset":
        what, over = "growth of the measured edges", f"over {_number(evidence.opportunities)} measured pieces"
    else:
        column = str(evidence.detail.get("measure", ""))
        what, _ = MEASURED.get(column, (column.replace("_", " ") or "measure", ""))
    where = f"stands at {stands}{unit} where {expected}{unit} was expected, {over}"
    way = -1.0 if evidence.effect < 0 else 1.0
    low, high = sorted((way * evidence.effect_low, way * evidence.effect_high))
    size = f"That is {_number(way * evidence.effect)}{unit} {'less' if way < 0 else 'more'}"
    seen = f"Since {_since(evidence)} the {what} of {name} {where}."
    return seen, f"{size} (95 % interval {_number(low)} to {_number(high)})."


def _seen(finding: Finding) -> Paragraph:
    evidence = finding.evidence
    name, runs = evidence.subject.words, evidence.run_ids
    between = f"95 % interval {_number(evidence.effect_low)} to {_number(evidence.effect_high)}"
    seen, size = (
        f"{_counted(evidence, name)}.",
        f"The effect is {_number(evidence.effect)} ({evidence.effect_unit}; {between}).",
    )
    if evidence.kind == "odd_run":
        seen, size = f"{_odd(evidence, name)}.", ""
    elif evidence.kind in ("cure_offset", "signal_shift"):
        seen, size = _measured(evidence, name)
    elif evidence.effect_unit == "odds ratio" and np.isfinite(evidence.effect):
        there = " there" if evidence.kind in ("plate_pattern", "height_pattern") else ""
        size = f"The odds of failing{there} are {_number(evidence.effect)} times what they should be ({between})."
    elif evidence.kind == "wear":
        size = f"The risk doubles at about {_number(evidence.effect)} {evidence.effect_unit} ({between})."
    flagged, last = day_words(finding.first_flagged_on), day_words(finding.last_seen_on)
    life = f"It was first flagged on {flagged} and last seen on {last}; {_STATE[finding.status]}."
    sentences = [Sentence(seen, runs), *([Sentence(size, runs)] if size else []), Sentence(life)]
    if np.isfinite(evidence.error_rate):
        rate = "fewer than 0.0001" if evidence.error_rate < 1e-4 else _number(evidence.error_rate)
        sentences.append(
            Sentence(f"Chance alone would file something as strong {rate} times a month on a farm like this.")
        )
    return Paragraph("What was seen against what was expected", tuple(sentences))


def _odd(evidence: Evidence, name: str) -> str:
    """One run unlike its like, with the reason that the detector gives."""
    reason, printer = evidence.detail.get("words"), evidence.detail.get("printer_id")
    where = f" on printer {printer}" if printer else ""
    return f"On {day_words(evidence.since)} {name}{where} was unlike runs of its kind{f': {reason}' if reason else ''}"


def _questions(finding: Finding, pattern: Pattern) -> Paragraph:
    told_of = {answer.question: answer for answer in pattern.answers}
    made_of = {composition.question: composition for composition in pattern.compositions}
    evidence = told(finding.evidence)
    sentences = []
    for question, lead in (
        ("who", "Who"),
        ("where", "Where"),
        ("height", "How high"),
        ("since", "Since when"),
        ("signs", "How it looks"),
    ):
        if question == "since":
            first = told_of.get("first_plate")
            when = f"{_since(evidence)}{'; ' + first.words if first else ''}"
            near = [event.words for event in pattern.nearby if event.near]
            sentences.append(Sentence(f"{lead}: {when}.", evidence.run_ids))
            sentences += [Sentence(f"Near the beginning: {', '.join(near)}.")] if near else []
            sentences += [Sentence(_full(age.words)) for age in pattern.ages]
        elif question in made_of:
            part = made_of[question]
            more = f'"{evidence.sign.replace("_", " ")}" is what there is more of; ' if evidence.sign else ""
            more = more if question == "signs" and part.counts.astype(bool).sum() > 1 else ""
            sentences.append(Sentence(f"{lead}: {more}{part.words}.", part.run_ids))
        elif question in told_of:
            sentences.append(Sentence(f"{lead}: {told_of[question].words}.", told_of[question].run_ids))
        else:
            sentences.append(Sentence(f"{lead}: the records cannot say."))
    even = [q for q in _NO_WORSE if q in told_of and told_of[q].answer == "no" and told_of[q].share is None]
    skipped = (*even, "measure") if evidence.kind == "odd_run" else even
    sentences += [
        Sentence(_full(told_of[q].words), told_of[q].run_ids) for q in _FURTHER if q in told_of and q not in skipped
    ]
    if even:
        runs = tuple(dict.fromkeys(run for q in even for run in told_of[q].run_ids))
        sentences.append(Sentence(f"No worse than the others are {_listed([_NO_WORSE[q] for q in even])}.", runs))
    return Paragraph("The five questions", tuple(sentences))


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _causes(causes: tuple[Cause, ...], posterior: Posterior, table: CauseTable) -> Paragraph:
    sentences = []
    causes = tuple(cause for place, cause in enumerate(causes) if not place or cause.probability >= _LEAST_TOLD)
    for cause in causes[:_TOLD]:
        title = table.title(cause.code)
        text = f"{percent(cause.probability)} {title} [{cause.code}]."
        if cause.code != UNKNOWN:
            text += f" {table.causes[cause.code].says}"
        if cause.evidence_for:
            text += f" For it: {'; '.join(cause.evidence_for)}."
        if cause.evidence_against:
            text += f" Against it: {'; '.join(cause.evidence_against)}."
        sentences.append(Sentence(text))
        if cause.code != UNKNOWN and cause.probability >= _MEND_FROM:
            entry = table.causes[cause.code]
            caution = f" CAUTION: {table.caution(entry.cautions)}" if entry.cautions else ""
            sentences.append(Sentence(f"If it is that: {entry.mend}{caution}"))
    rest = 1.0 - sum(cause.probability for cause in causes[:_TOLD])
    if rest >= 0.005:
        sentences.append(Sentence(f"{percent(rest)} everything else together."))
    for first, second, probability in posterior.pairs:
        if probability >= _PAIR_FROM:
            both = f"{table.title(first)}, and {table.title(second)}"
            sentences.append(Sentence(f"Two at once may be at work ({percent(probability)}): {both}."))
    return Paragraph("Likely causes", tuple(sentences))


def _checks(pattern: Pattern, posterior: Posterior, table: CauseTable, settings: Settings, status: Status) -> Paragraph:
    sentences = []
    for entered in pattern.entered:
        entry = table.checks[entered.check]
        on = f" on {day_words(entered.on)}" if entered.on else ""
        sentences.append(Sentence(f"Done{on}: {entry.title}. It came out so: {entry.results[entered.result]}."))
    done = tuple(entered.check for entered in pattern.entered)
    for check in next_checks(posterior.probability, table, settings.causes, done):
        apart = ", ".join(table.title(code) for code in check.tells_apart)
        means = " ".join(f"[{result}] {words}." for result, words in check.means.items())
        caution = f" CAUTION: {check.caution}" if check.caution else ""
        aim = "It tells apart" if len(check.tells_apart) > 1 else "It proves or refutes, before anything is mended"
        text = f"{check.check} ({check.code}; {check.cost:g} h of hands.) {aim}: {apart}. {means}{caution}"
        sentences.append(Sentence(text))
    if not sentences:
        sentences.append(Sentence("No check in the table would change the picture much."))
    when = " if it comes back" if status == "watching" else ""
    return Paragraph(f"Checks worth doing{when}, best first", tuple(sentences))


def _repair(verdict: RepairVerdict, finding: Finding) -> Paragraph:
    between = f"95 % interval {_number(verdict.after_low)} to {_number(verdict.after_high)}"
    after = (
        f"{verdict.plates} plates since: {verdict.failures} failed of its sort, {_number(verdict.expected)} expected. "
        f"The odds are {_number(verdict.after)} times what they should be ({between}); before, drawn towards 1 because "
        f"it was picked at its worst, {_number(verdict.before)} times."
    )
    said = {
        "cleared": "The mend held, as far as these plates tell.",
        "returned": "The mend did not hold: it is as bad as before.",
        "watching": "It is too early to say.",
    }[verdict.status]
    held, broken = verdict.plates_needed_if_held, verdict.plates_needed_if_not
    if verdict.status == "watching" and np.isfinite(held):
        if max(held, broken if np.isfinite(broken) else held) > BEYOND_COUNTING:
            said += " So few such failures are expected that counting plates will hardly tell."
        else:
            said += f" About {held:.0f} more plates are needed if it held"
            said += f", {broken:.0f} if it did not." if np.isfinite(broken) else "."
    return Paragraph("Did the mend hold", (*_done(finding), Sentence(after), Sentence(said)))


def _done(finding: Finding) -> tuple[Sentence, ...]:
    """What was done, and when."""
    action, on = str(finding.repair.get("action", "")).replace("_", " "), finding.repair.get("on")
    when = f" on {day_words(on)}" if isinstance(on, dt.date) else ""
    return (Sentence(f"What was done: {action}{when}."),) if action else ()


def _full(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}{'' if words.endswith('.') else '.'}"
