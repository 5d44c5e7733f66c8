"""The findings of each night: one file a night, replaced whole; what each was filed with can be read for ever."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from farmwatch.evidence import Cause, Check, Evidence, Finding, NextCheck, Subject
from farmwatch.store.farm import Farm
from farmwatch.store.files import StoreError, one_line, replace_file

_TEXT, _NUMBER, _DATE = pa.string(), pa.float64(), pa.date32()
# columns of the ledger beside the plain fields of Evidence; those of JSON hold one document a cell
_EVIDENCE_TYPES = {
    "kind": _TEXT,
    "sign": _TEXT,
    "zone": _TEXT,
    "band": _TEXT,
    "direction": _TEXT,
    "since": _DATE,
    "since_low": _DATE,
    "since_high": _DATE,
    "observed": _NUMBER,
    "expected": _NUMBER,
    "opportunities": _NUMBER,
    "unit": _TEXT,
    "effect": _NUMBER,
    "effect_low": _NUMBER,
    "effect_high": _NUMBER,
    "effect_unit": _TEXT,
    "error_rate": _NUMBER,
    "score": _NUMBER,
    "separable": pa.bool_(),
}
LEDGER = pa.schema(
    [
        ("night", _DATE),
        ("finding_id", _TEXT),
        ("status", _TEXT),
        ("subject_type", _TEXT),
        ("subject_id", _TEXT),
        *_EVIDENCE_TYPES.items(),
        ("first_flagged_on", _DATE),
        ("last_seen_on", _DATE),
        *((name, _TEXT) for name in ("rivals", "detail", "run_ids", "causes", "next_checks", "repair")),
    ]
)
EVIDENCE = pa.schema([("night", _DATE), ("finding_id", _TEXT), ("place", pa.int64()), ("run_id", _TEXT)])
CHECKS = pa.schema(
    [
        ("night", _DATE),
        ("detector", _TEXT),
        ("state", _TEXT),
        ("subject_type", _TEXT),
        ("subject_id", _TEXT),
        ("reason", _TEXT),
        ("count", pa.int64()),
    ]
)
SCHEMAS: Mapping[str, pa.Schema] = {"ledger": LEDGER, "evidence": EVIDENCE, "checks": CHECKS}
_NAME = re.compile(r"night=(\d{4}-\d\d-\d\d)\.parquet")


def save_night(farm: Farm, night: dt.date, findings: Sequence[Finding], checks: Sequence[Check]) -> None:
    """File what ``night`` found and what it could look at; the same night again replaces it.

    The ledger is written last: a night counts once its ledger is there. Tuples inside ``detail`` and ``repair`` come
    back as lists, arrays as lists, everything else as it was.
    """
    plates = [
        {"night": night, "finding_id": finding.finding_id, "place": place, "run_id": run_id}
        for finding in findings
        for place, run_id in enumerate(finding.evidence.run_ids)
    ]
    with farm.writer():
        _write(farm, "evidence", night, plates)
        _write(farm, "checks", night, [{"night": night, **dataclasses.asdict(check)} for check in checks])
        _write(farm, "ledger", night, [_row(night, finding) for finding in findings])


def nights(farm: Farm) -> list[dt.date]:
    """The nights that have been filed, in order."""
    found = (_NAME.fullmatch(path.name) for path in (farm.findings_path / "ledger").glob("night=*.parquet"))
    return sorted(dt.date.fromisoformat(match[1]) for match in found if match)


def load_findings(farm: Farm, as_of: dt.date | None = None) -> list[Finding]:
    """The findings as the last night up to and including ``as_of`` left them (default: the last night)."""
    return _load(farm, [night for night in nights(farm) if as_of is None or night <= as_of])


def load_findings_before(farm: Farm, night: dt.date) -> list[Finding]:
    """The findings as the last night strictly before ``night`` left them."""
    return _load(farm, [earlier for earlier in nights(farm) if earlier < night])


def load_checks(farm: Farm, as_of: dt.date | None = None) -> list[Check]:
    """What the last night up to and including ``as_of`` could look at."""
    known = [night for night in nights(farm) if as_of is None or night <= as_of]
    if not known:
        return []
    rows = _read(_file(farm, "checks", known[-1])).drop_columns(["night"]).to_pylist()
    return [Check(**row) for row in rows]


def _load(farm: Farm, known: Sequence[dt.date]) -> list[Finding]:
    return [_finding(row) for row in _read(_file(farm, "ledger", known[-1])).to_pylist()] if known else []


def _file(farm: Farm, kind: str, night: dt.date) -> Path:
    return farm.findings_path / kind / f"night={night.isoformat()}.parquet"


def _read(path: Path) -> pa.Table:
    try:
        return pq.read_table(path, partitioning=None)
    except (pa.ArrowException, OSError) as error:
        raise StoreError(f"{path}: cannot be read ({one_line(error)}); run that night again") from None


def _write(farm: Farm, kind: str, night: dt.date, rows: list[dict[str, Any]]) -> None:
    table = pa.Table.from_pylist(rows, schema=SCHEMAS[kind])
    replace_file(
        _file(farm, kind, night), farm.drafts, lambda stream: pq.write_table(table, stream, compression="zstd")
    )


def _row(night: dt.date, finding: Finding) -> dict[str, Any]:
    evidence = finding.evidence
    row: dict[str, Any] = {name: getattr(evidence, name) for name in _EVIDENCE_TYPES}
    for name, kind in _EVIDENCE_TYPES.items():
        if kind == _NUMBER:
            row[name] = None if math.isnan(row[name]) else float(row[name])
    return row | {
        "night": night,
        "finding_id": finding.finding_id,
        "status": finding.status,
        "subject_type": evidence.subject.type,
        "subject_id": evidence.subject.id,
        "separable": bool(evidence.separable),
        "first_flagged_on": finding.first_flagged_on,
        "last_seen_on": finding.last_seen_on,
        "rivals": to_json([dataclasses.asdict(rival) for rival in evidence.rivals]),
        "detail": to_json(evidence.detail),
        "run_ids": to_json(evidence.run_ids),
        "causes": to_json([dataclasses.asdict(cause) for cause in finding.causes]),
        "next_checks": to_json([dataclasses.asdict(check) for check in finding.next_checks]),
        "repair": to_json(finding.repair),
    }


def _finding(row: dict[str, Any]) -> Finding:
    plain: dict[str, Any] = {
        name: math.nan if kind == _NUMBER and row[name] is None else row[name] for name, kind in _EVIDENCE_TYPES.items()
    }
    evidence = Evidence(
        subject=Subject(row["subject_type"], row["subject_id"]),
        rivals=tuple(Subject(**rival) for rival in from_json(row["rivals"])),
        detail=from_json(row["detail"]),
        run_ids=tuple(from_json(row["run_ids"])),
        **plain,
    )
    return Finding(
        finding_id=row["finding_id"],
        evidence=evidence,
        first_flagged_on=row["first_flagged_on"],
        last_seen_on=row["last_seen_on"],
        status=row["status"],
        causes=tuple(_tuples(Cause, cause) for cause in from_json(row["causes"])),
        next_checks=tuple(_tuples(NextCheck, check) for check in from_json(row["next_checks"])),
        repair=from_json(row["repair"]),
    )


def _tuples(kind: type, fields: dict[str, Any]) -> Any:
    return kind(**{name: tuple(value) if isinstance(value, list) else value for name, value in fields.items()})


def to_json(value: Any) -> str:
    """``value`` as JSON text; what JSON has no word for is written ``{"$date": "2031-04-02"}`` or the like."""
    return json.dumps(_plain(value), allow_nan=False)


def from_json(text: str) -> Any:
    """The value that :func:`to_json` wrote."""
    return json.loads(text, object_hook=_rich)


def last_printer(farm: Farm, finding: Finding) -> str:
    """Where a check on a finding was done, as far as the records tell: the printer of its last plate, else ``farm``."""
    ids = list(finding.evidence.run_ids)
    runs = farm.read_arrow("runs", ["run_id", "printer_id"], pc.field("run_id").isin(pa.array(ids, pa.string())))
    printers = {row["run_id"]: row["printer_id"] for row in runs.to_pylist()}
    return next((str(printers[run]) for run in reversed(ids) if run in printers), "farm")


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return {"$number": repr(value)}
    if isinstance(value, dt.datetime):
        return {"$time": value.isoformat()}
    if isinstance(value, dt.date):
        return {"$date": value.isoformat()}
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return [_plain(item) for item in value.tolist()]
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_plain(item) for item in value]
    return value


def _rich(value: dict[str, Any]) -> Any:
    if len(value) == 1:
        (name, inner), *_ = value.items()
        if name == "$number":
            return float(inner)
        if name == "$time":
            return dt.datetime.fromisoformat(inner)
        if name == "$date":
            return dt.date.fromisoformat(inner)
    return value
