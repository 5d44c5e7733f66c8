"""What is told of a stream that was found: since when, how much, on which plates."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np

from farmwatch.detectors.rate_scene import Scene, own_risk, stream_risk, subject_of
from farmwatch.detectors.rate_weigh import Candidate, own_spread, stream_plates, summed
from farmwatch.evidence import Evidence
from farmwatch.records import SIGNS
from farmwatch.stats.rate_scan import shift_posterior


def account_for(found: Candidate, scene: Scene, other_signs: list[str]) -> Evidence:
    stream, onset = found.stream, found.onset
    risk = own_risk(scene, stream, found.cells)
    plates = stream_plates(scene, stream.sign, found.cells, risk)
    plates = replace(plates, log_odds=plates.log_odds + found.moved)
    after = plates.day >= onset.day
    sd = own_spread(scene.expectation, stream.type, stream.sign)
    sums = summed(scene, plates, after.astype(np.intp))
    shift = shift_posterior(sums[0], sums[-1], sd)
    level = onset.first_mass >= 0.5 or not (~after).any()
    own = 0.0 if level else shift.own_level
    expected = plates.trials / (1.0 + np.exp(-(plates.log_odds + own)))
    failing = plates.plate[after & (plates.failures > 0)]
    return Evidence(
        kind="rate_level" if level else "rate_shift",
        subject=subject_of(stream, scene.cells),
        since=_date(scene, int(plates.day[0]) if level else onset.day),
        since_low=_date(scene, int(plates.day[0]) if level else onset.low),
        since_high=_date(scene, onset.high),
        observed=float(plates.failures[after].sum()),
        expected=float(expected[after].sum()),
        opportunities=float(plates.trials[after].sum()),
        unit="parts" if scene.night.plates["parts"].iloc[plates.plate].sum() > 0 else "plates",
        effect=float(np.exp(shift.log_odds_ratio)),
        effect_low=float(np.exp(shift.low)),
        effect_high=float(np.exp(shift.high)),
        effect_unit="odds ratio",
        error_rate=float(min(scene.night.settings.alarm_budget.false_findings_per_month * np.exp(-found.score), 30.0)),
        score=found.score,
        direction="up" if found.direction > 0 else "down",
        sign=_leading_sign(found, scene),
        detail={
            "plates": int(after.sum()),
            "plates_with_failures": len(failing),
            "own_level_log_odds": shift.own_level,
            "log_odds_ratio": shift.log_odds_ratio,
            "standard_error": shift.standard_error,
            "plate_correlation": scene.expectation.rho,
            "log_evidence": found.log_evidence,
            "other_signs": other_signs,
        },
        run_ids=tuple(scene.night.plates["run_id"].iloc[failing].astype(str)),
    )


def _leading_sign(found: Candidate, scene: Scene) -> str | None:
    """The sign that carries at least seven tenths of the excess, else None."""
    if found.stream.sign < len(SIGNS):
        return SIGNS[found.stream.sign]
    inside = found.cells[scene.day[found.cells] >= found.onset.day]
    due = (stream_risk(scene, found.stream.type, inside) * scene.trials[inside, None]).sum(axis=0)
    excess = scene.failures[inside].sum(axis=0) - due
    gain = np.maximum(excess * found.direction, 0.0)
    top = int(np.argmax(gain))
    return SIGNS[top] if top < len(SIGNS) and gain[top] >= 0.7 * gain.sum() and gain[top] >= 3.0 else None


def _date(scene: Scene, day: int) -> dt.date:
    return (scene.cells.first_day + np.timedelta64(day, "D")).date()
