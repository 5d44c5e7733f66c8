"""A finding's own plates from a day on: parts, failures of its kind, and what was expected of them."""

from __future__ import annotations

import datetime as dt

import numpy as np

from farmwatch.detectors.night import PLATE_CONTEXT, Night
from farmwatch.evidence import Evidence
from farmwatch.records import SIGNS
from farmwatch.stats.zones import zone_mask

_COLUMN = {name.removesuffix("_id"): name for name in PLATE_CONTEXT}


def mended_plates(night: Night, evidence: Evidence, since: dt.date) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """``n`` parts with a known outcome, ``y`` failures, ``p`` expected failure probability, each (plates,) in order.

    Only what the finding is about counts: the parts of its design, in its zone, failures with its sign or in its height.
    What a part of such a kind is expected to do is scaled so that over the finding's own days it adds up to what the
    finding said was expected. Plates that started on the day ``since`` itself are left out: before or after is not known.
    """
    plates, parts = night.plates, night.parts
    if parts.empty:
        return _bare_plates(night, evidence, since)
    mine = _of_subject(night, evidence)
    days = plates["day"].to_numpy()[parts["plate"].to_numpy()]
    failed = parts["failed"].to_numpy() & mine
    if evidence.sign is not None:
        failed &= night.history.cells.part_sign[: len(parts)] == SIGNS.index(evidence.sign)
    if evidence.band == "height" and "from_mm" in evidence.detail:
        height = parts["failure_height_mm"].to_numpy()
        failed &= (height >= evidence.detail["from_mm"]) & (height <= evidence.detail["to_mm"])
    during = mine & (days >= np.datetime64(evidence.since)) & (days <= np.datetime64(since))
    expected = float(night.part_risk[during].sum())
    scale = evidence.expected / expected if expected > 0 and evidence.unit == "parts" else 1.0
    own_failures = evidence.sign is not None or evidence.band == "height"
    share = np.clip(scale if own_failures else 1.0, 0.0, 1.0)
    after = mine & (days > np.datetime64(since))
    plate, row = np.unique(parts["plate"].to_numpy()[after], return_inverse=True)
    n = np.bincount(row, minlength=len(plate)).astype(float)
    y = np.bincount(row, weights=failed[after], minlength=len(plate))
    p = np.bincount(row, weights=night.part_risk[after] * share, minlength=len(plate)) / np.maximum(n, 1.0)
    return n, y, np.clip(p, 1e-6, 0.97)


def _of_subject(night: Night, evidence: Evidence) -> np.ndarray:
    plates, parts = night.plates, night.parts
    kind, name = evidence.subject.type, evidence.subject.id
    if kind == "design":
        mine = (parts["design_id"] == name).to_numpy()
    elif kind == "farm":
        mine = np.ones(len(parts), bool)
    else:
        column = "run_id" if kind == "run" else _COLUMN[kind]
        mine = (plates[column] == name).to_numpy()[parts["plate"].to_numpy()]
    mine = mine & parts["known"].to_numpy()
    if evidence.kind == "plate_pattern" and evidence.zone is not None:
        plate = parts["plate"].to_numpy()
        mine &= zone_mask(
            evidence,
            parts["x_mm"].to_numpy(),
            parts["y_mm"].to_numpy(),
            plates["plate_width_mm"].to_numpy()[plate],
            plates["plate_depth_mm"].to_numpy()[plate],
        )
    return mine


def _bare_plates(night: Night, evidence: Evidence, since: dt.date) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The same on a farm that records no parts: each plate is one trial."""
    plates = night.plates
    column = _COLUMN.get(evidence.subject.type)
    mine = np.ones(len(plates), bool) if column is None else (plates[column] == evidence.subject.id).to_numpy()
    mine = mine & (plates["outcome"] != "stopped").to_numpy() & (plates["day"] > np.datetime64(since)).to_numpy()
    failed = (plates["outcome"] != "good").to_numpy()[mine]
    rate = (float((plates["outcome"] != "good").sum()) + 0.5) / (len(plates) + 1.0)
    return np.ones(mine.sum()), failed.astype(float), np.full(int(mine.sum()), rate)
