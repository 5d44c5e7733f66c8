"""One finding's causes and next checks, from its evidence and, where at hand, the plates of its night."""

from __future__ import annotations

import numpy as np

from farmwatch.causes.answers import better, read_pattern
from farmwatch.causes.checks import next_checks
from farmwatch.causes.context import Context
from farmwatch.causes.posterior import SPEAKS, Posterior, weigh
from farmwatch.causes.questions import CODES, UNKNOWN
from farmwatch.causes.table import CauseTable
from farmwatch.evidence import Cause, Finding, NextCheck
from farmwatch.settings import Settings


def diagnose(
    finding: Finding, table: CauseTable, settings: Settings, context: Context | None = None
) -> tuple[tuple[Cause, ...], tuple[NextCheck, ...]]:
    """Ranked causes and the checks worth doing next.

    ``context`` is the night's view, shared between findings; without it only what the finding itself says is weighed.
    Causes come highest first, ``unknown`` always among them; those below the listing limit are left out.
    """
    if better(finding.evidence) or finding.evidence.kind == "odd_run":
        # better than expected: nothing to mend; one odd run: too little to go by. The table says nothing of either
        return (Cause(UNKNOWN, 1.0),), ()
    pattern = read_pattern(finding, context, table)
    posterior = weigh(pattern, table, settings.causes)
    done = tuple(entered.check for entered in pattern.entered)
    return causes_of(posterior, settings), next_checks(posterior.probability, table, settings.causes, done)


def causes_of(posterior: Posterior, settings: Settings) -> tuple[Cause, ...]:
    """The causes worth listing, with what speaks for and against each, strongest first."""
    listed = []
    for place in np.argsort(-posterior.probability, kind="stable"):
        code, probability = CODES[place], float(posterior.probability[place])
        if probability >= settings.causes.show_at_least or code == UNKNOWN:
            support = posterior.support[:, place]
            order = np.argsort(-np.abs(support), kind="stable")
            speaks_for = tuple(posterior.items[i] for i in order if support[i] > SPEAKS)
            against = tuple(posterior.items[i] for i in order if support[i] < -SPEAKS)
            listed.append(Cause(code, probability, speaks_for, against))
    return tuple(listed)
