"""The account of one subject's height pattern: which band, since when, how strong; and its evidence."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np

from farmwatch.detectors.height_scene import HeightScene, band_weights
from farmwatch.detectors.height_units import HeightStreams, unit_shares
from farmwatch.detectors.plate_scene import levels_of
from farmwatch.evidence import BANDS, Evidence
from farmwatch.records import SIGNS
from farmwatch.stats.heights import BODY_EDGES_MM, places, weighted_log_rank
from farmwatch.stats.onsets import OnsetPosterior, candidate_days, carrier, onset_posterior, suffix_sums
from farmwatch.stats.plate_scan import ZoneEffect, log_e_values, zone_effect

# odds ratios tried for one subject: about half a decade apart, none far from the truth
FINE_RATIOS = (2.0, 4.0, 10.0, 30.0)
RUNS_NAMED = 200  # the newest plates; more nobody looks through
CARRIED_SHARE = 0.7  # of a wider subject's evidence: brought by one printer, it is the printer's


@dataclass(frozen=True)
class Pattern:
    """The most probable band of one stream: its column among the bands, onset and effect; since the onset the plates of its
    units, their shares of failures observed and due in the band, all its entries, and those that lie in the band; the
    subject's cells since then, (cells,) bool; ``rates``: see ``_at_risk``; ``design_share``: the largest of one design."""

    column: int
    onset: OnsetPosterior
    effect: ZoneEffect
    plates: np.ndarray
    observed: np.ndarray
    expected: np.ndarray
    entries: np.ndarray
    hits: np.ndarray
    cells: np.ndarray
    rates: dict[str, float]
    design_share: float

    @property
    def band(self) -> str:
        return BANDS[self.column] if self.column < 3 else "height"


def find_pattern(scene: HeightScene, streams: HeightStreams, index: int) -> Pattern:
    """Which band of one stream (by posterior weight of names first), since when, and how strong."""
    units, rows = streams.units, streams.rows(index)
    shares = unit_shares(scene, units, rows)
    observed, expected = shares.observed.astype(float), shares.expected.astype(float)
    day, plate = units.day[rows], units.plate[rows]
    weight, single = candidate_days(day, np.array([0]), 0), np.array([0])
    since = np.logaddexp.reduce([suffix_sums(log_e_values(observed, expected, r), single) for r in FINE_RATIOS], axis=0)
    with np.errstate(divide="ignore"):
        total = np.logaddexp.reduce(since + np.log(weight)[:, None], axis=0)
    total = np.where(expected.max(axis=0) > 0, total, -np.inf) + np.log(band_weights(len(units.windows)))
    names = np.array([*BANDS[:3], *["height"] * len(units.windows)])
    present = [band for band in BANDS if (names == band).any()]
    name = max(present, key=lambda band: float(np.logaddexp.reduce(total[names == band])))
    column = int(np.argmax(np.where(names == name, total, -np.inf)))
    cells = np.flatnonzero(streams.cell_level == streams.level[index])
    onset = _onset(scene, cells, since[:, column], day, plate, observed[:, column] > 0)
    after = slice(int(np.searchsorted(day, onset.day)), len(day))
    seen, due = observed[after, column], expected[after, column]
    entries = units.entry[units.bound[rows.start + after.start] : units.bound[rows.stop]]
    place, bands = places(scene.height_mm[entries], scene.base_mm[entries], scene.low_mm[entries], units.windows)
    hits = entries[bands[place, column] > 0]
    mine = _cells_since(scene, cells, onset)
    return Pattern(
        column=column,
        onset=onset,
        effect=zone_effect(seen, np.ones(len(seen)), due),
        plates=plate[after],
        observed=seen,
        expected=due,
        entries=entries,
        hits=hits,
        cells=mine,
        rates=_at_risk(scene, mine, units.windows[column - 3, 0] if column >= 3 else 0.0, hits),
        design_share=_largest_design_share(scene, hits),
    )


def account_for(
    scene: HeightScene, streams: HeightStreams, index: int, pattern: Pattern
) -> tuple[Evidence, np.ndarray]:
    """The evidence of one stream, and the cells that it explains (bool, shape (cells,)): the subject's since the onset, and
    of a design or file all that stood on the plates on which it failed there, for one bad cavity takes its neighbours."""
    onset, effect, mine = pattern.onset, pattern.effect, pattern.cells
    plates_in = np.unique(scene.plate[pattern.hits])
    score = float(streams.score[index])
    evidence = Evidence(
        kind="height_pattern",
        subject=streams.subject(index),
        since=_date(scene, onset.day),
        since_low=_date(scene, onset.low),
        since_high=_date(scene, onset.high),
        observed=float(pattern.observed.sum()),
        expected=float(pattern.expected.sum()),
        opportunities=float(len(pattern.plates)),
        unit="plates",
        effect=effect.ratio,
        effect_low=effect.low,
        effect_high=effect.high,
        effect_unit="odds ratio",
        error_rate=float(min(streams.per_month * np.exp(-score), 30.0)),
        score=score,
        direction="up",
        sign=_leading_sign(scene, pattern.hits),
        band=pattern.band,
        detail={
            **_edges(scene, streams, pattern),
            "plates": len(pattern.plates),
            "plates_in_band": len(plates_in),
            **pattern.rates,
            "largest_design_share": pattern.design_share,
            "log_rank_p": _log_rank_p(scene, pattern),
            "curve": _curve(scene, streams.units.rates[streams.level[index]], pattern),
            "log_evidence": float(streams.log_sum[index]),
        },
        run_ids=tuple(scene.night.plates["run_id"].iloc[plates_in[-RUNS_NAMED:]].astype(str)),
    )
    if streams.type in ("design", "file"):
        mine = mine | np.isin(scene.night.history.cells.plate, plates_in)
    return evidence, mine


def carrying_printer(scene: HeightScene, streams: HeightStreams, index: int) -> int | None:
    """The one printer whose plates carry a wider subject's evidence, if there is one: level of the printer."""
    pattern = find_pattern(scene, streams, index)
    gain = log_e_values(pattern.observed, pattern.expected, 4.0)
    by_plate, _ = levels_of(scene.night, "printer")
    return carrier(gain, by_plate[pattern.plates], CARRIED_SHARE)


def _onset(
    scene: HeightScene, cells: np.ndarray, since: np.ndarray, day: np.ndarray, plate: np.ndarray, hit: np.ndarray
) -> OnsetPosterior:
    """The onset, with the subject's plates that did not fail in the band; ``cells``: the subject's."""
    mine = np.unique(scene.night.history.cells.plate[cells])
    mine = mine[mine < len(scene.plate_day)]
    mine = mine[scene.plate_day[mine] >= 0]
    start_day = int(scene.plate_day[mine].min())
    first = onset_posterior(since, day, start_day)
    hits = int((hit & (day >= first.day)).sum())
    number = int((scene.plate_day[mine] >= first.day).sum())
    clean = np.setdiff1d(mine, plate[hit])
    return onset_posterior(since, day, start_day, scene.plate_day[clean], hits, number)


def _edges(scene: HeightScene, streams: HeightStreams, pattern: Pattern) -> dict[str, float]:
    """Where the band begins and ends, mm above the plate: for base, transition and body by the usual layer settings."""
    if pattern.column >= 3:
        low, high = streams.units.windows[pattern.column - 3]
        return {"from_mm": float(low), "to_mm": float(high)}
    mine = np.isin(scene.plate, pattern.plates)
    base, low = float(np.median(scene.base_mm[mine])), float(np.median(scene.low_mm[mine]))
    top = float(scene.part_height_mm[mine].max())
    return dict(zip(("from_mm", "to_mm"), [(0.0, base), (base, low), (low, top)][pattern.column], strict=True))


def _cells_since(scene: HeightScene, cells: np.ndarray, onset: OnsetPosterior) -> np.ndarray:
    """Which cells of the farm are those of ``cells`` (numbers) since the onset: bool, shape (cells,)."""
    plate = scene.night.history.cells.plate
    known = cells[plate[cells] < len(scene.plate_day)]
    since = np.zeros(len(plate), dtype=bool)
    since[known] = scene.plate_day[plate[known]] >= onset.day
    return since


def _at_risk(scene: HeightScene, mine: np.ndarray, floor_mm: float, hits: np.ndarray) -> dict[str, float]:
    """Parts of the subject that reach the band (and their plates), and what share of them failed in it.

    ``rate_believed``: that share drawn towards the rate at which parts of this farm fail anywhere, for the worst band of
    many, since the day from which it looked worst, is shown at its worst. Parts lost on one plate count as the fewer
    independent ones that they are worth.
    """
    reach = mine[scene.group_cell] & (scene.group_height_mm > floor_mm)
    parts = int(scene.group_parts[reach].sum())
    plates = len(np.unique(scene.night.history.cells.plate[scene.group_cell[reach]]))
    _, lost = np.unique(scene.plate[hits], return_counts=True)
    together = float((lost**2).sum() / lost.sum()) if len(lost) else 1.0
    usual = len(scene.plate) / max(int(scene.group_parts[scene.group_height_mm > 0].sum()), 1)
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
    design = cells.codes[scene.cell[hits], 2]
    pairs = np.unique(np.stack([scene.plate[hits], design]), axis=1)
    counts = np.bincount(pairs[1][pairs[1] >= 0])
    return float(counts.max() / len(np.unique(pairs[0]))) if len(counts) else float("nan")


def _log_rank_p(scene: HeightScene, pattern: Pattern) -> float:
    """A second opinion: do the subject's failures come lower (base) or higher than those of others, by log-rank.

    Time is height over the part's own height, every live failure an event; weights look early for base and transition,
    late otherwise. Not the limit: it counts failures of one plate singly.
    """
    live = np.flatnonzero(scene.open[scene.cell])
    mine = np.isin(live, pattern.entries)
    if not mine.any() or mine.all():
        return float("nan")
    time = scene.height_mm[live] / np.maximum(scene.part_height_mm[live], 1e-9)
    early = pattern.band in ("base", "transition")
    test = weighted_log_rank(
        np.round(time, 3), np.ones(len(live)), mine, q=0.0 if early else 1.0, at_risk_power=float(early)
    )
    return float(np.exp(test.log_p))


def _curve(scene: HeightScene, rates: np.ndarray, pattern: Pattern) -> dict[str, Any]:
    """Failures and what was due in each hazard bin, for the picture: base, transition, then the body by millimetres.

    ``expected`` spreads the subject's failing plates as the others' hazards, ``rates`` (bins,), have it.
    """
    through = scene.exposed[:, (pattern.cells & scene.open)[scene.group_cell]].sum(axis=1, dtype=float)
    entries = pattern.entries
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
