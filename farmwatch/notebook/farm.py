"""A farm in a notebook: its tables as frames, its findings, SQL, pictures, what was expected of each part."""

from __future__ import annotations

import datetime as dt
import operator
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.causes.table import CauseTable
from farmwatch.detectors.counters import COUNTERS, service_counters
from farmwatch.detectors.effects import joint_effects
from farmwatch.detectors.expected import spell_mask
from farmwatch.detectors.night import History, Night
from farmwatch.evidence import Evidence, Finding
from farmwatch.nightly import causes_of_farm, history_of
from farmwatch.notebook.shown import FindingList, FindingView, Pictures, WeeklyReport
from farmwatch.records import conform
from farmwatch.report.frames import Frames
from farmwatch.report.page import html_page
from farmwatch.report.showing import pictures_of
from farmwatch.report.week import Week
from farmwatch.store import Farm, load_findings, nights, query
from farmwatch.weekly import contents_of, last_known, night_of

SIGNS: dict[str, Callable[[Any, Any], Any]] = {
    "==": operator.eq,
    "!=": operator.ne,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}


def open_farm(path: Path | str) -> NotebookFarm:
    """Open the farm's folder at ``path``, for reading. Raises what the store raises where there is none."""
    return NotebookFarm(Farm.open(path))


class NotebookFarm:
    """A farm as of the last night that was analysed. Frames are read once; open the farm again to see new rows."""

    def __init__(self, farm: Farm) -> None:
        self.farm = farm

    def __repr__(self) -> str:
        return f"<farm {self.farm.path.name}, as of {self.as_of}: {len(self.runs)} runs>"

    def table(
        self,
        name: str,
        columns: Sequence[str] | None = None,
        where: Mapping[str, Any] | None = None,
        filters: Sequence[tuple[str, str, Any]] = (),
    ) -> pd.DataFrame:
        """Rows of a table, reading from disk only ``columns`` and rows that pass every test.

        ``where``: each column has its value, or one of its values. ``filters``: (column, sign, value) with a sign of
        ``==``, ``!=``, ``<``, ``<=``, ``>``, ``>=``, ``in``; a time is a date, or text like ``2031-03-01`` or
        ``2031-03-01 14:00``, on the farm's clock. Raises ``ValueError`` for another sign or an unknown column.
        """
        tests = [
            (column, "in" if isinstance(wanted, list | tuple | set) else "==", wanted)
            for column, wanted in (where or {}).items()
        ]
        condition = None
        for column, sign, value in [*tests, *filters]:
            test = self._test(name, column, sign, value)
            condition = test if condition is None else condition & test
        frame = conform(self.farm.read_arrow(name, columns, condition).to_pandas(), name)
        return frame if columns is None else frame[list(columns)]

    def _test(self, table: str, column: str, sign: str, value: Any) -> pc.Expression:
        known = self.farm.folder(table).schema()
        if column not in known.names:
            raise ValueError(f"{table} has no column {column!r}; it has {', '.join(known.names)}")
        kind, field = known.field(column).type, pc.field(column)
        if sign == "in":
            return field.isin(pa.array([self._typed(item, kind) for item in value], kind))
        if sign not in SIGNS:
            raise ValueError(f"no test {sign!r}; there are {', '.join([*SIGNS, 'in'])}")
        return cast(pc.Expression, SIGNS[sign](field, pa.scalar(self._typed(value, kind), kind)))

    def _typed(self, value: Any, kind: pa.DataType) -> Any:
        """A value as its column holds it: what is written as a time without a zone is on the farm's clock."""
        if not pa.types.is_timestamp(kind):
            return value
        stamp = pd.Timestamp(value)
        return (stamp.tz_localize(self.farm.timezone) if stamp.tzinfo is None else stamp).to_pydatetime()

    @cached_property
    def runs(self) -> pd.DataFrame:
        return self.farm.read("runs")

    @cached_property
    def parts(self) -> pd.DataFrame:
        return self.farm.read("parts")

    @cached_property
    def printers(self) -> pd.DataFrame:
        return self.farm.read("printers")

    @cached_property
    def lots(self) -> pd.DataFrame:
        return self.farm.read("lots")

    @cached_property
    def coupons(self) -> pd.DataFrame:
        return self.farm.read("coupons")

    @cached_property
    def service(self) -> pd.DataFrame:
        return self.farm.read("service")

    @cached_property
    def as_of(self) -> dt.date:
        """The last night that was analysed; without any, the last day on which something became known."""
        filed = nights(self.farm)
        if filed:
            return filed[-1]
        known = self._history.plates["known_at"]
        if known.empty:
            return last_known(self._history, Week(1970, 1))
        return self._history.records.local_dates(known).max().date()

    @cached_property
    def _history(self) -> History:
        return history_of(self.farm)

    @cached_property
    def night(self) -> Night:
        """What was known by :attr:`as_of`, joined, with the fitted expectation."""
        return night_of(self._history, self.as_of, self.farm.settings, self._ledger)[0]

    @cached_property
    def _ledger(self) -> list[Finding]:
        return load_findings(self.farm)

    @cached_property
    def _causes(self) -> CauseTable:
        return causes_of_farm(self.farm)

    @cached_property
    def _frames(self) -> Frames:
        night = self.night
        service, coupons = night.records.service, night.records.coupons
        return Frames(night.plates, night.parts, night.part_risk, service, coupons, self.farm.timezone)

    def findings(self, status: str | None = None) -> FindingList:
        """The findings as the last night left them, strongest first; of one ``status`` only, if named."""
        listed = [finding for finding in self._ledger if status is None or finding.status == status]
        listed.sort(key=lambda finding: (-finding.evidence.score, finding.finding_id))
        return FindingList(FindingView(finding, self) for finding in listed)

    def sql(self, statement: str) -> pd.DataFrame:
        """The answer to one SELECT over the tables, ``findings``, ``evidence`` and ``checks``. Raises ``BadQuery``."""
        return query(self.farm, statement).to_pandas()

    def picture(self, finding: FindingView | Finding) -> Pictures:
        """The pictures that show a finding, the telling one first."""
        evidence: Evidence = finding.evidence
        return Pictures(pictures_of(evidence, self._frames, self.as_of))

    def expected(self) -> pd.DataFrame:
        """One row a part with a known outcome: its run, number, design, whether it ``failed`` and the probability with
        which that was ``expected`` of such work, with the effects of known faults left out.
        """
        parts = self.night.parts
        run = self.night.plates["run_id"].iloc[parts["plate"]].reset_index(drop=True)
        kept = parts[["part_no", "design_id", "failed"]].astype({"part_no": "float64", "design_id": "str"})
        frame = pd.concat([run, kept], axis=1).assign(expected=self.night.part_risk[:])
        return frame[parts["known"].to_numpy()].reset_index(drop=True)

    @cached_property
    def plates(self) -> pd.DataFrame:
        """One row a plate known by :attr:`as_of`: what it was, its ``day``, ``parts`` with a known outcome, how many
        ``failed`` and how many were ``expected`` to, and how worn film, lamp and bath were at its start
        (``film_layers``, ``lamp_hours``, ``bath_runs``; NaN before the first service on record). ``known_fault``: printed
        in the days of a finding, by its subject or with a part of it.
        """
        plates, parts = self.night.plates, self.night.parts
        known = parts["known"].to_numpy()
        row = parts["plate"].to_numpy()[known]

        def total(weights: np.ndarray | None) -> np.ndarray:
            return np.bincount(row, None if weights is None else weights[known], len(plates))

        sums = {
            "parts": total(None),
            "failed": total(parts["failed"].to_numpy(dtype=float)).astype("int64"),
            "expected": total(self.night.part_risk[:]),
        }
        cells = self.night.history.cells
        under = np.zeros(len(plates), dtype=bool)
        number = int(np.searchsorted(cells.plate, len(plates), side="left"))
        for spell in self.night.spells:
            under[cells.plate[:number][spell_mask(spell, cells, number, self.night)]] = True
        counters = service_counters(self.night)[[counter.name for counter in COUNTERS]]
        return plates.drop(columns="parts").assign(**sums, known_fault=under).join(counters).reset_index(drop=True)

    def effects(self, subject_type: str, since: dt.date = dt.date.min) -> pd.DataFrame:
        """Every subject of one type (``printer``, ``lot``, ``design``, ...) since a day, the worst first.

        ``ratio``: failures over expected, with a 95 % interval that allows for parts of one plate failing together; it
        counts whatever went wrong on the subject's plates, whoever did it. ``odds_ratio``: the odds of failing given the
        printer, lot, design, settings, wash, ... of the same plates, all fitted at once, with a 95 % interval: what is
        the subject's own. NaN for types that the fit does not hold, such as runs.
        """
        frames = self._frames
        ratios = frames.ratios(subject_type, max(since, dt.date(1970, 1, 1)))
        table = pd.DataFrame(
            [
                (name, one.plates, one.chances, int(one.observed), one.expected, one.value, one.low, one.high)
                for name, one in ratios.items()
            ],
            columns=[subject_type, "plates", frames.unit, "failed", "expected", "ratio", "low", "high"],
        )
        table = table.join(joint_effects(self.night, subject_type, since), on=subject_type)
        return table.sort_values(["ratio", subject_type], ascending=[False, True], ignore_index=True)

    def report(self, week: str | None = None) -> WeeklyReport:
        """The weekly report, shown in place; the week of :attr:`as_of`, if none like ``2031-W14`` is named."""
        return WeeklyReport(
            html_page(contents_of(self.farm, Week.of(self.as_of) if week is None else Week.parse(week)))
        )
