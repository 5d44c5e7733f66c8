"""The nightly recipe: records known by the evening -> expectation -> evidence -> findings -> causes -> ledger."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from farmwatch.detectors import cure_offset, height_pattern, odd_run, plate_pattern, rates, signal_shift, wear
from farmwatch.detectors.expected import fit_expectation
from farmwatch.detectors.night import Detector, History, Night, Spell, Verdicts
from farmwatch.evidence import Check, Finding
from farmwatch.findings.life import update
from farmwatch.findings.merge import draw_together
from farmwatch.settings import Settings

DETECTORS: tuple[tuple[str, Detector], ...] = (
    ("rates", rates.detect),
    ("plate_pattern", plate_pattern.detect),
    ("height_pattern", height_pattern.detect),
    ("cure_offset", cure_offset.detect),
    ("signal_shift", signal_shift.detect),
    ("wear", wear.detect),
    ("odd_run", odd_run.detect),
)


@dataclass(frozen=True)
class NightResult:
    """Every finding after the night, and what each detector could and could not look at."""

    findings: tuple[Finding, ...]
    checks: tuple[Check, ...]


def look(history: History, as_of: dt.date, settings: Settings, findings: Sequence[Finding]) -> Night:
    """The night's view with its expectation fitted outside the spells of known findings."""
    night = history.night(as_of, settings)
    night = replace(night, spells=tuple(spell for finding in findings if (spell := spell_of(finding)) is not None))
    expectation = fit_expectation(night)
    risk = 1.0 / (1.0 + np.exp(-expectation.log_odds()))
    part_risk = risk[history.cells.part_cell[: len(night.parts)]]
    return replace(night, expectation=expectation, part_risk=part_risk)


def spell_of(finding: Finding) -> Spell | None:
    """The days on which a finding's subject was at fault; nothing for what does not bear on failure rates."""
    evidence = finding.evidence
    if evidence.kind in ("odd_run", "signal_shift") or evidence.subject.type == "run":
        return None
    ended = {"faded": finding.last_seen_on, "open": None, "returned": None}.get(finding.status, finding.repair.get("on"))
    return Spell(evidence.subject, evidence.sign, evidence.since, ended)


def run_night(history: History, as_of: dt.date, settings: Settings, findings: Sequence[Finding]) -> NightResult:
    """One night over what was known by then. ``findings``: the ledger as the night before left it."""
    night = look(history, as_of, settings, findings)
    verdicts = [_guarded(name, detector, night) for name, detector in DETECTORS]
    evidence = draw_together(item for verdict in verdicts for item in verdict.evidence)
    checks = tuple(check for verdict in verdicts for check in verdict.checks)
    return NightResult(update(findings, evidence, as_of), checks)


def _guarded(name: str, detector: Callable[[Night], Verdicts], night: Night) -> Verdicts:
    """A detector that breaks is reported as not checked, and the others go on."""
    try:
        return detector(night)
    except Exception as error:  # the night must not die of one detector; the report says that it was not checked
        return Verdicts((), (Check(name, "failed", "farm", None, f"{type(error).__name__}: {error}"),))
