"""From a finding and the night's frames to the contents of the pictures that show it."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd

from farmwatch.evidence import Evidence, Subject
from farmwatch.report import words
from farmwatch.report.frames import PLATE_COLUMN, Frames
from farmwatch.report.pictures import (
    Comparison,
    ComparisonRow,
    CouponGrowth,
    Habit,
    HeightCurve,
    Mark,
    OddRun,
    Onset,
    OverTime,
    Picture,
    PlateMap,
    SignalOverTime,
    WearCurve,
    WorkingCurve,
)
from farmwatch.report.zones import zone_of
from farmwatch.stats.observed_over_expected import ratio_interval

PEERS_SHOWN = 12
POINTS_SHOWN = 600
SPANS_SHOWN = 26
AT_RISK = 30  # fewer parts than this say nothing of one slice of height


def pictures_of(evidence: Evidence, frames: Frames, until: dt.date) -> tuple[Picture, ...]:
    """The pictures that show one finding, the telling one first. Empty records give no picture."""
    kind = evidence.kind
    shown: list[Picture | None]
    if kind == "plate_pattern":
        shown = [plate_map(evidence, frames, until), over_time(evidence, frames, until)]
    elif kind == "height_pattern":
        shown = [height_curve(evidence, frames, until), over_time(evidence, frames, until)]
    elif kind == "cure_offset":
        shown = [coupon_growth(evidence, frames, until), working_curve(evidence, frames)]
    elif kind == "signal_shift":
        shown = [signal_over_time(evidence, frames, until)]
    elif kind == "wear":
        shown = [wear_curve(evidence, frames), over_time(evidence, frames, until)]
    elif kind == "odd_run":
        shown = [odd_run(evidence, frames)]
    else:
        shown = [over_time(evidence, frames, until), comparison(evidence, frames)]
    return tuple(picture for picture in shown if picture is not None)


def onset_of(evidence: Evidence) -> Onset:
    return Onset(evidence.since, evidence.since_low, evidence.since_high)


def services_of(who: Subject, frames: Frames, start: dt.date, until: dt.date) -> tuple[Mark, ...]:
    """What was done to the subject between two days, both included, in order."""
    log = frames.service
    if log.empty:
        return ()
    rows = log[(log["subject_type"] == who.type) & (log["subject_id"] == who.id)].sort_values(["at", "event_id"])
    marks = (
        Mark(at.tz_convert(frames.timezone).date(), words.action(str(action)))
        for at, action in zip(rows["at"], rows["action"], strict=True)
        if not pd.isna(at)
    )
    return tuple(dict.fromkeys(mark for mark in marks if start <= mark.day <= until))


def spans(since: dt.date, until: dt.date, first: dt.date | None) -> tuple[list[dt.date], int]:
    """Starts of the spans shown and their length in days: enough before the onset to see what was usual."""
    before = max(28, min((until - since).days, 91))
    start = since - dt.timedelta(days=before)
    if first is not None:
        start = max(start, first)
    total = max((until - start).days + 1, 1)
    length = 1 if total <= 28 else 7 * max(1, math.ceil(total / (7 * SPANS_SHOWN)))
    number = math.ceil(total / length)
    last = until + dt.timedelta(days=1)
    return [last - dt.timedelta(days=length * (number - i)) for i in range(number)], length


def binned(rows: pd.DataFrame, starts: list[dt.date], length: int) -> tuple[np.ndarray, np.ndarray]:
    """Failures and expected failures in each span, shapes (spans,)."""
    edge = np.datetime64(starts[0], "D")
    at = (rows["day"].to_numpy().astype("datetime64[D]") - edge).astype(int) // length
    inside = (at >= 0) & (at < len(starts))
    failed = rows["failed"].to_numpy(dtype=float)[inside]
    expected = rows["expected"].to_numpy(dtype=float)[inside]
    size = len(starts)
    return np.bincount(at[inside], failed, size), np.bincount(at[inside], expected, size)


def first_day(rows: pd.DataFrame) -> dt.date | None:
    return None if rows.empty else pd.Timestamp(rows["day"].min()).date()


def over_time(evidence: Evidence, frames: Frames, until: dt.date) -> OverTime | None:
    who = evidence.subject
    rows = frames.counted(evidence)
    if rows.empty:
        return None
    starts, length = spans(evidence.since, until, first_day(rows))
    failed, expected = binned(rows, starts, length)
    services = services_of(who, frames, starts[0], until)
    since = rows[(rows["day"] >= pd.Timestamp(evidence.since)).to_numpy()]
    every = "day" if length == 1 else "week" if length == 7 else f"{length // 7} weeks"
    alt = (
        f"Bars: {frames.unit} of {words.subject(who)} that failed, each {every}, {words.date(starts[0])} to "
        f"{words.date(until)}, beside the number expected. Since {words.date(evidence.since)}: "
        f"{words.number_text(float(since['failed'].sum()))} against "
        f"{words.number_text(round(float(since['expected'].sum()), 1))} expected."
    )
    if services:
        alt += " Services: " + words.listed(f"{mark.text} on {words.date(mark.day)}" for mark in services) + "."
    return OverTime(
        title=f"{words.sentence(words.subject(who))}: {frames.unit} that failed, each {every}",
        alt=alt,
        unit=frames.unit,
        span_days=length,
        starts=tuple(starts),
        failed=tuple(failed.tolist()),
        expected=tuple(expected.tolist()),
        onset=None if evidence.kind == "rate_level" else onset_of(evidence),
        services=services,
    )


def comparison(evidence: Evidence, frames: Frames) -> Comparison | None:
    """The subject among its peers since the onset, with its rivals of any type; the worst peers are shown."""
    who = evidence.subject
    peers = frames.ratios(who.type, evidence.since)
    named = {Subject(who.type, name): ratio for name, ratio in peers.items()}
    for rival in evidence.rivals:
        found = frames.ratios(rival.type, evidence.since) if rival.type != who.type else {}
        named |= {rival: found[rival.id]} if rival.id in found else {}
    if who not in named or len(named) < 2:
        return None
    order = sorted(named, key=lambda item: (item != who, item not in evidence.rivals, -named[item].low, item))
    rows = [
        ComparisonRow(
            name=item.id if item.type == who.type else words.subject(item),
            ratio=named[item].value,
            low=named[item].low,
            high=named[item].high,
            role="subject" if item == who else "rival" if item in evidence.rivals else "peer",
            chances=named[item].chances,
        )
        for item in order[:PEERS_SHOWN]
        if math.isfinite(named[item].value)
    ]
    rows.sort(key=lambda row: (-row.ratio, row.name))
    own = named[who]
    kind = words.SUBJECT_NAMES.get(who.type, who.type)
    beside = words.listed(f"{row.name}, {words.number_text(row.ratio)} times" for row in rows if row.role == "rival")
    return Comparison(
        title=f"Failures against expected since {words.date(evidence.since)}, {kind} by {kind}",
        alt=(
            f"Failures over expected with 95 % intervals for {len(rows)} of {len(named)}, {kind} by {kind}. "
            f"{words.sentence(words.subject(who))}: {words.number_text(own.value)} times "
            f"({words.number_text(own.low)} to {words.number_text(own.high)})."
            + (f" Rivals: {beside}." if beside else "")
        ),
        unit=frames.unit,
        rows=tuple(rows),
    )


def plate_map(evidence: Evidence, frames: Frames, until: dt.date) -> PlateMap | None:
    who = evidence.subject
    rows = frames.counted(evidence)
    if rows.empty or not frames.by_parts:
        return None
    rows = rows[
        ((rows["day"] >= pd.Timestamp(evidence.since)) & rows["x_mm"].notna() & rows["y_mm"].notna()).to_numpy()
    ]
    if rows.empty:
        return None
    plates = frames.plates.iloc[rows["plate"].unique()]
    width, depth = (
        float(plates[name].max()) if plates[name].notna().any() else 2.0 * float(rows[axis].abs().max()) + 10.0
        for name, axis in (("plate_width_mm", "x_mm"), ("plate_depth_mm", "y_mm"))
    )
    columns = 6
    lines = int(np.clip(round(columns * depth / width), 3, 10))
    x_edges, y_edges = np.linspace(-width / 2, width / 2, columns + 1), np.linspace(-depth / 2, depth / 2, lines + 1)
    x, y = rows["x_mm"].to_numpy(), rows["y_mm"].to_numpy()
    failed, expected = rows["failed"].to_numpy(dtype=float), rows["expected"].to_numpy(dtype=float)
    seen = np.histogram2d(y, x, bins=(y_edges, x_edges), weights=failed)[0]
    mean = np.histogram2d(y, x, bins=(y_edges, x_edges), weights=expected)[0]
    # the picture is of where, so it is scaled to the subject's own total
    mean *= failed.sum() / max(float(expected.sum()), 1e-12)
    ratio = np.where(mean >= 0.3, seen / np.maximum(mean, 1e-12), np.nan)
    place = words.zone(evidence.zone) or "the plate"
    hit = rows["failed"].to_numpy(dtype=bool)
    return PlateMap(
        title=f"{words.sentence(words.subject(who))}: where on the plate parts failed since {words.date(evidence.since)}",
        alt=(
            f"The plate from above, {width:.0f} by {depth:.0f} mm, front edge below. Each failed part is a dot "
            f"({int(hit.sum())} of {len(rows)} parts); numbers say how many times the plate's own average failed in "
            f"each field. Outlined: {place}, where {words.number_text(evidence.observed)} failed and "
            f"{words.number_text(round(evidence.expected, 1))} were expected."
        ),
        x_edges=tuple(x_edges.tolist()),
        y_edges=tuple(y_edges.tolist()),
        ratio=tuple(tuple(line) for line in ratio.tolist()),
        failed_x=tuple(x[hit].tolist()),
        failed_y=tuple(y[hit].tolist()),
        zone=zone_of(evidence, width, depth),
    )


def height_curve(evidence: Evidence, frames: Frames, until: dt.date) -> HeightCurve | None:
    who = evidence.subject
    rows = frames.counted(evidence)
    if rows.empty or not frames.by_parts:
        return None
    others = frames.chances.drop(index=rows.index)
    rows = rows[(rows["day"] >= pd.Timestamp(evidence.since)).to_numpy()]
    tall = float(rows["height_mm"].max()) if rows["height_mm"].notna().any() else math.nan
    if not tall > 0.0:
        return None
    edges = np.linspace(0.0, tall, 25)
    low, high = band_edges(evidence, frames, edges)
    return HeightCurve(
        title=f"{words.sentence(words.subject(who))}: how high parts failed since {words.date(evidence.since)}",
        alt=(
            f"Failures per 1,000 parts that reach each height, {words.subject(who)} against the rest of the farm, "
            f"0 to {words.number_text(tall)} mm. Marked: {words.band(evidence) or 'the heights meant'}, where "
            f"{words.number_text(evidence.observed)} {evidence.unit} failed and "
            f"{words.number_text(round(evidence.expected, 1))} were expected."
        ),
        edges_mm=tuple(edges.tolist()),
        subject_rate=tuple(_per_thousand(rows, edges).tolist()),
        others_rate=tuple(_per_thousand(others, edges).tolist()),
        from_mm=low,
        to_mm=high,
        subject=words.subject(who),
    )


def _per_thousand(rows: pd.DataFrame, edges: np.ndarray) -> np.ndarray:
    height, fell = rows["height_mm"].to_numpy(dtype=float), rows["failure_height_mm"].to_numpy(dtype=float)
    reached = np.where(np.isfinite(fell), np.fmin(fell, height), height)
    at_risk = np.array([(reached >= edge).sum() for edge in edges[:-1]], dtype=float)
    failed = np.histogram(fell[rows["failed"].to_numpy(dtype=bool) & np.isfinite(fell)], bins=edges)[0]
    return np.where(at_risk >= AT_RISK, 1000.0 * failed / np.maximum(at_risk, 1.0), np.nan)


def band_edges(evidence: Evidence, frames: Frames, edges: np.ndarray) -> tuple[float, float]:
    """The band in mm; base and transition from the middle layer settings of the subject's own plates."""
    detail = evidence.detail
    if detail.get("from_mm") is not None and detail.get("to_mm") is not None:
        return float(detail["from_mm"]), float(detail["to_mm"])
    plates = frames.plates[frames.plates_of(evidence.subject)]
    layer = plates["layer_height_mm"]
    base = float((plates["base_layers"] * layer).median())
    step = float(((plates["base_layers"] + plates["transition_layers"]) * layer).median())
    top = float(edges[-1])
    base = base if math.isfinite(base) else float(edges[1])
    step = step if math.isfinite(step) else base
    return {"base": (0.0, base), "transition": (base, step)}.get(evidence.band or "", (step, top))


def coupon_growth(evidence: Evidence, frames: Frames, until: dt.date) -> CouponGrowth | None:
    coupons = frames.coupons
    use = coupons["feature"].isin(["bar", "slot"]) & coupons["measured_at"].notna() if len(coupons) else None
    if use is None or not use.any():
        return None
    rows = coupons[use]
    error = (rows["measured_mm"] - rows["nominal_mm"]).to_numpy(dtype=float)
    growth = np.where(rows["feature"] == "bar", error / 2.0, -error / 2.0)
    days = rows["measured_at"].dt.tz_convert(frames.timezone).dt.date.to_numpy()
    own = _coupon_rows(rows, evidence.subject, frames)
    rest = np.flatnonzero(~own)[-POINTS_SHOWN:]
    mine = np.flatnonzero(own)[-POINTS_SHOWN:]
    if not len(mine):
        return None
    way = "grow" if evidence.effect >= 0 else "shrink"
    return CouponGrowth(
        title=f"{words.sentence(words.subject(evidence.subject))}: edge growth on measured pieces",
        alt=(
            f"Growth of one edge in mm on {len(mine)} measured bars and slots of {words.subject(evidence.subject)} "
            f"beside {len(rest)} others. Its edges {way} by {words.number_text(abs(evidence.effect))} "
            f"{evidence.effect_unit} ({words.number_text(evidence.effect_low)} to "
            f"{words.number_text(evidence.effect_high)})."
        ),
        subject=words.subject(evidence.subject),
        days=tuple(days[mine]),
        growth_mm=tuple(growth[mine].tolist()),
        other_days=tuple(days[rest]),
        other_growth_mm=tuple(growth[rest].tolist()),
        onset=onset_of(evidence),
        effect=(evidence.effect, evidence.effect_low, evidence.effect_high),
    )


def working_curve(evidence: Evidence, frames: Frames) -> WorkingCurve | None:
    """The films of a lot with the curve that its finding brings along; nothing where it brings none."""
    detail, who = evidence.detail, evidence.subject
    if not all(isinstance(detail.get(name), float) for name in ("dp_mm", "ec_s")):
        return None
    films = frames.coupons[
        ((frames.coupons["feature"] == "film") & (frames.coupons["lot_id"] == who.id)).to_numpy(bool)
    ]
    films = films[films["exposure_s"].notna() & (films["exposure_s"] > 0)].tail(POINTS_SHOWN)
    if films.empty:
        return None
    now = float(frames.plates[frames.plates_of(who)]["exposure_s"].median())
    advised = now * float(detail.get("exposure_factor", math.nan))
    dp_mm, ec_s = float(detail["dp_mm"]), float(detail["ec_s"])
    said = f" Exposed now for {words.number_text(now)} s." if math.isfinite(now) else ""
    if math.isfinite(advised):
        said += f" Advised: {words.number_text(advised)} s."
    return WorkingCurve(
        title=f"{words.sentence(words.subject(who))}: how deep one exposure cures",
        alt=(
            f"Thickness of {len(films)} films of {words.subject(who)} against their exposure, with the fitted curve: "
            f"{words.number_text(dp_mm)} mm deeper for each 2.72 times the exposure, nothing below "
            f"{words.number_text(ec_s)} s.{said}"
        ),
        exposure_s=tuple(films["exposure_s"].tolist()),
        depth_mm=tuple(films["measured_mm"].tolist()),
        dp_mm=dp_mm,
        ec_s=ec_s,
        now_s=now,
        advised_s=advised,
    )


def _coupon_rows(coupons: pd.DataFrame, who: Subject, frames: Frames) -> np.ndarray:
    column = PLATE_COLUMN.get(who.type, "")
    mask = np.zeros(len(coupons), dtype=bool)
    if column in coupons.columns:
        mask |= (coupons[column] == who.id).to_numpy(dtype=bool)
    runs = frames.plates.loc[frames.plates_of(who), "run_id"]
    return mask | coupons["run_id"].isin(runs).to_numpy(dtype=bool)


def measured_column(evidence: Evidence) -> str | None:
    """The measure that a signal finding is about, where it names one."""
    name = evidence.detail.get("measure")
    return name if isinstance(name, str) else None


def measured(column: str, plates: pd.DataFrame) -> np.ndarray:
    """Values of a measure, one a plate; measures that are made from columns are made here. NaN where unknown."""
    if column in plates.columns and pd.api.types.is_numeric_dtype(plates[column]):
        return plates[column].to_numpy(dtype=float)
    lasted = (plates["ended_at"] - plates["started_at"]).dt.total_seconds()
    made = {
        "duration_s": lasted,
        "duration_ratio": lasted / plates["planned_s"],
        "overrun_s": lasted - plates["planned_s"],
    }
    return made[column].to_numpy(dtype=float) if column in made else np.full(len(plates), np.nan)


def signal_over_time(evidence: Evidence, frames: Frames, until: dt.date) -> SignalOverTime | None:
    column = measured_column(evidence)
    if column is None:
        return None
    plates = frames.plates[frames.plates_of(evidence.subject)]
    values = measured(column, plates)
    days = plates["day"].to_numpy().astype("datetime64[D]")
    start = np.datetime64(evidence.since, "D") - np.timedelta64(max(42, (until - evidence.since).days), "D")
    use = np.flatnonzero(np.isfinite(values) & (days >= start))[-POINTS_SHOWN:]
    if not len(use):
        return None
    late = days[use] >= np.datetime64(evidence.since, "D")
    before, after = (float(np.median(values[use][part])) if part.any() else math.nan for part in (~late, late))
    name, unit = words.measure(column)
    who = words.subject(evidence.subject)
    shown = tuple(day.item() for day in days[use])
    return SignalOverTime(
        title=f"{words.sentence(who)}: {name}, run by run",
        alt=(
            f"{words.sentence(name)} of {len(use)} runs of {who}. Middle before {words.date(evidence.since)}: "
            f"{words.number_text(before)} {unit}; since then: {words.number_text(after)} {unit}."
        ),
        measure=name,
        unit=unit,
        days=shown,
        values=tuple(values[use].tolist()),
        before=before,
        after=after,
        onset=onset_of(evidence),
        services=services_of(evidence.subject, frames, shown[0], until),
    )


def wear_curve(evidence: Evidence, frames: Frames) -> WearCurve | None:
    """From the groups of plates along the counter that the finding brings along."""
    groups = [group for group in evidence.detail.get("curve", []) if group["expected"] > 0]
    if not groups:
        return None
    ratios = [ratio_interval(group["failures"], group["expected"], frames.plate_dispersion) for group in groups]
    middle = [(group["from"] + group["to"]) / 2.0 for group in groups]
    code = str(evidence.detail.get("counter", ""))
    name, unit = words.COUNTER_WORDS.get(code, (words.phrase(code), evidence.effect_unit))
    said = "; ".join(
        f"at about {words.number_text(round(at))}: {words.number_text(ratio.value)} times"
        for at, ratio in zip(middle, ratios, strict=True)
    )
    return WearCurve(
        title=f"{words.sentence(words.subject(evidence.subject))}: failures against {name}",
        alt=f"Failures over expected against {name}: {said}.",
        counter=name,
        unit=unit,
        at=tuple(middle),
        ratio=tuple(ratio.value for ratio in ratios),
        low=tuple(ratio.low for ratio in ratios),
        high=tuple(ratio.high for ratio in ratios),
        doubles_at=evidence.effect,
    )


ODD_MEASURES = (
    "exposure_s",
    "base_exposure_s",
    "base_layers",
    "rest_s",
    "lift_speed_mm_min",
    "layer_height_mm",
    "ambient_c",
    "vat_c",
    "peak_release_n",
    "duration_ratio",
    "footprint_mm2",
)


def odd_run(evidence: Evidence, frames: Frames) -> OddRun | None:
    """The run's measures beside those of runs with its profile (of the whole farm, where it has none)."""
    plates = frames.plates
    at = np.flatnonzero((plates["run_id"] == evidence.subject.id).to_numpy(dtype=bool))
    if not len(at):
        return None
    profile = plates["profile"].iloc[at[0]]
    like = (
        (plates["profile"] == profile).to_numpy(dtype=bool, copy=True)
        if isinstance(profile, str)
        else np.ones(len(plates), bool)
    )
    like[at[0]] = False
    rows = []
    for column in ODD_MEASURES:
        values = measured(column, plates)
        others = values[like & np.isfinite(values)]
        if math.isfinite(values[at[0]]) and len(others) >= 5:
            low, middle, high = np.quantile(others, [0.05, 0.5, 0.95]).tolist()
            name, unit = words.measure(column)
            rows.append(Habit(name, unit, float(values[at[0]]), low, middle, high))
    if not rows:
        return None
    outside = [row for row in rows if not row.low <= row.value <= row.high]
    said = words.listed(
        f"{row.name} {words.number_text(row.value)} {row.unit} (usually {words.number_text(row.low)} to "
        f"{words.number_text(row.high)})"
        for row in outside
    )
    return OddRun(
        title=f"{words.sentence(words.subject(evidence.subject))} beside {int(like.sum())} runs like it",
        alt=f"Outside the middle 90 % of runs like it: {said or 'no single measure'}.",
        run=evidence.subject.id,
        rows=tuple(rows),
    )
