"""The cautions that stand beside advice on handling."""

from __future__ import annotations

from collections.abc import Iterable

from farmwatch.evidence import NextCheck

SAFETY = (
    "Uncured resin irritates and can sensitise the skin for life: nitrile gloves, eye protection, ventilation.",
    "Washing solvent burns: no flames or sparks, vessels closed.",
    "Never look into the light source. Switch the machine off before reaching inside.",
    "Take the plate off before the vat, so that nothing drips on the panel. Wash parts before touching support tips.",
    "Resin and spent wash are hazardous waste: never down a drain.",
    "The maker's safety data sheet, local rules and licensed practice come before anything printed here.",
)
SAFETY_BRIEF = (
    "Gloves, eye protection, ventilation; machine off before reaching inside; never look into the light source. "
    "The maker's safety data sheet and local rules come first."
)


def caution_of(check: NextCheck) -> str:
    """What to beware of; a check from the table of causes without a caution is one where nothing is handled."""
    return check.caution or ("" if check.code else SAFETY_BRIEF)


def together(texts: Iterable[str]) -> str:
    """Several cautions as one: each sentence once, in order, the one that defers to those who know at the end."""
    sentences = dict.fromkeys(
        part.strip().rstrip(".") + "."
        for text in texts
        for part in text.replace(". ", ".\n").splitlines()
        if part.strip()
    )
    return " ".join(sorted(sentences, key=lambda sentence: "safety data sheet" in sentence))
