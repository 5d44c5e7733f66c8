"""From a finding and the records to its pattern: what it answers to the questions that tell causes apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from farmwatch.causes import clearing, compare, onset, place
from farmwatch.causes.context import Case, Context, open_case
from farmwatch.causes.entered import entered_results
from farmwatch.causes.pattern import Age, Answer, Composition, Pattern
from farmwatch.causes.questions import DISTRIBUTIONS, HEIGHTS, MEASURES, PLACE_OF_ZONE, PLACES, SUBJECT_WORDS
from farmwatch.causes.table import CauseTable
from farmwatch.evidence import SUBJECT_TYPES, Evidence, Finding, Subject
from farmwatch.records import SIGNS

#: plates that a finding's own sign or band is worth where no frames say more
_OWN_PLATES = 8.0
_MEASURE_OF = {
    ("peak_release_n", "up"): "peel_up",
    ("peak_release_n", "down"): "peel_down",
    ("base_release_n", "up"): "peel_up",
    ("base_release_n", "down"): "peel_down",
    ("body_release_n", "up"): "peel_up",
    ("body_release_n", "down"): "peel_down",
    ("release_n", "up"): "peel_up",
    ("release_n", "down"): "peel_down",
    ("ambient_c", "up"): "room_warmer",
    ("ambient_c", "down"): "room_colder",
    ("vat_c", "up"): "vat_warmer",
    ("vat_c", "down"): "vat_colder",
    ("pad_tilt_mm", "up"): "pads_tilted",
    ("pad_bow_mm", "up"): "pads_bowed",
    ("pad_bow_mm", "down"): "pads_bowed",
}
_ENTERED_PADS = ("pads_tilted", "pads_bowed")
_COUNTER_CAUSE = {
    "film": ("film", "film_layers", "layers"),
    "lamp": ("lamp", "lamp_hours", "hours"),
    "bath": ("wash", "bath", "wash_runs", "bath_runs"),
    "bottle": ("lot", "bottle", "days_open"),
    "panel": ("panel", "panel_hours"),
    "screw": ("screw", "screw_hours"),
}


def read_pattern(finding: Finding, context: Context | None, table: CauseTable) -> Pattern:
    """The pattern of ``finding``: from its evidence alone, or, with a night's view, from its plates as well."""
    evidence = told(finding.evidence)
    case = whole = open_case(evidence, context) if context is not None and len(context.plates) else None
    # good plates after a mend tell of the mend; how the fault looked is told by those before
    mended = finding.repair.get("on") if finding.status in ("watching", "cleared") else None
    if context is not None and case is not None and mended is not None:
        case = open_case(evidence, context, mended)
    answers: list[Answer | None] = [who(evidence, onset.newcomers(case) if case is not None else ())]
    compositions: list[Composition | None] = [None, None]
    silent: list[str] = []
    if case is not None and whole is not None:
        answers += [place.where(case), _course(evidence, case), onset.first_plate(case), _cold(evidence, case)]
        answers += [compare.load(case), compare.aligned(case), compare.neighbours(case), compare.stood(case)]
        answers += [clearing.clears(whole, question) for question in clearing.ACTION_OF]
        if len(case.failed) and not better(evidence):
            compositions = [place.signs(case), place.heights(case)]
        silent = _silent(case, answers, compositions)
    else:
        answers += [_zone(evidence), _first(evidence)]
        silent = ["its plates were not at hand: only what the finding itself says was weighed"]
    compositions[0] = compositions[0] or _own(evidence, "signs", evidence.sign, SIGNS)
    compositions[1] = compositions[1] or _own(evidence, "height", _band(evidence), tuple(HEIGHTS))
    entered = entered_results(context.service, finding.finding_id, table) if context is not None else ()
    moved = measure(evidence)
    if not (moved.answer in _ENTERED_PADS and any(each.check == "five_pads" for each in entered)):
        answers.append(moved)  # else the pads have spoken already: what was measured is what was entered
    return Pattern(
        answers=tuple(answer for answer in answers if answer is not None),
        compositions=tuple(composition for composition in compositions if composition is not None),
        nearby=onset.nearby(case) if case is not None else (),
        ages=(*_wear(evidence), *(onset.ages(case) if case is not None and evidence.kind != "wear" else ())),
        entered=entered,
        silent=tuple(silent),
    )


def better(evidence: Evidence) -> bool:
    """Whether it fails less than expected; a measure that fell, or a run that was odd, is not better for that."""
    return evidence.direction == "down" and evidence.kind not in ("signal_shift", "cure_offset", "odd_run")


def who(evidence: Evidence, new: tuple[Subject, ...] = ()) -> Answer:
    """Whom it is about; subjects that the records cannot tell apart share the answer, ``new`` ones with more weight."""
    subjects = onset.suspects(evidence)
    types = [subject.type for subject in subjects]
    lean = np.where([subject in new for subject in subjects], onset.NEWCOMER, 1.0)
    share = np.array([lean[np.array(types) == kind].sum() for kind in SUBJECT_TYPES], float)
    words = " or ".join(SUBJECT_WORDS[kind] for kind in dict.fromkeys(types))
    several = " (the records cannot tell which)" if len(set(types)) > 1 else ""
    # only a room has a room's temperature: that it is a room says no more than what was measured
    weight = 0.0 if evidence.kind == "signal_shift" and evidence.detail.get("measure") == "ambient_c" else 1.0
    return Answer("who", evidence.subject.type, f"{words} shares it{several}", weight, share / share.sum(),
                  run_ids=evidence.run_ids)  # fmt: skip


def told(evidence: Evidence) -> Evidence:
    """The evidence, with zone, sign and band from what stands beside it, where it has none of its own."""
    also = evidence.detail.get("also", ())

    def beside(name: str) -> Any:
        return next((item[name] for item in also if item.get(name)), None)

    return replace(
        evidence,
        zone=evidence.zone or beside("zone"),
        sign=evidence.sign or beside("sign"),
        band=evidence.band or beside("band"),
    )


def measure(evidence: Evidence) -> Answer:
    """Which measure moved, by the finding itself or by what stands beside it; none where failures are all it has."""
    views: list[Mapping[str, Any]] = [{"kind": evidence.kind, "direction": evidence.direction, **evidence.detail}]
    views += evidence.detail.get("also", ())
    moved = next((name for view in views if (name := _moved(view)) != "none"), "none")
    return Answer("measure", moved, MEASURES[moved], run_ids=evidence.run_ids)


def _moved(view: Mapping[str, Any]) -> str:
    kind, direction = view.get("kind"), view.get("direction")
    if kind == "cure_offset":
        return "growth_over" if direction == "over" else "growth_under"
    if kind != "signal_shift":
        return "none"
    column, upward = str(view.get("measure", "")), "up" if direction in ("up", "over") else "down"
    if column in ("duration_s", "duration", "layer_s", "duration_ratio"):
        return "slower" if upward == "up" else "faster"
    return _MEASURE_OF.get((column, upward), "other")


def _course(evidence: Evidence, case: Case) -> Answer | None:
    """What grows with a counter grows, though a service sets it back and over the weeks it looks steady."""
    if evidence.kind == "wear":
        return Answer("course", "ramp", "it grows from one service to the next", run_ids=evidence.run_ids)
    return compare.course(case)


def _cold(evidence: Evidence, case: Case) -> Answer | None:
    """Whether cold plays a part; a finding of a temperature says itself which way it went, against the season."""
    if evidence.kind == "signal_shift" and evidence.detail.get("measure") in ("ambient_c", "vat_c"):
        return None
    return compare.cold(case)


def _zone(evidence: Evidence) -> Answer | None:
    if evidence.zone is None:
        return None
    zone = PLACE_OF_ZONE[evidence.zone]
    return Answer("where", zone, f"it fails {PLACES[zone]}", run_ids=evidence.run_ids)


def _first(evidence: Evidence) -> Answer | None:
    if evidence.kind != "rate_level":
        return None
    return Answer("first_plate", "yes", "bad from its first plate on", run_ids=evidence.run_ids)


def _band(evidence: Evidence) -> str | None:
    return "one_height" if evidence.band == "height" else evidence.band


def _own(evidence: Evidence, question: str, answer: str | None, answers: tuple[str, ...]) -> Composition | None:
    """A composition of one answer, where the finding names it and no plates say more."""
    if answer is None or answer not in answers:
        return None
    seen = evidence.observed if np.isfinite(evidence.observed) else _OWN_PLATES
    counts = np.zeros(len(answers))
    counts[answers.index(answer)] = float(np.clip(seen, 1.0, _OWN_PLATES))
    expected = evidence.expected if np.isfinite(evidence.expected) else 0.0
    excess = float(np.clip(1.0 - expected / max(seen, 1e-9), 0.05, 1.0))
    background = np.full(len(DISTRIBUTIONS[question]), 1.0 / len(answers))
    words = f"failures are {HEIGHTS[answer]}" if question == "height" else f"what is seen: {answer.replace('_', ' ')}"
    return Composition(question, counts, background, excess, words, evidence.run_ids)


def _wear(evidence: Evidence) -> tuple[Age, ...]:
    """A climb with a counter is what an old counter would be, and surer."""
    named = str(evidence.detail.get("counter", ""))
    found = next((counter for counter, names in _COUNTER_CAUSE.items() if named in names), None)
    if evidence.kind != "wear" or found is None:
        return ()
    return (Age(found, 1.0, f"the risk climbs with {named.replace('_', ' ')}"),)


def _silent(case: Case, answers: list[Answer | None], compositions: list[Composition | None]) -> list[str]:
    """What the records could not answer, with what would."""
    asked = {answer.question for answer in answers if answer is not None}
    plates = case.context.plates
    out = []
    if "where" not in asked:
        out.append(
            "where on the plate it fails: that takes plates with positions on which some parts failed and some held"
        )
    if compositions[0] is None and len(case.failed):
        out.append("how it looks: no sign was written beside its failures")
    if compositions[1] is None and len(case.failed):
        out.append("how high it fails: no failure height, or no layer settings, was written")
    if "cold" not in asked and plates["ambient_c"].isna().all():
        out.append("whether cold plays a part: no room temperature was written")
    if onset.subject_of_service(case.evidence.subject) and case.context.service.empty:
        out.append("what was done near the beginning: the service table is empty")
    if "course" not in asked:
        out.append("whether it grows or comes and goes: too few plates since it began")
    if not case.evidence.separable:
        told = [case.evidence.subject, *case.evidence.rivals]
        names = list(dict.fromkeys(subject.words for subject in told))
        either = " or ".join(names) if len(names) > 1 else f"{names[0]} or something that changed with it"
        out.append(f"whether it is {either}: no plates part them")
    return out
