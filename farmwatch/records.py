"""The vocabulary of the records: which tables there are, their columns, units, keys and codes.

Every stage reads this module and none reads another stage. Frames that travel between stages always hold every
declared column of their table, in the types that :func:`conform` gives; columns that a farm adds of its own ride along.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["id", "text", "number", "count", "time", "code"]

SIGNS = (
    "off_plate",
    "split",
    "missing",
    "soft",
    "fused",
    "strings",
    "flake",
    "block",
    "ripple",
    "stretch",
    "tacky",
    "haze",
    "other",
)
ACTIONS = (
    "film_changed",
    "panel_changed",
    "lamp_changed",
    "plate_levelled",
    "plate_changed",
    "screw_or_nut_changed",
    "power_cycled",
    "firmware_changed",
    "vat_cleaned",
    "resin_stirred",
    "resin_changed",
    "wash_changed",
    "profile_changed",
    "room_heated",
    "other",
)
RUN_OUTCOMES = ("good", "partial", "failed", "stopped")
PART_OUTCOMES = ("good", "failed", "unknown")
FEATURES = ("bar", "slot", "pad", "film")
SERVICE_SUBJECTS = ("printer", "lot", "wash", "room", "profile")
ID_LIMIT = 128


@dataclass(frozen=True)
class Column:
    """One declared column. ``choices`` are the only values taken where ``strict``; otherwise unknown codes are kept."""

    name: str
    kind: Kind
    required: bool = False
    choices: tuple[str, ...] = ()
    strict: bool = True


@dataclass(frozen=True)
class Table:
    """One table of the contract. ``time`` is its own time: it partitions the records and says when a row was known."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    time: str | None = None

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    @property
    def required(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns if column.required)


def _key(name: str) -> Column:
    return Column(name, "id", required=True)


_RECORDED = Column("recorded_at", "time")
_SIGN = Column("sign", "code", choices=SIGNS, strict=False)
_NOTE = Column("note", "text")

TABLES: Mapping[str, Table] = {
    table.name: table
    for table in (
        Table(
            "printers",
            ("printer_id",),
            (
                _key("printer_id"),
                Column("plate_width_mm", "number", required=True),
                Column("plate_depth_mm", "number", required=True),
                Column("build_height_mm", "number"),
                Column("room", "id"),
                Column("family", "id"),
                Column("commissioned_on", "time"),
                _RECORDED,
            ),
        ),
        Table(
            "lots",
            ("lot_id",),
            (
                _key("lot_id"),
                Column("resin", "id"),
                Column("made_on", "time"),
                Column("opened_on", "time"),
                Column("expires_on", "time"),
                _RECORDED,
            ),
        ),
        Table(
            "runs",
            ("run_id",),
            (
                _key("run_id"),
                _key("printer_id"),
                Column("started_at", "time", required=True),
                Column("ended_at", "time"),
                Column("lot_id", "id"),
                Column("file_id", "id"),
                Column("profile", "id"),
                Column("operator", "id"),
                Column("wash_id", "id"),
                Column("layer_height_mm", "number"),
                Column("exposure_s", "number"),
                Column("base_exposure_s", "number"),
                Column("base_layers", "count"),
                Column("transition_layers", "count"),
                Column("rest_s", "number"),
                Column("lift_speed_mm_min", "number"),
                Column("ambient_c", "number"),
                Column("vat_c", "number"),
                Column("peak_release_n", "number"),
                Column("planned_s", "number"),
                Column("outcome", "code", required=True, choices=RUN_OUTCOMES),
                Column("failure_height_mm", "number"),
                _SIGN,
                _NOTE,
                _RECORDED,
            ),
            time="started_at",
        ),
        Table(
            "parts",
            ("run_id", "part_no"),
            (
                _key("run_id"),
                Column("part_no", "count", required=True),
                Column("design_id", "id"),
                Column("x_mm", "number"),
                Column("y_mm", "number"),
                Column("footprint_mm2", "number"),
                Column("height_mm", "number"),
                Column("outcome", "code", required=True, choices=PART_OUTCOMES),
                Column("failure_height_mm", "number"),
                _SIGN,
                _NOTE,
                _RECORDED,
            ),
        ),
        Table(
            "coupons",
            ("coupon_id",),
            (
                _key("coupon_id"),
                Column("measured_at", "time", required=True),
                Column("run_id", "id"),
                Column("printer_id", "id"),
                Column("lot_id", "id"),
                Column("feature", "code", required=True, choices=FEATURES),
                Column("x_mm", "number"),
                Column("y_mm", "number"),
                Column("exposure_s", "number"),
                Column("nominal_mm", "number", required=True),
                Column("measured_mm", "number", required=True),
                _RECORDED,
            ),
            time="measured_at",
        ),
        Table(
            "service",
            ("event_id",),
            (
                _key("event_id"),
                Column("at", "time", required=True),
                Column("subject_type", "code", required=True, choices=SERVICE_SUBJECTS),
                _key("subject_id"),
                Column("action", "code", required=True, choices=ACTIONS, strict=False),
                _NOTE,
                _RECORDED,
            ),
            time="at",
        ),
        Table(
            "layers",
            ("run_id", "layer_no"),
            (
                _key("run_id"),
                Column("layer_no", "count", required=True),
                Column("release_n", "number"),
                Column("vat_c", "number"),
                Column("layer_s", "number"),
                _RECORDED,
            ),
        ),
    )
}


def conform(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Give ``frame`` every declared column of ``table`` in its declared type; own columns of the farm are kept.

    Ids, texts and codes become ``str`` (missing: NaN), numbers and counts ``float64`` (missing: NaN), times
    ``datetime64[us, UTC]`` (missing: NaT). Values are expected to have passed the door already; a value that does not
    convert raises ``ValueError`` or ``TypeError``.
    """
    import pandas as pd

    out = frame.copy(deep=False)
    for column in TABLES[table].columns:
        if column.name not in out.columns:
            out[column.name] = pd.Series(pd.NA, index=out.index, dtype="object")
        if column.kind == "time":
            out[column.name] = pd.to_datetime(out[column.name], utc=True).astype("datetime64[us, UTC]")
        elif column.kind in ("number", "count"):
            out[column.name] = pd.to_numeric(out[column.name]).astype("float64")
        else:
            out[column.name] = out[column.name].astype("str")
    declared = list(TABLES[table].names)
    return out[[*declared, *(name for name in out.columns if name not in declared)]]


def empty(table: str) -> pd.DataFrame:
    """A frame of ``table`` with no rows and every declared column."""
    import pandas as pd

    return conform(pd.DataFrame({name: [] for name in TABLES[table].names}, dtype="object"), table)


@dataclass(frozen=True)
class Records:
    """The tables of one farm as frames (see :func:`conform`), with the zone in which its days begin and end."""

    printers: pd.DataFrame = field(default_factory=lambda: empty("printers"))
    lots: pd.DataFrame = field(default_factory=lambda: empty("lots"))
    runs: pd.DataFrame = field(default_factory=lambda: empty("runs"))
    parts: pd.DataFrame = field(default_factory=lambda: empty("parts"))
    coupons: pd.DataFrame = field(default_factory=lambda: empty("coupons"))
    service: pd.DataFrame = field(default_factory=lambda: empty("service"))
    layers: pd.DataFrame = field(default_factory=lambda: empty("layers"))
    timezone: str = "UTC"

    def end_of(self, day: dt.date) -> pd.Timestamp:
        """The first instant after ``day`` on the farm's clock, in UTC."""
        import pandas as pd

        midnight = dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), tzinfo=ZoneInfo(self.timezone))
        return pd.Timestamp(midnight).tz_convert("UTC")

    def local_dates(self, times: pd.Series) -> pd.Series:
        """Calendar days on the farm's clock, as ``datetime64[us]`` midnights without a zone (missing: NaT)."""
        return times.dt.tz_convert(self.timezone).dt.tz_localize(None).dt.normalize()

    def known_from(self, table: str) -> pd.Series:
        """When each row of ``table`` could be known: ``datetime64[us, UTC]``, NaT where always known.

        A row is known from ``recorded_at``; without one from the end of its run, or from the table's own time. No
        outcome is ever known before its run ended. Registrations (printers, lots) without ``recorded_at`` are always
        known. Parts and layers of a run that is not in the records are known from ``recorded_at`` alone.
        """
        import pandas as pd

        frame: pd.DataFrame = getattr(self, table)
        recorded: pd.Series = frame["recorded_at"]
        if table == "runs":
            own = self._run_ends()
        elif table in ("parts", "layers"):
            if self.runs.empty:
                return recorded
            own = frame["run_id"].map(self._run_ends().set_axis(self.runs["run_id"].to_numpy()))
        elif TABLES[table].time is not None:
            own = frame[TABLES[table].time]
        else:
            return recorded
        return pd.concat([recorded, own], axis=1).max(axis=1)

    def _run_ends(self) -> pd.Series:
        import pandas as pd

        runs = self.runs
        planned = runs["started_at"] + pd.to_timedelta(runs["planned_s"].fillna(0.0), unit="s").astype(
            "timedelta64[us]"
        )
        return runs["ended_at"].fillna(planned)

    def known_by(self, instant: pd.Timestamp) -> Records:
        """The records as they could be known at ``instant`` (exclusive)."""
        tables = {}
        for name in TABLES:
            known = self.known_from(name)
            tables[name] = getattr(self, name)[(known < instant) | known.isna()].reset_index(drop=True)
        return Records(**tables, timezone=self.timezone)

    def first_day(self) -> dt.date | None:
        """The farm's first day with a run, or None on an empty farm."""
        if self.runs.empty:
            return None
        return self.local_dates(self.runs["started_at"]).min().date()
