"""Plates cut into cells: the parts of one design on one plate, the finest grain at which expected risk differs.

A plate without known parts is one cell of its own whose single trial is the whole run.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from farmwatch.detectors.part_columns import unfolded
from farmwatch.records import SIGNS

FACTORS = ("printer", "lot", "design", "file", "profile", "resin", "wash", "operator", "room", "family")
FACTOR_COLUMN = {
    "printer": "printer_id",
    "lot": "lot_id",
    "file": "file_id",
    "profile": "profile",
    "resin": "resin",
    "wash": "wash_id",
    "operator": "operator",
    "room": "room",
    "family": "family",
}
SIGN_COUNT = len(SIGNS) + 1  # the last column holds failures without a written sign
PARTS_AT_ONCE = 1 << 20  # whose heights are unfolded together
PLATES_AT_ONCE = 50_000  # that are cut together: all at once would take 80 bytes a part


@dataclass(frozen=True)
class Cells:
    """Cells in the order of their plates; shapes (cells,) unless said.

    ``plate``: row of its plate; ``codes``: (cells, factors) level of each of FACTORS, -1 where unknown; ``levels``: names
    of the levels of each factor; ``fixed``: (cells, columns) covariates of the expectation, on fixed physical scales;
    ``part_cell``: (parts,) cell of each part; ``part_sign``: (parts,) column of its sign; ``whole_run``: a cell that is
    a whole run; ``run_failed``: failures of such a cell, (cells,); ``run_sign``: (cells,) column of its sign; ``day``:
    (plates,) days since ``first_day``.
    """

    plate: np.ndarray
    codes: np.ndarray
    levels: tuple[np.ndarray, ...]
    fixed: np.ndarray
    part_cell: np.ndarray
    part_sign: np.ndarray
    whole_run: np.ndarray
    run_failed: np.ndarray
    run_sign: np.ndarray
    day: np.ndarray
    first_day: pd.Timestamp


@dataclass(frozen=True)
class CellCounts:
    """What was known by a night: ``trials`` (cells,), ``failures`` (cells, signs + 1 without a sign), whole numbers."""

    trials: np.ndarray
    failures: np.ndarray


def sign_columns(signs: pd.Series) -> np.ndarray:
    """Column of each written sign: unknown codes count as ``other``, a missing one as the last column."""
    code, written = pd.factorize(signs)
    column_of = [SIGNS.index(sign if sign in SIGNS else "other") for sign in written]
    return np.array([*column_of, SIGN_COUNT - 1], dtype="int8")[code]


def cut_cells(plates: pd.DataFrame, parts: pd.DataFrame) -> Cells:
    """Cut joined ``plates`` and ``parts`` (see ``History``) into cells."""
    design_code, designs = _coded(parts["design_id"])
    outcome = plates["outcome"].to_numpy()
    bare = (plates["parts"].to_numpy() == 0) & (outcome != "stopped")
    plate, design, part_cell = _cut(parts["plate"].to_numpy(), design_code, bare)
    whole_run = bare[plate] & (design == -1)

    codes = np.empty((len(plate), len(FACTORS)), np.int32)
    levels: list[np.ndarray] = []
    for column, factor in enumerate(FACTORS):
        if factor == "design":
            codes[:, column] = design
            levels.append(np.asarray(designs, dtype=object))
        else:
            code, names = pd.factorize(plates[FACTOR_COLUMN[factor]], sort=True)
            codes[:, column] = code[plate]
            levels.append(np.asarray(names, dtype=object))
    first_day = plates["day"].min() if len(plates) else pd.Timestamp("2000-01-01")
    return Cells(
        plate=plate,
        codes=codes,
        levels=tuple(levels),
        fixed=_fixed(plates, parts, plate, part_cell, whole_run),
        part_cell=part_cell,
        part_sign=part_signs(plates, parts),
        whole_run=whole_run,
        run_failed=whole_run & (outcome != "good")[plate],
        run_sign=sign_columns(plates["sign"])[plate],
        day=(plates["day"] - first_day).dt.days.to_numpy().astype("int64"),
        first_day=first_day,
    )


def _coded(designs: pd.Series) -> tuple[np.ndarray, pd.Index]:
    """Code of each part's design, -1 where none is written, and the designs in order."""
    code, names = pd.factorize(designs, sort=True)
    return code.astype(np.int16 if len(names) < 1 << 15 else np.int32), pd.Index(names)


def _cut(plate: np.ndarray, design: np.ndarray, bare: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Plate and design of each cell, (cells,), and the cell of each part, (parts,). ``plate``: of each part, ascending;
    ``bare``: (plates,) which have a cell without a design whether or not a part is written."""
    part_cell = np.empty(len(plate), np.int32)
    cell_plate, cell_design, cells = [], [], 0
    for first in range(0, len(bare), PLATES_AT_ONCE):
        inside = slice(*np.searchsorted(plate, [first, first + PLATES_AT_ONCE]))
        wide = int(design[inside].max(initial=-1)) + 2
        key = (plate[inside] - first) * np.int64(wide) + (design[inside] + 1)
        keys = np.union1d(key, np.flatnonzero(bare[first : first + PLATES_AT_ONCE]) * wide)
        part_cell[inside] = cells + np.searchsorted(keys, key)
        cell_plate.append((first + keys // wide).astype(np.int32))
        cell_design.append((keys % wide - 1).astype(np.int32))
        cells += len(keys)
    if not cell_plate:
        return np.zeros(0, np.int32), np.zeros(0, np.int32), part_cell
    return np.concatenate(cell_plate), np.concatenate(cell_design), part_cell


def part_signs(plates: pd.DataFrame, parts: pd.DataFrame) -> np.ndarray:
    """Column of each part's sign, (parts,): its own, else that of its run."""
    own, run = sign_columns(parts["sign"]), sign_columns(plates["sign"])
    return np.where(own == SIGN_COUNT - 1, run[parts["plate"].to_numpy()], own) if len(run) else own


def _fixed(
    plates: pd.DataFrame, parts: pd.DataFrame, plate: np.ndarray, part_cell: np.ndarray, whole_run: np.ndarray
) -> np.ndarray:
    """Intercept, whole run, plate load, height of the cell's tallest part, cold room; missing values sit at the middle."""
    area = plates["plate_width_mm"].to_numpy() * plates["plate_depth_mm"].to_numpy()
    load = np.clip(plates["footprint_mm2"].to_numpy() / area, 0.0, 1.0)
    height = np.full(len(plate), np.nan)
    for start in range(0, len(part_cell), PARTS_AT_ONCE):
        piece = slice(start, start + PARTS_AT_ONCE)
        # by whole numbers of the machine's own size it is ten times as fast
        np.fmax.at(height, part_cell[piece].astype(np.intp), unfolded(parts["height_mm"], piece))
    cold = np.clip(20.0 - plates["ambient_c"].to_numpy(), 0.0, 15.0)
    columns = np.ones((len(plate), 5))
    columns[:, 1] = whole_run
    columns[:, 2] = (np.nan_to_num(load, nan=0.3) - 0.3)[plate] * 2.0
    columns[:, 3] = np.log(np.clip(np.nan_to_num(height, nan=40.0), 1.0, None) / 40.0)
    columns[:, 4] = np.nan_to_num(cold, nan=0.0)[plate] / 5.0
    return columns


def count_cells(cells: Cells, known: np.ndarray, failed: np.ndarray, plates: int) -> CellCounts:
    """Trials and failures by sign of the cells of the first ``plates`` plates; ``known``, ``failed``: (parts known,)."""
    number = int(np.searchsorted(cells.plate, plates, side="left"))
    cell, sign = cells.part_cell[: len(known)], cells.part_sign[: len(known)]
    trials = np.bincount(cell, weights=known, minlength=number)[:number]
    small = np.int16 if trials.max(initial=0) < np.iinfo(np.int16).max else np.int64
    failures = np.zeros((number, SIGN_COUNT), small)
    np.add.at(failures, (cell[failed], sign[failed]), 1)
    whole = np.flatnonzero(cells.whole_run[:number])
    trials[whole] = 1.0
    failures[whole, cells.run_sign[whole]] += cells.run_failed[whole]
    return CellCounts(trials, failures)
