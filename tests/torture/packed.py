"""Files that would take many times their size once they are read, and packed ones under the name of a plain one."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import resource
import zipfile
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from farmwatch.collect import collect
from farmwatch.store import Farm
from torture.forking import server
from torture.mutants import MEMORY_MIB

FILE_MIB = 8  # the largest file that the farm takes; what it unfolds to may be twice that
ROWS = 100_000
_SIZE = (FILE_MIB << 20) - 64
_HEAD = b"run_id,printer_id,started_at,outcome\n"
_OBJECT = b'{"run_id":"r1","printer_id":"p1","started_at":"2031-01-01","outcome":"good"'
_SETTINGS = f"\n[collect]\nmax_file_mib = {FILE_MIB}\nmax_file_rows = {ROWS}\n"
_SHEET_MAP = b'[parts]\nrun_id = "run"\noutcome = { counts = { parts = "parts", failed = "failed" } }\n'


@dataclass(frozen=True)
class Taken:
    """One file. ``grown_mib``: by how much the process grew at most; ``rows`` in it, all accounted for; ``refused``: in
    what words, if at all.
    """

    name: str
    grown_mib: int
    rows: int
    refused: str | None


def take_packed(room: Path) -> list[Taken]:
    """Take each file through the door, in a process that may ask for 2 GiB. Raises ``AssertionError`` where that died or
    rows are not accounted for.
    """
    farm = Farm.create(room / "farm", "UTC")
    with (farm.path / "farm.toml").open("a") as stream:
        stream.write(_SETTINGS)
    (room / "files").mkdir()
    for name, data in (_plain() | _under_false_names() | _parquet()).items():
        (room / "files" / name).write_bytes(data)
    here, there = server().Pipe(duplex=False)
    process = server().Process(target=_take_all, args=(farm.path, room / "files", there), daemon=True)
    process.start()
    there.close()
    try:
        taken: list[Taken] | str = here.recv()
    except EOFError:
        raise AssertionError("the process that took the files died") from None
    process.join()
    if isinstance(taken, str):
        raise AssertionError(taken)
    return taken


def _take_all(path: Path, files: Path, pipe: Connection) -> None:
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_MIB << 20,) * 2)
    farm = Farm.open(path)
    try:
        pipe.send([_take(farm, file) for file in sorted(files.iterdir())])
    except Exception as error:
        pipe.send(f"{type(error).__name__}: {' '.join(str(error).split())[:200]}")


def _take(farm: Farm, file: Path) -> Taken:
    Path("/proc/self/clear_refs").write_text("5")  # the peak from here on
    before = _peak_mib()
    (report,) = collect(farm, [file], sheet_map=_SHEET_MAP if file.name.startswith("sheet") else None).files
    assert report.rows == report.taken + report.replaced + report.unchanged + report.quarantined.total(), report
    assert report.error is None or "\n" not in report.error, report
    return Taken(file.name, _peak_mib() - before, report.rows, report.error)


def _peak_mib() -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("VmHWM"))) // 1024


def _filled(begin: bytes, unit: bytes, end: bytes = b"") -> bytes:
    return begin + unit * ((_SIZE - len(begin) - len(end)) // len(unit)) + end


def _plain() -> dict[str, bytes]:
    """Plain text of the largest size: one line, one field, or as many rows or values as there is room for."""
    return {
        "runs-line.csv": _filled(_HEAD, b","),
        "runs-header.csv": _filled(b"", b"x"),
        "runs-field.csv": _filled(_HEAD + b"r1,p1,2031-01-01,", b"x", b"\n"),
        "runs-quoted.csv": _filled(_HEAD + b'r1,p1,2031-01-01,"', b"x", b'"\n'),
        "runs-rows.csv": _filled(_HEAD, b",,,\n"),
        "runs-broken.csv": _filled(_HEAD, b"1\n"),
        "runs-long.csv": _filled(_HEAD, b"r1,p1,2031-01-01," + b"y" * 100_000 + b"\n"),
        "runs-line.jsonl": _filled(_OBJECT + b',"own":"', b"x", b'"}'),
        "runs-values.jsonl": _filled(_OBJECT + b',"own":[', b"{},", b"0]}"),
        "runs-lists.jsonl": _filled(b"", _OBJECT + b',"own":[' + b"[]," * 3000 + b"0]}\n"),
        "runs-empty.jsonl": _filled(b"", b"{}\n"),
        "runs-broken.jsonl": _filled(_OBJECT + b"}\n", b"1\n"),
        "sheet-parts.csv": b"run,parts,failed,remark\n" + b"".join(
            b"r%d,9999,1,%s\n" % (number, b"y" * 100_000) for number in range(9)
        ),
    }  # fmt: skip


def _under_false_names() -> dict[str, bytes]:
    data = _HEAD + b"r1,p1,2031-01-01,good\n"
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("runs.csv", bytes(50 << 20))
    parquet = io.BytesIO()
    pq.write_table(pa.table({"run_id": ["r1"]}), parquet)
    return {
        "runs-gzip.csv": gzip.compress(bytes(50 << 20)),
        "runs-gzip.jsonl": gzip.compress(data),
        "runs-bzip2.csv": bz2.compress(data),
        "runs-xz.csv": lzma.compress(data),
        "runs-zip.csv": archive.getvalue(),
        "runs-zip.parquet": archive.getvalue(),
        "runs-parquet.csv": parquet.getvalue(),
    }


def _parquet() -> dict[str, bytes]:
    """Tables of some kilobytes whose row groups unfold to gigabytes: long texts in a page or said once for many rows,
    very long lists, wide and many rows.
    """
    long, rows = "x" * 20_000, 90_000
    said_once = pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int32)), pa.array([long]))
    in_lists = pa.ListArray.from_arrays(np.arange(0, rows + 1, 90, dtype=np.int32), said_once)
    one_list = pa.ListArray.from_arrays([0, 20_000_000], pa.nulls(20_000_000, pa.int8()))
    zeros = np.zeros(rows)
    tables = {
        "texts": (pa.table({"run_id": said_once}), {}),
        "struct": (pa.table({"run_id": ["r1"] * rows, "own": pa.StructArray.from_arrays([said_once], ["a"])}), {}),
        "lists": (pa.table({"run_id": ["r1"] * 1000, "own": in_lists}), {}),
        "one-list": (pa.table({"run_id": ["r1"], "own": one_list}), {}),
        "page": (pa.table({"run_id": [long] * 15_000}), {"use_dictionary": False, "data_page_size": 1 << 30}),
        "one-text": (pa.table({"run_id": ["x" * 200_000_000]}), {"use_dictionary": False}),
        "fixed": (pa.table({"run_id": ["r1"] * 300, "own": pa.array([bytes(1 << 20)] * 300, pa.binary(1 << 20))}), {}),
        "wide": (pa.table({"run_id": ["r1"] * rows, **{f"c{number}": zeros for number in range(200)}}), {}),
        "rows": (pa.table({"run_id": pa.nulls(5_000_000, pa.string())}), {}),
    }
    return {f"runs-{name}.parquet": _written(table, **options) for name, (table, options) in tables.items()}


def _written(table: pa.Table, **options: object) -> bytes:
    stream = io.BytesIO()
    pq.write_table(table, stream, compression="zstd", **options)
    return stream.getvalue()
