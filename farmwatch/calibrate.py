"""How often a farm's own plates would cry wolf: every night walked over outcomes drawn anew as if nothing were wrong.

The limits come from bounds that hold for a known expectation. What a farm sees depends on its own plates, on how many there
are of each subject, and on the expectation being fitted anew every night. So the whole chain of nights is run on drawn
outcomes (``detectors.redraw``), and the false findings are counted.
"""

from __future__ import annotations

import multiprocessing
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np

from farmwatch.causes.table import CauseTable
from farmwatch.crew import DETECTORS, Crew, guarded
from farmwatch.detectors.night import History, Night, Verdicts
from farmwatch.detectors.redraw import redraw
from farmwatch.evidence import Finding
from farmwatch.nightly import look
from farmwatch.replay import replay
from farmwatch.settings import Settings
from farmwatch.stats.observed_over_expected import ratio_interval

JUDGE_OUTCOMES = ("rates", "plate_pattern", "height_pattern", "wear")  # coupons and telemetry are not drawn anew
LADDER = (0.25, 0.5, 1.0, 2.0, 4.0)  # calibrations that are tried: false findings of few draws tell no finer ones apart
DAYS_A_MONTH = 30.0


class CalibrationError(Exception):
    """The records do not bear a calibration; the message says why, in one line."""


@dataclass(frozen=True)
class Rehearsal:
    """What one ``calibration`` brought: false findings by kind over so many farm-months, against ``allowed`` a month."""

    calibration: float
    kinds: dict[str, int]
    farm_months: float
    allowed: float

    @property
    def found(self) -> int:
        return sum(self.kinds.values())

    @property
    def per_month(self) -> float:
        return self.found / self.farm_months

    def interval(self, coverage: float = 0.9) -> tuple[float, float]:
        """Of the false findings a month, from a Poisson count."""
        exact = ratio_interval(self.found, self.farm_months, level=coverage)
        return exact.low, exact.high

    @property
    def kept(self) -> bool:
        """Whether the budget was kept; beyond the proved bound, only where the interval's upper end says so."""
        return (self.per_month if self.calibration <= 1.0 else self.interval()[1]) <= self.allowed


def calibrate(
    history: History,
    settings: Settings,
    table: CauseTable,
    findings: Sequence[Finding],
    draws: int,
    seed: int,
    progress: Callable[[int, int, str], None] | None = None,
) -> tuple[Rehearsal, ...]:
    """Rehearsals at calibration 1 and, from there, up while the budget is kept or down until it is.

    ``findings``: what is known of the farm, so that its faults are not taken for its habit. The same ``seed`` draws the
    same outcomes. Raises :class:`CalibrationError` where there are no plates.
    """
    if not len(history.plates):
        raise CalibrationError("no plates in the records: there is nothing to rehearse on")
    last = history.plates["day"].max().date()
    night = look(history, last, settings, findings)
    with ProcessPoolExecutor(
        min(draws, multiprocessing.cpu_count()), multiprocessing.get_context("spawn"), _take_over, (night, table, seed)
    ) as pool:

        def rehearsed(calibration: float) -> Rehearsal:
            tasks = [pool.submit(_one_draw, number, calibration) for number in range(draws)]
            kinds: Counter[str] = Counter()
            for done, task in enumerate(as_completed(tasks), 1):
                kinds.update(task.result())
                if progress is not None:
                    progress(done, draws, f"calibration {calibration:g}")
            nights = (last - history.plates["day"].min().date()).days + 1
            return Rehearsal(calibration, dict(kinds), draws * nights / DAYS_A_MONTH, allowed(settings))

        start = LADDER.index(1.0)
        tried = [rehearsed(1.0)]
        kept = tried[0].kept
        for step in LADDER[start + 1 :] if kept else LADDER[start - 1 :: -1]:
            tried.append(rehearsed(step))
            if tried[-1].kept != kept:
                break
    return tuple(sorted(tried, key=lambda one: one.calibration))


def proposed(tried: Sequence[Rehearsal]) -> float:
    """The greatest calibration that kept the budget, else the smallest that was tried."""
    kept = [one.calibration for one in tried if one.kept]
    return max(kept, default=min(one.calibration for one in tried))


def as_json(tried: Sequence[Rehearsal]) -> dict[str, Any]:
    """The rehearsals and the calibration proposed, plain values only; rates a month."""
    rows = [
        {
            "calibration": one.calibration,
            "false_findings": one.found,
            "kinds": one.kinds,
            "per_month": one.per_month,
            "per_month_low": one.interval()[0],
            "per_month_high": one.interval()[1],
        }
        for one in tried
    ]
    return {
        "farm_months": tried[0].farm_months,
        "allowed_per_month": tried[0].allowed,
        "rehearsals": rows,
        "proposed": proposed(tried),
    }


def as_text(tried: Sequence[Rehearsal]) -> str:
    """The same for a terminal, with the line for farm.toml."""
    best = proposed(tried)
    lines = [
        f"Your plates with outcomes drawn anew as if nothing were wrong, {tried[0].farm_months:.1f} farm-months in all.",
        f"What judges outcomes may bring {tried[0].allowed:.2f} false findings a month.",
        "",
        f"{'calibration':>11}  {'false findings':>14}  {'a month':>7}  90 % interval",
    ]
    for one in tried:
        low, high = one.interval()
        lines.append(f"{one.calibration:>11g}  {one.found:>14}  {one.per_month:>7.2f}  {low:.2f} to {high:.2f}")
    keeps = next(one for one in tried if one.calibration == best)
    if not keeps.kept:
        lines += ["", "None of them keeps the budget. The smallest comes nearest; more draws would tell it better."]
    if any(one.per_month <= one.allowed and not one.kept for one in tried):
        lines += [
            "",
            "A calibration above 1 must keep the budget with its whole interval; more draws make that narrower.",
        ]
    lines += ["", "In farm.toml:" if best != 1.0 else "As the shipped settings have it:"]
    return "\n".join([*lines, "", "    [alarm_budget]", f"    calibration = {best:g}"])


def allowed(settings: Settings) -> float:
    """False findings a month that the budget gives to the detectors which judge outcomes."""
    budget = settings.alarm_budget
    return budget.false_findings_per_month * sum(getattr(budget, f"share_{name}") for name in JUDGE_OUTCOMES)


def _judging(night: Night) -> list[Verdicts]:
    return [guarded(name, detector, night) for name, detector in DETECTORS if name in JUDGE_OUTCOMES]


@contextmanager
def _engine(history: History, settings: Settings, nights: int) -> Iterator[Crew]:
    yield _judging


_taken: tuple[Night, CauseTable, int] | None = None  # what a process was started with


def _take_over(night: Night, table: CauseTable, seed: int) -> None:
    global _taken
    _taken = night, table, seed


def _one_draw(number: int, calibration: float) -> Counter[str]:
    """False findings by kind of one draw of outcomes, all nights walked."""
    if _taken is None:
        raise RuntimeError("the process was started without the records")
    night, table, seed = _taken
    budget = night.settings.alarm_budget.model_copy(update={"calibration": calibration})
    settings = night.settings.model_copy(update={"alarm_budget": budget})
    drawn = redraw(night, np.random.default_rng([seed, number]))
    walked = replay(drawn, drawn.plates["day"].min().date(), night.as_of, settings, table, engine=_engine)
    if walked.failed:
        raise CalibrationError(f"{walked.failed[0].detector} could not be rehearsed: {walked.failed[0].reason}")
    return Counter(finding.evidence.kind for finding in walked.findings)
