"""The causes that can be planted: how each changes the state of plates and parts, or adds a way of failing.

Which marks a cause leaves is common practice; how strongly is chosen so that at strength 1 the odds of failure of the
parts under it rise about three- to sixfold.
"""

from __future__ import annotations

import numpy as np

from farmwatch.simulate.hazards import Event, peel
from farmwatch.simulate.planting import CauseModel, Planting
from farmwatch.simulate.stock import LAYER_MM
from farmwatch.simulate.world import BASE_MM, LOW_MM

DOSE_STEP = 0.36
DIRECTIONS = {
    "left": (-1.0, 0.0),
    "right": (1.0, 0.0),
    "front": (0.0, -1.0),
    "back": (0.0, 1.0),
    "front_left": (-0.7, -0.7),
    "front_right": (0.7, -0.7),
    "back_left": (-0.7, 0.7),
    "back_right": (0.7, 0.7),
}


def _plain_rate(p: Planting) -> None:
    p.world.plain[p.active_parts] += np.log(p.fault.odds_ratio)


def _own_height(p: Planting) -> float:
    """A height on the subject design, mostly in its middle."""
    height = float(p.world.height_mm[p.world.design == p.subject].max(initial=10.0))
    return float(p.draw("height_mm", lambda rng: round(height * rng.uniform(0.25, 0.7), 2)))


def _hard(p: Planting) -> np.ndarray:
    """Hard designs suffer more from a flaw of their own, shape (parts,)."""
    return np.exp(0.6 * p.world.stock.design_effect)[p.world.design]


def _trapped_suction(p: Planting) -> None:
    at = np.full(p.world.plate.size, _own_height(p))
    pull = np.exp(np.clip(0.4 * peel(p.world), -0.7, 0.7))[p.world.plate]
    signs = (("split", 0.4), ("missing", 0.45), ("off_plate", 0.15))
    p.add_way("cavity", 0.055 * p.strength * pull * _hard(p), signs, low_mm=at - 0.3, high_mm=at + 0.3, pulls=True)


def _unsupported_island(p: Planting) -> None:
    at = np.full(p.world.plate.size, _own_height(p))
    signs = (("flake", 0.6), ("missing", 0.4))
    p.add_way("island", 0.09 * p.strength * _hard(p), signs, low_mm=at, high_mm=at + 0.3)


def _bad_file(p: Planting) -> None:
    top = float(p.world.stock.file_height[p.subject])
    from_mm = float(p.draw("from_mm", lambda rng: 0.0 if rng.random() < 0.5 else round(top * rng.uniform(0.1, 0.5), 2)))
    p.detail["bands"] = ("base",) if from_mm < BASE_MM else ("height",)
    chance = np.where(p.active, np.minimum(0.3 * p.strength, 0.95), 0.0)
    signs = (("block", 0.5), ("missing", 0.5))
    p.events.append(Event(f"bad_file {p.subject}", chance, 0.9, signs, height_mm=from_mm, stops=0.3))


def _frozen_panel(p: Planting) -> None:
    """Now and then the panel keeps one image until somebody switches the machine off and on."""
    rows = np.flatnonzero(p.active)
    starts = p.rng.random(rows.size) < 0.045 * p.strength
    lasts = p.rng.geometric(0.55, rows.size)
    frozen = np.zeros(p.active.size)
    for first in np.flatnonzero(starts):
        last = min(first + lasts[first], rows.size)
        frozen[rows[first:last]] = 1.0
        after_h = p.world.plan.start_h[rows[last - 1]] + p.world.plan.planned_h[rows[last - 1]] + 0.1
        p.world.service.add(after_h, p.named, "power_cycled", "kept one image")
    p.events.append(Event(f"frozen_panel {p.subject}", frozen, 1.0, (("block", 1.0),), height_mm=0.0, stops=0.4))


def _panel_end_of_life(p: Planting) -> None:
    zone = str(p.draw("zone", lambda rng: str(rng.choice(["left", "right", "front", "back"]))))
    p.detail["zones"] = (zone,)
    region = p.beside(DIRECTIONS[zone]) > 0.0
    hazard = 0.4 * p.strength * p.ramp(30.0)[p.world.plate] * region
    low = np.full(hazard.size, LAYER_MM)
    p.add_way("region", hazard, (("block", 0.5), ("flake", 0.5)), low_mm=low, high_mm=p.world.height_mm)


def _image_row_glitch(p: Planting) -> None:
    stock, file = p.world.stock, p.world.plan.file
    busy = stock.file_lined_up[file] & (stock.file_count[file] >= 6)
    chance = np.where(p.active & busy, np.minimum(0.75 * p.strength, 0.95), 0.0)
    p.events.append(Event(f"row_glitch {p.subject}", chance, 0.9, (("strings", 1.0),), row=True))


def _dose(p: Planting, log_dose: np.ndarray | float) -> None:
    p.world.log_dose[p.active] += np.broadcast_to(log_dose, p.active.shape)[p.active]
    p.world.base_log_dose[p.active] += np.broadcast_to(log_dose, p.active.shape)[p.active]


def _new_lamp(p: Planting) -> None:
    """The lamp's hours start again at the onset."""
    rows = np.flatnonzero(p.active)
    hours = p.world.plan.planned_h[rows]
    p.world.lamp_h[rows] = np.cumsum(hours) - hours


def _lamp_hot(p: Planting) -> None:
    _new_lamp(p)
    _dose(p, DOSE_STEP * p.strength)


def _lamp_dim(p: Planting) -> None:
    """The lamp or its driver fades over three weeks, at the rim first."""
    fade = p.strength * p.ramp(21.0)
    _dose(p, -1.1 * DOSE_STEP * fade)
    p.world.dose_shift -= 0.8 * DOSE_STEP * fade[p.world.plate] * p.world.rho**2


def _hot(p: Planting) -> None:
    _dose(p, DOSE_STEP * p.strength)


def _cold(p: Planting) -> None:
    _dose(p, -DOSE_STEP * p.strength)


def _profile_exposure(p: Planting, log_dose: float) -> None:
    p.world.exposure_s[p.active] *= np.exp(log_dose)
    p.world.log_dose[p.active] += log_dose


def _profile_hot(p: Planting) -> None:
    _profile_exposure(p, DOSE_STEP * p.strength)


def _profile_cold(p: Planting) -> None:
    _profile_exposure(p, -DOSE_STEP * p.strength)


def _plate_tilt(p: Planting) -> None:
    zone = str(p.draw("zone", lambda rng: str(rng.choice(sorted(DIRECTIONS)))))
    p.detail["zones"] = (zone,)
    slope = 0.27 * p.strength
    gap = slope * np.clip(p.beside(DIRECTIONS[zone]), 0.0, None)
    p.world.gap_mm[p.active_parts] += gap[p.active_parts]
    p.uneven(slope * DIRECTIONS[zone][0], slope * DIRECTIONS[zone][1], 0.0)


def _plate_bow(p: Planting) -> None:
    bow = 0.15 * p.strength
    hollow = (
        bow * np.clip(1.0 - 2.0 * p.world.rho**2, 0.0, None) * np.clip(p.world.load / 0.22, 0.5, 1.4)[p.world.plate]
    )
    p.world.bow_mm[p.active_parts] += hollow[p.active_parts]
    p.uneven(0.0, 0.0, bow)


def _short_rest(p: Planting) -> None:
    p.world.rest_s[p.active] *= np.exp(-1.2 * p.strength)


def _weak_base(p: Planting) -> None:
    p.world.base_exposure_s[p.active] *= np.exp(-1.1 * p.strength)
    p.world.base_log_dose[p.active] -= 1.1 * p.strength


def _film_worn(p: Planting) -> None:
    """Nobody changes the film when it is due."""
    p.suspend("film_changed")
    rows = np.flatnonzero(p.active)
    if rows.size:
        layers = p.world.stock.file_height[p.world.plan.file[rows]] / LAYER_MM
        p.world.film_layers[rows] = p.world.film_layers[rows[0]] + np.cumsum(layers) - layers
    p.world.film_wear += 3.2 * p.strength * p.ramp(20.0)


def _film_spot(p: Planting) -> None:
    world = p.world
    busy = np.flatnonzero(p.active_parts)
    at = int(busy[p.rng.integers(busy.size)]) if busy.size else 0
    x = float(p.draw("x_mm", lambda rng: float(world.x_mm[at])))
    y = float(p.draw("y_mm", lambda rng: float(world.y_mm[at])))
    radius = float(p.draw("radius_mm", lambda rng: 15.0))
    near = np.hypot(world.x_mm - x, world.y_mm - y) < radius
    signs = (("missing", 0.5), ("flake", 0.5))
    low = np.full(near.size, LAYER_MM)
    p.add_way("spot", 0.9 * p.strength * near, signs, low_mm=low, high_mm=world.height_mm, shared=False)


def _resin_unmixed(p: Planting) -> None:
    """Pigment and filler settle while the vat stands; the next plate gets the thin top or the thick bottom."""
    plan = p.world.plan
    stood = np.full(plan.file.size, np.inf)
    order = np.lexsort((plan.start_h, plan.printer))
    same = plan.printer[order][1:] == plan.printer[order][:-1]
    end = plan.start_h[order] + plan.planned_h[order]
    stood[order[1:]] = np.where(same, plan.start_h[order][1:] - end[:-1], np.inf)
    hazard = 0.15 * p.strength * (stood > 1.5)[p.world.plate]
    low = np.full(hazard.size, LOW_MM * 0.5)
    p.add_way("settled", hazard, (("strings", 0.55), ("soft", 0.45)), low_mm=low, high_mm=p.world.height_mm)


def _resin_old(p: Planting) -> None:
    hazard = 0.2 * p.strength * p.ramp(30.0)[p.world.plate]
    low = np.full(hazard.size, LOW_MM * 0.5)
    p.add_way("aged", hazard, (("strings", 0.55), ("soft", 0.45)), low_mm=low, high_mm=p.world.height_mm)


def _cold_resin(p: Planting) -> None:
    """The heating of the room is out."""
    p.world.ambient_c[p.active] -= 9.0 * p.strength
    p.world.vat_c[p.active] -= 9.0 * p.strength


def _z_wear(p: Planting) -> None:
    heights = p.world.height_mm[p.active_parts]
    middle = float(np.quantile(heights, 0.35)) if heights.size else 12.0
    at = float(p.draw("height_mm", lambda rng: round(middle * rng.uniform(0.6, 0.95), 1)))
    hazard = 0.25 * p.strength * p.ramp(25.0)[p.world.plate] * (p.world.height_mm > at + 1.0)
    low = np.full(hazard.size, at - 0.8)
    p.add_way("worn place", hazard, (("ripple", 1.0),), low_mm=low, high_mm=low + 1.6)


def _wash_spent(p: Planting) -> None:
    """Nobody changes the bath when it is due."""
    p.suspend("wash_changed")
    rows = np.flatnonzero(p.active)
    if rows.size:
        p.world.wash_runs[rows] = p.world.wash_runs[rows[0]] + np.arange(rows.size)
    p.world.wash_wear += 3.3 * np.sqrt(p.strength) * p.ramp(8.0)


def _supports_after_cure(p: Planting) -> None:
    p.add_way("torn", np.full(p.world.plate.size, 0.10 * p.strength), (("fused", 1.0),), shared=False)


def _overloaded_plate(p: Planting) -> None:
    world = p.world
    crowd = np.clip(world.load / 0.3, 0.5, 1.6)[world.plate] * (1.0 - 0.8 * world.rho**2)
    low = np.full(crowd.size, BASE_MM * 0.7)
    high = np.minimum(LOW_MM + 3.0, world.height_mm)
    signs = (("split", 0.65), ("off_plate", 0.35))
    p.add_way("crowd", 0.2 * p.strength * crowd, signs, low_mm=low, high_mm=high, fall=1.8)


_RATES = ("rate_shift", "rate_level")

CAUSES: dict[str, CauseModel] = {
    "plain_rate": CauseModel(
        ("printer", "lot", "design", "file", "profile", "wash", "operator", "room", "family"), _plain_rate
    ),
    "trapped_suction": CauseModel(
        ("design",),
        _trapped_suction,
        (*_RATES, "height_pattern"),
        ("split", "missing", "off_plate"),
        bands=("height", "body"),
        begins_with=True,
    ),
    "unsupported_island": CauseModel(
        ("design",),
        _unsupported_island,
        (*_RATES, "height_pattern"),
        ("flake", "missing"),
        bands=("height", "body"),
        begins_with=True,
    ),
    "bad_file": CauseModel(
        ("file",),
        _bad_file,
        (*_RATES, "height_pattern"),
        ("block", "missing"),
        bands=("base", "height"),
        begins_with=True,
    ),
    "frozen_panel": CauseModel(
        ("printer",),
        _frozen_panel,
        (*_RATES, "height_pattern"),
        ("block",),
        bands=("base",),
        mend_action="panel_changed",
    ),
    "panel_end_of_life": CauseModel(
        ("printer",),
        _panel_end_of_life,
        (*_RATES, "plate_pattern", "wear"),
        ("block", "flake"),
        mend_action="panel_changed",
    ),
    "image_row_glitch": CauseModel(
        ("family",), _image_row_glitch, (*_RATES, "plate_pattern"), ("strings",), zones=("row",)
    ),
    "lamp_hot": CauseModel(
        ("printer",),
        _lamp_hot,
        (*_RATES, "cure_offset"),
        ("fused",),
        onset_action="lamp_changed",
        mend_action="lamp_changed",
        direction="over",
    ),
    "lamp_dim": CauseModel(
        ("printer",),
        _lamp_dim,
        (*_RATES, "cure_offset", "plate_pattern", "height_pattern", "wear"),
        ("soft", "split"),
        zones=("rim",),
        bands=("body",),
        mend_action="lamp_changed",
        direction="under",
    ),
    "lot_fast": CauseModel(
        ("lot",),
        _hot,
        (*_RATES, "cure_offset"),
        ("fused",),
        begins_with=True,
        mend_action="resin_changed",
        direction="over",
    ),
    "lot_slow": CauseModel(
        ("lot",),
        _cold,
        (*_RATES, "cure_offset", "height_pattern"),
        ("soft", "split"),
        bands=("body",),
        begins_with=True,
        mend_action="resin_changed",
        direction="under",
    ),
    "profile_hot": CauseModel(
        ("profile",),
        _profile_hot,
        (*_RATES, "cure_offset"),
        ("fused",),
        onset_action="profile_changed",
        mend_action="profile_changed",
        direction="over",
    ),
    "profile_cold": CauseModel(
        ("profile",),
        _profile_cold,
        (*_RATES, "cure_offset", "height_pattern"),
        ("soft", "split"),
        bands=("body",),
        onset_action="profile_changed",
        mend_action="profile_changed",
        direction="under",
    ),
    "plate_tilt": CauseModel(
        ("printer",),
        _plate_tilt,
        (*_RATES, "plate_pattern", "height_pattern"),
        ("off_plate",),
        bands=("base",),
        onset_action="plate_changed",
        mend_action="plate_levelled",
    ),
    "plate_bow": CauseModel(
        ("printer",),
        _plate_bow,
        (*_RATES, "plate_pattern", "height_pattern"),
        ("off_plate", "missing", "split"),
        zones=("centre",),
        bands=("transition", "body", "height"),
        onset_action="plate_changed",
        mend_action="plate_changed",
    ),
    "short_rest": CauseModel(
        ("profile",),
        _short_rest,
        (*_RATES, "plate_pattern", "height_pattern", "signal_shift"),
        ("split", "missing"),
        zones=("centre",),
        bands=("base", "transition", "body", "height"),
        onset_action="profile_changed",
        mend_action="profile_changed",
    ),
    "weak_base": CauseModel(
        ("profile",),
        _weak_base,
        (*_RATES, "height_pattern"),
        ("off_plate",),
        bands=("base",),
        onset_action="profile_changed",
        mend_action="profile_changed",
    ),
    "film_worn": CauseModel(
        ("printer",),
        _film_worn,
        (*_RATES, "height_pattern", "wear", "signal_shift"),
        ("stretch", "split"),
        bands=("body",),
        mend_action="film_changed",
    ),
    "film_spot": CauseModel(
        ("printer",),
        _film_spot,
        (*_RATES, "plate_pattern"),
        ("missing", "flake"),
        zones=("spot",),
        mend_action="vat_cleaned",
    ),
    "resin_unmixed": CauseModel(("lot",), _resin_unmixed, _RATES, ("strings", "soft"), mend_action="resin_stirred"),
    "resin_old": CauseModel(
        ("lot",), _resin_old, (*_RATES, "wear"), ("strings", "soft"), begins_with=True, mend_action="resin_changed"
    ),
    "cold_resin": CauseModel(
        ("room",),
        _cold_resin,
        (*_RATES, "signal_shift", "height_pattern", "plate_pattern"),
        ("split", "off_plate"),
        zones=("centre",),
        bands=("base", "transition", "body", "height"),
        mend_action="room_heated",
    ),
    "z_wear": CauseModel(
        ("printer",),
        _z_wear,
        (*_RATES, "height_pattern", "wear"),
        ("ripple",),
        bands=("height", "body"),
        mend_action="screw_or_nut_changed",
    ),
    "wash_spent": CauseModel(("wash",), _wash_spent, (*_RATES, "wear"), ("tacky", "haze"), mend_action="wash_changed"),
    "supports_after_cure": CauseModel(("operator",), _supports_after_cure, _RATES, ("fused",)),
    "overloaded_plate": CauseModel(
        ("file",),
        _overloaded_plate,
        (*_RATES, "plate_pattern", "height_pattern"),
        ("split", "off_plate"),
        zones=("centre",),
        bands=("base", "transition", "body", "height"),
        begins_with=True,
    ),
}
