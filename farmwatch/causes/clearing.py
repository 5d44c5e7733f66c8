"""Whether an action clears it: a failing plate before, a good one after, time and again."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import binom

from farmwatch.causes.context import Case
from farmwatch.causes.pattern import Answer
from farmwatch.causes.questions import YES_NO

#: actions after which a fault that comes and goes is well again, with the question each answers
ACTION_OF = {"power_clears": "power_cycled", "stirring_clears": "resin_stirred"}
#: chance of as many by coincidence below which a yes is whole, and below which it is half
_SURE, _LIKELY = 0.02, 0.15
#: chance of as many by coincidence from which it is a no; between that and a yes it says nothing
_EVEN = 0.5
#: rows at which a "no" counts half
_HALF = 3.0
#: a plate further from the action says nothing of it
_NEAR = np.timedelta64(3, "D")


def clears(case: Case, question: str) -> Answer | None:
    """Whether the plate before the action failed beyond what was expected, and the one after did not.

    Rows on the subject, or on the printers of its plates; each beside the plates of that printer. By coincidence a row
    lies between a failing and a good plate with chance f (1 - f), f the share of failing plates; the binomial tail of as
    many such rows or more says how sure a yes is. None without a row between two plates, or where chance would do.
    """
    number, failures, expected = case.per_plate if len(case.plates) else (np.array([]),) * 3
    told = number > 0
    plates, bad = case.plates[told], (failures > expected)[told] if len(number) else np.array([], bool)
    if len(plates) < case.context.settings.causes.plates_at_least:
        return None
    frame = case.context.plates
    start = frame["started_at"].to_numpy("datetime64[ns]")[plates]
    printer = frame["printer_id"].to_numpy(dtype=object)[plates]
    cleared = rows = 0
    for at, whose in _actions(case, ACTION_OF[question], set(printer)):
        mine = np.flatnonzero((printer == whose) if whose is not None else np.ones(len(plates), bool))
        mine = mine[np.argsort(start[mine], kind="stable")]
        after = int(np.searchsorted(start[mine], at))
        if 0 < after < len(mine) and max(at - start[mine[after - 1]], start[mine[after]] - at) <= _NEAR:
            rows += 1
            cleared += bool(bad[mine[after - 1]] and not bad[mine[after]])
    if not rows:
        return None
    share = (bad.sum() + 0.5) / (len(bad) + 1.0)
    chance = float(binom.sf(cleared - 1, rows, share * (1.0 - share)))
    yes = cleared > 0 and chance < _LIKELY
    if not yes and chance < _EVEN:
        return None
    weight = (1.0 if chance < _SURE else 0.5) if yes else rows / (rows + _HALF)
    words = f"{YES_NO[question][0 if yes else 1]} ({cleared} of {rows} times a good plate followed a failing one)"
    return Answer(question, "yes" if yes else "no", words, weight, run_ids=case.run_ids(plates[bad]))


def _actions(case: Case, action: str, printers: set[object]) -> list[tuple[np.datetime64, object]]:
    """Instants of the action since the beginning, each with the printer it was done to, None for the subject itself."""
    service, subject = case.context.service, case.evidence.subject
    rows = service[
        (service["action"] == action).to_numpy(bool)
        & (service["day"].to_numpy("datetime64[D]") >= np.datetime64(case.evidence.since_low, "D"))
    ]
    found: list[tuple[np.datetime64, object]] = []
    for at, kind, name in zip(rows["at"], rows["subject_type"], rows["subject_id"], strict=True):
        instant = pd.Timestamp(at).tz_convert("UTC").tz_localize(None).to_datetime64()
        if kind == "printer" and name in printers:
            found.append((instant, name))
        elif (kind, name) == (subject.type, subject.id):
            found.append((instant, None))
    return found
