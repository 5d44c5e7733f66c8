"""What every detector is given: the plates and parts known by one night, joined, in order, with expected risk."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from farmwatch.detectors.cells import Cells, cut_cells
from farmwatch.evidence import Check, Evidence, FindingKind, Subject
from farmwatch.records import Records
from farmwatch.settings import Settings

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


@dataclass(frozen=True)
class History:
    """A farm's whole record, joined once, in the order in which it became known.

    ``plates``: one row a run: every column of ``runs``, then ``room``, ``family``, ``plate_width_mm``,
    ``plate_depth_mm``, ``build_height_mm`` of its printer, ``resin``, ``opened_on`` of its lot, ``day`` (local date of
    its start, ``datetime64``), ``known_at`` (UTC), ``parts`` (parts with a known outcome), ``failures`` (of them),
    ``footprint_mm2`` (sum over the plate), ``plate_height_mm`` (tallest part). Sorted by ``known_at``, then ``run_id``.

    ``parts``: one row a part whose run is known: every column of ``parts``, ``plate`` (row number of its plate in
    ``plates``), ``known`` (whether good or failed was written), ``failed`` (bool). In the order of ``plates``.
    """

    records: Records
    plates: pd.DataFrame
    parts: pd.DataFrame

    @cached_property
    def cells(self) -> Cells:
        """The plates cut into cells, for the expectation and the rates."""
        return cut_cells(self.plates, self.parts)

    def night(self, as_of: dt.date, settings: Settings, part_risk: np.ndarray | None = None) -> Night:
        """What was known at the end of ``as_of``. Without ``part_risk`` every part is given the pooled failure rate."""
        instant = self.records.end_of(as_of)
        count = int(self.plates["known_at"].searchsorted(instant, side="left"))
        parts_count = int(np.searchsorted(self.parts["plate"].to_numpy(), count, side="left"))
        parts = self.parts.iloc[:parts_count]
        late = parts["known_at"] >= instant
        if late.any():
            # a part corrected after its run ended is not known yet; its plate is
            parts = parts.assign(known=parts["known"] & ~late, failed=parts["failed"] & ~late)
        if part_risk is None:
            known = max(float(parts["known"].sum()), 1.0)
            part_risk = np.full(parts_count, (float(parts["failed"].sum()) + 0.5) / (known + 1.0))
        return Night(as_of, self, settings, self.plates.iloc[:count], parts, part_risk[:parts_count], instant)


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
class Night:
    """One night's view. ``plates`` and ``parts`` are the known head of :class:`History`; rows keep their numbers.

    ``spells``: when known findings were in force; ``expectation``: the farm's fitted expectation (the rates need it).
    ``part_risk``: expected failure probability of each row of ``parts``, shape (parts,), from the farm's fitted
    expectation with the effects of known faults left out.
    """

    as_of: dt.date
    history: History
    settings: Settings
    plates: pd.DataFrame
    parts: pd.DataFrame
    part_risk: np.ndarray
    instant: pd.Timestamp
    spells: tuple[Spell, ...] = ()
    expectation: Expectation | None = None

    @cached_property
    def records(self) -> Records:
        """The raw tables as known by this night."""
        return self.history.records.known_by(self.instant)


@dataclass(frozen=True)
class Verdicts:
    """What one detector has to say: evidence above its limit, and for every subject whether it could be looked at."""

    evidence: tuple[Evidence, ...] = ()
    checks: tuple[Check, ...] = ()


Detector = Callable[[Night], Verdicts]


def join_history(records: Records) -> History:
    """Join the tables of a farm into plates and parts. Unregistered printers and lots leave their columns missing."""
    plates = records.runs.copy(deep=False)
    plates["known_at"] = records.known_from("runs")
    plates["day"] = records.local_dates(plates["started_at"])
    printer_columns = ["printer_id", "plate_width_mm", "plate_depth_mm", "build_height_mm", "room", "family"]
    plates = plates.merge(records.printers[printer_columns], on="printer_id", how="left")
    plates = plates.merge(records.lots[["lot_id", "resin", "opened_on"]], on="lot_id", how="left")
    plates = plates.sort_values(["known_at", "run_id"], ignore_index=True)

    parts = records.parts.copy(deep=False)
    parts["known_at"] = records.known_from("parts")
    row_of_run = pd.Series(np.arange(len(plates)), index=plates["run_id"].to_numpy())
    parts["plate"] = parts["run_id"].map(row_of_run)
    parts = parts[parts["plate"].notna()]
    parts["plate"] = parts["plate"].astype("int64")
    parts = parts.sort_values(["plate", "part_no"], ignore_index=True)
    parts["known"] = (parts["outcome"] != "unknown").to_numpy()
    parts["failed"] = (parts["outcome"] == "failed").to_numpy()

    number = len(plates)
    plate = parts["plate"].to_numpy()
    plates["parts"] = np.bincount(plate, weights=parts["known"], minlength=number)
    plates["failures"] = np.bincount(plate, weights=parts["failed"], minlength=number)
    plates["footprint_mm2"] = np.bincount(plate, weights=parts["footprint_mm2"].fillna(0.0), minlength=number)
    plates["plate_height_mm"] = parts.groupby("plate")["height_mm"].max().reindex(range(number)).to_numpy()
    return History(records, plates, parts)


def day_number(day: dt.date) -> int:
    """Days since 1970-01-01, as ``datetime64[D]`` counts them."""
    return int(np.datetime64(day, "D").astype(int))
