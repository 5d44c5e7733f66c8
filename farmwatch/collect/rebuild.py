"""The records made anew from the kept deliveries alone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pyarrow as pa

from farmwatch.collect import deliveries, quarantine
from farmwatch.collect.door import BATCH_ROWS, ORDER, Progress
from farmwatch.collect.plates import POSITIONED, Plates
from farmwatch.collect.recheck import understand_delivery
from farmwatch.collect.rows import Understood, table_of
from farmwatch.collect.summary import CollectSummary, FileReport
from farmwatch.records import TABLES
from farmwatch.store import Farm, StoreError
from farmwatch.store.merge import REPLACED, TAKEN, UNCHANGED


def rebuild(farm: Farm, progress: Progress | None = None) -> CollectSummary:
    """Read every kept delivery again, in the order of taking, into new records and quarantine; then swap them in.

    Readers see the old records until the new ones are whole. Raises :class:`farmwatch.store.StoreError`, with the old
    records untouched, where a delivery cannot be read or none is kept though there are records.
    """
    summary = CollectSummary()
    with farm.made_anew() as fresh:
        every = deliveries.kept(farm)
        if not every and any(len(farm.read_arrow(table, TABLES[table].key)) for table in TABLES):
            raise StoreError(f"{farm.deliveries}: no deliveries are kept there: nothing to make the records from")
        done, total = 0, sum(delivery.path.stat().st_size for delivery in every)
        for table in ORDER:
            plates = Plates.known(fresh) if table in POSITIONED else Plates.none()
            batch: list[tuple[deliveries.Delivery, Understood]] = []
            for delivery in every:
                if table_of(delivery.name) != table:
                    continue
                batch.append((delivery, understand_delivery(farm, delivery, table, plates)))
                if sum(len(understood.rows) for _, understood in batch) >= BATCH_ROWS:
                    summary.files += _write(fresh, table, batch)
                    batch = []
                done += delivery.path.stat().st_size
                if progress:
                    progress(done, total, delivery.name)
            summary.files += _write(fresh, table, batch)
    return summary


def _write(fresh: Farm, table: str, batch: Sequence[tuple[deliveries.Delivery, Understood]]) -> list[FileReport]:
    if not batch:
        return []
    plan = fresh.plan(table, pa.concat_tables([each.rows for _, each in batch], promote_options="default"))
    plan.apply()
    ends = np.cumsum([len(understood.rows) for _, understood in batch])[:-1]
    reports = []
    for (delivery, understood), status in zip(batch, np.split(plan.status, ends), strict=True):
        quarantine.write(fresh, delivery.digest, delivery.name, table, understood.faults)
        taken, replaced, unchanged = (int((status == code).sum()) for code in (TAKEN, REPLACED, UNCHANGED))
        reasons = Counter(fault.reason for fault in understood.faults)
        reports.append(FileReport(delivery.name, table, understood.total, taken, replaced, unchanged, reasons))
    return reports
