"""Forms of a service event, of measured pieces and of a check's result, to rows of the contract.

Nothing is judged here that the door judges: numbers and times go to it as they were typed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from farmwatch.causes.entered import check_row
from farmwatch.causes.table import CauseTable
from farmwatch.desk.delivery import Row
from farmwatch.desk.finish import decimal
from farmwatch.desk.guard import Fields
from farmwatch.evidence import Finding
from farmwatch.records import FEATURES

PieceKind = Literal["bars", "pads", "films"]
SERVICE_FIELDS = ("subject_type", "subject_id", "action", "at", "note")
COUPON_FIELDS = ("printer_id", "run_id", "lot_id", "measured_at")
PIECE_FIELDS = ("feature", "x_mm", "y_mm", "exposure_s", "nominal_mm", "measured_mm")
FEATURE_WORDS = {
    "bar": "bar: an outside width",
    "slot": "slot: an inside width",
    "pad": "pad: thickness of a piece printed straight on the plate",
    "film": "film: thickness of resin cured without a plate",
}
PIECE_LABELS = {
    "feature": "What it is",
    "x_mm": "x, mm",
    "y_mm": "y, mm",
    "exposure_s": "Exposure, s",
    "nominal_mm": "Wanted, mm",
    "measured_mm": "Measured, mm",
}
_PIECES = 6
_PAD_SHARE = 0.35  # of the plate's width and depth: well inside, as the five eyes of a die


@dataclass(frozen=True)
class Piece:
    """One line of the form for measured pieces, as it is drawn."""

    feature: str
    x_mm: str = ""
    y_mm: str = ""
    exposure_s: str = ""
    nominal_mm: str = ""
    measured_mm: str = ""


def now_utc() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


def service_row(fields: Fields, form: str) -> tuple[Row, dict[str, str]]:
    """The row of a service event, and what is missing; the event's id is the form's, so one form makes one event."""
    row: Row = {name: fields.text(name) for name in SERVICE_FIELDS}
    problems = {}
    if not row["subject_type"]:
        problems["subject_type"] = "choose what the work was done to"
    if not row["subject_id"]:
        problems["subject_id"] = "say which one"
    if not row["action"]:
        problems["action"] = "choose what was done"
    return {"event_id": f"desk-{form}", **row, "recorded_at": now_utc()}, problems


def pieces(kind: PieceKind, width_mm: float | None, depth_mm: float | None) -> list[Piece]:
    """The lines of an empty form: bars and slots, five pads as on the face of a die, or films by exposure."""
    if kind == "films":
        return [Piece("film", nominal_mm="0") for _ in range(_PIECES)]
    if kind == "bars":
        return [Piece("bar" if place % 2 == 0 else "slot") for place in range(_PIECES)]
    if width_mm is None or depth_mm is None:
        return [Piece("pad") for _ in range(5)]
    across, back = round(_PAD_SHARE * width_mm), round(_PAD_SHARE * depth_mm)
    places = ((-across, back), (across, back), (0, 0), (-across, -back), (across, -back))
    return [Piece("pad", str(x), str(y)) for x, y in places]


def typed_pieces(fields: Fields) -> list[Piece]:
    """The lines of a posted form."""
    columns = [fields.all(name) for name in PIECE_FIELDS]
    return [Piece(*line) for line in zip(*columns, strict=False)]


def coupon_rows(fields: Fields, drawn: list[Piece], form: str) -> tuple[list[Row], list[int], dict[str, str]]:
    """Rows of measured pieces, the line of the form that each stands in (from 0), and what is missing.

    A line left as it was drawn is no piece.
    """
    shared = {name: fields.text(name) for name in COUPON_FIELDS}
    rows, lines = [], []
    for place, piece in enumerate(typed_pieces(fields)):
        blank = drawn[place] if place < len(drawn) else None
        if blank is not None and (piece == blank or _bare(piece)):
            continue
        values = {name: getattr(piece, name) for name in PIECE_FIELDS}
        numbers = {name: decimal(value) for name, value in values.items() if name != "feature"}
        rows.append(
            {
                "coupon_id": f"desk-{form}-{place + 1}",
                **shared,
                "feature": piece.feature if piece.feature in FEATURES else "",
                **numbers,
                "recorded_at": now_utc(),
            }
        )
        lines.append(place)
    problems = {} if rows else {"measured_mm": "no piece is measured yet"}
    if not any(shared[name] for name in ("printer_id", "run_id", "lot_id")):
        problems["printer_id"] = "say of which printer, run or lot the pieces are"
    return rows, lines, problems


def check_result(fields: Fields, form: str, finding: Finding, printer_id: str, table: CauseTable) -> Row:
    """The service row of a check's result, as ``farmwatch check`` writes it. Raises ``CausesError``."""
    now = now_utc()
    row: Mapping[str, str] = check_row(finding, fields.text("check"), fields.text("result"), now, printer_id, table)
    return {**row, "event_id": f"desk-{form}", "recorded_at": now}


def _bare(piece: Piece) -> bool:
    """Whether nothing but the choice of a feature stands in a line."""
    return not any(getattr(piece, name) for name in PIECE_FIELDS if name != "feature")
