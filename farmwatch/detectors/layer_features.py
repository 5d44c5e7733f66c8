"""Per-layer telemetry reduced to a few numbers a run: peel force by height, steadiness of the layers, warming of the vat."""

from __future__ import annotations

import numpy as np
import pandas as pd

from farmwatch.detectors.night import History

FEATURES = (
    "base_release_n",
    "transition_release_n",
    "body_release_n",
    "peak_height_mm",
    "layer_time_sd_s",
    "vat_warm_up_c",
)
LAYERS_AT_LEAST = 20  # with fewer a tenth of the layers is not even two


def layer_features(layers: pd.DataFrame, plates: pd.DataFrame) -> pd.DataFrame:
    """One row for each row of ``plates``, columns FEATURES and ``layers_known_at`` (UTC, when the last row was written).

    Largest peel force within the base, the transition and the body, the height of the largest of all, the robust spread
    of the body's layer times, and the vat's last tenth of layers against its first. NaN where a run has fewer than
    LAYERS_AT_LEAST layers, or no layer in that part. Layers count from 1.
    """
    out = pd.DataFrame(np.nan, index=plates.index, columns=list(FEATURES))
    out["layers_known_at"] = pd.Series(pd.NaT, index=plates.index, dtype="datetime64[us, UTC]")
    plate = pd.Index(plates["run_id"]).get_indexer(layers["run_id"])
    kept = plate >= 0
    if not kept.any():
        return out
    number = layers["layer_no"].to_numpy(dtype=float)
    order = np.lexsort((number, plate))
    order = order[kept[order]]
    plate, number = plate[order], number[order]
    release, vat, time = (layers[name].to_numpy(dtype=float)[order] for name in ("release_n", "vat_c", "layer_s"))
    count = len(plates)
    base, transition = (
        np.nan_to_num(plates[name].to_numpy(dtype=float)) for name in ("base_layers", "transition_layers")
    )
    part = np.where(number <= base[plate], 0, np.where(number <= (base + transition)[plate], 1, 2))
    for code, name in enumerate(FEATURES[:3]):
        out[name] = _largest(release, plate, count, part == code)
    known = np.isfinite(release)
    top = np.lexsort((-np.nan_to_num(release, nan=-np.inf), plate))
    first = top[np.unique(plate[top], return_index=True)[1]]
    height = np.full(count, np.nan)
    height[plate[first]] = np.where(known[first], number[first], np.nan)
    out["peak_height_mm"] = height * plates["layer_height_mm"].to_numpy(dtype=float)
    body = pd.Series(np.where(part == 2, time, np.nan)).groupby(plate)
    middle = body.transform("median").to_numpy()
    spread = pd.Series(np.abs(np.where(part == 2, time, np.nan) - middle)).groupby(plate).median() * 1.4826
    out.loc[out.index[spread.index], "layer_time_sd_s"] = spread.to_numpy()
    rank, total = _rank(plate), np.bincount(plate, minlength=count)
    early, late = rank < 0.1 * total[plate], rank >= 0.9 * total[plate]
    out["vat_warm_up_c"] = _mean(vat, plate, count, late) - _mean(vat, plate, count, early)
    out.loc[out.index[total < LAYERS_AT_LEAST], list(FEATURES)] = np.nan
    written = layers["recorded_at"].iloc[order].groupby(plate).max()
    out.loc[out.index[written.index], "layers_known_at"] = written.to_numpy()
    return out


def of_history(history: History) -> pd.DataFrame:
    """The features of all plates of a history, reduced once and kept with it, as its cells are."""
    kept = vars(history)
    if "layer_features" not in kept:
        kept["layer_features"] = layer_features(history.records.layers, history.plates)
    return kept["layer_features"]


def _largest(values: np.ndarray, plate: np.ndarray, count: int, chosen: np.ndarray) -> np.ndarray:
    out = np.full(count, -np.inf)
    chosen = chosen & np.isfinite(values)
    np.maximum.at(out, plate[chosen], values[chosen])
    return np.where(np.isfinite(out), out, np.nan)


def _mean(values: np.ndarray, plate: np.ndarray, count: int, chosen: np.ndarray) -> np.ndarray:
    chosen = chosen & np.isfinite(values)
    number = np.bincount(plate[chosen], minlength=count)
    total = np.bincount(plate[chosen], weights=values[chosen], minlength=count)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _rank(plate: np.ndarray) -> np.ndarray:
    """Place of each row among its plate's rows, from 0; ``plate`` is sorted."""
    return np.arange(plate.size) - np.searchsorted(plate, plate, side="left")
