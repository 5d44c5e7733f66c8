"""What every detector is given: the plates and parts known by one night, joined, in order, with expected risk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from farmwatch.detectors.cells import Cells, cut_cells
from farmwatch.detectors.part_columns import Measures, Numbers, Words
from farmwatch.evidence import Check, Evidence, FindingKind, Subject
from farmwatch.records import TABLES, Records, empty
from farmwatch.settings import Settings
from farmwatch.stats.plate_sums import OfParts

if TYPE_CHECKING:
    from farmwatch.detectors.expected import Expectation

PLATE_CONTEXT = (
    "printer_id",
    "lot_id",
    "file_id",
    "profile",
    "operator",
    "wash_id",
    "room",
    "family",
    "resin",
)
PLATE_WORDS = (*PLATE_CONTEXT, "outcome", "sign")
# what a night asks of a part; the rest of its columns is never read
PART_COLUMNS = (
    "run_id",
    "part_no",
    "design_id",
    "x_mm",
    "y_mm",
    "footprint_mm2",
    "height_mm",
    "outcome",
    "failure_height_mm",
    "sign",
    "recorded_at",
)
MEASURES = ("x_mm", "y_mm", "height_mm", "failure_height_mm")


@dataclass(frozen=True)
class History:
    """A farm's whole record, joined once, in the order in which it became known.

    ``records``: the other tables; its runs and parts are left empty, for they stand here.

    ``plates``: one row a run: every column of ``runs`` but its note, then ``room``, ``family``, ``plate_width_mm``,
    ``plate_depth_mm``, ``build_height_mm`` of its printer, ``resin``, ``opened_on`` of its lot, ``day`` (local date of
    its start, ``datetime64``), ``known_at`` (UTC), ``parts`` (parts with a known outcome), ``failures`` (of them),
    ``footprint_mm2`` (sum over the plate), ``plate_height_mm`` (tallest part). Texts but ``run_id`` are categories in order.
    Sorted by ``known_at``, then ``run_id``.

    ``parts``: one row a part whose run is known: ``plate`` (row number of its plate in ``plates``), ``part_no``,
    ``design_id`` and ``sign`` (categories in order), ``x_mm``, ``y_mm``, ``height_mm``, ``failure_height_mm``, ``known``
    (whether good or failed was written), ``failed`` (bool). In the order of ``plates``, then of ``part_no``. Parts are by
    far the most rows, so whole numbers are as small as they may be, and measures of few values categories of them
    (``part_columns.unfolded`` unfolds those that are asked for): 19 bytes a part, where the columns of the records take
    130.

    ``late_parts``: row of each part that was written after its plate was known, and when, ``datetime64[us, UTC]``.
    """

    records: Records
    plates: pd.DataFrame
    parts: pd.DataFrame
    late_parts: pd.Series

    @cached_property
    def cells(self) -> Cells:
        """The plates cut into cells, for the expectation and the rates."""
        return cut_cells(self.plates, self.parts)

    def night(self, as_of: dt.date, settings: Settings) -> Night:
        """What was known at the end of ``as_of``, every part given the pooled failure rate."""
        instant = self.records.end_of(as_of)
        count = int(self.plates["known_at"].searchsorted(instant, side="left"))
        parts_count = int(np.searchsorted(self.parts["plate"].to_numpy(), count, side="left"))
        parts = self.parts.iloc[:parts_count]
        late = self.late_parts.index[self.late_parts >= instant]
        if len(late):
            # a part corrected after its run ended is not known yet; its plate is
            written = np.ones(parts_count, bool)
            written[late[late < parts_count]] = False
            parts = parts.assign(known=parts["known"] & written, failed=parts["failed"] & written)
        known = max(float(parts["known"].sum()), 1.0)
        pooled = np.broadcast_to((float(parts["failed"].sum()) + 0.5) / (known + 1.0), parts_count)
        return Night(as_of, self, settings, self.plates.iloc[:count], parts, pooled, instant)


@dataclass(frozen=True)
class Spell:
    """The days on which a known finding of a ``kind`` was in force on its subject; ``until`` is None while it goes on.

    ``watched``: it was mended on the day ``until``, and whether that held is not known yet.
    """

    subject: Subject
    sign: str | None
    since: dt.date
    until: dt.date | None
    kind: FindingKind = "rate_shift"
    watched: bool = False


@dataclass(frozen=True)
class RiskOfParts:
    """Expected failure probability of each part, kept once a cell: nothing a part instead of 8 bytes. ``of_cell``: (cells,);
    ``cell``: (parts,) the cell of each."""

    of_cell: np.ndarray
    cell: np.ndarray

    def __getitem__(self, rows: Any) -> np.ndarray:
        return self.of_cell[self.cell[rows]]


@dataclass(frozen=True)
class Night:
    """One night's view. ``plates`` and ``parts`` are the known head of :class:`History`; rows keep their numbers.

    ``spells``: when known findings were in force; ``expectation``: the farm's fitted expectation (the rates need it).
    ``part_risk``: expected failure probability of each row of ``parts``, asked for by rows, from the farm's fitted
    expectation with the effects of known faults left out.
    """

    as_of: dt.date
    history: History
    settings: Settings
    plates: pd.DataFrame
    parts: pd.DataFrame
    part_risk: OfParts
    instant: pd.Timestamp
    spells: tuple[Spell, ...] = ()
    expectation: Expectation | None = None

    @cached_property
    def records(self) -> Records:
        """The tables beside plates and parts as known by this night; layers, which runs date, are left empty."""
        return replace(self.history.records, layers=empty("layers")).known_by(self.instant)


@dataclass(frozen=True)
class Verdicts:
    """What one detector has to say: evidence above its limit, and for every subject whether it could be looked at."""

    evidence: tuple[Evidence, ...] = ()
    checks: tuple[Check, ...] = ()


Detector = Callable[[Night], Verdicts]


def join_history(records: Records, parts: Iterable[pd.DataFrame] | None = None) -> History:
    """Join the tables of a farm into plates and parts. Unregistered printers and lots leave their columns missing.

    ``parts``: the rows of that table piece by piece, each with PART_COLUMNS, so that they never stand whole beside what is
    made of them; by default those of ``records``.
    """
    plates, pieces = _join_plates(records), [records.parts] if parts is None else parts
    records = replace(records, runs=empty("runs"), parts=empty("parts"))  # the runs as they were make room
    columns = _join_parts(plates, pieces)
    number, plate = len(plates), columns["plate"]
    plates["parts"] = np.bincount(plate, weights=columns["known"], minlength=number)
    plates["failures"] = np.bincount(plate, weights=columns["failed"], minlength=number)
    plates["footprint_mm2"] = np.bincount(plate, weights=np.nan_to_num(columns.pop("footprint_mm2")), minlength=number)
    plates["plate_height_mm"] = _tallest(plate, columns["height_mm"], number)
    recorded = columns.pop("recorded_at")
    late = np.flatnonzero(recorded > _instants(plates["known_at"])[plate])
    late_parts = pd.Series(pd.to_datetime(recorded[late], utc=True), index=late, dtype="datetime64[us, UTC]")
    return History(records, plates, pd.DataFrame(columns, copy=False), late_parts)


def _tallest(plate: np.ndarray, height_mm: pd.Categorical | np.ndarray, plates: int) -> np.ndarray:
    """Tallest part of each plate, (plates,), NaN where none is known; ``plate`` of each part, ascending."""
    result = np.full(plates, np.nan)
    first = np.flatnonzero(np.diff(plate, prepend=-1))
    if len(first):
        result[plate[first]] = np.fmax.reduceat(np.asarray(height_mm, dtype=float), first)
    return result


def _join_plates(records: Records) -> pd.DataFrame:
    # columns of the farm's own, which the records keep, may be called like those that are joined on here
    plates = records.runs[[name for name in TABLES["runs"].names if name in records.runs and name != "note"]].copy()
    plates["known_at"] = records.known_from("runs")
    plates["day"] = records.local_dates(plates["started_at"])
    printer_columns = ["printer_id", "plate_width_mm", "plate_depth_mm", "build_height_mm", "room", "family"]
    plates = plates.merge(records.printers[printer_columns], on="printer_id", how="left")
    plates = plates.merge(records.lots[["lot_id", "resin", "opened_on"]], on="lot_id", how="left")
    plates = plates.sort_values(["known_at", "run_id"], ignore_index=True)
    for name in PLATE_WORDS:
        plates[name] = pd.Categorical(plates[name])
    return plates


def _join_parts(plates: pd.DataFrame, parts: Iterable[pd.DataFrame]) -> dict[str, Any]:
    """The columns of ``History.parts``, then ``footprint_mm2`` and ``recorded_at``, in the order of the plates."""
    row_of_run = pd.Index(plates["run_id"])
    columns: dict[str, Any] = {}
    for piece in parts:
        for name, values in _join_piece(row_of_run, piece).items():
            column = Words() if isinstance(values, pd.Series) else Measures() if name in MEASURES else Numbers()
            columns.setdefault(name, column).add(values)
    order = np.lexsort((columns["part_no"].values, columns["plate"].values))
    # one column after the other, so that only one at a time stands twice
    return {name: column.take(order) for name, column in columns.items()}


def _join_piece(row_of_run: pd.Index, piece: pd.DataFrame) -> dict[str, Any]:
    """The columns of those rows of ``piece`` whose run is in ``row_of_run``: texts as they are, numbers as arrays."""
    code, runs = pd.factorize(piece["run_id"])
    plate = np.append(row_of_run.get_indexer(runs), -1)[code].astype("int32")
    piece, plate = piece[plate >= 0], plate[plate >= 0]
    outcome = piece["outcome"]
    return {
        "plate": plate,
        "part_no": pd.to_numeric(piece["part_no"], downcast="integer").to_numpy(),
        "design_id": piece["design_id"],
        "sign": piece["sign"],
        **{name: piece[name].to_numpy() for name in MEASURES},
        "known": (outcome != "unknown").to_numpy(),
        "failed": (outcome == "failed").to_numpy(),
        "footprint_mm2": piece["footprint_mm2"].to_numpy(),
        "recorded_at": _instants(piece["recorded_at"]),
    }


def _instants(times: pd.Series) -> np.ndarray:
    return times.to_numpy("datetime64[us]")


def day_number(day: dt.date) -> int:
    """Days since 1970-01-01, as ``datetime64[D]`` counts them."""
    return int(np.datetime64(day, "D").astype(int))
