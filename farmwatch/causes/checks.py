"""Which check to do next: expected information for each hour of hands, and what each result would mean."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from farmwatch.causes.posterior import doubted
from farmwatch.causes.questions import CODES, UNKNOWN, percent
from farmwatch.causes.table import CauseTable
from farmwatch.evidence import NextCheck
from farmwatch.settings import CausesSection

#: information (natural units) below which a check is not worth naming at any price
_LEAST = 0.02
#: expected log of how much likelier its result is under a cause than under the others, from which a check proves it
_PROVES = 0.7


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
    seen, and what would then be most likely. Where one cause is so sure that no check moves much, and none was done yet,
    the one that proves or refutes it: a mend costs more than a look. It then tells apart that cause alone.
    """
    worth = []
    for code, check in table.checks.items():
        chances = doubted(table.results[code], settings)
        gain = information(probability, chances)
        if code not in done and gain >= _LEAST:
            worth.append((gain / check.hours, code, chances))
    worth.sort(key=lambda item: (-item[0], item[1]))
    if not worth and not done:
        return _confirming(probability, table, settings)
    return tuple(_describe(code, chances, probability, table) for _, code, chances in worth[: settings.checks_at_most])


def _confirming(probability: np.ndarray, table: CauseTable, settings: CausesSection) -> tuple[NextCheck, ...]:
    """The check that speaks most for the likeliest cause against all others, an hour, if that cause is true; or none."""
    first = int(np.argmax(probability))
    rest = np.delete(table.prior, first)
    best, chosen = 0.0, None
    for code, check in table.checks.items():
        chances = doubted(table.results[code], settings)
        true, others = chances[first], rest @ np.delete(chances, first, axis=0) / rest.sum()
        proof = float((true * np.log(true / others)).sum())
        if proof >= _PROVES and proof / check.hours > best:
            best, chosen = proof / check.hours, (code, chances)
    if chosen is None or CODES[first] == UNKNOWN:
        return ()
    code, chances = chosen
    ratio = chances[first] / (rest @ np.delete(chances, first, axis=0) / rest.sum())
    said = {
        name: f"{words}; {_speaks(float(ratio[place]))}"
        for place, (name, words) in enumerate(table.checks[code].results.items())
    }
    described = _describe(code, chances, probability, table)
    return (replace(described, tells_apart=(CODES[first],), means=said),)


def _speaks(ratio: float) -> str:
    """What a result means for a cause, by how much likelier it is under it than under the others."""
    if ratio >= 1.5:
        return "bears it out"
    return "speaks against it: look again before anything is mended" if ratio <= 1.0 / 1.5 else "says little of it"


def _describe(code: str, chances: np.ndarray, probability: np.ndarray, table: CauseTable) -> NextCheck:
    check = table.checks[code]
    result = probability @ chances
    after = probability[:, None] * chances / result
    moved = (result * np.abs(after - probability[:, None])).sum(axis=1)
    top = [i for i in np.argsort(-moved, kind="stable")[:3] if moved[i] > 0.005]
    means = {}
    for place, (name, words) in enumerate(check.results.items()):
        likeliest = int(np.argmax(after[:, place]))
        chance = percent(after[likeliest, place])
        means[name] = f"{words}; most likely then: {table.title(CODES[likeliest])} ({chance})"
    return NextCheck(
        check=f"{check.title[0].upper()}{check.title[1:]}. {check.does}",
        tells_apart=tuple(CODES[i] for i in top),
        cost=check.hours,
        code=code,
        means=means,
        caution=table.caution(check.cautions),
    )
