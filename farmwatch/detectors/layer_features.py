"""Per-layer telemetry reduced to a few numbers a run: peel force by height, steadiness of the layers, warming of the vat."""

from __future__ import annotations

from collections.abc import Callable, Iterator

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
COLUMNS = ("run_id", "layer_no", "release_n", "vat_c", "layer_s", "recorded_at")
WILD = 5.0  # mean deviations from which a layer's time is drawn in: three and a half spreads of normal ones


def layer_features(layers: pd.DataFrame, plates: pd.DataFrame) -> pd.DataFrame:
    """One row for each row of ``plates``, columns FEATURES and ``layers_known_at`` (UTC, when the last row was written).

    Largest peel force within the base, the transition and the body, the height of the largest of all, the spread of
    the body's layer times (wild ones drawn in), and the vat's last tenth of layers against its first. NaN where a run has
    fewer than LAYERS_AT_LEAST layers, or no layer in that part. Layers count from 1.
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
    off = np.where(part == 2, time, np.nan) - body.transform("median").to_numpy()
    # drawn in and squared, not a median alone: times are written in hundredths of a second, and a median of few steps jumps
    reach = WILD * _mean_of_most(np.abs(off), plate, count)[plate]
    calm = pd.Series(np.clip(off, -reach, reach))
    spread = calm.groupby(plate).std(ddof=0)
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


def keep_reduced(history: History, pieces: Callable[[], Iterator[pd.DataFrame]]) -> History:
    """The history with the features of its plates kept, telemetry reduced some rows after the other: it never stands whole.

    ``pieces``: gives the rows of ``layers``, columns COLUMNS, piece by piece, those of a run one after the other. A run that
    turns up again later (it came in two deliveries, the first before the run itself was known) is read once more, whole.
    """
    runs = pd.Index(history.plates["run_id"])
    done, torn = np.zeros(len(runs), dtype=bool), set[str]()
    values, written = np.full((len(runs), len(FEATURES)), np.nan), np.full(len(runs), np.datetime64("NaT", "us"))

    def reduce(rows: pd.DataFrame) -> None:
        names = rows["run_id"].unique()
        plate = runs.get_indexer(names)
        torn.update(str(name) for name in names[(plate >= 0) & done[plate]])
        plate = plate[plate >= 0]
        found = layer_features(rows, history.plates.iloc[plate])
        values[plate], written[plate] = found[list(FEATURES)], found["layers_known_at"].dt.tz_localize(None)
        done[plate] = True

    rest = None
    for piece in pieces():
        rows = piece if rest is None or rest.empty else pd.concat([rest, piece], ignore_index=True)
        if rows.empty:
            continue
        last = rows["run_id"] == rows["run_id"].iloc[-1]
        reduce(rows[~last])
        rest = rows[last]
    if rest is not None:
        reduce(rest)
    if torn:
        again = [piece[piece["run_id"].isin(torn)] for piece in pieces()]
        done[:] = False
        reduce(pd.concat(again, ignore_index=True))
    kept = pd.DataFrame(values, index=history.plates.index, columns=list(FEATURES))
    kept["layers_known_at"] = pd.Series(written, index=kept.index).dt.tz_localize("UTC")
    vars(history)["layer_features"] = kept
    return history


def _largest(values: np.ndarray, plate: np.ndarray, count: int, chosen: np.ndarray) -> np.ndarray:
    """The largest of each plate's ``chosen`` values, (plates,); NaN where there is none."""
    out = np.full(count, -np.inf)
    chosen = chosen & np.isfinite(values)
    np.maximum.at(out, plate[chosen], values[chosen])
    return np.where(np.isfinite(out), out, np.nan)


def _mean(values: np.ndarray, plate: np.ndarray, count: int, chosen: np.ndarray) -> np.ndarray:
    """The mean of each plate's ``chosen`` values, (plates,); NaN where there is none."""
    chosen = chosen & np.isfinite(values)
    number = np.bincount(plate[chosen], minlength=count)
    total = np.bincount(plate[chosen], weights=values[chosen], minlength=count)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _mean_of_most(values: np.ndarray, plate: np.ndarray, count: int) -> np.ndarray:
    """Mean of each plate's values without the largest twentieth, (plates,)."""
    order = np.lexsort((values, plate))  # NaN last
    order = order[np.isfinite(values[order])]
    number = np.bincount(plate[order], minlength=count)
    most = np.zeros(values.size, dtype=bool)
    most[order] = _rank(plate[order]) < 0.95 * number[plate[order]]
    return _mean(values, plate, count, most)


def _rank(plate: np.ndarray) -> np.ndarray:
    """Place of each row among its plate's rows, from 0; ``plate`` is sorted."""
    return np.arange(plate.size) - np.searchsorted(plate, plate, side="left")
