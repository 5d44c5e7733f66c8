"""What a farm of some size costs: ratios to a plain reference timed in the same run, and how cost grows with the farm.

    python benchmarks/scale.py [ratios|growth|cluster|night ...] [--printers 24 100] [--days 365] [--nights 180]

Times are processor time of this process and its children, so that they do not depend on what else the machine does;
``cluster`` tells the wall clock. ``ratios`` goes over every farm of ``--printers`` and replays ``--nights`` on the first.
``growth`` runs each farm in a process of its own, for its peak of memory, and draws docs/pictures/scale.svg with ``--picture``.

``night`` tells of one night, step by step, the seconds and the peak of memory, and what a part takes. With ``--farm`` the
farm is kept there and used again, so that a large one can be told in pieces: ``--steps rates wear`` runs these detectors only.
``--times 10`` puts the printers, runs and parts of the farm there ten times, under other names: a larger farm than could be
simulated. (Lots, designs and baths have ten times the plates then; coupons and services stay those of the first.)
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")  # as the commands do

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from farmwatch.causes.table import CauseTable, load_causes
from farmwatch.collect import collect
from farmwatch.crew import DETECTORS, alone, guarded
from farmwatch.detectors.night import History, join_history
from farmwatch.engines import DaskEngine, Engine, engine_named
from farmwatch.evidence import Finding
from farmwatch.nightly import filed, history_of, look, run_night
from farmwatch.records import TABLES
from farmwatch.replay import replay
from farmwatch.report.page import html_page
from farmwatch.report.week import Week
from farmwatch.settings import Settings
from farmwatch.simulate.scenarios import simulate_to
from farmwatch.store import Farm, query
from farmwatch.weekly import contents_of_night, night_of

PICTURE = Path(__file__).parents[1] / "docs" / "pictures" / "scale.svg"
SIZES = ((6, 180), (12, 180), (24, 60), (24, 180), (24, 365), (48, 180), (100, 180))
DAY = dt.timedelta(days=1)
SQL = {
    "one printer": "SELECT count(*), avg(height_mm) FROM parts JOIN runs USING (run_id) WHERE printer_id = 'P02'",
    "group over all": "SELECT design_id, sign, count(*) FROM parts GROUP BY ALL ORDER BY ALL",
}


def busy() -> float:
    """Processor seconds of this process and of those children that have ended."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


def timed(job: Callable[[], Any], times: int = 1) -> tuple[float, Any]:
    """The least processor seconds of ``times`` runs of ``job``, and its last answer."""
    spent, answer = [], None
    for _ in range(times):
        begun = busy()
        answer = job()
        spent.append(busy() - begun)
    return min(spent), answer


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@contextmanager
def simulated(printers: int, days: int) -> Iterator[tuple[Farm, list[Path]]]:
    """An empty farm, and the files of a simulated one with six faults."""
    with tempfile.TemporaryDirectory() as place:
        paths = simulate_to(Path(place) / "files", printers, days)
        yield Farm.create(Path(place) / "farm", "UTC"), [path for path in paths if path.suffix == ".csv"]


def last_day(history: History) -> dt.date:
    return history.plates["day"].max().date()


def two_nights(
    history: History, settings: Settings, table: CauseTable
) -> tuple[float, float, int, tuple[Finding, ...]]:
    """Processor seconds of a night without known findings, and of the night after it; findings of that one."""
    last = last_day(history)
    first, found = timed(lambda: run_night(history, last - DAY, settings, (), table))
    usual, result = timed(lambda: run_night(history, last, settings, found.findings, table))
    return first, usual, len(result.findings), result.findings


# ---------------------------------------------------------------------------------------------------------- ratios


def show(name: str, seconds: float, reference: str, other: float, aim: str = "") -> None:
    print(
        f"{name:34} {seconds:9.3f} s   {reference:38} {other:8.3f} s   ratio {seconds / other:7.1f}  {aim}", flush=True
    )


def ratios(printers: int, days: int, nights: int) -> None:
    print(f"{printers} printers, {days} days; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    with simulated(printers, days) as (farm, paths):
        plain = farm.path / "plain.parquet"

        def convert() -> None:
            for path in paths:
                pq.write_table(pa_csv.read_csv(path), plain, compression="zstd")

        reference, _ = timed(convert, 3)
        wall = time.perf_counter()
        spent, summary = timed(lambda: collect(farm, paths))
        wall = time.perf_counter() - wall
        plain.unlink()
        show("collect", spent, "the same CSV to Parquet by Arrow", reference, "aim 4")
        rows = summary.totals.taken
        print(f"    {rows:,} rows, {rows / spent:,.0f} a second of processor, {rows / wall:,.0f} a second on the clock")

        tables = {path.parts[len(farm.records_path.parts)] for path in farm.records_path.rglob("*.parquet")}
        reading, _ = timed(lambda: [farm.read_arrow(table) for table in tables], 3)
        spent, records = timed(farm.records, 3)
        show("records as frames", spent, "the same Parquet read by Arrow", reading)
        joining, history = timed(lambda: join_history(records))
        show("records joined", joining, "the same Parquet read by Arrow", reading)
        table = load_causes()
        first, usual, found, _ = two_nights(history, farm.settings, table)
        show("a night, nothing known yet", first, "the same Parquet read by Arrow", reading)
        show(f"the next one, {found} findings", usual, "the same Parquet read by Arrow", reading, "aim 5")

        if nights:
            last, wall = last_day(history), time.perf_counter()
            spent, walked = timed(lambda: replay(records, last - (nights - 1) * DAY, last, farm.settings, table))
            wall = time.perf_counter() - wall
            show(f"replay of {nights} nights", spent, "one night (the next one)", usual, "aim 3")
            print(f"    {len(walked.findings)} findings; {spent / nights:.2f} s a night, {wall:.0f} s on the clock")
        queries(farm)


def queries(farm: Farm) -> None:
    for name, sql in SQL.items():
        spent, ours = timed(lambda: query(farm, sql), 5)  # noqa: B023

        def plain() -> Any:
            connection = duckdb.connect(":memory:")
            for table in ("runs", "parts"):
                connection.execute(
                    f"CREATE VIEW {table} AS SELECT * FROM "
                    f"read_parquet('{farm.records_path}/{table}/*/*.parquet', union_by_name = true)"
                )
            return connection.sql(sql).to_arrow_table()  # noqa: B023

        reference, theirs = timed(plain, 5)
        # means are summed by several threads, in another order each time
        pd.testing.assert_frame_equal(ours.to_pandas(), theirs.to_pandas(), rtol=1e-9)
        show(f"query: {name}", spent, "plain DuckDB on the same files", reference)


# ---------------------------------------------------------------------------------------------------------- growth


@dataclass(frozen=True)
class Cost:
    """Processor seconds of each step, and the peak of memory, on one farm."""

    printers: int
    days: int
    lots: int
    plates: int
    parts: int
    collect_s: float
    read_s: float
    join_s: float
    fit_s: float
    first_s: float
    night_s: float
    findings: int
    peak_mib: float


def cost_of(printers: int, days: int) -> Cost:
    """On a farm made by another process, so that the peak of memory is the night's."""
    with tempfile.TemporaryDirectory() as place:
        here = Path(place)
        make = f"from farmwatch.simulate.scenarios import simulate_to; simulate_to({str(here / 'files')!r}, {printers}, {days})"
        subprocess.run([sys.executable, "-c", make], check=True)
        farm = Farm.create(here / "farm", "UTC")
        begun = busy()
        subprocess.run(
            [
                sys.executable,
                "-m",
                "farmwatch",
                "collect",
                "--farm",
                str(farm.path),
                *map(str, (here / "files").glob("*.csv")),
            ],
            check=True,
            stdout=subprocess.DEVNULL,
        )
        collecting = busy() - begun
        reading, records = timed(farm.records)
        joining, history = timed(lambda: join_history(records))
        fitting, _ = timed(lambda: look(history, last_day(history), farm.settings, ()))
        first, usual, found, _ = two_nights(history, farm.settings, load_causes())
        sizes = len(records.lots), len(history.plates), len(history.parts)
        return Cost(printers, days, *sizes, collecting, reading, joining, fitting, first, usual, found, peak_mib())


def growth(sizes: Sequence[tuple[int, int]], picture: bool) -> None:
    print("| printers | days | lots | plates | parts | collect s | read s | join s | fit s | first night s | next night s "
          "| findings | peak MiB |\n|" + "---:|" * 13)  # fmt: skip
    costs = []
    for printers, days in sizes:
        words = [sys.executable, __file__, "--one", str(printers), str(days)]
        done = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True)
        cost = Cost(**json.loads(done.stdout))
        costs.append(cost)
        numbers = [f"{value:.2f}" if isinstance(value, float) else f"{value:,}" for value in asdict(cost).values()]
        print("| " + " | ".join([*numbers[:-1], f"{cost.peak_mib:.0f}"]) + " |", flush=True)
    if picture:
        draw(costs)


def draw(costs: Sequence[Cost]) -> None:
    """Cost against parts, both on log scales, a line for each step."""
    import matplotlib

    matplotlib.use("svg")
    matplotlib.rcParams.update({"svg.hashsalt": "farmwatch", "font.size": 9})
    from matplotlib import pyplot

    ordered = sorted(costs, key=lambda cost: cost.parts)
    parts = [cost.parts for cost in ordered]
    figure, axes = pyplot.subplots(figsize=(6.4, 3.8), layout="constrained")
    steps = {"first_s": "a night, nothing known", "night_s": "the next night", "fit_s": "fit", "collect_s": "collect",
             "read_s": "read", "join_s": "join"}  # fmt: skip
    for style, (name, label) in zip(("o-", "s-", "^-", "v:", "D:", "x:"), steps.items(), strict=True):
        axes.plot(parts, [getattr(cost, name) for cost in ordered], style, label=label, markersize=4)
    axes.set(xscale="log", yscale="log", xlabel="parts in the records", ylabel="processor seconds")
    axes.grid(alpha=0.3)
    axes.legend(frameon=False, fontsize=8, loc="center left", bbox_to_anchor=(1.0, 0.5))
    figure.savefig(PICTURE, metadata={"Date": None})
    print(f"{PICTURE.name}: processor seconds of each step against parts in the records")


# ----------------------------------------------------------------------------------------------------------- night


def made_farm(place: Path, printers: int, days: int, times: int) -> Farm:
    """The farm at ``place``; made, where there is none, by another process, so that this one's memory is the night's."""
    if not place.exists():
        files = place.with_name(f"{place.name}-files")
        make = f"""
from pathlib import Path
from farmwatch.collect import collect
from farmwatch.simulate.scenarios import simulate_to
from farmwatch.store import Farm
paths = simulate_to(Path({str(files)!r}), {printers}, {days})
collect(Farm.create(Path({str(place)!r}), "UTC"), [path for path in paths if path.suffix == ".csv"])
"""
        subprocess.run([sys.executable, "-c", make], check=True)
        if times > 1:
            subprocess.run([sys.executable, __file__, "--multiply", str(place), str(times)], check=True)
    return Farm.open(place)


def multiply(farm: Farm, times: int) -> None:
    """Put every printer, run and part there ``times`` times, from the second time on under other names."""
    for table in ("printers", "runs", "parts"):
        for path in farm.folder(table).files().values():
            rows, beside = pq.read_table(path, partitioning=None), path.with_suffix(".more")
            with pq.ParquetWriter(beside, rows.schema, compression="zstd", write_page_checksum=True) as writer:
                for number in range(times):
                    writer.write_table(_renamed(rows, f"x{number}") if number else rows, row_group_size=131_072)
            beside.rename(path)


def _renamed(rows: pa.Table, ending: str) -> pa.Table:
    for name in {"run_id", "printer_id"} & set(rows.column_names):
        place = rows.column_names.index(name)
        rows = rows.set_column(place, name, pc.binary_join_element_wise(rows[name], ending, ""))
    return rows


class Steps:
    """Prints what each step took: processor seconds, memory before it and at its peak (on Linux; elsewhere so far)."""

    def __init__(self) -> None:
        self.parts = 0
        print("| step | s | MiB before | MiB at the peak | bytes a part at the peak |\n|---|---:|---:|---:|---:|")

    def step(self, name: str, job: Callable[[], Any]) -> tuple[float, Any]:
        before = _memory_mib("VmRSS")
        with suppress(OSError):
            Path("/proc/self/clear_refs").write_text("5")
        spent, answer = timed(job)
        peak = _memory_mib("VmHWM")
        if isinstance(answer, History):
            self.parts = len(answer.parts)
        each = f"{peak * 2**20 / self.parts:.0f}" if self.parts else ""
        print(f"| {name} | {spent:.1f} | {before:.0f} | {peak:.0f} | {each} |", flush=True)
        return spent, answer


def _memory_mib(name: str) -> float:
    try:
        told = Path("/proc/self/status").read_text()
    except OSError:
        return peak_mib()
    return float(told.split(f"{name}:")[1].split()[0]) / 1024


def night(farm: Farm, only: Sequence[str]) -> None:
    """The night before the last with nothing known, step by step; without ``only``, also the night after it."""
    usual = _steps_of_night(farm, only)
    reading, _ = timed(lambda: [farm.read_arrow(name) for name in TABLES])
    print(f"the same files read by Arrow, all columns: {reading:.2f} s; load {os.getloadavg()[0]:.0f}")
    if not only:
        print(f"the night after to that: {usual / reading:.0f}")


def _steps_of_night(farm: Farm, only: Sequence[str]) -> float:
    """Processor seconds of the night after, 0 where it is not asked for."""
    table, steps = load_causes(), Steps()
    _, history = steps.step("read and join", partial(history_of, farm))
    steps.step("cut into cells", lambda: history.cells)
    print(f"{len(history.plates):,} plates, {len(history.parts):,} parts, {len(history.cells.plate):,} cells")
    last = last_day(history)
    _, seen = steps.step("fit the expectation", lambda: look(history, last - DAY, farm.settings, ()))
    verdicts = [
        steps.step(f"`{name}`", partial(guarded, name, told, seen))[1]
        for name, told in DETECTORS
        if not only or name in only
    ]
    if only:
        return 0.0
    _, result = steps.step("findings and causes", lambda: filed(seen, verdicts, (), table))
    seen = None  # as in a night, the expectation does not outlive its detectors
    again = partial(look, history, last - DAY, farm.settings, result.findings)
    steps.step("the second look of a first night", lambda: alone(again()))
    usual, after = steps.step(
        "the night after", partial(run_night, history, last, farm.settings, result.findings, table)
    )
    week = Week.of(last)

    def report() -> str:
        seen, _ = night_of(history, last, farm.settings, after.findings)
        return html_page(contents_of_night(seen, week, after.findings, after.checks, table))

    steps.step("the weekly report, its fit included", report)
    print(f"{len(result.findings)} findings, {len(after.findings)} the night after")
    return usual


# --------------------------------------------------------------------------------------------------------- cluster


def cluster(printers: int, days: int) -> None:
    """Wall seconds of ten nights with every engine; the findings must be the same."""
    from distributed import LocalCluster

    with simulated(printers, days) as (farm, paths):
        collect(farm, paths)
        records, table = farm.records(), load_causes()
        last = last_day(join_history(records))

        def walk(engine: Engine) -> tuple[float, str]:
            begun = time.perf_counter()
            walked = replay(records, last - 9 * DAY, last, farm.settings, table, engine=engine)
            return time.perf_counter() - begun, repr(walked.findings)

        print(f"{printers} printers, {days} days, 10 nights; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        here, expected = walk(engine_named("local"))
        print(f"this process   {here:7.1f} s")
        for workers in (1, 2):
            with LocalCluster(
                n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=":0", silence_logs=50
            ) as made:
                spent, found = walk(DaskEngine(made.scheduler_address))
            print(f"{workers} Dask workers {spent:7.1f} s   same findings: {found == expected}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tables", nargs="*", help="ratios, growth, cluster, night (default: the first three)")
    parser.add_argument("--printers", type=int, nargs="+", default=[24, 100])
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--nights", type=int, default=180)
    parser.add_argument("--picture", action="store_true")
    parser.add_argument("--one", type=int, nargs=2, metavar=("PRINTERS", "DAYS"), help="one farm's costs, as JSON")
    parser.add_argument("--sizes", nargs="*", metavar="PRINTERSxDAYS", help="farms for growth")
    parser.add_argument("--farm", type=Path, help="where the farm of night is kept")
    parser.add_argument("--times", type=int, default=1, help="how often the farm of night is put there")
    parser.add_argument("--steps", nargs="*", default=[], help="detectors that night is to run (default: all)")
    parser.add_argument("--multiply", nargs=2, metavar=("FARM", "TIMES"), help="put a farm there so many times")
    asked = parser.parse_args()
    if asked.multiply:
        multiply(Farm.open(Path(asked.multiply[0])), int(asked.multiply[1]))
        return
    if asked.one:
        print(json.dumps(asdict(cost_of(*asked.one))))
        return
    wanted = asked.tables or ["ratios", "growth", "cluster"]
    if "ratios" in wanted:
        for printers in asked.printers:
            ratios(printers, asked.days, asked.nights if printers == asked.printers[0] else 0)
    if "growth" in wanted:
        sizes = [tuple(map(int, size.split("x"))) for size in asked.sizes] if asked.sizes else SIZES
        growth(sizes, asked.picture)  # type: ignore[arg-type]
    if "cluster" in wanted:
        cluster(asked.printers[0], asked.days)
    if "night" in wanted:
        with tempfile.TemporaryDirectory() as place:
            farm = made_farm(asked.farm or Path(place) / "farm", asked.printers[0], asked.days, asked.times)
            night(farm, asked.steps)


if __name__ == "__main__":
    main()
