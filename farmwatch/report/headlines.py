"""A finding in plain words: the headline, the answers to the five questions, then the numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from farmwatch.evidence import Evidence
from farmwatch.report import words
from farmwatch.report.frames import Frames


def headline(evidence: Evidence) -> str:
    """One sentence without statistics: whom, what, where, how high, since when."""
    return words.sentence(_BY_KIND[evidence.kind](evidence)) + "."


def _ratio(evidence: Evidence) -> float:
    return evidence.observed / evidence.expected if evidence.expected > 0 else math.inf


def _since(evidence: Evidence) -> str:
    if evidence.since_low == evidence.since_high:
        return f"since {words.date(evidence.since)}"
    return f"since about {words.date(evidence.since)}"


def _looks(evidence: Evidence) -> str:
    """How most of the failures look, after the main clause; failures of every sign need no word."""
    if not evidence.sign:
        return ""
    return f"; most {words.SIGN_VERBS.get(evidence.sign, words.phrase(evidence.sign))}"


def _rate_shift(evidence: Evidence) -> str:
    return (
        f"{evidence.subject.words}: {words.many_parts(_ratio(evidence), evidence.unit)} "
        f"failed, {_since(evidence)}{_looks(evidence)}"
    )


def _rate_level(evidence: Evidence) -> str:
    return (
        f"{evidence.subject.words}: {words.many_parts(_ratio(evidence), evidence.unit)} "
        f"failed, from its first plate on ({words.date(evidence.since)}){_looks(evidence)}"
    )


def _plate_pattern(evidence: Evidence) -> str:
    place = words.zone(evidence.zone) or "one place on the plate"
    return (
        f"{evidence.subject.words}: in {place} {words.many_parts(_ratio(evidence), evidence.unit)} "
        f"failed, {_since(evidence)}{_looks(evidence)}"
    )


def _height_pattern(evidence: Evidence) -> str:
    height = words.band(evidence) or "one height"
    return (
        f"{evidence.subject.words}: {'at' if evidence.band == 'height' else 'in'} {height}, "
        f"{words.many_parts(_ratio(evidence), evidence.unit)} failed, {_since(evidence)}{_looks(evidence)}"
    )


def _cure_offset(evidence: Evidence) -> str:
    over = evidence.direction == "over"
    what = (
        f"cures too {'deep' if over else 'shallow'}: measured edges {'grow' if over else 'fall short'} by "
        f"{words.number_text(abs(evidence.effect), 2)} {evidence.effect_unit}"
    )
    return f"{evidence.subject.words} {what}, {_since(evidence)}"


def _signal_shift(evidence: Evidence) -> str:
    name = evidence.detail.get("measure")
    measure, unit = words.measure(str(name)) if name else ("a measure", "")
    size = words.number_text(abs(evidence.effect), 2)
    way = "rose" if evidence.direction == "up" else "fell"
    shown = evidence.effect_unit or unit
    return f"{evidence.subject.words}: {measure} {way} by {size} {shown}, {_since(evidence)}".replace(" ,", ",")


def _odd_run(evidence: Evidence) -> str:
    printer = evidence.detail.get("printer_id")
    reason = evidence.detail.get("words")
    tail = f": {reason}" if isinstance(reason, str) and reason else ""
    where = f" on printer {printer}" if printer else ""
    return f"{evidence.subject.words}{where}, {words.date(evidence.since)}, was unlike runs of its kind{tail}"


def _wear(evidence: Evidence) -> str:
    name = str(evidence.detail.get("counter", "service"))
    counter, _ = words.COUNTER_WORDS.get(name, (words.phrase(name), ""))
    tail = ""
    if math.isfinite(evidence.effect):
        tail = f", to twice the fresh rate at about {words.number_text(float(f'{evidence.effect:.2g}'))} "
        tail += evidence.effect_unit
    return f"{evidence.subject.words}: failures climb with {counter}{tail}{_looks(evidence)}"


_BY_KIND = {
    "rate_shift": _rate_shift,
    "rate_level": _rate_level,
    "plate_pattern": _plate_pattern,
    "height_pattern": _height_pattern,
    "cure_offset": _cure_offset,
    "signal_shift": _signal_shift,
    "odd_run": _odd_run,
    "wear": _wear,
}


def five_answers(evidence: Evidence) -> tuple[tuple[str, str], ...]:
    """Who, where, how high, since when, how it looks; ``anywhere`` and the like where a finding is not about it."""
    looks = words.phrase(evidence.sign) if evidence.sign else "every sign"
    if evidence.kind == "cure_offset":
        looks = "cures too deep" if evidence.direction == "over" else "cures too shallow"
    elif evidence.kind in ("signal_shift", "odd_run"):
        looks = words.KIND_WORDS[evidence.kind]
    return (
        ("Who", evidence.subject.words),
        ("Where", words.place(evidence) or "anywhere on the plate"),
        ("How high", words.band(evidence) or "any height"),
        ("Since when", words.began(evidence)),
        ("How it looks", looks),
    )


def numbers(evidence: Evidence) -> tuple[str, ...]:
    """The figures, for the second look: counts, size with interval, what it asks for, how sure it is."""
    out = []
    if math.isfinite(evidence.observed) and math.isfinite(evidence.expected):
        out.append(_counts(evidence))
    if math.isfinite(evidence.effect):
        out.append(
            _size(evidence.kind, evidence.effect, evidence.effect_low, evidence.effect_high, evidence.effect_unit)
        )
    out += _asked(evidence)
    out += [f"Seen beside it ({_called(item)}): {_seen_beside(item)}." for item in evidence.detail.get("also", [])]
    if math.isfinite(evidence.error_rate):
        often = words.number_text(evidence.error_rate, 2) if evidence.error_rate >= 1e-4 else "fewer than 0.0001"
        out.append(f"At this strength a farm without faults would see {often} such false findings a month.")
    return tuple(out)


def _called(item: Mapping[str, Any]) -> str:
    """A measure by its name and unit, any other kind by its words."""
    if item.get("kind") == "signal_shift" and item.get("measure"):
        name, unit = words.measure(str(item["measure"]))
        return f"{name} in {unit}" if unit else name
    return words.KIND_WORDS.get(str(item.get("kind")), "more")


def _seen_beside(item: Mapping[str, Any]) -> str:
    """Failures are told whole, as they are counted, with what is counted; a measure as it is."""
    observed, expected = float(item["observed"]), words.number_text(float(item["expected"]))
    if item.get("kind") in ("cure_offset", "signal_shift", "odd_run") or not math.isfinite(observed):
        return f"{words.number_text(observed)}, where {expected} was expected"
    unit = str(item.get("unit") or "")
    return f"{f'{words.number_text(round(observed))} {unit}'.rstrip()} failed, {expected} were expected"


def _size(kind: str, effect: float, low: float, high: float, unit: str) -> str:
    value, *ends = (words.number_text(number) for number in (effect, low, high))
    interval = f"95 % interval {ends[0]} to {ends[1]}"
    if kind == "wear":
        return f"Risk has doubled at {value} {unit}, {interval}."
    return f"Size: {unit} {value}, {interval}." if unit == "odds ratio" else f"Size: {value} {unit}, {interval}."


def _asked(evidence: Evidence) -> list[str]:
    """What the figures ask for: an exposure, a service interval, or why none can be named."""
    detail = evidence.detail
    out = []
    for name, text in (
        ("exposure_factor", "{} times the present exposure would bring the growth back to zero, 95 % interval {} to {}."),
        ("service_interval", "A service every {} " + evidence.effect_unit + " keeps the risk under its limit, "
         "95 % interval {} to {}."),
    ):  # fmt: skip
        found = [detail.get(key) for key in (name, f"{name}_low", f"{name}_high")]
        if not all(isinstance(value, int | float) and math.isfinite(value) for value in found):
            continue
        if name == "service_interval" and found[0] == evidence.effect:
            out.append("A service at that count keeps the risk under its limit.")
        else:
            out.append(text.format(*(words.number_text(float(str(value))) for value in found)))
    return out + [words.sentence(f"{reason}.") for reason in detail.get("refusals", [])]


def _counts(evidence: Evidence) -> str:
    chances = f" out of {words.count(evidence.opportunities, evidence.unit.removesuffix('s'), evidence.unit)}"
    tail = chances if math.isfinite(evidence.opportunities) else ""
    if evidence.kind in ("cure_offset", "signal_shift", "odd_run"):
        unit = (
            f" {evidence.effect_unit}"
            if evidence.effect_unit not in ("", "ratio") and evidence.kind != "odd_run"
            else ""
        )
        return (
            f"Measured {words.number_text(evidence.observed)}{unit}, expected {words.number_text(evidence.expected)}{unit}"
            f"{tail.replace(' out of ', ', over ')}."
        )
    failed, expected = words.number_text(round(evidence.observed)), words.number_text(evidence.expected)
    if evidence.kind == "height_pattern":
        return (
            f"{failed} failed at that height{tail.replace(' plate', ' failing plate', 1)}; {expected} were expected to. "
            "A plate that failed at several heights is shared out between them."
        )
    if evidence.kind == "plate_pattern":
        there = f"{tail} there" if tail else " there"
        return f"{failed} failed{there}; of the failures of these plates {expected} were expected there."
    return f"{failed} failed{tail}; {expected} were expected."


def shared_plates(evidence: Evidence, frames: Frames) -> tuple[str, ...]:
    """How much of what was expected is the doing of other findings on the same plates; nothing where it is little.

    Pictures show what sound work would lose; a finding is weighed against that and all other known faults together.
    """
    if evidence.kind not in ("rate_shift", "rate_level") or evidence.unit != frames.unit:
        return ()
    rows = frames.counted(evidence)
    sound = float(rows["expected"].to_numpy()[(rows["day"] >= pd.Timestamp(evidence.since)).to_numpy()].sum())
    others = evidence.expected - sound
    if not (others >= 3.0 and others > 0.25 * sound):
        return ()
    return (
        f"Of the {words.number_text(evidence.expected)} expected, sound work would lose about {sound:.0f}; the other "
        f"{others:.0f} are put down to other findings on the same plates.",
    )


def rivals(evidence: Evidence) -> str:
    """What the records cannot tell apart, and what would; empty where they can."""
    if evidence.separable:
        return ""
    names = words.listed((rival.words for rival in evidence.rivals), "or")
    other = names or "whatever else changed at the same time"
    would = evidence.detail.get("would_separate")
    tail = f" What would tell: {would.rstrip('.')}." if isinstance(would, str) and would else ""
    return f"The records cannot tell {evidence.subject.words} from {other}.{tail}"
