"""Do a printer's thickness pads lie on a tilted plane, or stands the middle off: a measure that moved (`signal_shift`).

Every printing of pads gives a plane and a bow. Printers differ a little, each from levelling to levelling; printings
differ by gauge and hand. What one printer's latest pads show beyond both, since its plate was last touched, is evidence
for a plate out of level or out of true. The same crossed fit weighs it as weighs the growth of edges
(``stats.growth_effects``), so that spreads and noise, being unknown, are averaged over.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import t as t_distribution

from farmwatch.detectors.growth_sessions import known_coupons
from farmwatch.detectors.night import Night
from farmwatch.evidence import Evidence, Subject
from farmwatch.stats.growth import session_planes
from farmwatch.stats.growth_effects import CrossedFit, column_evidence, contrast, fit_crossed, log_sum
from farmwatch.stats.mean_scan import LARGEST_LOG

TOUCHED = ("plate_levelled", "plate_changed", "panel_changed", "screw_or_nut_changed")
MEASURES = ("pad_tilt_mm", "pad_bow_mm")
SPREADS = np.array([0.2, 0.7, 2.0])  # healthy spread between printers, in units of a printing's noise
OFFSETS = np.array([4.0, 10.0, 25.0])  # how far off a plate out of true may lie, in the same units
FARM_WIDTH = 100.0  # prior width of the farm's own middle: it is as measured
PAD_SD_MM, PAD_SD_PRINTINGS = 0.012, 3.0  # a gauge of 0.01 mm; a starting value, worth so many printings
PRINTINGS_AT_LEAST = 4  # on the whole farm: fewer do not show what is usual
PEERS_AT_MOST = 200  # printers weighed together; more say nothing new of what is usual
RUNS_SHOWN = 500  # the newest; more nobody looks through


@dataclass(frozen=True)
class Printings:
    """Printings of pads in order of day. ``printer``: (n,) index into ``names``; ``day``: since 1970; ``spell``: (n,)
    which stretch between two touches of which plate; ``values``, ``weight``: (n, 3), see ``stats.growth.Planes``;
    ``pads``: (n,)."""

    names: tuple[str, ...]
    printer: np.ndarray
    day: np.ndarray
    spell: np.ndarray
    values: np.ndarray
    weight: np.ndarray
    pads: np.ndarray


@dataclass(frozen=True)
class PadShift:
    """A shift of one measure, mm, with a 95 % interval; ``observed``: mean of the pads since; ``onset``: which one."""

    measure: str
    onset: int
    observed: float
    effect: float
    low: float
    high: float


@dataclass(frozen=True)
class PadStream:
    """One printer's latest stretch: candidate onsets ``days`` with ``columns`` (n, onsets), how many days each stands
    for, and the day of the printing before each."""

    printer: int
    days: np.ndarray
    before: np.ndarray
    weight: np.ndarray
    columns: np.ndarray


def pad_shifts(night: Night, allowed: float, others: int) -> tuple[list[Evidence], int]:
    """Evidence of tilted or bowed pads above the limit, and how many streams were looked at.

    ``allowed``: false findings a month of all measures together; ``others``: streams looked at beside these.
    """
    printings = printings_of(night)
    if printings is None or len(printings.day) < PRINTINGS_AT_LEAST:
        return [], 0
    looked_at = len(MEASURES) * len(printings.names)
    evidence = []
    for peers in np.array_split(np.arange(len(printings.names)), -(-len(printings.names) // PEERS_AT_MOST)):
        group = _of(printings, peers)
        fits = [_fit(group, axis) for axis in range(3)]
        for stream in (_stream(group, number) for number in range(len(group.names))):
            evidence += _weigh(night, group, fits, stream, others + looked_at, allowed)
    return evidence, looked_at


def _weigh(
    night: Night, printings: Printings, fits: list[CrossedFit], stream: PadStream, streams: int, allowed: float
) -> list[Evidence]:
    x, y, bow = (column_evidence(fit, stream.columns, OFFSETS) for fit in fits)
    # along one side or both: a plate out of level may lean any way
    tilt = np.logaddexp.reduce([x, y, x + y], axis=0) - np.log(3.0)
    matters, out = night.settings.signal_shift.pads_matter_mm, []
    for measure, per_onset in zip(MEASURES, (tilt, bow), strict=True):
        weighted = per_onset + np.log(stream.weight)
        rate = 30.0 * streams * float(np.exp(-log_sum(weighted)))
        if rate <= allowed:
            shift = _shift(printings, stream, int(np.argmax(weighted)), measure)
            if shift.low > matters or shift.high < -matters:
                out.append(_evidence(night, printings, stream, shift, rate, allowed))
    return out


def printings_of(night: Night) -> Printings | None:
    """The printings whose pads tell a plane and a bow; None without any."""
    coupons = known_coupons(night)
    pads = coupons[(coupons["feature"] == "pad") & coupons["printer_id"].notna()]
    plates = night.history.records.printers.drop_duplicates("printer_id").set_index("printer_id")
    size = plates.reindex(pads["printer_id"])[["plate_width_mm", "plate_depth_mm"]].to_numpy(dtype=float)
    place = pads[["x_mm", "y_mm"]].to_numpy(dtype=float) / size
    error = (pads["measured_mm"] - pads["nominal_mm"]).to_numpy(dtype=float)
    usable = np.isfinite(place).all(axis=1) & (np.abs(error) <= night.settings.cure_offset.gross_error_mm)
    pads, place, error = pads[usable], place[usable], error[usable]
    if pads.empty:
        return None
    grouped = pads.groupby(["printer_id", "run_id", "day", "nominal_mm"], dropna=False, sort=True)
    number = grouped.ngroup().to_numpy()
    planes = session_planes(number, place[:, 0], place[:, 1], error)
    head = grouped.agg(pads=("day", "size"), at=("measured_at", "min")).reset_index()
    told = np.isfinite(planes.values).all(axis=1)
    order = np.flatnonzero(told)[np.lexsort((head["printer_id"][told].astype(str), head["day"][told]))]
    if not len(order):
        return None
    head = head.iloc[order]
    printer, names = pd.factorize(head["printer_id"], sort=True)
    return Printings(
        names=tuple(str(name) for name in names),
        printer=printer,
        day=head["day"].to_numpy(),
        spell=_spells(night, head),
        values=planes.values[order],
        weight=np.median(planes.variance[order], axis=0) / planes.variance[order],
        pads=head["pads"].to_numpy(),
    )


def _spells(night: Night, head: pd.DataFrame) -> np.ndarray:
    """Which stretch between two touches of which printer's plate each printing lies in, whole numbers from 0."""
    records = night.history.records
    service = records.service[(records.known_from("service") < night.instant).to_numpy()]
    touched = service[(service["subject_type"] == "printer") & service["action"].isin(TOUCHED)]
    times = {str(name): np.sort(rows["at"].to_numpy()) for name, rows in touched.groupby("subject_id")}
    none = touched["at"].to_numpy()[:0]
    number = [
        int(np.searchsorted(times.get(str(name), none), at, side="right"))
        for name, at in zip(head["printer_id"], head["at"].to_numpy(), strict=True)
    ]
    pairs = np.stack([pd.factorize(head["printer_id"], sort=True)[0], number])
    return np.asarray(np.unique(pairs, axis=1, return_inverse=True)[1]).ravel()


def _of(printings: Printings, printers: np.ndarray) -> Printings:
    mine = np.isin(printings.printer, printers)
    return Printings(
        names=tuple(printings.names[number] for number in printers),
        printer=printings.printer[mine] - int(printers[0]),
        day=printings.day[mine],
        spell=np.unique(printings.spell[mine], return_inverse=True)[1],
        values=printings.values[mine],
        weight=printings.weight[mine],
        pads=printings.pads[mine],
    )


def _fit(printings: Printings, axis: int, further: np.ndarray | None = None) -> CrossedFit:
    """One axis: the farm's middle, a level for every stretch, and what is ``further`` (n, m) taken as it comes."""
    stretches = int(printings.spell.max()) + 1
    columns = [np.ones((len(printings.day), 1)), np.eye(stretches)[printings.spell]]
    wide = 0 if further is None else further.shape[1]
    ratios = np.empty((len(SPREADS), 1 + stretches + wide))
    ratios[:] = FARM_WIDTH**2
    ratios[:, 1 : 1 + stretches] = SPREADS[:, None] ** 2
    design = np.concatenate(columns if further is None else [*columns, further], axis=1)
    return fit_crossed(
        printings.values[:, axis], design, printings.weight[:, axis], ratios, PAD_SD_MM, PAD_SD_PRINTINGS
    )


def _stream(printings: Printings, number: int) -> PadStream:
    """The latest stretch of one printer: off since its first printing, or since a later one."""
    mine = printings.printer == number
    latest = mine & (printings.spell == printings.spell[mine][-1])
    days = np.unique(printings.day[latest])
    earlier = printings.day[mine & (printings.day < days[0])]
    before = np.concatenate([[earlier[-1] if len(earlier) else days[0] - 1], days[:-1]])
    return PadStream(
        printer=number,
        days=days,
        before=before,
        weight=(days - before).astype(float),
        columns=(latest[:, None] & (printings.day[:, None] >= days[None, :])).astype(float),
    )


def _shift(printings: Printings, stream: PadStream, best: int, measure: str) -> PadShift:
    """Of a tilt, the rise from the lowest to the highest edge beyond what is usual; of a bow, the middle's."""
    axes = (0, 1) if measure == MEASURES[0] else (2,)
    column = stream.columns[:, [best]]
    inside = column[:, 0] > 0
    means, variances, seen, reach = [], [], [], 1.96
    for axis in axes:
        fit = _fit(printings, axis, column)
        row = np.zeros(fit.design.shape[1])
        row[-1] = 1.0
        if best == 0:  # from the stretch's first printing on its own level cannot be told from the shift
            row[1 + printings.spell[inside][0]] = 1.0
        value = contrast(fit, row)
        means.append(value.mean)
        variances.append(value.sd**2)
        seen.append(float(np.average(printings.values[inside, axis], weights=printings.weight[inside, axis])))
        reach = float(t_distribution.ppf(0.975, value.freedom))
    sign = np.sign(means) if len(axes) == 2 else np.ones(1)
    effect, half = float(sign @ means), reach * float(np.sqrt(sum(variances)))
    return PadShift(measure, best, float(sign @ seen), effect, effect - half, effect + half)


def _evidence(
    night: Night, printings: Printings, stream: PadStream, shift: PadShift, rate: float, allowed: float
) -> Evidence:
    name = printings.names[stream.printer]
    since, low = _date(int(stream.days[shift.onset])), _date(int(stream.before[shift.onset]) + 1)
    plates = night.plates
    runs = plates.loc[(plates["printer_id"] == name) & (plates["day"] >= pd.Timestamp(since)), "run_id"]
    inside = stream.columns[:, shift.onset] > 0
    what = "lie on a plane tilted" if shift.measure == MEASURES[0] else "show the middle off the corners"
    return Evidence(
        kind="signal_shift",
        subject=Subject("printer", name),
        since=since,
        since_low=min(low, since),
        since_high=since,
        observed=shift.observed,
        expected=shift.observed - shift.effect,
        opportunities=float(printings.pads[inside].sum()),
        unit="coupons",
        effect=shift.effect,
        effect_low=shift.low,
        effect_high=shift.high,
        effect_unit="mm",
        error_rate=rate,
        score=float(np.log(allowed / rate)) if rate > 0 else LARGEST_LOG,
        direction="up" if shift.effect > 0 else "down",
        detail={
            "measure": shift.measure,
            "words": f"the thickness pads {what} by {shift.effect:.2g} mm ({shift.low:.2g} to {shift.high:.2g})",
            "printings": int(inside.sum()),
        },
        run_ids=tuple(runs.astype(str).tail(RUNS_SHOWN)),
    )


def _date(day: int) -> dt.date:
    return np.datetime64(day, "D").item()
