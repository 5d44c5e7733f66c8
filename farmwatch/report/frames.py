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


@dataclass(frozen=True)
class Frames:
    """``plates`` and ``parts`` of one night (rows of ``parts`` point at plates by row number in ``plate``), the
    expected failure probability of each part, ``service`` and ``coupons`` as known by that night.
    """

    plates: pd.DataFrame
    parts: pd.DataFrame
    part_risk: np.ndarray
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
        ``failure_height_mm``.
        """
        plates = self.plates
        if self.by_parts:
            known = self.parts["known"].to_numpy()
            columns = ["plate", "design_id", "x_mm", "y_mm", "height_mm", "failure_height_mm", "failed", "sign"]
            measures = dict.fromkeys(("x_mm", "y_mm", "height_mm", "failure_height_mm"), "float64")
            kinds = {"design_id": "str", "sign": "str", **measures}
            out = self.parts.loc[known, columns].reset_index(drop=True).astype(kinds)
            out["expected"] = np.asarray(self.part_risk, dtype=float)[known]
            run_sign = plates["sign"].to_numpy()[out["plate"].to_numpy()]
            out["sign"] = out["sign"].where(out["sign"].notna(), pd.Series(run_sign, index=out.index))
        else:
            failed = plates["outcome"].isin(["failed", "partial"]).to_numpy()
            risk = (failed.sum() + 0.5) / (len(failed) + 1.0)
            out = pd.DataFrame({"plate": np.arange(len(plates)), "failed": failed, "expected": risk})
            out["sign"] = plates["sign"].to_numpy()
        out["day"] = plates["day"].to_numpy()[out["plate"].to_numpy()]
        return out

    @cached_property
    def plate_dispersion(self) -> float:
        """How much more plates scatter than independent parts would; 1 where too little is known."""
        table = self.chances.groupby("plate").agg(failed=("failed", "sum"), expected=("expected", "sum"))
        return dispersion(table["failed"].to_numpy(dtype=float), table["expected"].to_numpy(dtype=float))

    def of(self, who: Subject, sign: str | None = None) -> pd.DataFrame:
        """The rows of :attr:`chances` that belong to a subject. With ``sign`` only failures of that sign count as
        failures, and the expectation is scaled by the sign's share of all other failures of the farm.
        """
        rows = self.belongs(who)
        out = self.chances[rows]
        if sign is None:
            return out
        others = self.chances[~rows & self.chances["failed"].to_numpy()]
        pool = others if len(others) else self.chances[self.chances["failed"].to_numpy()]
        share = (float((pool["sign"] == sign).sum()) + 0.5) / (len(pool) + 1.0)
        return out.assign(failed=out["failed"] & (out["sign"] == sign), expected=out["expected"] * share)

    def counted(self, evidence: Evidence) -> pd.DataFrame:
        """The subject's rows, with the failures that the finding counts: a sign may be what its failures are about,
        or only what most of them look like. Whichever count since the onset comes nearer to the finding's own.
        """
        every = self.of(evidence.subject)
        # failures at a height are counted whatever they look like
        if evidence.sign is None or evidence.kind == "height_pattern" or every.empty:
            return every
        outside = evidence.detail.get("failed_outside", 0.0) if evidence.kind == "plate_pattern" else 0.0
        told = evidence.observed + float(outside)
        signed = self.of(evidence.subject, evidence.sign)
        late = (every["day"] >= pd.Timestamp(evidence.since)).to_numpy()
        own, all_signs = (float(rows["failed"].to_numpy()[late].sum()) for rows in (signed, every))
        return signed if abs(own - told) < abs(all_signs - told) else every

    def sign_counted(self, evidence: Evidence) -> str:
        """`` with the sign flake`` where :meth:`counted` leaves failures of other signs out, else empty."""
        if evidence.sign is None:
            return ""
        every, counted = (
            rows["failed"].to_numpy().sum() for rows in (self.of(evidence.subject), self.counted(evidence))
        )
        return f" with the sign {words.phrase(evidence.sign)}" if counted < every else ""

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

    def belongs(self, who: Subject) -> np.ndarray:
        """Mask over :attr:`chances` of those that are the subject's, shape (chances,)."""
        if who.type == "design" and self.by_parts:
            return (self.chances["design_id"] == who.id).to_numpy(dtype=bool)
        return self.plates_of(who)[self.chances["plate"].to_numpy()]

    def ratios(self, subject_type: str, since: dt.date) -> dict[str, Ratio]:
        """Failures over expected since a day for every subject of one type, with 95 % intervals that allow for
        parts of a plate failing together. Subjects without a plate since then are left out.
        """
        rows = self.chances[(self.chances["day"] >= pd.Timestamp(since)).to_numpy()]
        if subject_type == "design":
            names = rows["design_id"] if self.by_parts else pd.Series(np.nan, index=rows.index, dtype="str")
        elif subject_type in PLATE_COLUMN:
            names = self.plates[PLATE_COLUMN[subject_type]].iloc[rows["plate"].to_numpy()]
        else:
            return {}
        table = pd.DataFrame(
            {
                "name": np.asarray(names),
                "plate": rows["plate"].to_numpy(),
                "failed": rows["failed"].to_numpy(dtype=float),
                "expected": rows["expected"].to_numpy(),
            }
        )
        grouped = table.dropna(subset=["name"]).groupby("name")
        sums = grouped.agg(
            failed=("failed", "sum"), expected=("expected", "sum"), n=("failed", "size"), plates=("plate", "nunique")
        )
        return {
            str(row.Index): ratio_interval(
                row.failed, row.expected, self.plate_dispersion, chances=int(row.n), plates=int(row.plates)
            )
            for row in sums.itertuples()
        }
