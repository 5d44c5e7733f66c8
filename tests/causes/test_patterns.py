"""Every cause of the trade is reached as the likeliest from its own pattern; each pattern is that of the trade's table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from farmwatch.causes.pattern import Age, Answer, Composition, Nearby, Pattern
from farmwatch.causes.posterior import weigh
from farmwatch.causes.questions import CAUSES, CODES, DISTRIBUTIONS
from farmwatch.causes.table import CauseTable
from farmwatch.settings import Settings

#: the causes of the trade; a slash divides two codes of one cause
TRADE = (
    "trapped_suction",
    "unsupported_island",
    "bad_file",
    "frozen_panel",
    "panel_end_of_life",
    "image_row_glitch",
    "lamp_hot/lamp_dim",
    "lot_fast/lot_slow",
    "profile_hot/profile_cold",
    "plate_tilt",
    "plate_bow",
    "short_rest",
    "weak_base",
    "film_worn",
    "film_spot",
    "resin_unmixed",
    "resin_old",
    "cold_resin",
    "z_wear",
    "wash_spent",
    "supports_after_cure",
    "overloaded_plate",
)


@dataclass(frozen=True)
class Seen:
    """What ten failing plates look like: who, signs, and the rest where the trade's table names it."""

    who: str
    signs: tuple[str, ...]
    height: tuple[str, ...] = ()
    where: str = "anywhere"
    course: str = "lasting"
    first: str = "no"
    yes: tuple[str, ...] = ()
    near: tuple[str, ...] = ()
    old: str = ""


PATTERNS = {
    "trapped_suction": Seen("design", ("split", "missing"), ("one_height",), first="yes", yes=("neighbours",)),
    "unsupported_island": Seen("design", ("flake", "missing"), ("one_height",), first="yes"),
    "bad_file": Seen("file", ("block", "missing"), ("base",), first="yes"),
    "frozen_panel": Seen("printer", ("block",), ("base",), course="now_and_then", yes=("power_clears",)),
    "panel_end_of_life": Seen("printer", ("block", "flake"), ("body", "base"), "side", "ramp"),
    "image_row_glitch": Seen("family", ("strings",), ("body",), "row", "now_and_then", yes=("load", "aligned")),
    "lamp_hot": Seen("printer", ("fused",), ("body",), near=("lamp_changed",)),
    "lamp_dim": Seen("printer", ("soft", "split"), ("body",), "rim", "ramp"),
    "lot_fast": Seen("lot", ("fused",), ("body",), first="yes"),
    "lot_slow": Seen("lot", ("soft", "split"), ("body",), first="yes"),
    "profile_hot": Seen("profile", ("fused",), ("body",), near=("profile_changed",)),
    "profile_cold": Seen("profile", ("soft", "split"), ("body",), near=("profile_changed",)),
    "plate_tilt": Seen("printer", ("off_plate",), ("base",), "side", near=("plate_levelled",)),
    "plate_bow": Seen("printer", ("off_plate", "missing"), ("transition", "low_body"), "centre", yes=("load",)),
    "short_rest": Seen("profile", ("split", "missing"), ("base", "low_body"), "centre", yes=("load",)),
    "weak_base": Seen("profile", ("off_plate",), ("base",), near=("profile_changed",)),
    "film_worn": Seen("printer", ("stretch", "split"), ("body",), course="ramp", old="film"),
    "film_spot": Seen("printer", ("missing", "flake"), ("body", "base"), "spot"),
    "resin_unmixed": Seen("lot", ("strings", "soft"), ("body", "low_body"), course="now_and_then", yes=("stood",)),
    "resin_old": Seen("lot", ("strings", "soft"), ("body", "low_body"), course="ramp", old="bottle"),
    "cold_resin": Seen("room", ("split", "off_plate"), ("base", "low_body"), "centre", "now_and_then", yes=("cold",)),
    "z_wear": Seen("printer", ("ripple",), ("one_height", "body"), course="ramp"),
    "wash_spent": Seen("wash", ("tacky", "haze"), course="ramp", old="bath"),
    "supports_after_cure": Seen("operator", ("fused",)),
    "overloaded_plate": Seen("farm", ("split", "off_plate"), ("low_body",), "centre", yes=("load",)),
}


def _composition(question: str, seen: tuple[str, ...]) -> Composition:
    answers = DISTRIBUTIONS[question]
    counts = np.array([10.0 / len(seen) if answer in seen else 0.0 for answer in answers])
    return Composition(question, counts, np.full(len(answers), 1.0 / len(answers)), 0.8, question)


def pattern_of(seen: Seen) -> Pattern:
    answers = [
        Answer("who", seen.who, "who"),
        Answer("where", seen.where, "where"),
        Answer("course", seen.course, "course"),
    ]
    answers.append(Answer("first_plate", seen.first, "first"))
    asked = (
        "cold",
        "load",
        "aligned",
        "stood",
        "power_clears",
        "stirring_clears",
        *(("neighbours",) if seen.who == "design" else ()),
    )
    answers += [Answer(question, "yes" if question in seen.yes else "no", question) for question in asked]
    compositions = [_composition("signs", seen.signs)]
    compositions += [_composition("height", seen.height)] if seen.height else []
    nearby = tuple(Nearby(event, True, 0.1, event) for event in seen.near)
    ages = (Age(seen.old, 0.95, seen.old),) if seen.old else ()
    return Pattern(tuple(answers), tuple(compositions), nearby, ages)


def test_every_cause_of_the_trade_is_listed() -> None:
    assert tuple(code for cause in TRADE for code in cause.split("/")) == CAUSES
    assert tuple(PATTERNS) == CAUSES
    assert CODES[-1] == "unknown"


@pytest.mark.parametrize("code", CAUSES)
def test_every_cause_is_reached_from_its_own_pattern(code: str, table: CauseTable, settings: Settings) -> None:
    posterior = weigh(pattern_of(PATTERNS[code]), table, settings.causes)
    ranked = [CODES[i] for i in np.argsort(-posterior.probability)]
    assert ranked[0] == code
    assert posterior.probability.max() > 0.5


def test_a_pattern_that_fits_nothing_is_given_to_unknown(table: CauseTable, settings: Settings) -> None:
    # a wash station whose parts are prisms at one corner, in bouts, and fuller: nobody wrote that down
    odd = Seen("operator", ("other",), ("one_height", "transition"), "corner", "now_and_then", yes=("cold", "aligned"))
    posterior = weigh(pattern_of(odd), table, settings.causes)
    assert CODES[int(np.argmax(posterior.probability))] == "unknown"
    assert posterior.probability[-1] > 0.6


def test_two_causes_at_once_are_named_as_a_pair(table: CauseTable, settings: Settings) -> None:
    """Half the plates off the left side in the base after levelling, half stretched and split on an old film."""
    both = Pattern(
        (Answer("who", "printer", "who"), Answer("where", "side", "where"), Answer("course", "ramp", "course")),
        (_composition("signs", ("off_plate", "stretch", "split")), _composition("height", ("base", "body"))),
        (Nearby("plate_levelled", True, 0.05, "levelled"),),
        (Age("film", 0.97, "film"),),
    )
    posterior = weigh(both, table, settings.causes)
    assert set(posterior.pairs[0][:2]) == {"plate_tilt", "film_worn"}
    assert posterior.pairs[0][2] > 0.3
    alone = weigh(pattern_of(PATTERNS["plate_tilt"]), table, settings.causes)
    assert max(pair[2] for pair in alone.pairs) < 0.1
