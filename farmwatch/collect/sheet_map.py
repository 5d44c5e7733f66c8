"""The map of somebody's own spreadsheet to tables of the contract: read from TOML, every mistake named by its key."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

import pyarrow as pa
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from farmwatch.collect.columns import read_column
from farmwatch.collect.rules import WORDS
from farmwatch.records import TABLES, Column
from farmwatch.settings import first_reason

Heading = Annotated[str, Field(min_length=1)]
_WHOLE = re.compile(r"[0-9]{1,9}(\.0*)?")
_SAMPLE = dt.datetime(2031, 3, 24, 17, 5, 6)
_TELLINGS = (
    _SAMPLE,
    _SAMPLE.replace(second=0),
    _SAMPLE.replace(minute=0, second=0),
    _SAMPLE.replace(hour=0, minute=0, second=0),
)


class MapError(Exception):
    """A map that cannot be used; the message names file, key and reason in one line."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class FileSection(_Section):
    """How the file is written. ``empty``: cells that mean that nothing is known; ``header_line``: counted from 1."""

    separator: Annotated[str, Field(min_length=1, max_length=1)] = ","
    encoding: Literal["utf-8", "utf-16", "cp1252", "latin-1"] = "utf-8"
    decimal_comma: bool = False
    header_line: Annotated[int, Field(ge=1, le=1000)] = 1
    timezone: str | None = None
    empty: list[str] = []

    @field_validator("timezone")
    @classmethod
    def _zone_exists(cls, value: str | None) -> str | None:
        try:
            _ = value and ZoneInfo(value)
        except (ValueError, OSError, KeyError):
            raise ValueError(f"no time zone of that name: {value!r}") from None
        return value

    @field_validator("separator")
    @classmethod
    def _separates(cls, value: str) -> str:
        if value in '"\r\n' or not value.isascii():
            raise ValueError("not a character that separates cells")
        return value


class Counts(_Section):
    """Columns that count the parts of a plate; two of the three are needed."""

    parts: Heading | None = None
    good: Heading | None = None
    failed: Heading | None = None

    @model_validator(mode="after")
    def _two(self) -> Counts:
        if len(self.headings) != 2:
            raise ValueError("needs two of parts, good and failed")
        return self

    @property
    def headings(self) -> dict[str, str]:
        return {name: value for name, value in self if value is not None}


class From(_Section):
    """Where a column of the contract comes from: one column, several joined, the same text everywhere, or counts.

    ``factor`` and ``plus``: number in the file * factor + plus; ``values``: cells to values, large and small letters
    alike; ``format``: of times, in the letters of ``strptime``.
    """

    column: Heading | None = None
    columns: Annotated[list[Heading], Field(min_length=2)] | None = None
    join: str = " "
    constant: str | int | float | None = None
    counts: Counts | None = None
    factor: Annotated[float, Field(allow_inf_nan=False)] = 1.0
    plus: Annotated[float, Field(allow_inf_nan=False)] = 0.0
    format: str | None = None
    values: dict[str, str] = {}

    @model_validator(mode="before")
    @classmethod
    def _plain(cls, value: Any) -> Any:
        if not isinstance(value, str | dict):
            raise ValueError("needs the name of a column, or more in braces, such as { column = ... }")
        return {"column": value} if isinstance(value, str) else value

    @property
    def headings(self) -> tuple[str, ...]:
        """The file's columns that it reads."""
        if self.counts is not None:
            return tuple(self.counts.headings.values())
        return tuple(self.columns or ([self.column] if self.column is not None else []))

    @property
    def scaled(self) -> bool:
        return (self.factor, self.plus) != (1.0, 0.0)


class TableMap(_Section):
    """One table: columns of the contract by name, and columns of the file that are kept under their own names."""

    columns: dict[str, From]
    keep: list[Heading] = []

    @model_validator(mode="before")
    @classmethod
    def _flat(cls, value: Any) -> Any:
        if not isinstance(value, dict):
            return value
        return {"columns": {k: v for k, v in value.items() if k != "keep"}, "keep": value.get("keep", [])}

    @property
    def headings(self) -> list[str]:
        """Every column of the file that the map names, once."""
        named = [heading for source in self.columns.values() for heading in source.headings]
        return list(dict.fromkeys([*named, *self.keep]))


class SheetMap(_Section):
    """A whole map: how the file is written, and the columns of each table that it feeds."""

    file: FileSection = FileSection()
    tables: dict[str, TableMap]

    @model_validator(mode="before")
    @classmethod
    def _flat(cls, value: Any) -> Any:
        return {"file": value.get("file", {}), "tables": {k: v for k, v in value.items() if k != "file"}}


def load_map(path: Path) -> bytes:
    """The text of a map that holds. Raises :class:`MapError`."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise MapError(f"{path}: cannot be read: {error.strerror}") from None
    read_map(data, str(path))
    return data


def read_map(data: bytes, shown: str) -> SheetMap:
    """The map in ``data``; ``shown`` is how errors call it. Raises :class:`MapError`."""
    try:
        sheet = SheetMap.model_validate(tomllib.loads(data.decode("utf-8-sig")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise MapError(f"{shown}: not TOML: {error}") from None
    except ValidationError as error:
        loc = error.errors()[0]["loc"]
        key = ".".join(str(part) for place, part in enumerate(loc) if not _is_frame(loc, place))
        raise MapError(f"{shown}: {key}: {first_reason(error)}") from None
    if not sheet.tables:
        raise MapError(f"{shown}: names no table; a map needs a section such as [runs]")
    for table, mapped in sheet.tables.items():
        for key, reason in _faults(table, mapped):
            raise MapError(f"{shown}: {key}: {reason}")
    return sheet


def _is_frame(loc: tuple[int | str, ...], place: int) -> bool:
    """Names of fields that stand around what the file says: they are no keys of it."""
    return (place == 0 and loc[0] == "tables") or (place == 2 and loc[0] == "tables" and loc[2] == "columns")


def _faults(table: str, mapped: TableMap) -> list[tuple[str, str]]:
    """What the words of a map cannot mean, as key and reason."""
    if table not in TABLES:
        return [(table, f"no table of that name; there are {', '.join(TABLES)}")]
    columns = {column.name: column for column in TABLES[table].columns}
    faults = []
    for name, source in mapped.columns.items():
        if name not in columns:
            return [(f"{table}.{name}", f"{table} has no such column; columns of your own go under keep")]
        faults += [(f"{table}.{name}", reason) for reason in _source_faults(table, columns[name], source)]
    clash = next((name for name in mapped.keep if name in columns), None)
    if clash is not None:
        faults.append((f"{table}.keep", f"{clash} is a column of {table}: map it by its name"))
    counted = table == "parts" and "outcome" in mapped.columns and mapped.columns["outcome"].counts is not None
    if counted and "part_no" in mapped.columns:
        faults.append((f"{table}.part_no", "parts that are counted are numbered by themselves"))
    needed = set(TABLES[table].required) - set(mapped.columns) - ({"part_no"} if counted else set())
    missing = next((name for name in TABLES[table].required if name in needed), None)
    if missing is not None:
        faults.append((f"{table}.{missing}", f"missing: {table} cannot do without it"))
    return faults


def _source_faults(table: str, column: Column, source: From) -> list[str]:
    given = [name for name in ("column", "columns", "constant", "counts") if getattr(source, name) is not None]
    if len(given) != 1:
        return ["needs one of column, columns, constant and counts" + (f", not {' and '.join(given)}" if given else "")]
    faults = []
    if source.counts is not None and (column.name != "outcome" or table not in ("runs", "parts")):
        faults.append("counts tell the outcome of runs and parts only")
    if source.scaled and (column.kind not in ("number", "count") or source.constant is not None or source.factor == 0):
        faults.append("factor and plus turn one number of the file into another")
    if source.format is not None:
        faults += ["format is for times only"] if column.kind != "time" else _format_faults(source.format)
    if source.values and column.kind not in ("code", "id", "text"):
        faults.append("values are for codes, ids and texts only")
    if source.values and source.counts is not None:
        faults.append("counts need no values")
    fine = {*column.choices, *(() if column.required else ("",))}
    unknown = [value for value in source.values.values() if column.choices and value not in fine]
    if unknown:
        faults.append(f"{unknown[0]!r} is none of {', '.join(column.choices)}")
    if len({cell.strip().casefold() for cell in source.values}) < len(source.values):
        faults.append("two values of the same letters")
    if source.constant is not None:
        text = source.constant if isinstance(source.constant, str) else repr(source.constant)
        if not text or read_column(pa.chunked_array([[text]]), column, "UTC").bad[0]:
            faults.append(f"{text!r} is {WORDS[column.kind]}")
    return faults


def _format_faults(form: str) -> list[str]:
    try:
        told = dt.datetime.strptime(_SAMPLE.strftime(form), form)
    except ValueError as error:
        return [f"not a format of times: {error}"]
    if told.replace(tzinfo=None) not in _TELLINGS:
        return ["does not tell year, month, day and time of day (12 hours need %p)"]
    return []


def whole_number(text: str) -> int | None:
    """A count in a cell, such as ``12`` or ``12.0``; None for anything else."""
    return int(text.partition(".")[0]) if _WHOLE.fullmatch(text) else None
