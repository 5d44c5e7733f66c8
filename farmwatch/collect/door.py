"""The door: every row enters the records here, or stays in quarantine with its reason."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from farmwatch.collect import deliveries, quarantine
from farmwatch.collect.plates import POSITIONED, Plates
from farmwatch.collect.raw import Unreadable
from farmwatch.collect.recheck import clear_due, has_positions, is_due, mark_due, recheck, recheck_all
from farmwatch.collect.rows import Understood, understand
from farmwatch.collect.sources import Source, find_sources, sheet_sources
from farmwatch.collect.summary import CollectSummary, FileReport
from farmwatch.records import TABLES
from farmwatch.store import Farm
from farmwatch.store.files import make_folder
from farmwatch.store.merge import REPLACED, TAKEN, UNCHANGED

Progress = Callable[[int, int, str], object]
"""Called with bytes done, bytes in all and the name of the file in hand."""

# registrations first: a part's position is then checked against all that this collect brought
ORDER = ("printers", "lots", "runs", "parts", "coupons", "service", "layers")
BATCH_ROWS = 1_000_000


@dataclass
class _Taken:
    """One file that could be read, waiting for its batch to be written."""

    source: Source
    state: os.stat_result
    digest: str
    packed: bytes
    understood: Understood
    report: FileReport


@dataclass
class _Session:
    farm: Farm
    summary: CollectSummary
    kept: set[tuple[str, str]]
    next_number: int
    named: dict[str, set[str]] = field(default_factory=dict)
    changed: dict[str, set[str]] = field(default_factory=lambda: {"printers": set(), "runs": set()})
    corrected: bool = False


def collect(
    farm: Farm,
    paths: Sequence[Path | str] | None = None,
    progress: Progress | None = None,
    sheet_map: bytes | None = None,
) -> CollectSummary:
    """Take the files of the inbox, or those in ``paths`` (files and folders), into the records.

    Taken files leave the inbox (files from elsewhere stay) and are kept compressed. Killed at any moment, the same
    collect done again comes to the same records. With ``sheet_map`` (see :func:`.sheet_map.load_map`) the files are
    spreadsheets that it translates. Raises :class:`farmwatch.store.StoreError`.
    """
    with farm.writer():
        make_folder(farm.inbox)  # a back-up may have left it out
        sources = find_sources(farm, [Path(path) for path in paths] if paths else None)
        if sheet_map is not None:
            sources = sheet_sources(sources, sheet_map, ORDER)
        earlier = deliveries.kept(farm)
        session = _Session(
            farm,
            CollectSummary(),
            {(delivery.digest, delivery.name) for delivery in earlier},
            earlier[-1].number + 1 if earlier else 1,
        )
        due, first = is_due(farm), not earlier and not has_positions(farm)
        tick = _ticker(sources, progress)
        for table in ORDER:
            _take_table(session, table, [source for source in sources if source.table == table], tick)
        for source in sources:
            if source.table is None:
                _refuse(session, source, source.why_no_table)
                tick(source)
        if due:
            session.summary.rechecked += recheck_all(farm)
        elif first:
            # every position came after all that it is checked against: a tenth of the time of a first delivery
            clear_due(farm)
        elif session.changed["printers"] or session.changed["runs"]:
            session.summary.rechecked += recheck(farm, session.changed, session.corrected)
        session.summary.unregistered = _unregistered(session)
    return session.summary


def _ticker(sources: Sequence[Source], progress: Progress | None) -> Callable[[Source], None]:
    sizes = {source: _size(source) for source in sources} if progress else {}
    total, done = sum(sizes.values()), 0

    def tick(source: Source) -> None:
        nonlocal done
        if progress:
            done += sizes[source]
            progress(done, total, source.shown)

    return tick


def _size(source: Source) -> int:
    try:
        return source.path.stat().st_size
    except OSError:
        return 0


def _refuse(session: _Session, source: Source, error: str) -> None:
    session.summary.files.append(FileReport(source.shown, source.table, error=error))


def _take_table(session: _Session, table: str, sources: Sequence[Source], tick: Callable[[Source], None]) -> None:
    if not sources:
        return
    farm = session.farm
    limits = farm.settings.collect
    plates = Plates.known(farm) if table in POSITIONED else Plates.none()
    batch: list[_Taken] = []
    for source in sources:
        try:
            data, state = source.read(limits.max_file_mib << 20)
            understood = understand(
                data, source.name, table, farm.timezone, plates, limits.max_file_rows, limits.max_file_mib << 21
            )
        except Unreadable as error:
            _refuse(session, source, str(error))
        else:
            report = FileReport(source.shown, table, rows=understood.total)
            session.summary.files.append(report)
            digest = deliveries.digest_of(data)
            batch.append(_Taken(source, state, digest, deliveries.pack(data), understood, report))
        if sum(len(taken.understood.rows) for taken in batch) >= BATCH_ROWS:
            _write_batch(session, table, batch)
            batch = []
        tick(source)
    _write_batch(session, table, batch)


def _write_batch(session: _Session, table: str, batch: Sequence[_Taken]) -> None:
    """Lay the rows of ``batch`` over the records. Each step leaves a state from which the batch can be taken again."""
    if not batch:
        return
    farm = session.farm
    rows = pa.concat_tables([taken.understood.rows for taken in batch], promote_options="default")
    plan = farm.plan(table, rows)
    ends = np.cumsum([len(taken.understood.rows) for taken in batch])[:-1]
    for taken, status in zip(batch, np.split(plan.status, ends), strict=True):
        _count(session, taken, status)
        known = (taken.digest, deliveries.short_name(taken.source.name))
        if known not in session.kept or (status != UNCHANGED).any():
            deliveries.keep(farm, session.next_number, taken.digest, taken.source.name, taken.packed)
            session.kept.add(known)
            session.next_number += 1
    if table in session.changed and (plan.status != UNCHANGED).any():
        mark_due(farm)
    plan.apply()
    _note_changes(session, table, rows, plan.status)
    for taken in batch:
        quarantine.write(farm, taken.digest, taken.source.name, table, taken.understood.faults)
    for taken in batch:
        taken.source.leave(taken.state)


def _count(session: _Session, taken: _Taken, status: np.ndarray) -> None:
    report = taken.report
    report.taken = int((status == TAKEN).sum())
    report.replaced = int((status == REPLACED).sum())
    report.unchanged = int((status == UNCHANGED).sum())
    report.quarantined = Counter(fault.reason for fault in taken.understood.faults)
    for column, counts in taken.understood.unknown_codes.items():
        session.summary.unknown_codes.setdefault(column, Counter()).update(counts)


def _note_changes(session: _Session, table: str, rows: pa.Table, status: np.ndarray) -> None:
    """Remember which printers and runs changed, and whom the rows name."""
    if table in session.changed:
        changed = rows[TABLES[table].key[0]].filter(pa.array(status != UNCHANGED))
        session.changed[table].update(changed.to_pylist())
        session.corrected |= bool((status == REPLACED).any())
    for column, registry in (("printer_id", "printers"), ("lot_id", "lots"), ("run_id", "runs")):
        if column in TABLES[table].names and registry != table:
            session.named.setdefault(registry, set()).update(pc.unique(rows[column]).to_pylist())
    if table == "service":
        for subject, registry in (("printer", "printers"), ("lot", "lots")):
            about = rows["subject_id"].filter(pc.equal(rows["subject_type"], subject))
            session.named.setdefault(registry, set()).update(about.to_pylist())


def _unregistered(session: _Session) -> dict[str, list[str]]:
    missing = {}
    for registry, named in sorted(session.named.items()):
        known = session.farm.read_arrow(registry, [TABLES[registry].key[0]]).column(0).to_pylist()
        left = named - set(known) - {None}
        if left:
            missing[registry] = sorted(left)
    return missing
