"""Each statistic against the nearest general-purpose library, at equal results: a ratio of processor time.

    python benchmarks/libraries.py

Above 1 farmwatch is slower. Each pair is checked to come to the same answer before it is timed.
"""

from __future__ import annotations

import os
import time
import warnings
from collections.abc import Callable
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")  # as the commands do

import numpy as np
import ruptures
from scipy import sparse
from scipy.stats import betabinom, linregress
from sklearn.linear_model import LogisticRegression
from statsmodels.duration.survfunc import survdiff
from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

from farmwatch.stats.change_points import optimal_starts, penalty_for
from farmwatch.stats.crossed import fit_crossed
from farmwatch.stats.heights import weighted_log_rank
from farmwatch.stats.plate_correlation import beta_binomial_log_likelihood
from farmwatch.stats.robust import huber_regression
from farmwatch.stats.straight_line import fit_line

Pair = tuple[str, Callable[[], Any], Callable[[], Any], Callable[[Any, Any], float]]
LEVELS = (24, 60, 80)
SD = np.array([0.5, 0.5, 0.8])


def best_of(job: Callable[[], Any], times: int) -> tuple[float, Any]:
    spent, answer = [], None
    for _ in range(times):
        begun = time.process_time()
        answer = job()
        spent.append(time.process_time() - begun)
    return min(spent), answer


def change_points(rng: np.random.Generator) -> Pair:
    values = rng.normal(size=600) + np.repeat([0.0, 2.0, 0.5, 1.5], 150)
    penalty = penalty_for(values.size)
    ours = lambda: optimal_starts(values, penalty, 3)[1:]  # noqa: E731
    theirs = lambda: np.array(ruptures.Pelt(model="l2", min_size=3, jump=1).fit(values).predict(penalty)[:-1])  # noqa: E731
    return "change points of 600 values: ruptures, PELT", ours, theirs, lambda a, b: float(np.abs(a - b).max())


def crossed(rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    codes = np.column_stack([rng.integers(0, count, 8000) for count in LEVELS])
    linear = -3.0 + sum(rng.normal(0, sd, n)[codes[:, i]] for i, (sd, n) in enumerate(zip(SD, LEVELS, strict=True)))
    trials = rng.integers(1, 12, 8000)
    return rng.binomial(trials, 1.0 / (1.0 + np.exp(-linear))), trials, codes


def crossed_known(rng: np.random.Generator) -> Pair:
    """Known spreads: ridge regression on columns as wide as their spread is the same maximum."""
    failures, trials, codes = crossed(rng)
    wide = one_hot(codes, SD)
    twice = sparse.vstack([wide, wide]).tocsr()
    outcome, weight = np.repeat([1, 0], len(codes)), np.concatenate([failures, trials - failures])

    def theirs() -> np.ndarray:
        model = LogisticRegression(C=1.0, solver="newton-cg", tol=1e-8, max_iter=200)
        return model.fit(twice, outcome, sample_weight=weight).coef_[0] * np.repeat(SD, LEVELS)

    ours = lambda: np.concatenate(fit_crossed(failures, trials, np.ones((8000, 1)), codes, LEVELS, sd=SD).effects)  # noqa: E731
    return "crossed effects, spreads known: scikit-learn", ours, theirs, lambda a, b: float(np.abs(a - b).max())


def crossed_unknown(rng: np.random.Generator) -> Pair:
    """Spreads estimated: the library's Laplace fit, a row a part, on a tenth of the plates."""
    failures, trials, codes = (each[:800] for each in crossed(rng))
    row = np.repeat(np.arange(800), trials)
    failed = np.concatenate([np.arange(n) < y for y, n in zip(failures, trials, strict=True)]).astype(float)
    columns, kind = one_hot(codes[row], np.ones(3)), np.repeat(np.arange(3), LEVELS)

    def theirs() -> np.ndarray:
        model = BinomialBayesMixedGLM(failed, np.ones((len(row), 1)), columns, kind, vcp_p=1.0, fe_p=10.0)
        return np.asarray(model.fit_map().vc_mean)

    ours = lambda: np.concatenate(fit_crossed(failures, trials, np.ones((800, 1)), codes, LEVELS).effects)  # noqa: E731
    return (
        "crossed effects of 800 plates: statsmodels, mixed",
        ours,
        theirs,
        lambda a, b: float(1.0 - np.corrcoef(a, b)[0, 1]),
    )


def one_hot(codes: np.ndarray, scale: np.ndarray) -> sparse.csr_matrix:
    start = np.concatenate([[0], np.cumsum(LEVELS)[:-1]])
    rows, values = np.repeat(np.arange(len(codes)), len(LEVELS)), np.tile(scale, len(codes))
    return sparse.csr_matrix((values, (rows, (codes + start).ravel())), shape=(len(codes), sum(LEVELS)))


def beta_binomial(rng: np.random.Generator) -> Pair:
    n = rng.integers(1, 14, 100_000)
    p, rho = rng.uniform(0.01, 0.3, n.size), 0.1
    y = rng.binomial(n, p)
    size = (1.0 - rho) / rho
    ours = lambda: beta_binomial_log_likelihood(y, n, p, rho)  # noqa: E731
    theirs = lambda: betabinom.logpmf(y, n, p * size, (1.0 - p) * size)  # noqa: E731
    return "beta-binomial, 100,000 plates: SciPy", ours, theirs, lambda a, b: float(np.abs(a - b).max())


def log_rank(rng: np.random.Generator) -> Pair:
    height, group = rng.exponential(30.0, 20_000).round(2), rng.random(20_000) < 0.2
    event = (rng.random(20_000) < 0.3).astype(int)
    ours = lambda: weighted_log_rank(height, event, group).chi2  # noqa: E731
    theirs = lambda: survdiff(height, event, group)[0]  # noqa: E731
    return "log-rank of 20,000 parts: statsmodels", ours, theirs, lambda a, b: abs(a / b - 1.0)


def robust(rng: np.random.Generator) -> Pair:
    import statsmodels.api as sm

    design = np.column_stack([np.ones(5000), rng.normal(size=(5000, 5))])
    response = design @ np.arange(6.0) + rng.standard_t(2, 5000)
    ours = lambda: huber_regression(design, response).coefficients  # noqa: E731
    theirs = lambda: sm.RLM(response, design, M=sm.robust.norms.HuberT()).fit(scale_est="mad").params  # noqa: E731
    return "Huber's regression, 5,000 runs: statsmodels", ours, theirs, lambda a, b: float(np.abs(a - b).max())


def line(rng: np.random.Generator) -> Pair:
    x = rng.normal(size=2000)
    y = 2.0 + 0.5 * x + rng.normal(size=2000)
    ours = lambda: fit_line(x, y).slope  # noqa: E731
    theirs = lambda: linregress(x, y).slope  # noqa: E731
    return "straight line of 2,000 pieces: SciPy", ours, theirs, lambda a, b: abs(a - b)


PAIRS: tuple[tuple[Callable[[np.random.Generator], Pair], float, int], ...] = (
    # the statistic, how far the answers may be apart, how often it is timed
    (change_points, 0.0, 3),
    (crossed_known, 1e-3, 3),
    (crossed_unknown, 0.02, 1),
    (beta_binomial, 1e-8, 5),
    (log_rank, 1e-9, 3),
    (robust, 1e-3, 5),
    (line, 1e-10, 50),
)


def main() -> None:
    print(f"{'statistic and library':52} {'farmwatch s':>11} {'library s':>10} {'ratio':>7} {'apart by':>9}")
    for make, apart, times in PAIRS:
        name, ours, theirs, distance = make(np.random.default_rng(1))
        mine, answer = best_of(ours, times)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the libraries' own remarks on convergence
            other, reference = best_of(theirs, times)
        far = distance(answer, reference)
        verdict = "" if far <= apart else "  NOT THE SAME"
        print(f"{name:52} {mine:11.4f} {other:10.4f} {mine / other:7.2f} {far:9.1e}{verdict}", flush=True)


if __name__ == "__main__":
    main()
