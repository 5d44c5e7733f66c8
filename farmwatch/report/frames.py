"""The night's frames as the report reads them: failures against expected, for any subject and any span."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from farmwatch.evidence import PLATE_COLUMN, Evidence, Subject
from farmwatch.report import words
from farmwatch.stats.observed_over_expected import Ratio, dispersion, ratio_interval
from farmwatch.stats.plate_sums import OfParts


@dataclass(frozen=True)
class Frames:
    """``plates`` and ``parts`` of one night (rows of ``parts`` point at plates by row number in ``plate``), the
    expected failure probability of each part, ``service`` and ``coupons`` as known by that night.
    """

    plates: pd.DataFrame
    parts: pd.DataFrame
    part_risk: OfParts
    service: pd.DataFrame
    coupons: pd.DataFrame
    timezone: str = "UTC"

    @cached_property
    def by_parts(self) -> bool:
        """Whether parts are counted; a farm that records no parts is counted in plates."""
        return bool(self.parts["known"].any())

    @property
    def unit(self) -> str:
        return "parts" if self.by_parts else "plates"

    @cached_property
    def chances(self) -> pd.DataFrame:
        """One row a chance to fail (a part with a known outcome; without parts, a plate).

        Columns: ``plate`` (row number), ``day``, ``failed`` (bool), ``expected`` (probability), ``sign`` (of the part,
        else of its run; missing: NaN), and where parts are counted ``design_id``, ``x_mm``, ``y_mm``, ``height_mm``,
        ``failure_height_mm``, categories as in the night's parts: 32 bytes a chance.
        """
        plates = self.plates
        if self.by_parts:
            known = np.flatnonzero(self.parts["known"].to_numpy())
            columns = ["plate", "design_id", "x_mm", "y_mm", "height_mm", "failure_height_mm", "failed"]
            out = self.parts[columns].iloc[known].reset_index(drop=True)
            out["expected"] = np.asarray(self.part_risk[known], dtype=float)
            out["sign"] = self._signs(self.parts["sign"].iloc[known], out["plate"].to_numpy())
        else:
            failed = plates["outcome"].isin(["failed", "partial"]).to_numpy()
            risk = (failed.sum() + 0.5) / (len(failed) + 1.0)
            out = pd.DataFrame({"plate": np.arange(len(plates)), "failed": failed, "expected": risk})
            out["sign"] = plates["sign"].to_numpy()
        out["day"] = plates["day"].to_numpy()[out["plate"].to_numpy()]
        return out

    def _signs(self, own: pd.Series, plate: np.ndarray) -> pd.Categorical:
        """The sign written of each part, else that of its run."""
        part, run = pd.Categorical(own), pd.Categorical(self.plates["sign"])
        every = part.categories.union(run.categories)
        codes, of_run = (each.set_categories(every).codes for each in (part, run))
        return pd.Categorical.from_codes(np.where(codes < 0, of_run[plate], codes), categories=every)

    @cached_property
    def failing(self) -> np.ndarray:
        """Row numbers of the chances that failed: few, so that counts of failures need not go over all."""
        return np.flatnonzero(self.chances["failed"].to_numpy())

    @cached_property
    def plate_dispersion(self) -> float:
        """How much more plates scatter than independent parts would; 1 where too little is known."""
        plate = self.chances["plate"].to_numpy()
        failed = np.bincount(plate[self.failing], minlength=len(self.plates))
        return dispersion(failed, np.bincount(plate, self.chances["expected"].to_numpy(), len(self.plates)))

    def between(self, first: dt.date, last: dt.date) -> np.ndarray:
        """Row numbers of the chances of some days, both included."""
        day = self.chances["day"].to_numpy()
        return np.flatnonzero((day >= np.datetime64(first)) & (day <= np.datetime64(last)))

    def of(self, who: Subject, sign: str | None = None, rows: np.ndarray | None = None) -> pd.DataFrame:
        """The rows of :attr:`chances` that belong to a subject, of all or of some row numbers ``rows``. With ``sign`` only
        failures of that sign count as failures, and the expectation is scaled by the sign's share of all other failures of
        the farm.
        """
        mine = np.flatnonzero(self.belongs(who)) if rows is None else rows[self.belongs(who, rows)]
        out = self.chances.iloc[mine]
        if sign is None:
            return out
        failing = self.failing
        others = failing[~self.belongs(who, failing)]
        pool = others if len(others) else failing
        share = (float((self.chances["sign"].iloc[pool] == sign).sum()) + 0.5) / (len(pool) + 1.0)
        return out.assign(failed=out["failed"] & (out["sign"] == sign), expected=out["expected"] * share)

    def counted(self, evidence: Evidence, rows: np.ndarray | None = None) -> pd.DataFrame:
        """The subject's rows, with the failures that the finding counts: a sign may be what its failures are about,
        or only what most of them look like. Whichever count since the onset comes nearer to the finding's own.
        """
        return self.of(evidence.subject, evidence.sign if self._by_sign(evidence) else None, rows)

    def _by_sign(self, evidence: Evidence) -> bool:
        # failures at a height are counted whatever they look like
        if evidence.sign is None or evidence.kind == "height_pattern":
            return False
        outside = evidence.detail.get("failed_outside", 0.0) if evidence.kind == "plate_pattern" else 0.0
        told = evidence.observed + float(outside)
        own = self._failed_of(evidence.subject)
        own = own[own["day"] >= pd.Timestamp(evidence.since)]
        return abs(float((own["sign"] == evidence.sign).sum()) - told) < abs(float(len(own)) - told)

    def _failed_of(self, who: Subject) -> pd.DataFrame:
        return self.chances.iloc[self.failing[self.belongs(who, self.failing)]]

    def sign_counted(self, evidence: Evidence) -> str:
        """`` with the sign flake`` where :meth:`counted` leaves failures of other signs out, else empty."""
        if evidence.sign is None or not self._by_sign(evidence):
            return ""
        every = self._failed_of(evidence.subject)["sign"] == evidence.sign
        return "" if every.all() else f" with the sign {words.phrase(evidence.sign)}"

    def plates_of(self, who: Subject) -> np.ndarray:
        """Mask over ``plates`` of those that the subject took part in, shape (plates,)."""
        mask = np.zeros(len(self.plates), dtype=bool)
        if who.type in PLATE_COLUMN:
            return (self.plates[PLATE_COLUMN[who.type]] == who.id).to_numpy(dtype=bool)
        if who.type == "farm":
            return ~mask
        if who.type == "design":
            mask[self.parts.loc[(self.parts["design_id"] == who.id).to_numpy(), "plate"].to_numpy()] = True
        return mask

    def belongs(self, who: Subject, rows: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Which of the chances ``rows`` are the subject's: bool."""
        if who.type == "design" and self.by_parts:
            return (self.chances["design_id"].iloc[rows] == who.id).to_numpy(dtype=bool)
        return self.plates_of(who)[self.chances["plate"].to_numpy()[rows]]

    def ratios(self, subject_type: str, since: dt.date) -> dict[str, Ratio]:
        """Failures over expected since a day for every subject of one type, with 95 % intervals that allow for
        parts of a plate failing together. Subjects without a plate since then are left out.
        """
        rows = np.flatnonzero((self.chances["day"] >= pd.Timestamp(since)).to_numpy())
        plate = self.chances["plate"].to_numpy()[rows]
        if subject_type == "design" and self.by_parts:
            code, names = pd.factorize(self.chances["design_id"].iloc[rows])
        elif subject_type in PLATE_COLUMN and subject_type != "design":
            code, names = pd.factorize(self.plates[PLATE_COLUMN[subject_type]])
            code = code[plate]
        else:
            return {}
        named = code >= 0
        rows, plate, code = rows[named], plate[named], code[named]
        count = len(names)
        chances = np.bincount(code, minlength=count)
        failed = np.bincount(code, self.chances["failed"].to_numpy(dtype=float)[rows], count)
        expected = np.bincount(code, self.chances["expected"].to_numpy()[rows], count)
        plates = np.bincount(
            np.unique(code * np.int64(len(self.plates)) + plate) // max(len(self.plates), 1), minlength=count
        )
        return {
            str(names[k]): ratio_interval(
                float(failed[k]),
                float(expected[k]),
                self.plate_dispersion,
                chances=int(chances[k]),
                plates=int(plates[k]),
            )
            for k in np.flatnonzero(chances)
        }
