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


def service_counters(view: History | Night) -> pd.DataFrame:
    """One row a plate, in the order of ``view.plates``: ``film_layers``, ``lamp_hours``, ``bath_runs`` at its start.

    NaN before the first service that is known, and where a plate names no printer or bath. ``*_spell``: which spell
    between two services of its holder a plate falls into (1, 2, ...; 0 before the first), ``*_since``: that
    service, or the first plate.
    A plate's layers are its height over the layer height, its hours from its start to its end (else as planned);
    where these are unknown the farm's median stands in, as a plate that was printed wore something. ``*_at_least``: the
    same counter, run from the holder's first plate on record where no earlier service is known.
    """
    records = view.records if isinstance(view, History) else view.history.records
    plates = view.plates
    service = records.service
    if isinstance(view, Night):
        service = service[(records.known_from("service") < view.instant).to_numpy()]
    uses = {"film_layers": _layers(plates), "lamp_hours": _hours(plates), "bath_runs": np.ones(len(plates))}
    out = pd.DataFrame(index=plates.index)
    for counter in COUNTERS:
        mine = (service["subject_type"] == counter.subject_type) & (service["action"] == counter.action)
        count, at_least, spell, since = _since_service(
            plates[counter.holder], plates["started_at"], uses[counter.name], service[mine]
        )
        out[counter.name], out[f"{counter.name}_at_least"] = count, at_least
        out[f"{counter.name}_spell"], out[f"{counter.name}_since"] = spell, since
    return out


def _layers(plates: pd.DataFrame) -> np.ndarray:
    return _filled(
        (plates["plate_height_mm"] / plates["layer_height_mm"].where(plates["layer_height_mm"] > 0)).to_numpy()
    )


def _hours(plates: pd.DataFrame) -> np.ndarray:
    lasted = (plates["ended_at"] - plates["started_at"]).dt.total_seconds()
    return _filled((lasted.fillna(plates["planned_s"]) / 3600.0).to_numpy(dtype=float))


def _filled(use: np.ndarray) -> np.ndarray:
    known = use[np.isfinite(use)]
    return np.where(np.isfinite(use), use, np.median(known)) if known.size else use


def _since_service(
    holder: pd.Series, at: pd.Series, use: np.ndarray, service: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Sum of ``use`` of the same holder since its last service; all holders in one sort."""
    number = len(holder)
    codes, _ = pd.factorize(pd.concat([holder, service["subject_id"]], ignore_index=True))
    times = np.concatenate([microseconds(at), microseconds(service["at"])])
    is_service = np.arange(len(codes)) >= number
    amount = np.concatenate([np.asarray(use, float), np.zeros(len(service))])
    order = np.lexsort((~is_service, times, codes))
    before = np.cumsum(amount[order]) - amount[order]
    serviced, holders = is_service[order], codes[order]
    row = np.arange(len(order))
    last = np.maximum.accumulate(np.where(serviced, row, -1))
    first_of_holder = np.maximum.accumulate(np.where(np.diff(holders, prepend=-2) != 0, row, 0))
    known = (last >= first_of_holder) & (holders >= 0)
    at_last = np.maximum(last, 0)
    count = np.where(known, before - before[at_last], np.nan)
    tally = np.cumsum(serviced)
    spell = np.where(known, tally - (tally[first_of_holder] - serviced[first_of_holder]), 0)
    start = np.where(known, at_last, first_of_holder)
    at_least = np.where(holders >= 0, before - before[start], np.nan)
    back = np.empty(len(order), int)
    back[order] = row
    back = back[:number]
    return count[back], at_least[back], spell[back], times[order][start][back].astype("datetime64[us]")


def microseconds(times: pd.Series) -> np.ndarray:
    """Instants as whole microseconds since 1970, UTC; missing: the smallest integer."""
    return times.astype("int64").to_numpy()
