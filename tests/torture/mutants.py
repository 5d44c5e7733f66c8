"""Files as nobody should deliver them: damaged bytes, wrong encodings, huge or deep values, packed bombs."""

from __future__ import annotations

import bz2
import gzip
import io
import json
import random
import resource
import shutil
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from farmwatch.collect import collect, quarantine
from farmwatch.store import Farm
from torture.forking import server

BATCH = 100
MEMORY_MIB = 2048  # what the process that takes them may ask for


@dataclass(frozen=True)
class Mutants:
    """``rows`` that the files held, all accounted for; ``refused``: files that could not be read at all; ``peak_mib``:
    the most memory that the process held; ``bad``: batches in which something was wrong, a line each.
    """

    files: int
    rows: int
    quarantined: int
    refused: int
    peak_mib: int
    bad: tuple[str, ...]


def take_mutants(room: Path, times: int, seed: int) -> Mutants:
    """Take ``times`` such files through the door, a hundred at a time on a new farm, with bounded memory."""
    new = Farm.create(room / "new", "Europe/Berlin")
    with (new.path / "farm.toml").open("a") as stream:
        stream.write("\n[collect]\nmax_file_mib = 16\nmax_file_rows = 200000\n")
    here, there = server().Pipe(duplex=False)
    process = server().Process(target=_take_all, args=(new.path, times, seed, there), daemon=True)
    process.start()
    there.close()
    try:
        result: Mutants = here.recv()
    except EOFError:
        return Mutants(times, 0, 0, 0, 0, ("the process died",))
    process.join()
    return result


def _take_all(new: Path, times: int, seed: int, pipe: Connection) -> None:
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY_MIB << 20,) * 2)
    rows = outside = refused = 0
    bad = []
    for first in range(0, times, BATCH):
        farm = Farm.open(shutil.copytree(new, new.with_name("farm")))
        for number in range(first, min(first + BATCH, times)):
            name, data = mutant(random.Random(seed + number))
            (farm.inbox / name.format(f"{number:06d}")).write_bytes(data)
        try:
            told = _take(farm)
        except Exception as error:
            bad.append(f"files {seed + first} on: {type(error).__name__}: {' '.join(str(error).split())[:200]}")
        else:
            rows, outside, refused = rows + told[0], outside + told[1], refused + told[2]
        shutil.rmtree(farm.path)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    pipe.send(Mutants(times, rows, outside, refused, peak, tuple(bad)))


def _take(farm: Farm) -> tuple[int, int, int]:
    """Collect, and hold every row to account: rows in = taken + replaced + unchanged + quarantined, file by file."""
    waiting = {path.name for path in farm.inbox.iterdir()}
    summary = collect(farm)
    assert {report.file for report in summary.files} == waiting, "a file is not in the summary"
    for report in summary.files:
        assert report.rows == report.taken + report.replaced + report.unchanged + report.quarantined.total(), report
        assert report.error is None or "\n" not in report.error, report
    assert {path.name for path in farm.inbox.iterdir()} == {report.file for report in summary.unreadable}
    total = summary.totals
    held = sum(1 for _ in quarantine.entries(farm))
    moved = sum(check.quarantined - check.released for check in summary.rechecked)
    assert held == total.quarantined.total() + moved, f"{held} rows in quarantine, {total.quarantined} told"
    for table in ("runs", "parts"):
        assert not farm.read(table).duplicated(["run_id", "part_no"] if table == "parts" else "run_id").any()
    return total.rows, total.quarantined.total(), len(summary.unreadable)


def mutant(chance: random.Random) -> tuple[str, bytes]:
    """A name with a place for a number, and a content."""
    kind = chance.choice(["csv", "csv", "jsonl", "jsonl", "parquet"])
    name = f"{chance.choice(['parts', 'parts', 'runs'])}-{{}}.{kind}"
    if chance.random() < 0.6:
        return name, mangled(_seed(kind, name), chance)
    return name, chance.choice(_ODD)(kind, name, chance)


def _seed(kind: str, name: str) -> bytes:
    rows = 12
    common = {"outcome": ["good", "failed"] * (rows // 2), "recorded_at": "2031-04-02T10:00:00+02:00"}
    note = {"note": ['he said "no", twice', None, "two\nlines"] * (rows // 3)}
    if name.startswith("parts"):
        own = {"run_id": ["r1"] * rows, "part_no": range(rows), "x_mm": [1.5 * n for n in range(rows)]}
    else:
        own = {"run_id": [f"r{n}" for n in range(rows)], "printer_id": "p1", "started_at": "2031-04-01 10:00"}
    frame = pd.DataFrame({**own, **common, **note})
    if kind == "parquet":
        buffer = io.BytesIO()
        frame.to_parquet(buffer)
        return buffer.getvalue()
    return (frame.to_csv(index=False) if kind == "csv" else frame.to_json(orient="records", lines=True)).encode()


_MARKS = (b'"', b",", b"\n", b"\r", b"\0", b"\xff", b"{", b"}", b"\xef\xbb\xbf", b"e", b"-", b";", b"\t", b"'", b"\x1a")
_VALUES = (
    *(b"1e999", b"NaN", b"null", b"true", b"[[[[", b'"\\ud800"', b"9" * 400, b"x" * 5000, b"0x1F", b"1,5", b"-0"),
    *(b"2031-13-45", b"0000-00-00", b"31/04/2031", b"2031-02-29T25:61", b"99999-01-01", b"1.7976931348623157e309"),
    *(b"=cmd|' /C calc'!A0", b"../../etc/passwd", b"<script>", b"\x1b[31m", "é".encode("latin-1"), "日本".encode()),
)


def mangled(data: bytes, chance: random.Random) -> bytes:
    """A few bytes flipped, put in, cut out, doubled; line ends mixed."""
    out = bytearray(data)
    for _ in range(chance.choice([1, 1, 2, 5])):
        at = chance.randrange(len(out) + 1)
        what = chance.randrange(7)
        if what == 0 and at < len(out):
            out[at] ^= 1 << chance.randrange(8)
        elif what == 1:
            out[at:at] = chance.choice(_MARKS)
        elif what == 2:
            del out[at : at + chance.randrange(1, 40)]
        elif what == 3:
            del out[at:]
        elif what == 4:
            out[at:at] = out[at : at + chance.randrange(1, 200)]
        elif what == 5:
            out[at:at] = chance.choice(_VALUES)
        else:
            ends = chance.choice([b"\r\n", b"\r", b"\n\n", b"\x0b", b"\xe2\x80\xa8"])
            out = bytearray(bytes(out).replace(b"\n", ends, chance.randrange(1, 9)))
    return bytes(out)


def _encoded(kind: str, name: str, chance: random.Random) -> bytes:
    how = chance.choice(["utf-16", "utf-16-le", "utf-32", "latin-1", "cp037", "utf-8-sig", "utf-7", "shift_jis"])
    return _seed("csv", name).decode().replace("twice", "zwölf").encode(how, "replace")


def _packed(kind: str, name: str, chance: random.Random) -> bytes:
    """A compressed file under the name of a plain one; a few of them would unfold to 64 MiB."""
    data = b"0" * (1 << 26) if chance.random() < 0.05 else _seed("csv", name)
    if chance.random() < 0.5:
        return chance.choice([gzip.compress, bz2.compress])(data)
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../runs.csv", data)
    return buffer.getvalue()


def _huge(kind: str, name: str, chance: random.Random) -> bytes:
    size = chance.choice([1 << 17, 1 << 20, 1 << 22])
    what = chance.choice(["field", "line", "header", "columns", "digits", "blank"])
    seed = _seed("csv", name)
    wide = ",".join(f"c{n}" for n in range(size // 64)).encode()
    shapes = {"field": seed + b'"' + b"x" * size + b'"\n', "line": seed + b"," * size, "header": b"x" * size + b"\n"}
    shapes |= {"columns": wide + b"\n", "digits": seed + b"9" * size + b"\n", "blank": seed + b"\n" * size}
    return shapes[what]


def _deep(kind: str, name: str, chance: random.Random) -> bytes:
    depth = chance.choice([10, 1000, 100_000])
    value = chance.choice(["[" * depth + "]" * depth, '{"a":' * depth + "1" + "}" * depth, "[" * depth])
    return _seed("jsonl", name) + b'{"run_id":"r1","part_no":99,"outcome":"good","own":' + value.encode() + b"}\n"


def _bomb(kind: str, name: str, chance: random.Random) -> bytes:
    """A small Parquet file of very many rows, or of a long text many times over."""
    rows, text = chance.choice(
        [(1_000_000, "r"), (150_000, "x" * 100_000), (150_000, "x" * 10_000), (1000, "x" * 200_000), (199_000, "r")]
    )
    column = pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int32)), pa.array([text]))
    buffer = io.BytesIO()
    pq.write_table(pa.table({"run_id": column, "outcome": column}), buffer, compression="zstd")
    return buffer.getvalue()


def _typed(kind: str, name: str, chance: random.Random) -> bytes:
    """Parquet whose columns are of types that nobody expects."""
    columns = [
        pa.array([[1], None, [2, 3]]),
        pa.array([{"a": 1}, None, {"a": 2}]),
        pa.array([b"\xff", None, b"r1"]),
        pa.array([2**62, None, -1]),
        pa.array([float("nan"), float("inf"), -0.0]),
        pa.array([None] * 3, pa.null()),
        pa.array([True, None, False]),
        pa.array([10**9, None, 1], pa.timestamp("ns")),
        pa.array([1, None, 3], pa.duration("s")),
        pa.array(["r1", None, ""]),
    ]
    table = pa.table({field: chance.choice(columns) for field in ("run_id", "part_no", "x_mm", "outcome", "own")})
    buffer = io.BytesIO()
    pq.write_table(table, buffer)
    return buffer.getvalue()


def _valued(kind: str, name: str, chance: random.Random) -> bytes:
    """JSON with a value of the wrong kind somewhere."""
    values = [None, True, [], {}, [1, [2]], 1e308, -1, 10**40, "", " ", "\ud800", "NaN", "2031-02-30", 1.5]
    lines = _seed("jsonl", name).decode().splitlines()
    rows = [json.loads(line) for line in lines]
    for row in rows:
        row[chance.choice(list(row))] = chance.choice(values)
        row[chance.choice(["own", "filed", "outcome", "", "a" * 200])] = chance.choice(values)
    return "\n".join(map(json.dumps, rows)).encode()


_ODD: tuple[Callable[[str, str, random.Random], bytes], ...]
_ODD = (_encoded, _packed, _huge, _deep, _bomb, _typed, _valued, _valued, _typed, _encoded)
