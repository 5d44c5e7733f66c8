"""A farm's folder: where everything stands, its settings, its one writer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from filelock import FileLock, Timeout

from farmwatch.records import TABLES, Records, conform
from farmwatch.settings import Settings, SettingsError, load_settings
from farmwatch.store.files import StoreError, clear_drafts, make_folder, one_line, replace_file
from farmwatch.store.merge import Plan, plan_merge, plan_settle
from farmwatch.store.swap import begin_swap, commit_swap, finish_swap, swap_is_pending
from farmwatch.store.tables import TableFolder

SETTINGS_FILE = "farm.toml"
_LOCK_FILE = ".lock"
_WAIT_S = 600.0
_SETTINGS_TEXT = """\
# Settings of this farm. Every limit that can stand here is listed, with its unit and reason, by the shipped settings.

[farm]
timezone = "{timezone}"
"""


@dataclass(frozen=True)
class Farm:
    """A farm's folder, opened. Reading never waits; whoever writes holds :meth:`writer`."""

    path: Path
    settings: Settings
    records_path: Path
    quarantine: Path
    _lock: FileLock = field(repr=False, compare=False)

    @classmethod
    def create(cls, path: Path | str, timezone: str = "UTC") -> Farm:
        """Make a farm's folder at ``path``. Raises :class:`StoreError` where one stands already."""
        path = Path(path)
        try:
            ZoneInfo(timezone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise StoreError(f"no time zone of that name: {timezone!r}") from None
        if (path / SETTINGS_FILE).exists():
            raise StoreError(f"{path}: is a farm already")
        for name in ("inbox", "records", "quarantine", "reports", "deliveries", "findings"):
            make_folder(path.absolute() / name)
        for table in TABLES:
            TableFolder(path / "records", table).create()
        text = _SETTINGS_TEXT.format(timezone=timezone)
        # last, so that a folder with settings is a whole farm
        replace_file(path / SETTINGS_FILE, path / "records" / ".drafts", lambda stream: stream.write(text.encode()))
        return cls.open(path)

    @classmethod
    def open(cls, path: Path | str) -> Farm:
        """Open the farm at ``path``. Raises :class:`StoreError` where there is none or its settings do not hold."""
        path = Path(path).absolute()
        if not (path / SETTINGS_FILE).is_file():
            raise StoreError(f"{path}: not a farm: no {SETTINGS_FILE} there; farmwatch init makes one")
        try:
            settings = load_settings(path / SETTINGS_FILE)
        except SettingsError as error:
            raise StoreError(str(error)) from None
        lock = FileLock(path / _LOCK_FILE, timeout=_WAIT_S)
        farm = cls(path, settings, path / "records", path / "quarantine", lock)
        if swap_is_pending(path):
            with farm.writer():
                return farm
        return farm

    @property
    def timezone(self) -> str:
        """The zone in which the farm's days begin and end."""
        return self.settings.farm.timezone

    @property
    def inbox(self) -> Path:
        """Where files wait to be taken."""
        return self.path / "inbox"

    @property
    def reports(self) -> Path:
        """Where the weekly reports stand."""
        return self.path / "reports"

    @property
    def deliveries(self) -> Path:
        """Where every file that was taken is kept as it came."""
        return self.path / "deliveries"

    @property
    def findings_path(self) -> Path:
        """Where ledger, evidence and checks of each night stand."""
        return self.path / "findings"

    @property
    def drafts(self) -> Path:
        """Where files grow before they are renamed into place."""
        return self.path / "records" / ".drafts"

    @contextmanager
    def writer(self, wait_s: float = _WAIT_S) -> Iterator[Farm]:
        """Be the farm's only writer, over all processes; free again when the process is killed. May be nested."""
        try:
            self._lock.acquire(timeout=wait_s)
        except Timeout:
            raise StoreError(f"{self.path}: another farmwatch is writing; waited {wait_s:g} s") from None
        except OSError as error:
            raise StoreError(f"{self.path / _LOCK_FILE}: cannot be locked: {one_line(error)}") from None
        try:
            if self._lock.lock_counter == 1:
                finish_swap(self.path)
                clear_drafts(self.drafts)
            yield self
        finally:
            self._lock.release()

    @contextmanager
    def made_anew(self) -> Iterator[Farm]:
        """The same farm with empty records and quarantine, which take the place of the old ones when all went well."""
        with self.writer():
            side = begin_swap(self.path)
            fresh = replace(self, records_path=side / "records", quarantine=side / "quarantine")
            for table in TABLES:
                fresh.folder(table).create()
            yield fresh
            commit_swap(self.path)
            finish_swap(self.path)

    def folder(self, table: str) -> TableFolder:
        """The files of one table."""
        if table not in TABLES:
            raise StoreError(f"no table of that name: {table!r}")
        return TableFolder(self.records_path, table)

    def read_arrow(
        self, table: str, columns: Sequence[str] | None = None, where: pc.Expression | None = None
    ) -> pa.Table:
        """Rows of ``table`` as Arrow, only ``columns``, only where ``where`` holds; missing values null."""
        return self.folder(table).read(columns, where)

    def read(self, table: str, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Rows of ``table`` as a frame in the types of :func:`farmwatch.records.conform`.

        With ``columns`` only those are read from disk; all declared columns are there otherwise, and the farm's own.
        """
        rows = self.read_arrow(table, columns).to_pandas()
        frame = conform(rows, table)
        return frame if columns is None else frame[[name for name in frame.columns if name in columns]]

    def pieces(self, table: str, columns: Sequence[str]) -> Iterator[pd.DataFrame]:
        """What :meth:`read` gives, some rows after the other, so that a large table never stands whole in memory."""
        for rows in self.folder(table).batches(columns):
            yield conform(rows.to_pandas(), table)[list(columns)]
        del rows
        pa.default_memory_pool().release_unused()  # else Arrow keeps what it read for the next read

    def records(self, tables: Sequence[str] = tuple(TABLES)) -> Records:
        """The farm's tables as frames; those not named in ``tables`` are left empty."""
        return Records(**{table: self.read(table) for table in tables}, timezone=self.timezone)

    def records_state(self) -> tuple[tuple[str, int, int, int], ...]:
        """What tells whether :meth:`records` would give the same again: path, inode, time and size of every file."""
        state = []
        for path in (path for table in TABLES for path in self.folder(table).files().values()):
            with suppress(FileNotFoundError):  # taken away just now: a read meets it no more either
                told = path.stat()
                state.append((str(path), told.st_ino, told.st_mtime_ns, told.st_size))
        return tuple(state)

    def plan(self, table: str, rows: pa.Table) -> Plan:
        """What taking ``rows`` (declared types, in order) would do; ``.apply()`` does it, under :meth:`writer`."""
        return plan_merge(self.folder(table), rows, self._filing(table, rows))

    def put(self, table: str, rows: pa.Table) -> np.ndarray:
        """Take ``rows``; shape (rows,): TAKEN, REPLACED or UNCHANGED for each."""
        with self.writer():
            plan = self.plan(table, rows)
            plan.apply()
        return plan.status

    def settle(self, table: str, keys: pa.Table, rows: pa.Table) -> None:
        """Drop every row with one of ``keys`` and let ``rows`` stand instead."""
        with self.writer():
            plan_settle(self.folder(table), keys, rows, self._filing(table, rows)).apply()

    def _filing(self, table: str, rows: pa.Table) -> np.ndarray:
        """The drawer for each row if it is new: by its own time, or by the start of its run where that is known."""
        folder = self.folder(table)
        own = TABLES[table].time
        if own is not None:
            return folder.drawer_names(rows[own])
        if folder.unit is None:
            return folder.drawer_names(rows[folder.key[0]])
        runs = self.read_arrow("runs", ["run_id", "started_at"])
        place = pc.index_in(rows["run_id"], value_set=runs["run_id"])
        return folder.drawer_names(runs["started_at"].take(place))
