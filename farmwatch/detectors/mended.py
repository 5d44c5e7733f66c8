"""A finding's own plates from a day on: parts, failures of its kind, and what was expected of them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np

from farmwatch.detectors.night import PLATE_CONTEXT, Night
from farmwatch.detectors.part_columns import unfolded
from farmwatch.evidence import Evidence
from farmwatch.records import SIGNS
from farmwatch.stats.plate_model import PlateModel, fit_plate_model
from farmwatch.stats.plate_sums import sums_by_plate
from farmwatch.stats.zones import zone_mask

_RATES = ("rate_shift", "rate_level", "wear")
_COLUMN = {name.removesuffix("_id"): name for name in PLATE_CONTEXT}
#: failing plates under a fault from which they say how its parts fail together
_FAILING_PLATES = 8


@dataclass(frozen=True)
class MendedPlates:
    """Plates since a mend, in order: ``n`` parts with a known outcome, ``y`` failures of the finding's kind, ``p`` expected
    failure probability of a part, ``day`` (``datetime64[D]``), each (plates,); ``before``: the same of the plates under
    the fault."""

    n: np.ndarray
    y: np.ndarray
    p: np.ndarray
    day: np.ndarray
    before: MendedPlates | None = None


def mended_plates(night: Night, evidence: Evidence, since: dt.date) -> MendedPlates:
    """The subject's plates after the day ``since``.

    Only what the finding is about counts: the parts of its design, in its zone, failures with its sign or in its height.
    What a part of such a kind is expected to do is scaled: for a rate, so that over the finding's own days it adds up to
    what the finding said was expected; for a place, a height or a measure, whose expected values are of another sort (of
    the failures there were, how many here), by the share of such failures among all the farm's others. Plates that
    started on the day ``since`` itself are left out: before or after is not known.
    """
    plates, parts = night.plates, night.parts
    if parts.empty:
        return _bare_plates(night, evidence, since)
    mine, plate = _of_subject(night, evidence), parts["plate"].to_numpy()
    days = plates["day"].to_numpy("datetime64[D]")
    known_failed = np.flatnonzero(parts["failed"].to_numpy() & parts["known"].to_numpy())
    alike = _alike(night, evidence, known_failed)
    failed = known_failed[mine[known_failed] if alike is None else mine[known_failed] & alike]
    ill = days >= np.datetime64(evidence.since)
    late = days > np.datetime64(since)
    number, expected = sums_by_plate(plate, night.part_risk, mine, len(plates))
    failures = np.bincount(plate[failed], minlength=len(plates)).astype(float)
    if alike is None:
        share = 1.0
    elif evidence.kind in _RATES and evidence.unit == "parts":
        due = float(expected[ill & ~late].sum())
        share = float(np.clip(evidence.expected / due, 0.0, 1.0)) if due > 0 else 1.0
    else:
        others = ~(mine[known_failed] & ill[plate[known_failed]])
        share = (float((others & alike).sum()) + 0.5) / (float(others.sum()) + 1.0)

    def counted(which: np.ndarray, before: MendedPlates | None = None) -> MendedPlates:
        told = which & (number > 0)
        n = number[told]
        return MendedPlates(n, failures[told], np.clip(expected[told] * share / n, 1e-6, 0.97), days[told], before)

    return counted(late, counted(ill & ~late))


def fault_model(plates: MendedPlates, farm: PlateModel) -> PlateModel:
    """How parts of a plate failed together while the fault was there, by likelihood; the ``farm``'s where few plates failed.

    A fault that takes some plates whole and spares the others has a large share of lost plates.
    """
    before = plates.before
    if before is None or (before.y > 0.0).sum() < _FAILING_PLATES:
        return farm
    told = before.n > 1.0
    raised = np.clip(before.p * before.y.sum() / (before.n * before.p).sum(), 1e-4, 0.95)
    return fit_plate_model(before.y[told], before.n[told], raised[told]) if told.any() else farm


def _alike(night: Night, evidence: Evidence, failed: np.ndarray) -> np.ndarray | None:
    """Which of the parts ``failed`` (row numbers) failed with the finding's sign and at its height; None where every failure
    is alike."""
    banded = evidence.band is not None and "from_mm" in evidence.detail
    if evidence.sign is None and not banded:
        return None
    alike = np.ones(len(failed), bool)
    if evidence.sign is not None:
        alike &= night.history.cells.part_sign[failed] == SIGNS.index(evidence.sign)
    if banded:
        height = unfolded(night.parts["failure_height_mm"], failed)
        low, high = float(evidence.detail["from_mm"]), float(evidence.detail["to_mm"])
        with np.errstate(invalid="ignore"):  # the base has no lower end, the body no upper one
            alike &= ((height >= low) | (evidence.band == "base")) & ((height <= high) | (evidence.band == "body"))
    return alike


def _of_subject(night: Night, evidence: Evidence) -> np.ndarray:
    """Mask (parts,) of the subject's parts with a known outcome; of a place, of those that stand in it."""
    plates, parts = night.plates, night.parts
    kind, name = evidence.subject.type, evidence.subject.id
    mine = parts["known"].to_numpy().copy()
    if kind == "design":
        mine &= (parts["design_id"] == name).to_numpy()
    elif kind != "farm":
        column = "run_id" if kind == "run" else _COLUMN[kind]
        mine &= (plates[column] == name).to_numpy()[parts["plate"].to_numpy()]
    if evidence.kind == "plate_pattern" and evidence.zone is not None:
        rows = np.flatnonzero(mine)
        plate = parts["plate"].to_numpy()[rows]
        mine[rows] = zone_mask(
            evidence.detail["normalised"],
            unfolded(parts["x_mm"], rows),
            unfolded(parts["y_mm"], rows),
            plates["plate_width_mm"].to_numpy()[plate],
            plates["plate_depth_mm"].to_numpy()[plate],
        )
    return mine


def _bare_plates(night: Night, evidence: Evidence, since: dt.date) -> MendedPlates:
    """The same on a farm that records no parts: each plate is one trial."""
    plates = night.plates
    column = _COLUMN.get(evidence.subject.type)
    mine = np.ones(len(plates), bool) if column is None else (plates[column] == evidence.subject.id).to_numpy()
    mine = mine & (plates["outcome"] != "stopped").to_numpy() & (plates["day"] > np.datetime64(since)).to_numpy()
    failed = (plates["outcome"] != "good").to_numpy()[mine]
    rate = (float((plates["outcome"] != "good").sum()) + 0.5) / (len(plates) + 1.0)
    day = plates["day"].to_numpy("datetime64[D]")[mine]
    return MendedPlates(np.ones(mine.sum()), failed.astype(float), np.full(int(mine.sum()), rate), day)
