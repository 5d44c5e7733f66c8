"""Measured pieces as sessions: one growth for all bars and slots of one print that were measured on one day.

A session is the unit of evidence: its pieces share the print, the gauge's zero and the hand that held it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from farmwatch.detectors.night import Night
from farmwatch.stats.growth import SessionGrowth, session_growth
from farmwatch.stats.working_curve import DoseSlope, WorkingCurve, dose_slope, fit_working_curve

SAME_DOSE = 0.02  # of ln exposure: closer exposures count as one
LEAST_WITHIN = 5.0  # degrees of freedom from which the scatter within sessions is known at all


@dataclass(frozen=True)
class Sessions:
    """``frame``: one row a session in order of ``day``: ``run_id``, ``printer_id``, ``lot_id``, ``profile``, ``resin``
    (missing: NaN), ``day`` (whole days since 1970 on the farm's clock), ``ladder`` (cured on purpose with another
    exposure than its run), ``log_exposure``, ``growth_mm``, ``scale``, ``variance``, ``pieces``, ``separable``.

    ``piece_sd_mm``: error of one piece within a session, NaN where no session has pieces to spare. ``misread``: pieces
    left out because their error is beyond any growth. ``known_scale``: taken where a session has no slots.
    """

    frame: pd.DataFrame
    piece_sd_mm: float
    misread: int
    known_scale: float


def known_coupons(night: Night) -> pd.DataFrame:
    """The measured pieces known tonight, printer, lot, profile, resin and the run's exposure filled in from the run."""
    records = night.history.records
    known = records.known_from("coupons")
    coupons = records.coupons[((known < night.instant) | known.isna()).to_numpy()]
    coupons = coupons.assign(
        day=records.local_dates(coupons["measured_at"]).to_numpy().astype("datetime64[D]").astype(int)
    )
    words = dict.fromkeys(("printer_id", "lot_id", "profile", "resin"), "str")
    plates = night.plates[["run_id", "exposure_s", *words]]
    runs = plates[plates["run_id"].isin(coupons["run_id"])].astype(words).set_index("run_id")
    for name in ("printer_id", "lot_id"):
        own = coupons["run_id"].map(runs[name])
        coupons[name] = coupons[name].where(coupons[name].notna(), own)
    coupons["profile"] = coupons["run_id"].map(runs["profile"])
    coupons["run_exposure_s"] = coupons["run_id"].map(runs["exposure_s"])
    lots = records.lots.drop_duplicates("lot_id").set_index("lot_id")
    coupons["resin"] = coupons["lot_id"].map(lots["resin"])
    if coupons["profile"].isna().any():
        # pieces printed for themselves are printed as their lot, or else their resin, is usually printed
        for name in ("lot_id", "resin"):
            usual = coupons[name].map(_usual_profile(plates, name))
            coupons["profile"] = coupons["profile"].where(coupons["profile"].notna(), usual)
    return coupons.sort_values(["measured_at", "coupon_id"], ignore_index=True)


def _usual_profile(plates: pd.DataFrame, name: str) -> pd.Series:
    """By name in the column ``name``: the profile of most of its plates."""
    counts = plates.groupby([name, "profile"], sort=True, observed=True).size()
    usual = counts.sort_values(ascending=False, kind="stable").reset_index().drop_duplicates(name)
    return usual.astype({name: "str", "profile": "str"}).set_index(name)["profile"]


def growth_sessions(coupons: pd.DataFrame, gross_error_mm: float) -> Sessions:
    """Group bars and slots of :func:`known_coupons` into sessions."""
    pieces = coupons[coupons["feature"].isin(["bar", "slot"])]
    error = (pieces["measured_mm"] - pieces["nominal_mm"]).to_numpy()
    plausible = np.abs(error) <= gross_error_mm
    pieces = pieces[plausible].assign(error_mm=error[plausible])
    pieces = _with_dose(pieces)
    keys = ["run_id", "printer_id", "lot_id", "profile", "resin", "day", "dose"]
    grouped = pieces.groupby(keys, dropna=False, sort=False)
    session = grouped.ngroup().to_numpy()
    outside = (pieces["feature"] == "bar").to_numpy()
    width, error = pieces["nominal_mm"].to_numpy(), pieces["error_mm"].to_numpy()
    first = session_growth(session, outside, width, error)
    told = first.scale[first.separable]
    known_scale = float(np.median(told)) if told.size else 0.0
    growth = session_growth(session, outside, width, error, known_scale)
    frame = grouped[["ladder", "log_exposure"]].first().reset_index()
    frame["ladder"] = frame["ladder"].astype(bool)
    _attach(frame, growth)
    frame = frame.sort_values("day", kind="stable", ignore_index=True)
    freedom = float(growth.freedom.sum())
    sd = float(np.sqrt(growth.residual_ss.sum() / freedom)) if freedom >= LEAST_WITHIN else float("nan")
    return Sessions(frame, sd, int((~plausible).sum()), known_scale)


def _attach(frame: pd.DataFrame, growth: SessionGrowth) -> None:
    frame["growth_mm"] = growth.growth_mm
    frame["scale"] = growth.scale
    frame["variance"] = growth.variance
    frame["pieces"] = growth.pieces
    frame["separable"] = growth.separable


def _with_dose(pieces: pd.DataFrame) -> pd.DataFrame:
    """Tell the pieces of an exposure ladder from those cured as the run was: only the latter say how a lot prints."""
    with np.errstate(divide="ignore", invalid="ignore"):
        exposure = np.log(pieces["exposure_s"].where(pieces["exposure_s"] > 0.0).to_numpy(dtype=float))
        own = np.log(pieces["run_exposure_s"].where(pieces["run_exposure_s"] > 0.0).to_numpy(dtype=float))
    exposure = np.where(np.isfinite(exposure), exposure, own)
    pieces = pieces.assign(log_exposure=exposure)
    group = pieces.groupby(["run_id", "printer_id", "lot_id", "day"], dropna=False, sort=False)["log_exposure"]
    middle = group.transform("median").to_numpy()
    matched = np.abs(exposure - own) <= SAME_DOSE
    any_match = pd.Series(matched, index=pieces.index).groupby(group.ngroup()).transform("any").to_numpy()
    usual = np.where(any_match, own, middle)
    ladder = np.abs(exposure - usual) > SAME_DOSE
    dose = np.where(ladder, np.round(exposure, 3), 0.0)
    return pieces.assign(ladder=ladder, dose=dose)


def growth_slope(frame: pd.DataFrame) -> DoseSlope:
    """The farm's own slope of growth on ln exposure: from ladders within one print, else from one lot's prints on one
    printer, else from one lot's prints on several."""
    y, x, v = (frame[name].to_numpy(dtype=float) for name in ("growth_mm", "log_exposure", "variance"))
    best = None
    for keys in (["run_id", "printer_id", "lot_id", "day"], ["lot_id", "printer_id"]):
        group = frame.groupby(keys, dropna=False, sort=False).ngroup().to_numpy()
        slope = dose_slope(group, x, y, v)
        if not slope.refused:
            return slope
        best = best or slope
    between = _between_printers(frame)
    assert best is not None
    return best if between.refused else between


def _between_printers(frame: pd.DataFrame) -> DoseSlope:
    """The slope from lots printed with other exposures on other printers, one point a printer: all its prints share its
    lamp, so that more of them say nothing more of how printers differ."""
    told = frame[np.isfinite(frame["log_exposure"]) & np.isfinite(frame["growth_mm"])]
    names = ["log_exposure", "growth_mm"]
    within = told[names] - told.groupby("lot_id", dropna=False)[names].transform("mean")
    points = within.groupby(told["printer_id"], dropna=False).mean()
    one = np.zeros(len(points), dtype=int)
    x, y = points["log_exposure"].to_numpy(), points["growth_mm"].to_numpy()
    return replace(dose_slope(one, x, y, np.ones(len(points))), pieces=len(told))


def film_curve(coupons: pd.DataFrame, lot_id: str | None = None, printer_id: str | None = None) -> WorkingCurve:
    """The working curve from the film pieces of a lot, a printer, or of one lot on one printer."""
    films = coupons[coupons["feature"] == "film"]
    if lot_id is not None:
        films = films[films["lot_id"] == lot_id]
    if printer_id is not None:
        films = films[films["printer_id"] == printer_id]
    exposure = films["exposure_s"].fillna(films["run_exposure_s"]) if "run_exposure_s" in films else films["exposure_s"]
    return fit_working_curve(exposure.to_numpy(dtype=float), films["measured_mm"].to_numpy(dtype=float))
