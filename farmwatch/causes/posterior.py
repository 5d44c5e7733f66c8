"""Bayes over causes: how likely each is, given a pattern, and which part of the pattern speaks for or against it.

Every item of the pattern gives one row of log-likelihoods, a number a cause:

* an answer, the table's share of it (of several that cannot be told apart, the weighted mean);
* a composition, the Dirichlet-multinomial of plates over answers, whose mean is the excess share of the cause's own
  distribution and for the rest the farm's background; its weight (in plates) is the trust that the table deserves,
  so that a hundred plates cannot be surer than the table is;
* an event near the beginning, or its absence, a Bernoulli whose chance is that of the cause or of a coincidence;
* the rank of a wear counter, the density k u^(k-1).

Rows are added with a power below one, because the answers come from the same plates. Results of checks are added in
full: they are fresh. Pairs of causes compete with single ones; of a pair each answer comes from either.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln

from farmwatch.causes.pattern import Pattern
from farmwatch.causes.questions import CODES, DISTRIBUTIONS
from farmwatch.causes.table import CauseTable
from farmwatch.settings import CausesSection

#: log-likelihood ratio against the other causes from which an item is said to speak for or against one
SPEAKS = 0.5


@dataclass(frozen=True)
class Posterior:
    """``probability`` (causes,) adds up to 1, in the order of :data:`CODES`; half of a pair's share goes to each.

    ``items`` words of each item of evidence; ``support`` (items, causes): how much more likely the item is under the
    cause than under the others together, natural log. ``pairs``: the likeliest pairs with their probability.
    """

    probability: np.ndarray
    items: tuple[str, ...]
    support: np.ndarray
    pairs: tuple[tuple[str, str, float], ...]


def weigh(pattern: Pattern, table: CauseTable, settings: CausesSection) -> Posterior:
    """The posterior over :data:`CODES` given ``pattern``."""
    words, single, pair = _rows(pattern, table, settings)
    number = len(CODES)
    first, second = np.triu_indices(number - 1, 1)
    with np.errstate(divide="ignore"):
        log_prior = np.log(table.prior)
        log_single = log_prior + single.sum(axis=0)
        log_pair = log_prior[first] + log_prior[second] + np.log(2.0 * settings.pair_factor) + pair.sum(axis=0)
    joint = np.concatenate([log_single, log_pair])
    joint = np.exp(joint - joint.max())
    joint /= joint.sum()
    probability = joint[:number].copy()
    np.add.at(probability, first, joint[number:] / 2.0)
    np.add.at(probability, second, joint[number:] / 2.0)
    best = np.argsort(-joint[number:])[:3]
    pairs = tuple((CODES[first[i]], CODES[second[i]], float(joint[number + i])) for i in best)
    return Posterior(probability, words, _support(single, table.prior), pairs)


def _support(rows: np.ndarray, prior: np.ndarray) -> np.ndarray:
    """Log-likelihood of each item under a cause, less that under the others by their priors."""
    top = rows.max(axis=1, keepdims=True)
    likelihood = np.exp(rows - top)
    others = (likelihood * prior).sum(axis=1, keepdims=True) - likelihood * prior
    with np.errstate(divide="ignore"):
        return rows - top - np.log(others / np.maximum(1.0 - prior, 1e-300))


def _rows(
    pattern: Pattern, table: CauseTable, settings: CausesSection
) -> tuple[tuple[str, ...], np.ndarray, np.ndarray]:
    """Words, and log-likelihood rows of the single causes and of the pairs of known causes."""
    first, second = np.triu_indices(len(CODES) - 1, 1)
    words: list[str] = []
    single: list[np.ndarray] = []
    pair: list[np.ndarray] = []

    def add(text: str, row: np.ndarray, power: float, pair_row: np.ndarray | None = None) -> None:
        if pair_row is None:
            pair_row = np.logaddexp(row[first], row[second]) - np.log(2.0)
        words.append(text)
        single.append(power * row)
        pair.append(power * pair_row)

    power = settings.evidence_weight
    for answer in pattern.answers:
        add(answer.words, np.log(_chance(answer.question, answer.answer, answer.share, table, settings)),
            power * answer.weight)  # fmt: skip
    weight = np.full(len(CODES), settings.table_weight)
    weight[-1] = settings.unknown_weight
    for composition in pattern.compositions:
        share = doubted(table.shares[composition.question], settings)
        mean = composition.excess * share + (1.0 - composition.excess) * composition.background
        both = composition.excess * (share[first] + share[second]) / 2.0
        both = both + (1.0 - composition.excess) * composition.background
        add(composition.words, dirichlet_multinomial(composition.counts, mean, weight), power,
            dirichlet_multinomial(composition.counts, both, np.full(len(first), settings.table_weight)))  # fmt: skip
    for nearby in pattern.nearby:
        chance = 1.0 - (1.0 - table.events[nearby.event]) * (1.0 - nearby.coincidence)
        chance = np.clip(chance, settings.table_doubt / 2.0, 1.0 - settings.table_doubt / 2.0)
        add(nearby.words, np.log(chance if nearby.near else 1.0 - chance), power)
    for age in pattern.ages:
        steep, rank = table.counters[age.counter], max(age.rank, 0.02)
        density = (1.0 - settings.table_doubt) * steep * rank ** (steep - 1.0) + settings.table_doubt
        add(age.words, np.log(density), power)
    for entered in pattern.entered:
        place = list(table.checks[entered.check].results).index(entered.result)
        chances = doubted(table.results[entered.check], settings)[:, place]
        add(f"the check {entered.check} showed: {table.checks[entered.check].results[entered.result]}",
            np.log(np.maximum(chances, 1e-6)), 1.0)  # fmt: skip
    if not single:
        return (), np.zeros((0, len(CODES))), np.zeros((0, len(first)))
    return tuple(words), np.array(single), np.array(pair)


def doubted(shares: np.ndarray, settings: CausesSection) -> np.ndarray:
    """Rows of shares with a little of the usual (the row of ``unknown``) mixed in: the table may be wrong."""
    return (1.0 - settings.table_doubt) * shares + settings.table_doubt * shares[-1]


def _chance(
    question: str, answer: str, share: np.ndarray | None, table: CauseTable, settings: CausesSection
) -> np.ndarray:
    if question in DISTRIBUTIONS:
        shares = doubted(table.shares[question], settings)
        if share is not None:
            return np.asarray(shares @ share)
        return np.asarray(shares[:, DISTRIBUTIONS[question].index(answer)])
    yes = doubted(table.yes[question], settings)
    if share is not None:
        return np.asarray(share[0] * yes + share[1] * (1.0 - yes))
    return yes if answer == "yes" else 1.0 - yes


def dirichlet_multinomial(counts: np.ndarray, mean: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Log-probability of ``counts`` (answers,), up to a term without the parameters; they need not be whole.

    ``mean`` (rows, answers) adds up to 1, ``weight`` (rows,) is the sum of the Dirichlet's parameters.
    """
    shape = weight[:, None] * mean
    return np.asarray(
        (gammaln(counts + shape) - gammaln(shape)).sum(axis=1) + gammaln(weight) - gammaln(weight + counts.sum())
    )
