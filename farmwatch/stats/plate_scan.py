"""Where on the plate: each plate is its own control.

Given how many of a plate's parts failed, which of them failed is random while no place is bad, each part weighted by its
own expected risk (its odds). Plates are kept in rows: the parts of plate i are entries ``start[i]`` to ``start[i + 1]``
of the entry arrays. A plate that failed whole, or not at all, says nothing about places and is left out by the caller.

Reference for the conditional law: Chen, Dempster and Liu, Biometrika 81 (1994) 457-469.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix


def conditional_inclusion(odds: np.ndarray, start: np.ndarray, failures: np.ndarray) -> np.ndarray:
    """Each part's exact probability of being among its plate's failures, given their number. Shape of ``odds``.

    ``odds``: p / (1 - p) of each entry's expected risk, positive. ``start``: shape (plates + 1,). ``failures``: shape
    (plates,), between 0 and the plate's parts. Parts fail independently given their odds. The recursion over the number
    of failures takes as many passes as the larger of the plates' smaller counts (failed or good).
    """
    length = np.diff(start)
    flip = failures * 2 > length
    turned = np.repeat(flip, length)
    weight = np.where(turned, 1.0 / odds, odds)
    target = np.where(flip, length - failures, failures).astype(int)
    included = np.zeros(len(odds))
    for count in range(1, int(target.max(initial=0)) + 1):
        active = target >= count
        entries = np.flatnonzero(np.repeat(active, length))
        part = weight[entries] * (1.0 - included[entries])
        first = np.concatenate([[0], np.cumsum(length[active])[:-1]])
        included[entries] = part * np.repeat(count / np.add.reduceat(part, first), length[active])
    return np.where(turned, 1.0 - included, included)


def zone_shares(share: np.ndarray, start: np.ndarray, part: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Per plate and zone, the sum of ``share`` over the plate's entries inside the zone: shape (plates, zones).

    ``share``: shape (entries,), for example each part's share of its plate's failures. ``part``: row of ``inside`` of
    each entry. ``inside``: shape (parts, zones), 0 or 1.
    """
    rows = csr_matrix((share.astype(inside.dtype), part, start), shape=(len(start) - 1, len(inside)))
    return np.asarray(rows @ inside)


def tilt(expected: np.ndarray, odds_ratio: np.ndarray | float) -> np.ndarray:
    """The expected share of a zone whose inside odds are ``odds_ratio`` times the outside ones."""
    return odds_ratio * expected / (1.0 + (odds_ratio - 1.0) * expected)


def log_e_values(observed: np.ndarray, expected: np.ndarray, ratio: float) -> np.ndarray:
    """Log e-value of each plate and zone for an odds ratio of ``ratio`` inside the zone; same shape as ``observed``.

    ``observed``: share of the plate's failures inside the zone; ``expected``: what it would be with no bad place. The
    average over the plate's failed parts of the likelihood ratio of one of them: its mean is 1 however strongly the
    parts of a plate pull each other down, because only where a single failed part lies is used.
    """
    lift = observed.dtype.type(ratio - 1.0)
    # log(1 + x), not log1p: x is no smaller than a share, and the plain logarithm is several times faster
    return np.asarray(np.log(1 + lift * observed) - np.log(1 + lift * expected))


def reference_odds(
    observed: np.ndarray, expected: np.ndarray, plates: np.ndarray, group_start: np.ndarray, prior_plates: float
) -> np.ndarray:
    """What the other subjects' plates say of each zone: odds ratio, at least 1, shape (streams, zones).

    ``observed``, ``expected``: shares summed over each stream's ``plates``, shape (streams, zones) and (streams,), streams
    sorted by group (``group_start``). A pattern which all subjects share (habits of placement, pulled neighbours, a fault
    of the whole farm) is taken out of each one's expectation; one that only this subject has is not. Never below 1, so
    that a fault elsewhere cannot make this subject look bad. ``prior_plates`` plates of no pattern are mixed in.
    """
    group = np.repeat(np.arange(len(group_start)), np.diff(np.append(group_start, len(plates))))
    seen, hoped, others = (np.add.reduceat(own, group_start)[group] - own for own in (observed, expected, plates))
    size = np.maximum(others[:, None], 1.0)
    typical = np.clip(hoped / size, 1e-3, 1.0 - 1e-3)
    seen, hoped = seen + prior_plates * typical, np.maximum(hoped, 0.0) + prior_plates * typical
    whole = size + prior_plates
    ratio = seen * np.maximum(whole - hoped, 1e-9) / (np.maximum(whole - seen, 1e-9) * np.maximum(hoped, 1e-9))
    return np.maximum(ratio, 1.0)


def steepest(ratio: float) -> float:
    """By how much a log e-value for ``ratio`` falls at most when the log odds of what is expected rise by one.

    With L = ratio - 1 and share t the slope is L t (1 - t) / (1 + L t), largest where (1 + L t)^2 = ratio.
    """
    return float((np.sqrt(ratio) - 1.0) / (np.sqrt(ratio) + 1.0))


@dataclass(frozen=True)
class ZoneEffect:
    """Odds ratio inside against outside with an interval at the level asked for; plates are the unit."""

    ratio: float
    low: float
    high: float


def zone_effect(failed_inside: np.ndarray, failures: np.ndarray, expected: np.ndarray, z: float = 1.96) -> ZoneEffect:
    """Odds ratio of failing inside a zone against outside, from plates.

    ``failed_inside``, ``failures``: counts, shape (plates,). ``expected``: share of the plate's failures expected inside,
    shape (plates,). Solves sum(failed_inside - failures * tilted share) = 0 with half a failure added on either side;
    the interval is a sandwich over plates, so parts that fall together widen it.
    """
    middle = float(np.average(expected, weights=failures))

    def excess(log_ratio: float) -> float:
        share = tilt(expected, np.exp(log_ratio))
        prior = 0.5 - float(tilt(np.array(middle), np.exp(log_ratio)))
        return float((failed_inside - failures * share).sum()) + prior

    low, high = -12.0, 12.0
    for _ in range(60):
        log_ratio = (low + high) / 2.0
        low, high = (log_ratio, high) if excess(log_ratio) > 0 else (low, log_ratio)
    share = tilt(expected, np.exp(log_ratio))
    slope = float((failures * share * (1.0 - share)).sum()) + 0.25
    spread = float(((failed_inside - failures * share) ** 2).sum()) + 0.25
    error = np.sqrt(max(spread, slope)) / slope
    return ZoneEffect(*(float(np.exp(log_ratio + step * error)) for step in (0.0, -z, z)))


def relabel(
    odds: np.ndarray, start: np.ndarray, failures: np.ndarray, count: int, rng: np.random.Generator
) -> np.ndarray:
    """Which parts fail, drawn anew within plates given each plate's total: bool of shape (count, entries).

    Exact draws from the conditional law, part by part: a part fails with its odds times the sum over ways to place the
    rest behind it, over the sum of all ways. A reference for tests and benchmarks: a night draws :func:`one_failure_each`.
    """
    length = np.diff(start)
    most, widest = int(failures.max(initial=0)), int(length.max(initial=0))
    plates = len(failures)
    padded = np.zeros((plates, widest))
    padded[np.repeat(np.arange(plates), length), np.arange(len(odds)) - np.repeat(start[:-1], length)] = odds
    typical = odds.mean() if len(odds) else 1.0
    padded /= typical  # the law does not change with the scale; the sums stay in range
    ways = np.zeros((widest + 1, plates, most + 1))
    ways[widest, :, 0] = 1.0
    for part in range(widest - 1, -1, -1):
        ways[part] = ways[part + 1]
        ways[part, :, 1:] += padded[:, part, None] * ways[part + 1, :, :-1]
    left = np.tile(failures.astype(int), (count, 1))
    drawn = np.zeros((count, len(odds)), dtype=bool)
    each = np.arange(plates)
    for part in range(widest):
        behind = ways[part + 1][each, np.maximum(left - 1, 0)]
        chance = np.where(left > 0, padded[:, part] * behind / ways[part][each, left], 0.0)
        hit = rng.random((count, plates)) < chance
        left -= hit
        reaches = length > part
        drawn[:, start[:-1][reaches] + part] = hit[:, reaches]
    return drawn


def one_failure_each(share: np.ndarray, start: np.ndarray, count: int, rng: np.random.Generator) -> np.ndarray:
    """One failed part drawn for each plate by ``share`` (sums to 1 in a plate): entry numbers, shape (count, plates).

    The relabelling for plates whose parts pull each other down: all failures of a plate count as one.
    """
    total = np.cumsum(share)
    before = np.concatenate([[0.0], total])[start[:-1]]
    width = total[start[1:] - 1] - before
    point = before + width * rng.random((count, len(before)))
    return np.clip(np.searchsorted(total, point, side="right"), start[:-1], start[1:] - 1)


def scan_p_value(
    failed_share: np.ndarray,
    expected_share: np.ndarray,
    start: np.ndarray,
    inside: np.ndarray,
    relabelled: np.ndarray,
    least_windows: int = 4,
) -> float:
    """How often relabelled plates show as strong a zone as the real ones: p-value of the maximum, at least 1/(count+1).

    The maximum is over zones and over windows of the latest plates (all, half, quarter, ... down to ``least_windows``
    plates) of Kulldorff's log likelihood ratio (Poisson model). ``failed_share``, ``expected_share``: (entries,), with
    equal sums in each plate: 1 where a plate counts as one failure, else its number of failures. ``inside``: (entries,
    zones). ``relabelled``: the same of (count, entries), from :func:`relabel` or :func:`one_failure_each`.
    """
    plates = len(start) - 1
    first_plate, windows = 0, []
    while plates - first_plate >= least_windows or first_plate == 0:
        windows.append(start[first_plate])
        first_plate += max((plates - first_plate) // 2, 1)
    expected = expected_share[:, None] * inside
    best = np.zeros(len(relabelled) + 1)
    whole = bool(np.all((relabelled == 0) | (relabelled == 1)))
    drawn, inside = relabelled.astype(np.float32), inside.astype(np.float32)
    for entry in windows:
        due = expected[entry:].sum(axis=0)
        total = float(expected_share[entry:].sum())
        zones = np.flatnonzero((due > 1e-6) & (due < total - 1e-6))
        if not len(zones):
            continue
        columns, due = inside[entry:][:, zones], due[zones]
        seen = np.minimum(failed_share[entry:] @ columns, total)
        best[0] = max(best[0], poisson_llr(seen, due, total).max())
        seen = np.minimum(drawn[:, entry:] @ columns, total)
        counts = np.arange(int(np.ceil(total)) + 1)
        if whole and len(counts) < len(drawn):
            # whole counts: the ratio of each is reckoned once and looked up, not for every drawing anew
            table = poisson_llr(np.minimum(counts, total)[:, None], due, total)
            ratio = table[np.rint(seen).astype(np.intp), np.arange(len(zones))]
        else:
            ratio = poisson_llr(seen, due, total)
        best[1:] = np.maximum(best[1:], ratio.max(axis=1))
    return float((1 + (best[1:] >= best[0] - 1e-6).sum()) / len(best))


def bernoulli_llr(cases: np.ndarray, size: np.ndarray, total_cases: float, total_size: float) -> np.ndarray:
    """Kulldorff's log likelihood ratio of a zone with ``cases`` of ``size`` against the rest (Bernoulli model), up only.

    Kulldorff, Communications in Statistics 26 (1997) 1481-1496. 0 where the zone's rate is not above the outside's.
    A reference: its published values tie down :func:`poisson_llr`, which the nights use.
    """
    cases, size = np.asarray(cases, float), np.asarray(size, float)
    rest, rest_size = total_cases - cases, total_size - size
    gain = _two_sided(cases, size) + _two_sided(rest, rest_size) - _two_sided(np.asarray(total_cases), total_size)
    return np.where(cases * rest_size > rest * size, gain, 0.0)


def poisson_llr(cases: np.ndarray, expected: np.ndarray, total_cases: float) -> np.ndarray:
    """Kulldorff's log likelihood ratio of a zone (Poisson model); ``expected`` sums to ``total_cases``; up only."""
    cases, expected = np.asarray(cases, float), np.asarray(expected, float)
    rest, rest_expected = total_cases - cases, np.maximum(total_cases - expected, 1e-300)
    gain = _times_log(cases, cases / expected) + _times_log(rest, rest / rest_expected)
    return np.where(cases > expected, gain, 0.0)


def _times_log(count: np.ndarray, ratio: np.ndarray) -> np.ndarray:
    return np.where(count > 0, count * np.log(np.where(count > 0, ratio, 1.0)), 0.0)


def _two_sided(cases: np.ndarray, size: np.ndarray | float) -> np.ndarray:
    rate = np.divide(cases, size, out=np.zeros_like(np.asarray(cases, float)), where=np.asarray(size) > 0)
    return np.asarray(_times_log(cases, rate) + _times_log(size - cases, 1.0 - rate))
