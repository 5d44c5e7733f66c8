"""The account of one subject's height pattern: which band, since when, how strong; and its evidence."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from farmwatch.detectors.height_scene import HeightScene, HeightStreams, band_weights, shares_of
from farmwatch.detectors.plate_scene import levels_of
from farmwatch.evidence import BANDS, Evidence
from farmwatch.records import SIGNS
from farmwatch.stats.heights import BODY_EDGES_MM, weighted_log_rank
from farmwatch.stats.onsets import OnsetPosterior, candidate_days, carrier, onset_posterior, suffix_sums
from farmwatch.stats.plate_scan import log_e_values, zone_effect

# odds ratios tried for one subject: about half a decade apart, none far from the truth
FINE_RATIOS = (2.0, 4.0, 10.0, 30.0)
RUNS_NAMED = 200  # the newest plates; more nobody looks through
CARRIED_SHARE = 0.7  # of a wider subject's evidence: brought by one printer, it is the printer's


def account_for(scene: HeightScene, streams: HeightStreams, index: int) -> tuple[Evidence, np.ndarray]:
    """The evidence of one stream, and the cells that it explains (bool, shape (cells,)): the subject's since the onset, and
    of a design or file all that stood on the plates on which it failed there, for one bad cavity takes its neighbours."""
    units, column, onset = _best_band(scene, streams, index)
    after = units[streams.day[units] >= onset.day]
    unit_of_entry = np.repeat(np.arange(len(streams.day)), np.diff(np.append(streams.entry_start, len(streams.entry))))
    entries = streams.entry[np.isin(unit_of_entry, after)]
    level = np.full(len(entries), streams.level[index])
    in_band = shares_of(scene, entries, streams.rates, level, streams.windows).observed[:, column] > 0
    hits = entries[in_band]
    effect = zone_effect(streams.observed[after, column], np.ones(len(after)), streams.expected[after, column])
    plates_in = np.unique(scene.plate[hits])
    mine = _cells_since(scene, streams, index, onset)
    score = float(streams.score[index])
    band = BANDS[column] if column < 3 else "height"
    evidence = Evidence(
        kind="height_pattern",
        subject=streams.subject(index),
        since=_date(scene, onset.day),
        since_low=_date(scene, onset.low),
        since_high=_date(scene, onset.high),
        observed=float(streams.observed[after, column].sum()),
        expected=float(streams.expected[after, column].sum()),
        opportunities=float(len(after)),
        unit="plates",
        effect=effect.ratio,
        effect_low=effect.low,
        effect_high=effect.high,
        effect_unit="odds ratio",
        error_rate=float(min(streams.per_month * np.exp(-score), 30.0)),
        score=score,
        direction="up",
        sign=_leading_sign(scene, hits),
        band=band,
        detail={
            **_edges(scene, streams, column, after),
            "plates": len(after),
            "plates_in_band": len(plates_in),
            **_at_risk(scene, streams, mine, column, hits),
            "largest_design_share": _largest_design_share(scene, hits),
            "log_rank_p": _log_rank_p(scene, streams, entries, index, band),
            "curve": _curve(scene, streams, entries, index, mine),
            "log_evidence": float(streams.log_sum[index]),
        },
        run_ids=tuple(scene.night.plates["run_id"].iloc[plates_in[-RUNS_NAMED:]].astype(str)),
    )
    if streams.type in ("design", "file"):
        mine = mine | np.isin(scene.night.history.cells.plate, plates_in)
    return evidence, mine


def carrying_printer(scene: HeightScene, streams: HeightStreams, index: int) -> int | None:
    """The one printer whose plates carry a wider subject's evidence, if there is one: level of the printer."""
    units, column, onset = _best_band(scene, streams, index)
    after = units[streams.day[units] >= onset.day]
    gain = log_e_values(streams.observed[after, column], streams.expected[after, column], 4.0)
    by_plate, _ = levels_of(scene.night, "printer")
    return carrier(gain, by_plate[streams.plate[after]], CARRIED_SHARE)


def _best_band(scene: HeightScene, streams: HeightStreams, index: int) -> tuple[np.ndarray, int, OnsetPosterior]:
    """The stream's units, the column of its most probable band (by posterior weight of names first), its onset."""
    ends = np.append(streams.start[1:], len(streams.day))
    units = np.arange(streams.start[index], ends[index])
    observed, expected, day = streams.observed[units], streams.expected[units], streams.day[units]
    weight = candidate_days(day, np.array([0]), 0)
    single = np.array([0])
    since = np.logaddexp.reduce([suffix_sums(log_e_values(observed, expected, r), single) for r in FINE_RATIOS], axis=0)
    with np.errstate(divide="ignore"):
        total = np.logaddexp.reduce(since + np.log(weight)[:, None], axis=0)
    total = np.where(expected.max(axis=0) > 0, total, -np.inf) + np.log(band_weights(len(streams.windows)))
    names = np.array([*BANDS[:3], *["height"] * len(streams.windows)])
    present = [band for band in BANDS if (names == band).any()]
    name = max(present, key=lambda band: float(np.logaddexp.reduce(total[names == band])))
    column = int(np.argmax(np.where(names == name, total, -np.inf)))
    return units, column, _onset(scene, streams, index, units, since[:, column], column)


def _onset(
    scene: HeightScene, streams: HeightStreams, index: int, units: np.ndarray, since: np.ndarray, column: int
) -> OnsetPosterior:
    """The onset, with the subject's plates that did not fail in the band."""
    day = streams.day[units]
    cells = scene.night.history.cells
    mine = np.unique(cells.plate[streams.cell_level == streams.level[index]])
    mine = mine[mine < len(scene.plate_day)]
    mine = mine[scene.plate_day[mine] >= 0]
    start_day = int(scene.plate_day[mine].min())
    first = onset_posterior(since, day, start_day)
    hit = streams.observed[units, column] > 0
    hits = int((hit & (day >= first.day)).sum())
    number = int((scene.plate_day[mine] >= first.day).sum())
    clean = np.setdiff1d(mine, streams.plate[units[hit]])
    return onset_posterior(since, day, start_day, scene.plate_day[clean], hits, number)


def _edges(scene: HeightScene, streams: HeightStreams, column: int, units: np.ndarray) -> dict[str, float]:
    """Where the band begins and ends, mm above the plate: for base, transition and body by the usual layer settings."""
    if column >= 3:
        low, high = streams.windows[column - 3]
        return {"from_mm": float(low), "to_mm": float(high)}
    mine = np.isin(scene.plate, streams.plate[units])
    base, low = float(np.median(scene.base_mm[mine])), float(np.median(scene.low_mm[mine]))
    top = float(scene.part_height_mm[mine].max())
    return dict(zip(("from_mm", "to_mm"), [(0.0, base), (base, low), (low, top)][column], strict=True))


def _cells_since(scene: HeightScene, streams: HeightStreams, index: int, onset: OnsetPosterior) -> np.ndarray:
    """The subject's cells since the onset: bool, shape (cells,)."""
    cells = scene.night.history.cells
    days = scene.night.plates["day"].to_numpy()
    since = np.zeros(int(cells.plate.max()) + 1, dtype=bool)
    since[: len(days)] = days >= np.datetime64(_date(scene, onset.day))
    return (streams.cell_level == streams.level[index]) & since[cells.plate]


def _at_risk(
    scene: HeightScene, streams: HeightStreams, mine: np.ndarray, column: int, hits: np.ndarray
) -> dict[str, float]:
    """Parts of the subject that reach the band (and their plates), and what share of them failed in it.

    ``rate_believed``: that share drawn towards the rate at which parts of this farm fail anywhere, for the worst band of
    many, since the day from which it looked worst, is shown at its worst. Parts lost on one plate count as the fewer
    independent ones that they are worth.
    """
    cells = scene.night.history.cells
    rows = np.flatnonzero(mine[cells.part_cell[scene.first_part : scene.first_part + len(scene.part_top)]])
    floor = streams.windows[column - 3][0] if column >= 3 else 0.0
    reach = rows[scene.part_top[rows] > floor]
    parts, plates = len(reach), len(np.unique(scene.part_plate[reach]))
    _, lost = np.unique(scene.plate[hits], return_counts=True)
    together = float((lost**2).sum() / lost.sum()) if len(lost) else 1.0
    usual = len(scene.part) / max(int((scene.part_top > 0).sum()), 1)
    prior = scene.night.settings.height_pattern.rate_prior_parts
    return {
        "plates_at_risk": plates,
        "parts_at_risk": parts,
        "rate_in_band": len(hits) / parts if parts else float("nan"),
        "rate_believed": (len(hits) / together + prior * usual) / (parts / together + prior),
        "plate_rate_in_band": len(lost) / plates if plates else float("nan"),
    }


def _largest_design_share(scene: HeightScene, hits: np.ndarray) -> float:
    """Share of the plates failing in the band that is carried by one design; NaN where designs are not recorded."""
    cells = scene.night.history.cells
    design = cells.codes[cells.part_cell[scene.part[hits]], 2]
    pairs = np.unique(np.stack([scene.plate[hits], design]), axis=1)
    counts = np.bincount(pairs[1][pairs[1] >= 0])
    return float(counts.max() / len(np.unique(pairs[0]))) if len(counts) else float("nan")


def _log_rank_p(scene: HeightScene, streams: HeightStreams, entries: np.ndarray, index: int, band: str) -> float:
    """A second opinion: do the subject's failures come lower (base) or higher than those of others, by log-rank.

    Time is height over the part's own height, every live failure an event; weights look early for base and transition,
    late otherwise. Not the limit: it counts failures of one plate singly.
    """
    live = np.flatnonzero(scene.live)
    mine = np.isin(live, entries)
    if not mine.any() or mine.all():
        return float("nan")
    time = scene.height_mm[live] / np.maximum(scene.part_height_mm[live], 1e-9)
    early = band in ("base", "transition")
    test = weighted_log_rank(
        np.round(time, 3), np.ones(len(live)), mine, q=0.0 if early else 1.0, at_risk_power=float(early)
    )
    return float(np.exp(test.log_p))


def _curve(
    scene: HeightScene, streams: HeightStreams, entries: np.ndarray, index: int, mine: np.ndarray
) -> dict[str, Any]:
    """Failures and what was due in each hazard bin, for the picture: base, transition, then the body by millimetres.

    ``expected`` spreads the subject's failing plates as the others' hazards have it.
    """
    rates = streams.rates[streams.level[index]]
    through = scene.exposed[mine].sum(axis=0)
    due = rates * through
    per_plate = np.bincount(scene.plate[entries], minlength=len(scene.night.plates))
    weight = 1.0 / np.maximum(per_plate[scene.plate[entries]], 1)
    seen = np.bincount(scene.bin[entries], weights=weight, minlength=len(rates))
    return {
        "body_edges_mm": BODY_EDGES_MM.tolist(),
        "observed": seen.tolist(),
        "expected": (due / max(due.sum(), 1e-12) * seen.sum()).tolist(),
        "exposure": through.tolist(),
    }


def _leading_sign(scene: HeightScene, hits: np.ndarray) -> str | None:
    """The sign of at least seven tenths of the failures in the band, if there is one."""
    counts = np.bincount(scene.sign[hits], minlength=len(SIGNS) + 1)
    top = int(np.argmax(counts))
    return SIGNS[top] if top < len(SIGNS) and counts[top] >= max(0.7 * counts.sum(), 3) else None


def _date(scene: HeightScene, day: int) -> dt.date:
    return scene.first_day + dt.timedelta(days=int(day))
