"""Plain words for codes, dates, sizes and units: what a farm lead reads instead of a code or a statistic."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from functools import cache
from typing import TYPE_CHECKING

from farmwatch.causes.questions import MEASURED, spot_words
from farmwatch.evidence import Evidence

if TYPE_CHECKING:
    from farmwatch.causes.table import CauseTable

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

# each reads on after "about twice as many parts as expected"
SIGN_VERBS = {
    "off_plate": "let go of the plate",
    "split": "split between layers",
    "missing": "went missing",
    "soft": "came out soft",
    "fused": "came out fused",
    "strings": "left strings of cured resin",
    "flake": "shed a loose flake",
    "block": "printed as a solid block",
    "ripple": "came out rippled",
    "stretch": "came out with stretch marks",
    "tacky": "stayed tacky",
    "haze": "kept a white haze",
    "other": "failed in another way",
}

ZONE_WORDS = {
    "centre": "the centre of the plate",
    "rim": "the rim of the plate",
    "left": "the left side of the plate",
    "right": "the right side of the plate",
    "front": "the front of the plate",
    "back": "the back of the plate",
    "front_left": "the front left corner",
    "front_right": "the front right corner",
    "back_left": "the back left corner",
    "back_right": "the back right corner",
    "row": "one row across the plate",
    "column": "one column from front to back",
    "spot": "one small spot on the plate",
}

BAND_WORDS = {
    "base": "the base layers",
    "transition": "the transition layers",
    "body": "the body, above the transition layers",
    "height": "one height",
}

KIND_WORDS = {
    "rate_shift": "failures moved",
    "rate_level": "fails more than its peers",
    "plate_pattern": "one place on the plate",
    "height_pattern": "one height",
    "cure_offset": "cures too deep or too shallow",
    "signal_shift": "a measure moved",
    "odd_run": "odd run",
    "wear": "wear",
}

STATUS_WORDS = {
    "open": "open",
    "watching": "something was done, watching whether it helped",
    "cleared": "mended, and it held",
    "returned": "came back",
    "faded": "no longer seen; nothing known to have been done",
}

ACTION_WORDS = {
    "film_changed": "film changed",
    "panel_changed": "panel changed",
    "lamp_changed": "lamp changed",
    "plate_levelled": "plate levelled",
    "plate_changed": "plate changed",
    "screw_or_nut_changed": "screw or nut changed",
    "power_cycled": "power cycled",
    "firmware_changed": "firmware changed",
    "vat_cleaned": "vat cleaned",
    "resin_stirred": "resin stirred",
    "resin_changed": "resin changed",
    "wash_changed": "wash changed",
    "profile_changed": "profile changed",
    "room_heated": "room heated",
    "other": "other service",
}

COUNTER_WORDS = {
    "film_layers": ("layers since the film was changed", "layers"),
    "lamp_hours": ("hours since the lamp was changed", "h"),
    "bath_runs": ("runs since the bath was changed", "runs"),
}


def phrase(code: str | None) -> str:
    """A code without its underscores; an empty code is ``unknown``."""
    return str(code).replace("_", " ") if code else "unknown"


def date(day: dt.date, year: bool = True) -> str:
    """``3 Mar 2031``: the same in every locale."""
    return f"{day.day} {MONTHS[day.month - 1]}" + (f" {day.year}" if year else "")


def sentence(text: str) -> str:
    """With a capital in front; the rest is left as it is."""
    return text[:1].upper() + text[1:]


def listed(items: Iterable[str], last: str = "and") -> str:
    """``a, b and c``; empty gives an empty text."""
    words = list(items)
    return words[0] if len(words) == 1 else f" {last} ".join([", ".join(words[:-1]), words[-1]]) if words else ""


def count(number: float, one: str, many: str | None = None) -> str:
    """``1 plate``, ``12,345 plates``."""
    return f"{number_text(number)} {one if number == 1 else many or one + 's'}"


def number_text(value: float, digits: int = 3) -> str:
    """A number for reading: three significant digits, thousands separated; NaN is ``unknown``."""
    if not math.isfinite(value):
        return "unknown" if math.isnan(value) else "no limit"
    if value == round(value) and abs(value) < 1e15:
        return f"{value:,.0f}"
    if abs(value) >= 10 ** (digits - 1):
        return f"{value:,.0f}"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value)))) if value else 0
    shown = f"{value:,.{min(places, 6)}f}"
    return shown.rstrip("0").rstrip(".") if "." in shown else shown


def times(ratio: float) -> str:
    """How often against expected, before ``as many parts as expected``: the size that a reader remembers."""
    steps = ((0.4, "less than half"), (0.62, "about half"), (0.87, "about three quarters"), (1.15, "about"))
    for limit, words in steps:
        if ratio < limit:
            return words
    if ratio < 1.4:
        return "about a quarter more than"
    if ratio < 1.75:
        return "about half as many again"
    return f"about {'twice' if ratio < 2.5 else f'{ratio:.0f} times'}"


def many_parts(ratio: float, unit: str = "parts") -> str:
    """``about twice as many parts as expected``, in the words that fit the ratio."""
    words = times(ratio)
    if not math.isfinite(ratio):
        return f"more {unit} than expected"
    if words == "about" and abs(ratio - 1.0) >= 0.005:  # on many plates a little is a finding
        return f"slightly {'more' if ratio > 1.0 else 'fewer'} {unit} than expected"
    if words.endswith("than"):
        return f"{words.removesuffix(' more than')} more {unit} than expected"
    if words.endswith("again"):
        return f"{words.removesuffix(' many again')} many {unit} again as expected"
    return f"{words} as many {unit} as expected"


def likelihood(probability: float) -> str:
    """A word for a probability, to stand before its number."""
    steps = ((0.9, "almost certain"), (0.6, "likely"), (0.3, "quite possible"), (0.1, "possible"))
    return next((word for limit, word in steps if probability >= limit), "unlikely")


def hours(cost: float) -> str:
    """A cost in hours of hands, in minutes below two hours."""
    if not math.isfinite(cost):
        return "cost unknown"
    return f"about {max(5, 5 * round(cost * 12))} minutes" if cost < 2 else f"about {number_text(cost, 2)} hours"


def cause(code: str, table: CauseTable | None = None) -> str:
    """A cause as the table of causes calls it; one that the table does not hold keeps its code, without underscores.

    Without a ``table``: the shipped one.
    """
    if code == "unknown":
        return "something that is not in the list"
    table = table or _causes()
    return table.title(code) if code in table.causes else phrase(code)


def mend(code: str, table: CauseTable | None = None) -> tuple[str, str]:
    """What mends a cause, and what to beware of when doing it; empty for what the table of causes does not hold."""
    table = table or _causes()
    entry = table.causes.get(code)
    return ("", "") if entry is None else (entry.mend, table.caution(entry.cautions))


@cache
def _causes() -> CauseTable:
    from farmwatch.causes.table import load_causes

    return load_causes()


def action(code: str) -> str:
    return ACTION_WORDS.get(code, phrase(code))


def measure(code: str) -> tuple[str, str]:
    """Words and unit of a measured column; an unknown one keeps its own name without a unit."""
    return MEASURED.get(code, (phrase(code), ""))


def band(evidence: Evidence) -> str | None:
    """How high, with millimetres where one height is meant; None where the finding says nothing of height."""
    if evidence.band is None:
        return None
    low, high = evidence.detail.get("from_mm"), evidence.detail.get("to_mm")
    if evidence.band == "height" and low is not None and high is not None:
        return f"one height, {number_text(float(low))} to {number_text(float(high))} mm"
    return BAND_WORDS.get(evidence.band, phrase(evidence.band))


def zone(code: str | None) -> str | None:
    return None if code is None else ZONE_WORDS.get(code, phrase(code))


def place(evidence: Evidence) -> str | None:
    """Where on the plate, a spot with its position as one stands before the machine; None where it is not about that."""
    where, spot = zone(evidence.zone), spot_words(evidence)
    return f"{where}, {spot}" if spot else where


def began(evidence: Evidence) -> str:
    """``about 3 Mar 2031 (between 1 and 6 Mar)``; an exact onset is said plainly."""
    if evidence.kind == "odd_run":
        return f"on {date(evidence.since)}"
    if evidence.since_low == evidence.since_high:
        return f"on {date(evidence.since)}"
    return f"about {date(evidence.since)} (between {date(evidence.since_low, False)} and {date(evidence.since_high)})"
