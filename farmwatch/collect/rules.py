"""What makes a row one that cannot be understood: the table of rules, with the words that the quarantine keeps."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.records import ID_LIMIT, Column

REASONS = (
    "bad_number",
    "bad_time",
    "missing_value",
    "bad_id",
    "unknown_outcome",
    "unknown_feature",
    "end_before_start",
    "off_plate",
    "failure_above_part",
    "duplicate_key",
)

# by how much a height or a position may pass its limit and still be the limit written in other digits
ROUNDING = 1e-9

EARLIEST_YEAR, LATEST_YEAR = 1900, 2200

_MORE_THAN_ZERO = ("plate_width_mm", "plate_depth_mm", "build_height_mm", "layer_height_mm")
_ZERO_OR_MORE = (
    "base_layers",
    "transition_layers",
    "part_no",
    "layer_no",
    "exposure_s",
    "base_exposure_s",
    "rest_s",
    "lift_speed_mm_min",
    "planned_s",
    "failure_height_mm",
    "footprint_mm2",
    "height_mm",
    "nominal_mm",
    "measured_mm",
    "layer_s",
)

WORDS: Mapping[str, str] = {
    "id": f"not an id: ids are text of 1 to {ID_LIMIT} characters",
    "text": "not text in UTF-8",
    "code": "not a code that this column may hold",
    "number": "not a number",
    "count": "not a whole number",
    "time": f"not an ISO 8601 time between {EARLIEST_YEAR} and {LATEST_YEAR}",
    "mapped_time": f"not a time between {EARLIEST_YEAR} and {LATEST_YEAR} as the file's map says that it is written",
    "missing_value": "empty, and the table cannot do without it",
    "low": "smaller than this measure can be",
    "off_plate": "lies off the printer's plate",
    "duplicate_key": "other rows of this file have the same key and other content, and nothing tells which came last",
}


@dataclass(frozen=True)
class Fault:
    """Why one row went to quarantine. ``line`` counts from 1 (in Parquet: rows); ``row`` is the row as delivered."""

    line: int
    column: str
    reason: str
    words: str
    row: Any
    key: tuple[Any, ...] = ()


@dataclass(frozen=True)
class RowRule:
    """A rule between columns of one row: where ``broken(rows)`` is true (null: cannot be said), the row is refused."""

    reason: str
    column: str
    words: str
    broken: Callable[[pa.Table], pa.ChunkedArray]


ROW_RULES: Mapping[str, tuple[RowRule, ...]] = {
    "runs": (
        RowRule(
            "end_before_start",
            "ended_at",
            "the run ends before it starts",
            lambda rows: pc.less(rows["ended_at"], rows["started_at"]),
        ),
    ),
    "parts": (
        RowRule(
            "failure_above_part",
            "failure_height_mm",
            "the failure lies above the part's own height",
            lambda rows: pc.greater(
                rows["failure_height_mm"], pc.add(pc.multiply(rows["height_mm"], 1.0 + ROUNDING), ROUNDING)
            ),
        ),
    ),
}


def reason_of(column: Column | None) -> str:
    """The reason code for a value of ``column`` that cannot be understood."""
    if column is None or column.name == "subject_type":
        return "bad_id"
    if column.kind in ("number", "count"):
        return "bad_number"
    if column.kind == "time":
        return "bad_time"
    return {"outcome": "unknown_outcome", "feature": "unknown_feature"}.get(column.name, "bad_id")


def too_low(name: str, values: pa.Array) -> pa.Array | None:
    """Which of the numbers of column ``name`` are smaller than its measure can be; None where any number will do."""
    if name in _MORE_THAN_ZERO:
        return pc.less_equal(values, pa.scalar(0, values.type))
    if name in _ZERO_OR_MORE:
        return pc.less(values, pa.scalar(0, values.type))
    return None
