"""Where a part or a coupon stands, against the plate of the printer that made it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.collect.columns import one
from farmwatch.collect.rules import ROUNDING
from farmwatch.store import Farm

POSITIONED = ("parts", "coupons")


@dataclass(frozen=True)
class Plates:
    """The plates of all printers known, and which run was printed on which."""

    printers: pa.Table
    runs: pa.Table

    @classmethod
    def known(cls, farm: Farm) -> Plates:
        """From all that the records hold."""
        return cls(
            farm.read_arrow("printers", ["printer_id", "plate_width_mm", "plate_depth_mm"]),
            farm.read_arrow("runs", ["run_id", "printer_id"]),
        )

    @classmethod
    def none(cls) -> Plates:
        """For tables without positions."""
        text, number = pa.array([], pa.string()), pa.array([], pa.float64())
        return cls(
            pa.table({"printer_id": text, "plate_width_mm": number, "plate_depth_mm": number}),
            pa.table({"run_id": text, "printer_id": text}),
        )

    def off_plate(self, table: str, rows: pa.Table) -> dict[str, np.ndarray]:
        """Which rows lie off their plate, for each coordinate, shape (rows,); False where it cannot be said.

        A position is that of the centre; one on the very edge is on the plate.
        """
        if table not in POSITIONED:
            return {}
        place = pc.index_in(one(self._printer_of(table, rows)), value_set=one(self.printers["printer_id"]))
        off = {}
        for column, size in (("x_mm", "plate_width_mm"), ("y_mm", "plate_depth_mm")):
            half = one(self.printers[size]).take(place).to_numpy(zero_copy_only=False) / 2.0
            position = np.abs(one(rows[column]).to_numpy(zero_copy_only=False))
            off[column] = position > half * (1.0 + ROUNDING)
        return off

    def runs_on(self, printers: Collection[str]) -> list[str]:
        """The runs that were printed on ``printers``."""
        wanted = pc.is_in(self.runs["printer_id"], value_set=pa.array(sorted(printers), pa.string()))
        return list(self.runs["run_id"].filter(wanted).to_pylist())

    def _printer_of(self, table: str, rows: pa.Table) -> pa.ChunkedArray:
        place = pc.index_in(one(rows["run_id"]), value_set=one(self.runs["run_id"]))
        of_run = pa.chunked_array([one(self.runs["printer_id"]).take(place)])
        return of_run if table == "parts" else pc.coalesce(rows["printer_id"], of_run)
