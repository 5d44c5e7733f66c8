"""What is known on a night, as arrays, and the plates and parts of one finding's subject since its beginning."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from farmwatch.causes.questions import HEIGHTS
from farmwatch.evidence import PLATE_COLUMN, Evidence, Subject
from farmwatch.records import SIGNS, Records
from farmwatch.settings import Settings
from farmwatch.stats.plate_correlation import moment_rho
from farmwatch.stats.plate_sums import OfParts, sums_by_plate

_HEIGHT = {name: place for place, name in enumerate(HEIGHTS)}


@dataclass(frozen=True)
class Context:
    """One night's view, shared by all findings of that night (the slow parts are reckoned once and kept).

    ``plates`` and ``parts`` are the joined frames of the night, a row a plate and a row a part; ``parts["plate"]`` is
    the row number of its plate, in order. ``part_risk``: what was expected of each part. ``records`` may hold
    later rows: only service rows known by the end of ``as_of`` are read, and registrations of lots and printers.
    On a farm without parts the plate stands for its part. ``naming``: whether answers list their plates (it costs time).
    """

    records: Records
    settings: Settings
    as_of: dt.date
    plates: pd.DataFrame
    parts: pd.DataFrame
    part_risk: OfParts
    naming: bool = False

    @cached_property
    def day(self) -> np.ndarray:
        """Local day of each plate, ``datetime64[D]``, shape (plates,)."""
        return self.plates["day"].to_numpy().astype("datetime64[D]")

    @cached_property
    def run_id(self) -> np.ndarray:
        """Id of each plate's run, shape (plates,)."""
        return self.plates["run_id"].to_numpy(dtype=object)

    @cached_property
    def stood_h(self) -> np.ndarray:
        """Hours from the end of the printer's plate before to the start of each, shape (plates,); NaN where unknown."""
        started = self.plates["started_at"].to_numpy("datetime64[ns]")
        ended = self.plates["ended_at"].to_numpy("datetime64[ns]")
        printer = pd.factorize(self.plates["printer_id"])[0]
        order = np.lexsort((started, printer))
        hours = (started[order][1:] - ended[order][:-1]) / np.timedelta64(1, "h")
        stood = np.full(len(started), np.nan)
        stood[order[1:]] = np.where(printer[order][1:] == printer[order][:-1], np.maximum(hours, 0.0), np.nan)
        return stood

    @cached_property
    def service(self) -> pd.DataFrame:
        """Service rows known by this night, with ``day`` (local date), in order of time."""
        service = self.records.service
        known = (self.records.known_from("service") < self.records.end_of(self.as_of)).to_numpy()
        service = service[known].sort_values("at", kind="stable")
        return service.assign(day=self.records.local_dates(service["at"]).to_numpy().astype("datetime64[D]"))

    @cached_property
    def without_parts(self) -> bool:
        return self.parts.empty

    @cached_property
    def part_plate(self) -> np.ndarray:
        return np.arange(len(self.plates)) if self.without_parts else self.parts["plate"].to_numpy()

    @cached_property
    def part_known(self) -> np.ndarray:
        return np.ones(len(self.plates), bool) if self.without_parts else self.parts["known"].to_numpy(bool)

    @cached_property
    def part_failed(self) -> np.ndarray:
        if self.without_parts:
            return (self.plates["outcome"] != "good").to_numpy(bool)
        return self.parts["failed"].to_numpy(bool)

    @cached_property
    def risk(self) -> OfParts:
        """Expected risk of each part, asked for by rows; of each plate, the farm's own rate, on a farm without parts."""
        if self.without_parts:
            return np.full(len(self.plates), (self.part_failed.sum() + 0.5) / (len(self.plates) + 1.0))
        return self.part_risk

    @cached_property
    def failed(self) -> np.ndarray:
        """Row numbers of the failed parts, in order."""
        return np.flatnonzero(self.part_failed & self.part_known)

    @cached_property
    def failed_sign(self) -> np.ndarray:
        """Place in :data:`SIGNS` of each failed part, -1 where none was written; the run's stands in for a plate's."""
        own = self._of_failed("sign").astype("str")
        run = self.plates["sign"].iloc[self.part_plate[self.failed]].reset_index(drop=True)
        written = own.where(~self._unwritten(own.notna().to_numpy()), run)
        codes = pd.Categorical(written, categories=SIGNS).codes.astype(int)
        return np.where(written.notna().to_numpy() & (codes < 0), SIGNS.index("other"), codes)

    @cached_property
    def failed_height_mm(self) -> np.ndarray:
        """Height at which each failed part failed, NaN where unwritten; the run's stands in for a plate's."""
        run = self.plates["failure_height_mm"].to_numpy(float)[self.part_plate[self.failed]]
        own = self._of_failed("failure_height_mm").to_numpy(float)
        return np.where(self._unwritten(~np.isnan(own)), run, own)

    def _unwritten(self, written: np.ndarray) -> np.ndarray:
        """Which failed parts stand on a plate with nothing written of any failed part: there the run speaks for them."""
        plate = self.part_plate[self.failed]
        return np.bincount(plate, weights=written, minlength=len(self.plates))[plate] == 0

    @cached_property
    def failed_height(self) -> np.ndarray:
        """Place in :data:`HEIGHTS` of each failed part, by the run's own layer settings; -1 where it cannot be said."""
        plates, at = self.plates, self.part_plate[self.failed]
        layer = plates["layer_height_mm"].to_numpy(float)
        base = (plates["base_layers"].to_numpy(float) * layer)[at]
        transition = base + np.nan_to_num(plates["transition_layers"].to_numpy(float) * layer)[at]
        height = self.failed_height_mm
        with np.errstate(invalid="ignore"):
            place = np.select(
                [height <= base, height <= transition, height <= transition + self.settings.causes.low_body_mm],
                [_HEIGHT["base"], _HEIGHT["transition"], _HEIGHT["low_body"]],
                _HEIGHT["body"],
            )
        return np.where(np.isnan(height) | np.isnan(base), -1, place)

    @cached_property
    def part_start(self) -> np.ndarray:
        """Row number of the first part of each plate, and of the end, shape (plates + 1,)."""
        return np.searchsorted(self.part_plate, np.arange(len(self.plates) + 1, dtype=self.part_plate.dtype))

    def parts_on(self, plates: np.ndarray) -> np.ndarray:
        """Row numbers of the parts on ``plates`` (row numbers in order)."""
        start, number = self.part_start[plates], np.diff(self.part_start)[plates]
        ends = np.cumsum(number)
        return np.arange(int(number.sum())) + np.repeat(start - (ends - number), number)

    def days_of(self, column: str) -> dict[str, np.ndarray]:
        """Days of the plates of each value of ``column``, sorted."""
        if column not in self._days:
            codes, names = pd.factorize(self.plates[column])
            order = np.lexsort((self.day, codes))
            order = order[codes[order] >= 0]
            cuts = np.flatnonzero(np.diff(codes[order])) + 1
            groups = np.split(self.day[order], cuts) if len(order) else []
            self._days[column] = {
                str(names[codes[order][k]]): days for k, days in zip([0, *cuts], groups, strict=False)
            }
        return self._days[column]

    @cached_property
    def _days(self) -> dict[str, dict[str, np.ndarray]]:
        return {}

    @cached_property
    def per_plate(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(parts with a known outcome, failures, expected failures) of each plate, each shape (plates,)."""
        number, expected = sums_by_plate(self.part_plate, self.risk, self.part_known, len(self.plates))
        failures = np.bincount(self.part_plate[self.failed], minlength=len(self.plates)).astype(float)
        return number, failures, expected

    @cached_property
    def correlation(self) -> float:
        """Within-plate correlation of failures over the farm, by moments, held between 0 and 0.9."""
        number, failures, expected = self.per_plate
        many = number > 1
        if not many.any():
            return 0.0
        number, failures, expected = number[many], failures[many], expected[many]
        scale = failures.sum() / max(expected.sum(), 1e-12)
        mean = np.clip(scale * expected / number, 1e-4, 0.999)
        return float(np.clip(moment_rho(failures, number, mean), 0.0, 0.9))

    def _of_failed(self, column: str) -> pd.Series:
        frame = self.plates if self.without_parts else self.parts
        return frame[column].iloc[self.failed].reset_index(drop=True)

    def plates_of(self, subject: Subject) -> np.ndarray:
        """Row numbers of the plates of ``subject``, in order; of a design, the plates that carry it."""
        if subject.type == "farm":
            return np.arange(len(self.plates))
        if subject.type == "design":
            return np.unique(self.part_plate[self.of_design(subject.id)])
        return np.flatnonzero((self.plates[PLATE_COLUMN[subject.type]] == subject.id).to_numpy(bool))

    def of_design(self, design: str, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Which of the parts ``rows`` are of the design, bool; none on a farm without parts."""
        if self.without_parts:
            return np.zeros(len(self.plates), bool)[rows]
        return (self.parts["design_id"].iloc[rows] == design).to_numpy(bool)


@dataclass(frozen=True)
class Case:
    """The subject of one finding since its beginning, as arrays.

    ``all_plates``: row numbers of every plate of the subject; ``plates``: of those since the beginning; ``failed``: places
    in ``context.failed`` of its parts that failed since then (of a design, of its own parts only).
    """

    context: Context
    evidence: Evidence
    all_plates: np.ndarray
    plates: np.ndarray
    failed: np.ndarray

    @property
    def design(self) -> str | None:
        """The design that it is about; of any other subject, whose plates are all its own, None."""
        return self.evidence.subject.id if self.evidence.subject.type == "design" else None

    def parts_on(self, plates: np.ndarray) -> np.ndarray:
        """Row numbers of the subject's parts with a known outcome on some of its plates (row numbers in order)."""
        rows = self.context.parts_on(plates)
        rows = rows[self.context.part_known[rows]]
        return rows if self.design is None else rows[self.context.of_design(self.design, rows)]

    @cached_property
    def expected(self) -> float:
        """Failures expected of the parts without the fault: the fewer by the night's risk and by the finding itself.

        On the first night of a fault the risk of its parts has learned some of it; what the finding says has not.
        """
        evidence, failed = self.evidence, float(len(self.failed))
        reckoned = float(self.per_plate[2].sum())
        if (
            evidence.effect_unit != "odds ratio"
            or evidence.unit != "parts"
            or not evidence.observed > evidence.expected
        ):
            return reckoned
        told = max(failed - (evidence.observed - evidence.expected), failed * evidence.expected / evidence.observed)
        return min(reckoned, told)

    @cached_property
    def excess(self) -> float:
        """Share of its failures that are more than expected, at least a twentieth.

        A name on a third of the farm has many failures that are not the fault's: what they do *not* show says little of it.
        """
        return float(np.clip(1.0 - self.expected / max(len(self.failed), 1), 0.05, 1.0))

    @cached_property
    def failed_plates(self) -> np.ndarray:
        """Row number of the plate of each failed part."""
        return self.context.part_plate[self.context.failed[self.failed]]

    def run_ids(self, plates: np.ndarray) -> tuple[str, ...]:
        return tuple(self.context.run_id[np.unique(plates)]) if self.context.naming else ()

    @cached_property
    def per_plate(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(parts, failures, expected) of each of ``plates``, of the subject's own parts, each shape (plates,)."""
        if self.design is None:  # all parts of its plates are its own
            number, failures, expected = self.context.per_plate
            return number[self.plates], failures[self.plates], expected[self.plates]
        rows, count = self.parts_on(self.plates), len(self.plates)
        place = np.searchsorted(self.plates, self.context.part_plate[rows])
        number = np.bincount(place, minlength=count).astype(float)
        expected = np.bincount(place, weights=self.context.risk[rows], minlength=count)
        failures = np.bincount(np.searchsorted(self.plates, self.failed_plates), minlength=count).astype(float)
        return number, failures, expected


def open_case(evidence: Evidence, context: Context, until: dt.date | None = None) -> Case:
    """Gather the plates and failures of the subject of ``evidence`` since its beginning, up to the day ``until``."""
    since = np.datetime64(evidence.since, "D")
    every = context.plates_of(evidence.subject)
    plates = every[context.day[every] >= since]
    if until is not None:
        plates = plates[context.day[plates] <= np.datetime64(until, "D")]
    mine = np.zeros(len(context.plates), bool)
    mine[plates] = True
    failed = mine[context.part_plate[context.failed]]
    if evidence.subject.type == "design":
        failed &= context.of_design(evidence.subject.id, context.failed)
    return Case(context, evidence, every, plates, np.flatnonzero(failed))
