"""A run as it was found at the machine: what was typed and touched, laid over what stands, to the rows that change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from farmwatch.desk.delivery import Row
from farmwatch.desk.guard import Fields
from farmwatch.desk.reading import Plate, shown, stamp, untouched
from farmwatch.records import RUN_OUTCOMES

PARTS_MOST = 500
AS_PLATE, NOT_TOLD = "plate", "none"
OUTCOME_WORDS = {
    "good": "every part good",
    "partial": "some parts failed",
    "failed": "the plate failed",
    "stopped": "stopped before its end",
}
# what a person at the machine may put right of a run that stands, and what else a new one needs
CHANGING = ("ended_at", "lot_id", "operator", "wash_id", "outcome", "failure_height_mm", "sign", "note")
STARTING = ("run_id", "printer_id", "started_at", "file_id", "profile", "layer_height_mm", "exposure_s", "planned_s")
NUMBERS = ("failure_height_mm", "layer_height_mm", "exposure_s", "planned_s")
LAYOUT = ("design_id", "x_mm", "y_mm", "footprint_mm2", "height_mm")
LABELS = {
    "run_id": "Run",
    "printer_id": "Printer",
    "started_at": "Started",
    "ended_at": "Ended",
    "lot_id": "Lot",
    "file_id": "File",
    "profile": "Settings profile",
    "operator": "Operator",
    "wash_id": "Wash station",
    "layer_height_mm": "Layer height, mm",
    "exposure_s": "Exposure, s",
    "planned_s": "Planned duration, s",
    "outcome": "Outcome",
    "failure_height_mm": "Height of the failure, mm",
    "sign": "Sign",
    "note": "Note",
    "part_no": "Part",
}


@dataclass
class Typed:
    """What a form of a run came to: the rows to hand in, by table, and what is wrong before the door is even asked."""

    rows: dict[str, list[Row]] = field(default_factory=dict)
    problems: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Change:
    """One value that stands otherwise than it was typed."""

    what: str
    stands: str
    typed: str


def decimal(text: str) -> str:
    """A number as typed, a comma for a point."""
    return text.replace(",", ".") if text.count(",") == 1 and "." not in text else text


def laid_out(parts: tuple[Row, ...], run_id: str) -> tuple[Row, ...]:
    """Parts of a new run that stand where those of another one stood; nothing is known of them yet."""
    return tuple(
        {"run_id": run_id, "part_no": part["part_no"], **{name: part[name] for name in LAYOUT}, "outcome": "unknown"}
        for part in parts
    )


def counted(count: str, run_id: str) -> tuple[Row, ...]:
    """So many parts without a place; none for what is no such number."""
    number = int(count) if count.isascii() and count.isdigit() and len(count) < 5 else 0
    return tuple(
        {"run_id": run_id, "part_no": place, "outcome": "unknown"} for place in range(1, min(number, PARTS_MOST) + 1)
    )


def read_run(fields: Fields, plate: Plate, zone: str) -> Typed:
    """The rows of a run that change by what was typed. ``plate.run`` holds what stands; without ``run_id`` it is new."""
    typed = Typed()
    new = "outcome" not in plate.run
    run = dict(plate.run)
    for name in (*STARTING, *CHANGING) if new else CHANGING:
        text = decimal(fields.text(name)) if name in NUMBERS else fields.text(name)
        if text != untouched(plate.run.get(name), zone):
            run[name] = text or None
    touched = set(fields.all("failed"))
    if fields.text("every"):
        touched = {str(part["part_no"]) for part in plate.parts}
    parts = [_part(part, str(part["part_no"]) in touched, fields, plate, zone) for part in plate.parts]
    _check(typed, run, parts, touched)
    if new or run != plate.run:
        typed.rows["runs"] = [run]
    changed = [part for part, before in zip(parts, plate.parts, strict=True) if new or part != before]
    if changed:
        typed.rows["parts"] = changed
    standing = [] if new else [plate.run, *plate.parts]
    for row in [*typed.rows.get("runs", []), *typed.rows.get("parts", [])]:
        row["recorded_at"] = stamp(standing)
        row["run_id"] = run.get("run_id")
    return typed


def own_sign(part: Mapping[str, Any], run: Mapping[str, Any]) -> str:
    """How a part's own sign is drawn: as the plate's, as not told, or as its code."""
    if part["outcome"] != "failed" or part.get("sign") == run.get("sign"):
        return AS_PLATE
    return str(part.get("sign") or NOT_TOLD)


def own_height(part: Mapping[str, Any], run: Mapping[str, Any], zone: str) -> str:
    same = part.get("failure_height_mm") == run.get("failure_height_mm")
    return "" if same else shown(part.get("failure_height_mm"), zone)


def untouched_as(plate: Plate) -> str:
    """What parts that nobody touches are taken for, unless another is chosen."""
    outcomes = {part["outcome"] for part in plate.parts if part["outcome"] != "failed"}
    return "keep" if outcomes == {"good", "unknown"} else "good"


def changes(rows: Mapping[str, list[Row]], plate: Plate, zone: str) -> list[Change]:
    """Where rows that were typed differ from what stands now."""
    out = []
    now = {part["part_no"]: part for part in plate.parts}
    pairs = [("", row, plate.run) for row in rows.get("runs", [])]
    pairs += [(f"part {row['part_no']}: ", row, now.get(row["part_no"], {})) for row in rows.get("parts", [])]
    for whose, row, stands in pairs:
        for name in (*STARTING, *CHANGING):
            before, typed = shown(stands.get(name), zone), shown(row.get(name), zone)
            if before != typed:
                out.append(Change(f"{whose}{LABELS[name]}", before or "empty", typed or "empty"))
    return out


def _part(part: Row, touched: bool, fields: Fields, plate: Plate, zone: str) -> Row:
    number, run = part["part_no"], plate.run
    sign, height = fields.text(f"sign_{number}") or AS_PLATE, decimal(fields.text(f"height_{number}"))
    plate_sign, plate_height = fields.text("sign"), decimal(fields.text("failure_height_mm"))
    if not touched:
        outcome = {"good": "good", "unknown": "unknown"}.get(fields.text("untouched"), part["outcome"])
        outcome = "good" if outcome == "failed" else outcome
        cleared = {"sign": None, "failure_height_mm": None} if part["outcome"] == "failed" else {}
        return {**part, "outcome": outcome, **cleared}
    as_drawn = (
        part["outcome"] == "failed"
        and (sign, height) == (own_sign(part, run), own_height(part, run, zone))
        and (plate_sign, plate_height)
        == tuple(untouched(run.get(name), zone) for name in ("sign", "failure_height_mm"))
    )
    if as_drawn:
        return dict(part)
    told = {AS_PLATE: plate_sign, NOT_TOLD: ""}.get(sign, sign)
    high = height or plate_height
    if high == shown(part.get("failure_height_mm"), zone):
        return {**part, "outcome": "failed", "sign": told or None}
    return {**part, "outcome": "failed", "sign": told or None, "failure_height_mm": high or None}


def _check(typed: Typed, run: Row, parts: list[Row], touched: set[str]) -> None:
    outcome = run.get("outcome")
    if outcome not in RUN_OUTCOMES:
        typed.problems["outcome"] = "choose how the plate came out"
    elif outcome == "good" and touched:
        typed.problems["outcome"] = "parts are touched as failed: choose another outcome, or untouch them"
    elif outcome in ("partial", "failed") and parts and not touched:
        typed.problems["outcome"] = "no part is touched: touch the parts that failed, or choose another outcome"
