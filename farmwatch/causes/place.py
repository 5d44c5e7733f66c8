"""Where on the plate, how high, and which signs: read from the subject's failures against what was expected."""

from __future__ import annotations

import numpy as np

from farmwatch.causes.context import Case
from farmwatch.causes.pattern import Answer, Composition
from farmwatch.causes.questions import HEIGHTS, PLACE_OF_ZONE, PLACES, percent
from farmwatch.records import SIGNS

#: zones in units of half the plate, as conditions on u (left to right) and v (front to back), both within -1 and 1
_ZONES = (
    ("centre", lambda u, v: np.maximum(abs(u), abs(v)) < 0.5),
    ("centre", lambda u, v: np.hypot(u, v) < 0.35),
    ("rim", lambda u, v: np.maximum(abs(u), abs(v)) > 0.7),
    ("side", lambda u, v: u < -0.3),
    ("side", lambda u, v: u > 0.3),
    ("side", lambda u, v: v < -0.3),
    ("side", lambda u, v: v > 0.3),
    ("corner", lambda u, v: (u < -0.3) & (v < -0.3)),
    ("corner", lambda u, v: (u < -0.3) & (v > 0.3)),
    ("corner", lambda u, v: (u > 0.3) & (v < -0.3)),
    ("corner", lambda u, v: (u > 0.3) & (v > 0.3)),
)
#: plates read for a place, at most: more would cost time and say no more
_PLATES = 200
#: failures that spots are put around, at most
_SPOTS = 40
#: informative failures at which "anywhere" counts half
_HALF = 30.0


def where(case: Case) -> Answer | None:
    """The zone that the finding names, else the best of a few zones with every plate as its own control.

    Of a plate's failures the share that the zone should get is the share of the plate's expected risk that stands in
    it; plates that failed whole or not at all say nothing. None where no plate can say.
    """
    evidence = case.evidence
    if evidence.zone is not None:
        place = PLACE_OF_ZONE[evidence.zone]
        return Answer("where", place, f"it fails {PLACES[place]}", run_ids=evidence.run_ids)
    parts, failures, _ = case.per_plate if len(case.plates) else (np.array([]),) * 3
    informative = case.plates[(failures > 0) & (failures < parts)][-_PLATES:]
    if not len(informative):
        return None
    context = case.context
    rows = case.parts_on(informative)
    plate = context.part_plate[rows]
    plates = context.plates
    u = context.parts["x_mm"].iloc[rows].to_numpy(float) / (plates["plate_width_mm"].to_numpy(float)[plate] / 2.0)
    v = context.parts["y_mm"].iloc[rows].to_numpy(float) / (plates["plate_depth_mm"].to_numpy(float)[plate] / 2.0)
    placed = ~np.isnan(u + v)
    if not placed.any():
        return None
    u, v, plate, failed, risk = (
        u[placed],
        v[placed],
        plate[placed],
        context.part_failed[rows][placed],
        context.risk[rows][placed],
    )
    names, scores = _scores(u, v, np.unique(plate, return_inverse=True)[1], failed, risk)
    best = int(np.argmax(scores))
    if scores[best] >= context.settings.causes.place_z:
        return Answer("where", names[best], f"it fails {PLACES[names[best]]}", run_ids=case.run_ids(informative))
    count = case.excess * float(failed.sum())
    return Answer("where", "anywhere", "it fails anywhere on the plate, no place stands out", count / (count + _HALF),
                  run_ids=case.run_ids(informative))  # fmt: skip


def _scores(
    u: np.ndarray, v: np.ndarray, plate: np.ndarray, failed: np.ndarray, risk: np.ndarray
) -> tuple[list[str], np.ndarray]:
    """Standardised excess of failures in each zone; the dispersion is inflated for neighbours that fail together."""
    zones = [(name, test(u, v)) for name, test in _ZONES]
    here = np.flatnonzero(failed)
    here = here[:: max(len(here) // _SPOTS, 1)][:_SPOTS]
    spots = [("spot", np.hypot(u - u[k], v - v[k]) < 0.22) for k in here]
    masks = np.array([mask for _, mask in zones + spots], np.float32)
    starts = np.flatnonzero(np.diff(plate, prepend=-1))
    failures = np.add.reduceat(failed.astype(float), starts)
    size = np.diff(np.append(starts, len(plate))).astype(float)
    share = risk / np.add.reduceat(risk, starts)[plate]
    held = np.add.reduceat(masks * share.astype(np.float32), starts, axis=1).astype(float)
    seen = np.add.reduceat(masks * failed.astype(np.float32), starts, axis=1).astype(float)
    left = np.where(size > 1, (size - failures) / np.maximum(size - 1, 1), 0.0)
    expected, variance = held * failures, held * (1.0 - held) * failures * left
    residual = seen - expected
    # neighbours that fail together scatter more than chance; an excess that comes back on every plate is no scatter
    scatter = ((residual - residual.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    spread = np.maximum(scatter, variance.sum(axis=1))
    with np.errstate(divide="ignore", invalid="ignore"):
        score = np.where(spread > 0.0, residual.sum(axis=1) / np.sqrt(spread), 0.0)
    # a spot must be worth its many tries
    score[len(zones) :] -= 1.0
    return [name for name, _ in zones + spots], score


def signs(case: Case) -> Composition | None:
    """Which signs the failures since the beginning bear, in plates. Without frames' failures, the finding's own sign."""
    context = case.context
    return _composition(case, "signs", context.failed_sign[case.failed], context.failed_sign, SIGNS, "what is seen:")


def heights(case: Case) -> Composition | None:
    """At which heights the parts failed, in plates; failures that crowd at one height are put there.

    A finding's own window is one height, unless it lies low: there a window of some millimetres may as well be the low body,
    and only a crowd of failures tells.
    """
    context = case.context
    answers = tuple(HEIGHTS)
    place = context.failed_height[case.failed].copy()
    one = answers.index("one_height")
    low, high = (case.evidence.detail.get(name, np.nan) for name in ("from_mm", "to_mm"))
    if case.evidence.band == "height" and high > _low_mm(case) + context.settings.causes.low_body_mm:
        mm = context.failed_height_mm[case.failed]
        with np.errstate(invalid="ignore"):
            place[(mm >= low) & (mm <= high)] = one
    else:
        place[_crowd(case, place)] = one
    return _composition(case, "height", place, context.failed_height, answers, "failures are")


def _low_mm(case: Case) -> float:
    """Where the body begins on most of the plates, mm; 0 where no layer settings were written."""
    plates = case.context.plates.iloc[case.plates]
    layers = plates["base_layers"].to_numpy(float) + np.nan_to_num(plates["transition_layers"].to_numpy(float))
    mm = layers * plates["layer_height_mm"].to_numpy(float)
    return float(np.median(mm[np.isfinite(mm)])) if np.isfinite(mm).any() else 0.0


def _crowd(case: Case, place: np.ndarray) -> np.ndarray:
    """Mask of failures above the base that crowd at one height.

    The window that holds most of them must hold them on half of the failing plates, and on three times as many plates
    as the windows below and above it: a crowd low in the body is no single height.
    """
    context, settings = case.context, case.context.settings.causes
    body = np.flatnonzero(place >= list(HEIGHTS).index("low_body"))
    mask = np.zeros(len(place), bool)
    if not len(body):
        return mask
    mm, plate = context.failed_height_mm[case.failed][body], case.failed_plates[body]
    width = settings.one_height_mm
    order = np.sort(mm)
    start = order[int(np.argmax(np.searchsorted(order, order + width, side="right") - np.arange(len(order))))]

    def plates(low: float) -> int:
        return len(np.unique(plate[(mm >= low) & (mm <= low + width)]))

    beside = max(plates(start - 1.001 * width), plates(start + 1.001 * width))
    crowded, every = plates(start), len(np.unique(plate))
    if crowded >= settings.plates_at_least and 2 * crowded >= every and crowded >= 3 * beside:
        mask[body[(mm >= start) & (mm <= start + width)]] = True
    return mask


def _composition(
    case: Case, question: str, own: np.ndarray, every: np.ndarray, answers: tuple[str, ...], lead: str
) -> Composition | None:
    plate = case.failed_plates
    written = own >= 0
    if not written.any():
        return None
    counts = _in_plates(plate[written], own[written], len(answers))
    other = np.ones(len(every), bool)
    other[case.failed] = False
    other &= every >= 0
    usual = np.array([1.0 / len(answers)] * len(answers))
    background = np.bincount(every[other], minlength=len(answers)) + 5.0 * usual
    # what is written of some failures only (a fused part has no failure height) is no excess of what is written
    others = np.ones(len(every), bool)
    others[case.failed] = False
    habit = (float(other.sum()) + 1.0) / (float(others.sum()) + 1.0)
    expected = case.expected * min(habit, 1.0)
    # a twentieth may always be the fault's: an excess of nought would silence the failures for good
    excess = float(np.clip(1.0 - expected / written.sum(), 0.05, 1.0))
    top = [i for i in np.argsort(-counts) if counts[i] > 0][:3]
    total = counts.sum()
    said = ", ".join(f"{_say(question, answers[i])} on {percent(counts[i] / total)}" for i in top)
    return Composition(question, counts, background / background.sum(), excess,
                       f"{lead} {said} of the failing plates", case.run_ids(plate[written]))  # fmt: skip


def _say(question: str, answer: str) -> str:
    return HEIGHTS[answer] if question == "height" else answer.replace("_", " ")


def _in_plates(plate: np.ndarray, answer: np.ndarray, number: int) -> np.ndarray:
    """Plates by answer: a plate with several answers is shared out between them. Shape (number,)."""
    seen = np.unique(plate * number + answer)
    on_plate = np.unique(seen // number, return_inverse=True, return_counts=True)
    return np.bincount(seen % number, weights=1.0 / on_plate[2][on_plate[1]], minlength=number)
