"""How worn the film, the lamp and the bath were when each plate was printed: counters since the last service."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.detectors.night import History, Night


@dataclass(frozen=True)
class Counter:
    """A counter of wear: whose (a column of plates and a subject type), set to zero by which action, in which unit.

    ``signs``: how this wear shows (common practice)."""

    name: str
    holder: str
    subject_type: str
    action: str
    unit: str
    signs: tuple[str, ...]


COUNTERS = (
    Counter("film_layers", "printer_id", "printer", "film_changed", "layers", ("stretch", "split")),
    Counter("lamp_hours", "printer_id", "printer", "lamp_changed", "hours", ("soft", "split")),
    Counter("bath_runs", "wash_id", "wash", "wash_changed", "runs", ("tacky", "haze")),
)


@dataclass(frozen=True)
class SinceService:
    """One counter at the start of each plate. ``count``: run from the last service, or the holder's first plate on record
    where no earlier service is known; NaN where a plate names no holder. ``stretch``: whole number of the plate's stretch
    from one of these to the next; both (plates,). Of each stretch, (stretches,): ``spell``, which between two services of
    its holder it is (1, 2, ...; 0 before the first), and ``since``, its beginning.
    """

    count: np.ndarray
    stretch: np.ndarray
    spell: np.ndarray
    since: np.ndarray


def service_counters(view: History | Night) -> pd.DataFrame:
    """One row a plate, in the order of ``view.plates``: ``film_layers``, ``lamp_hours``, ``bath_runs`` at its start.

    NaN before the first service that is known, and where a plate names no printer or bath. ``*_at_least``, ``*_spell``,
    ``*_since``: ``count``, ``spell``, ``since`` of :class:`SinceService`.
    """
    out = pd.DataFrame(index=view.plates.index)
    for counter in COUNTERS:
        found = since_service(view, counter)
        spell = found.spell[found.stretch]
        out[counter.name] = np.where(spell > 0, found.count, np.nan)
        out[f"{counter.name}_at_least"], out[f"{counter.name}_spell"] = found.count, spell
        out[f"{counter.name}_since"] = found.since[found.stretch]
    return out


def since_service(view: History | Night, counter: Counter) -> SinceService:
    """One counter of every plate of ``view``.

    A plate's layers are its height over the layer height, its hours from its start to its end (else as planned);
    where these are unknown the farm's median stands in, as a plate that was printed wore something.
    """
    records, plates = (view.records if isinstance(view, History) else view.history.records), view.plates
    service = records.service
    mine = (service["subject_type"] == counter.subject_type) & (service["action"] == counter.action)
    if isinstance(view, Night):
        mine &= records.known_from("service") < view.instant
    return _counted(plates[counter.holder], plates["started_at"], _use(plates, counter), service[mine.to_numpy()])


def _use(plates: pd.DataFrame, counter: Counter) -> np.ndarray:
    """What each plate adds to the counter, (plates,)."""
    if counter.name == "film_layers":
        return _layers(plates)
    return _hours(plates) if counter.name == "lamp_hours" else np.ones(len(plates))


def _layers(plates: pd.DataFrame) -> np.ndarray:
    """Layers of each plate, (plates,): its height by its layer height; where unknown, the farm's median."""
    return _filled(
        (plates["plate_height_mm"] / plates["layer_height_mm"].where(plates["layer_height_mm"] > 0)).to_numpy()
    )


def _hours(plates: pd.DataFrame) -> np.ndarray:
    """Hours of each plate, (plates,): from start to end, else as planned; where unknown, the farm's median."""
    lasted = (plates["ended_at"] - plates["started_at"]).dt.total_seconds()
    return _filled((lasted.fillna(plates["planned_s"]) / 3600.0).to_numpy(dtype=float))


def _filled(use: np.ndarray) -> np.ndarray:
    """With the median of the others where a value is missing; all NaN stays so."""
    known = use[np.isfinite(use)]
    return np.where(np.isfinite(use), use, np.median(known)) if known.size else use


def _counted(holder: pd.Series, at: pd.Series, use: np.ndarray, service: pd.DataFrame) -> SinceService:
    """Sum of ``use`` of the same holder since its last service; all holders in one sort."""
    names = holder.cat.categories
    service = service[service["subject_id"].isin(names)]
    codes = np.concatenate([names.get_indexer(service["subject_id"]), holder.cat.codes], dtype=np.int32)
    # services stand first, and so before the plates of the same instant
    times = np.concatenate([microseconds(service["at"]), microseconds(at)])
    order = np.lexsort((times, codes))
    serviced, codes = order < len(service), codes[order]
    used = np.concatenate([np.zeros(len(service)), use])[order]
    before = np.cumsum(used) - used
    fresh = np.diff(codes, prepend=-2) != 0
    begins = serviced | fresh
    first, stretch = np.flatnonzero(begins), np.cumsum(begins, dtype=np.int32) - 1
    count = np.where(codes >= 0, before - before[first][stretch], np.nan)
    tally = np.cumsum(serviced[first])
    of_holder = np.maximum.accumulate(np.where(fresh[first], np.arange(len(first)), 0))
    plates = ~serviced
    place = order[plates] - len(service)
    counts, stretches = np.empty(len(use)), np.empty(len(use), np.int32)
    counts[place], stretches[place] = count[plates], stretch[plates]
    spell: np.ndarray = tally - (tally - serviced[first])[of_holder]
    return SinceService(counts, stretches, spell, times[order[first]].astype("datetime64[us]"))


def microseconds(times: pd.Series) -> np.ndarray:
    """Instants as whole microseconds since 1970, UTC; missing: the smallest integer."""
    return times.astype("int64").to_numpy()
