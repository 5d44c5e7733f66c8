"""Which check to do next: expected information for each hour of hands, and what each result would mean."""

from __future__ import annotations

import numpy as np

from farmwatch.causes.posterior import doubted
from farmwatch.causes.questions import CODES
from farmwatch.causes.table import CauseTable
from farmwatch.evidence import NextCheck
from farmwatch.settings import CausesSection

#: information (natural units) below which a check is not worth naming at any price
_LEAST = 0.02


def information(probability: np.ndarray, chances: np.ndarray) -> float:
    """Expected fall of entropy, in natural units, from a check with ``chances`` (causes, results), rows adding up to 1."""
    result = probability @ chances
    joint = probability[:, None] * chances
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(joint > 0.0, np.log(chances / result), 0.0)
    return float((joint * ratio).sum())


def next_checks(
    probability: np.ndarray, table: CauseTable, settings: CausesSection, done: tuple[str, ...] = ()
) -> tuple[NextCheck, ...]:
    """Checks by information per hour, best first, without those already ``done``.

    ``tells_apart`` are the causes whose probability the check would move most; ``means`` says for each result what was
    seen, and what would then be most likely.
    """
    worth = []
    for code, check in table.checks.items():
        chances = doubted(table.results[code], settings)
        gain = information(probability, chances)
        if code not in done and gain >= _LEAST:
            worth.append((gain / check.hours, code, chances))
    worth.sort(key=lambda item: (-item[0], item[1]))
    return tuple(_describe(code, chances, probability, table) for _, code, chances in worth[: settings.checks_at_most])


def _describe(code: str, chances: np.ndarray, probability: np.ndarray, table: CauseTable) -> NextCheck:
    check = table.checks[code]
    result = probability @ chances
    after = probability[:, None] * chances / result
    moved = (result * np.abs(after - probability[:, None])).sum(axis=1)
    top = [i for i in np.argsort(-moved, kind="stable")[:3] if moved[i] > 0.005]
    means = {}
    for place, (name, words) in enumerate(check.results.items()):
        likeliest = int(np.argmax(after[:, place]))
        means[name] = f"{words}; most likely then: {table.title(CODES[likeliest])} ({after[likeliest, place]:.0%})"
    return NextCheck(
        check=f"{check.title[0].upper()}{check.title[1:]}. {check.does}",
        tells_apart=tuple(CODES[i] for i in top),
        cost=check.hours,
        code=code,
        means=means,
        caution=table.caution(check.cautions),
    )
