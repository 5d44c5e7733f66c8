"""From the simulated farm to the tables of the contract, with what operators round, forget or mistake."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from farmwatch.records import SIGNS, Records, conform
from farmwatch.simulate import world as names
from farmwatch.simulate.coupons import measure_coupons
from farmwatch.simulate.draw import Outcome
from farmwatch.simulate.hazards import Way, peel
from farmwatch.simulate.spec import FarmSpec
from farmwatch.simulate.stock import BASE_LAYERS, LAYER_MM, TRANSITION_LAYERS
from farmwatch.simulate.telemetry import measure_layers
from farmwatch.simulate.world import World

Stream = Callable[[str], np.random.Generator]


def midnight(spec: FarmSpec) -> pd.Timestamp:
    """The first instant of the farm's first day, in UTC."""
    return pd.Timestamp(dt.datetime.combine(spec.start, dt.time(), tzinfo=ZoneInfo(spec.timezone))).tz_convert("UTC")


def times(spec: FarmSpec, hours: np.ndarray) -> pd.Series:
    """Hours on the farm's clock after the first midnight, as UTC instants to the second.

    Wall-clock hours are meant: day 10, 7 o'clock, stays 7 o'clock across a change of clocks.
    """
    seconds = pd.to_timedelta(np.round(np.asarray(hours, dtype=float) * 3600.0), unit="s")
    wall = pd.Timestamp(spec.start) + pd.Series(seconds)
    zoned = wall.dt.tz_localize(spec.timezone, ambiguous=False, nonexistent="shift_forward")
    return zoned.dt.tz_convert("UTC").astype("datetime64[us, UTC]")


def make_records(world: World, outcome: Outcome, ways: list[Way], stream: Stream) -> Records:
    """The tables. Rows of ``parts`` are the parts of ``world`` in their order."""
    spec = world.spec
    plates = world.plan.file.size
    run_id = np.array([f"{spec.prefix}R{number:07d}" for number in range(1, plates + 1)], dtype=object)
    runs = _runs(world, outcome, run_id, stream("runs"))
    parts = _parts(world, outcome, run_id, stream("rows"))
    records = Records(
        printers=conform(_printers(world), "printers"),
        lots=conform(_lots(world), "lots"),
        runs=conform(runs, "runs"),
        parts=conform(parts, "parts"),
        coupons=conform(_coupons(world, runs, run_id, stream("coupons")), "coupons"),
        service=conform(_service(world), "service"),
        layers=conform(_layers(world, ways, runs, run_id, stream("layers")), "layers"),
        timezone=spec.timezone,
    )
    return records


def _printers(world: World) -> pd.DataFrame:
    spec, stock = world.spec, world.stock
    size = names.plate_sizes(stock)
    count = range(spec.printers)
    return pd.DataFrame(
        {
            "printer_id": [names.printer_name(spec, i) for i in count],
            "plate_width_mm": size[:, 0],
            "plate_depth_mm": size[:, 1],
            "build_height_mm": size[:, 2],
            "room": [names.room_name(spec, r) for r in stock.room],
            "family": [names.family_name(f) for f in stock.family],
            "commissioned_on": times(spec, -24.0 * (40.0 + 11.0 * np.arange(spec.printers))),
        }
    )


def _lots(world: World) -> pd.DataFrame:
    spec, stock = world.spec, world.stock
    known = np.flatnonzero(stock.lot_opened < spec.days)
    return pd.DataFrame(
        {
            "lot_id": [names.lot_name(stock, spec, i) for i in known.tolist()],
            "resin": [spec.resins[r] for r in stock.lot_resin[known]],
            "made_on": times(spec, stock.lot_made[known] * 24.0),
            "opened_on": times(spec, stock.lot_opened[known] * 24.0),
            "expires_on": times(spec, (stock.lot_made[known] + 365.0) * 24.0),
        }
    )


def _lookup(labels: list[str], index: np.ndarray) -> np.ndarray:
    return np.array(labels, dtype=object)[index]


def _forget(values: np.ndarray, share: float, rng: np.random.Generator) -> np.ndarray:
    lost = rng.random(values.size) < share
    out = values.astype(object) if values.dtype == object else values.astype(float)
    out[lost] = None if out.dtype == object else np.nan
    return out


def _runs(world: World, outcome: Outcome, run_id: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    spec, stock, plan = world.spec, world.stock, world.plan
    plates = plan.file.size
    lost = np.bincount(world.plate, weights=outcome.failed, minlength=plates)
    result = np.where(lost == 0, "good", np.where(lost == stock.file_count[plan.file], "failed", "partial"))
    result = np.where(outcome.stopped & (lost > 0), "stopped", result)
    top = stock.file_height[plan.file]
    done = np.where(result == "stopped", np.clip(outcome.stop_mm / top + 0.02, 0.02, 1.0), 1.0)
    lasted_h = plan.planned_h * done * np.exp(rng.normal(0.0, 0.004, plates)) + 0.004
    started, ended = _start_and_end(world, lasted_h)
    force = 14.0 * np.exp(peel(world) + rng.normal(0.0, 0.08, plates))
    sign, height = _of_run(world, outcome, plates)
    shown = result != "good"
    lot_labels = [names.lot_name(stock, spec, i) for i in range(stock.lot_resin.size)]
    return pd.DataFrame(
        {
            "run_id": run_id,
            "printer_id": _lookup([names.printer_name(spec, i) for i in range(spec.printers)], plan.printer),
            "started_at": started,
            "ended_at": ended,
            "lot_id": _lookup(lot_labels, plan.lot),
            "file_id": _lookup([names.file_name(spec, i) for i in range(stock.file_family.size)], plan.file),
            "profile": _lookup([names.profile_name(spec, i) for i in range(len(spec.resins))], world.resin),
            "operator": _lookup([names.operator_name(spec, i) for i in range(spec.operators)], plan.operator),
            "wash_id": _lookup([names.wash_name(spec, i) for i in range(spec.wash_stations)], plan.wash),
            "layer_height_mm": LAYER_MM,
            "exposure_s": np.round(world.exposure_s, 2),
            "base_exposure_s": np.round(world.base_exposure_s, 1),
            "base_layers": BASE_LAYERS,
            "transition_layers": TRANSITION_LAYERS,
            "rest_s": np.round(world.rest_s, 2),
            "lift_speed_mm_min": np.round(world.lift_mm_min, 0),
            "ambient_c": _forget(np.round(world.ambient_c, 1), spec.missing, rng),
            "vat_c": _forget(np.round(world.vat_c, 1), spec.missing, rng),
            "peak_release_n": _forget(np.round(force, 2), spec.missing, rng),
            "planned_s": np.round(plan.planned_h * 3600.0),
            "outcome": result,
            "failure_height_mm": np.where(shown, height, np.nan),
            "sign": sign,
        }
    )


def _start_and_end(world: World, lasted_h: np.ndarray) -> tuple[pd.Series, pd.Series]:
    """Instants of start and end. A night with a change of clocks may be an hour short: then the next plate waits."""
    started = times(world.spec, world.plan.start_h)
    lasted = pd.Series(pd.to_timedelta(np.round(lasted_h * 3600.0), unit="s"))
    order = np.lexsort((world.plan.start_h, world.plan.printer))
    printer = pd.Series(world.plan.printer[order])
    free = (started + lasted).iloc[order].reset_index(drop=True).groupby(printer).shift() + pd.Timedelta(minutes=6)
    waited = pd.concat([started.iloc[order].reset_index(drop=True), free], axis=1).max(axis=1)
    started.iloc[order] = waited.to_numpy()
    return started, started + lasted


def _of_run(world: World, outcome: Outcome, plates: int) -> tuple[np.ndarray, np.ndarray]:
    """The commonest sign of a plate's lost parts, and the lowest height at which one was lost."""
    rows = np.flatnonzero(outcome.failed)
    counts = np.zeros((plates, len(SIGNS)))
    np.add.at(counts, (world.plate[rows], outcome.sign[rows]), 1.0)
    height = np.full(plates, np.inf)
    np.minimum.at(height, world.plate[rows], np.nan_to_num(outcome.height_mm[rows], nan=np.inf))
    any_lost = counts.sum(axis=1) > 0
    code = _lookup(list(SIGNS), counts.argmax(axis=1))
    code[~any_lost] = None
    return code, np.where(np.isfinite(height), height, np.nan)


def _parts(world: World, outcome: Outcome, run_id: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    spec, stock = world.spec, world.stock
    parts = world.plate.size
    result = np.where(outcome.failed, "failed", "good").astype(object)
    unsure = rng.random(parts) < 0.2 * spec.missing
    result[unsure] = "unknown"
    written = outcome.failed & ~unsure
    sign = _lookup([*SIGNS, ""], outcome.sign)
    mistaken = rng.random(parts) < 1.5 * spec.missing
    sign[mistaken] = "other"
    sign[~written | (rng.random(parts) < 2.0 * spec.missing)] = None
    # low failures are counted in layers, high ones measured by hand
    by_hand = outcome.height_mm + rng.normal(0.0, 0.2, parts) * (outcome.height_mm > 2.0)
    height = np.clip(np.round(by_hand, 2), LAYER_MM, world.height_mm)
    height[~written | (rng.random(parts) < 5.0 * spec.missing)] = np.nan
    return pd.DataFrame(
        {
            "run_id": run_id[world.plate],
            "part_no": world.part_no,
            "design_id": _lookup([names.design_name(spec, i) for i in range(stock.design_width.size)], world.design),
            "x_mm": world.x_mm,
            "y_mm": world.y_mm,
            "footprint_mm2": world.footprint_mm2,
            "height_mm": world.height_mm,
            "outcome": result,
            "failure_height_mm": height,
            "sign": sign,
        }
    )


def _coupons(world: World, runs: pd.DataFrame, run_id: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    spec = world.spec
    end_h = world.plan.start_h + world.plan.planned_h + 0.1
    frame = measure_coupons(world, end_h, rng)
    if frame.empty:
        return frame
    plate = frame["plate"].to_numpy()
    return pd.DataFrame(
        {
            "coupon_id": [f"{spec.prefix}C{number:06d}" for number in range(1, len(frame) + 1)],
            "measured_at": times(spec, frame["hour"].to_numpy()),
            "run_id": np.where(frame["in_run"], run_id[plate], None),
            "printer_id": runs["printer_id"].to_numpy()[plate],
            "lot_id": runs["lot_id"].to_numpy()[plate],
            **{name: frame[name] for name in ("feature", "x_mm", "y_mm", "exposure_s", "nominal_mm", "measured_mm")},
        }
    )


def _layers(
    world: World, ways: list[Way], runs: pd.DataFrame, run_id: np.ndarray, rng: np.random.Generator
) -> pd.DataFrame:
    top = world.stock.file_height[world.plan.file]
    stopped = (runs["outcome"] == "stopped").to_numpy()
    printed = np.where(stopped, runs["failure_height_mm"].fillna(LAYER_MM).to_numpy(), top)
    peak = np.where(runs["peak_release_n"].isna(), 14.0 * np.exp(peel(world)), runs["peak_release_n"])
    frame = measure_layers(world, ways, peak.astype(float), printed, rng)
    if not frame.empty:
        frame.insert(0, "run_id", run_id[frame.pop("plate")])
    return frame


def _service(world: World) -> pd.DataFrame:
    log = world.service
    order = sorted(range(len(log.at_h)), key=lambda i: log.at_h[i])
    rows = [
        (log.at_h[i], log.subject[i][0], log.subject[i][1], log.action[i], log.note[i] or None)
        for i in order
        if 0 <= log.at_h[i] < world.spec.days * 24.0
    ]
    frame = pd.DataFrame(rows, columns=["at", "subject_type", "subject_id", "action", "note"])
    frame["at"] = times(world.spec, frame["at"].to_numpy(dtype=float))
    frame.insert(0, "event_id", [f"{world.spec.prefix}E{number:05d}" for number in range(1, len(frame) + 1)])
    return frame
