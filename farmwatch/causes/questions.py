"""The questions that a pattern answers: codes of causes, the answers that are possible, and their plain words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from farmwatch.evidence import SUBJECT_TYPES, Evidence
from farmwatch.records import ACTIONS, SIGNS

CAUSES = (
    "trapped_suction",
    "unsupported_island",
    "bad_file",
    "frozen_panel",
    "panel_end_of_life",
    "image_row_glitch",
    "lamp_hot",
    "lamp_dim",
    "lot_fast",
    "lot_slow",
    "profile_hot",
    "profile_cold",
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
UNKNOWN = "unknown"
CODES = (*CAUSES, UNKNOWN)

PLACES: Mapping[str, str] = {
    "anywhere": "anywhere on the plate",
    "centre": "in the centre",
    "rim": "at the rim",
    "side": "on one side",
    "corner": "in one corner",
    "row": "along a row",
    "column": "along a column",
    "spot": "in one small spot",
}
PLACE_OF_ZONE: Mapping[str, str] = {
    "centre": "centre",
    "rim": "rim",
    "left": "side",
    "right": "side",
    "front": "side",
    "back": "side",
    "front_left": "corner",
    "front_right": "corner",
    "back_left": "corner",
    "back_right": "corner",
    "row": "row",
    "column": "column",
    "spot": "spot",
}
HEIGHTS: Mapping[str, str] = {
    "base": "in the base layers",
    "transition": "in the transition layers",
    "low_body": "low in the body",
    "body": "higher in the body",
    "one_height": "at one height",
}
COURSES: Mapping[str, str] = {
    "lasting": "about as bad all along since it began",
    "ramp": "growing since it began",
    "now_and_then": "now and then, with good plates between",
}
MEASURES: Mapping[str, str] = {
    "none": "more parts fail, and no measured value is known to have moved with them",
    "growth_over": "measured pieces come out too fat",
    "growth_under": "measured pieces come out too thin",
    "pads_tilted": "the thickness pads lie on a tilted plane",
    "pads_bowed": "the middle pad differs from the corners",
    "peel_up": "the peel force rose",
    "peel_down": "the peel force fell",
    "slower": "runs take longer",
    "faster": "runs take less time",
    "room_colder": "the room got colder",
    "room_warmer": "the room got warmer",
    "vat_colder": "the vat got colder",
    "vat_warmer": "the vat got warmer",
    "other": "another measure moved",
}
#: measured columns that a finding may be about, as people call them, with their units
MEASURED: Mapping[str, tuple[str, str]] = {
    "peak_release_n": ("largest peel force", "N"),
    "pad_tilt_mm": ("tilt of the thickness pads over the plate", "mm"),
    "pad_bow_mm": ("thickness of the middle pad against the others", "mm"),
    "ambient_c": ("room temperature", "°C"),
    "vat_c": ("vat temperature", "°C"),
    "planned_s": ("planned duration", "s"),
    "duration_s": ("duration of a run", "s"),
    "duration_ratio": ("duration against plan", "ratio"),
    "overrun_s": ("time over plan", "s"),
    "exposure_s": ("exposure", "s"),
    "base_exposure_s": ("base exposure", "s"),
    "base_layers": ("base layers", "layers"),
    "transition_layers": ("transition layers", "layers"),
    "layer_height_mm": ("layer height", "mm"),
    "rest_s": ("rest before cure", "s"),
    "lift_speed_mm_min": ("lift speed", "mm/min"),
    "base_release_n": ("largest peel force in the base", "N"),
    "body_release_n": ("largest peel force in the body", "N"),
    "layer_time_sd_s": ("spread of layer times", "s"),
    "vat_warm_up_c": ("warming of the vat over a run", "°C"),
    "release_n": ("peel force of a layer", "N"),
    "layer_s": ("time per layer", "s"),
    "footprint_mm2": ("footprint on the plate", "mm²"),
    "parts": ("parts on the plate", "parts"),
    "plate_height_mm": ("tallest part", "mm"),
}
SUBJECT_WORDS: Mapping[str, str] = {
    "printer": "one printer",
    "lot": "one lot of resin",
    "design": "one design",
    "file": "one file",
    "profile": "one settings profile",
    "wash": "one wash station",
    "operator": "one operator",
    "room": "one room",
    "family": "one family of printers",
    "farm": "the whole farm",
    "run": "one run",
}

#: distributions over answers, in the order in which a story tells them
DISTRIBUTIONS: Mapping[str, tuple[str, ...]] = {
    "who": SUBJECT_TYPES,
    "where": tuple(PLACES),
    "height": tuple(HEIGHTS),
    "course": tuple(COURSES),
    "signs": SIGNS,
    "measure": tuple(MEASURES),
}
#: questions whose answer is yes or no, with the words for both
YES_NO: Mapping[str, tuple[str, str]] = {
    "first_plate": ("bad from its first plate on", "well at first, then not"),
    "cold": ("failing plates are the colder ones", "cold days are no worse than warm ones"),
    "load": ("failing plates are the fuller ones", "full plates are no worse than others"),
    "aligned": ("failing plates hold more parts in line", "plates with parts in line are no worse than others"),
    "neighbours": ("its neighbours on the plate fail with it", "its neighbours on the plate are spared"),
    "stood": ("plates after the printer had stood fail more", "plates after the printer had stood are no worse"),
    "power_clears": ("it clears when the power is cycled", "cycling the power did not clear it"),
    "stirring_clears": ("it clears when the resin is stirred", "stirring the resin did not clear it"),
}
#: what may happen near a beginning: the service actions, and two that are read from the runs themselves
EVENTS = (*(action for action in ACTIONS if action != "other"), "new_bottle", "settings_changed")
EVENT_WORDS: Mapping[str, str] = {
    "film_changed": "the release film was changed",
    "panel_changed": "the panel was changed",
    "lamp_changed": "the light source was changed",
    "plate_levelled": "the plate was levelled",
    "plate_changed": "the plate was changed",
    "screw_or_nut_changed": "the screw or nut was changed",
    "power_cycled": "the power was cycled",
    "firmware_changed": "the firmware was changed",
    "vat_cleaned": "the vat was cleaned",
    "resin_stirred": "the resin was stirred",
    "resin_changed": "the resin was changed",
    "wash_changed": "the wash bath was changed",
    "profile_changed": "the profile was changed",
    "room_heated": "the room was heated",
    "new_bottle": "a new bottle came into use",
    "settings_changed": "the settings in its runs changed",
}
#: wear counters: the actions that set each back to nought, and its words
COUNTERS: Mapping[str, tuple[str, ...]] = {
    "film": ("film_changed",),
    "lamp": ("lamp_changed",),
    "panel": ("panel_changed",),
    "screw": ("screw_or_nut_changed",),
    "bath": ("wash_changed",),
    "bottle": (),
}
COUNTER_WORDS: Mapping[str, str] = {
    "film": "plates on the release film",
    "lamp": "plates on the light source",
    "panel": "plates on the panel",
    "screw": "plates on the screw and nut",
    "bath": "plates through the wash bath",
    "bottle": "days since the bottle was opened",
}


def day_words(day: dt.date) -> str:
    """``4 Mar 2031``."""
    return f"{day.day} {day:%b %Y}"


def spot_words(evidence: Evidence) -> str:
    """``44 mm left of the middle and 35 mm behind it``; empty for a finding that is about no spot."""
    x, y = (evidence.detail.get(name) for name in ("x_mm", "y_mm"))
    if evidence.zone != "spot" or x is None or y is None:
        return ""
    aside = f"{abs(x):.0f} mm {'left' if x < 0 else 'right'} of the middle"
    return f"{aside} and {abs(y):.0f} mm {'in front of' if y < 0 else 'behind'} it"


def percent(share: float) -> str:
    """A share or a probability in whole per cent; what is not nought or one never reads as if it were."""
    if 0.0 < share < 0.005:
        return "under 1 %"
    return "over 99 %" if 0.995 <= share < 1.0 else f"{100.0 * share:.0f} %"
