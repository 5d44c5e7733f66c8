"""The next check: information by hand and by brute force; worth an hour; cautions."""

from __future__ import annotations

from math import log

import numpy as np
import pytest

from farmwatch.causes.checks import information, next_checks
from farmwatch.causes.posterior import doubted
from farmwatch.causes.questions import CODES
from farmwatch.causes.table import CauseTable
from farmwatch.settings import Settings


def _entropy(p: np.ndarray) -> float:
    p = p[p > 0]
    return float(-(p * np.log(p)).sum())


def test_a_check_that_tells_two_causes_apart_for_sure_is_worth_one_bit() -> None:
    assert information(np.array([0.5, 0.5]), np.eye(2)) == pytest.approx(log(2.0))


def test_a_check_with_the_same_results_under_all_causes_is_worth_nothing() -> None:
    assert information(np.array([0.2, 0.8]), np.array([[0.3, 0.7], [0.3, 0.7]])) == pytest.approx(0.0, abs=1e-15)


def test_information_is_the_expected_fall_of_entropy() -> None:
    rng = np.random.default_rng(4)
    probability, chances = rng.dirichlet(np.ones(6)), rng.dirichlet(np.ones(3), 6)
    result = probability @ chances
    after = sum(result[r] * _entropy(probability * chances[:, r] / result[r]) for r in range(3))
    assert information(probability, chances) == pytest.approx(_entropy(probability) - after)


def test_between_lot_and_lamp_the_old_lot_or_the_meter_is_asked_for(table: CauseTable, settings: Settings) -> None:
    probability = np.zeros(len(CODES))
    probability[[CODES.index("lamp_hot"), CODES.index("lot_fast")]] = 0.5
    checks = next_checks(probability, table, settings.causes)
    assert checks[0].code in ("irradiance_grid", "lot_beside_lot", "fresh_bottle")
    assert set(checks[0].tells_apart) == {"lamp_hot", "lot_fast"}
    worth = [information(probability, table.results[c.code]) / c.cost for c in checks]
    assert worth == sorted(worth, reverse=True)
    assert checks[0].code not in [c.code for c in next_checks(probability, table, settings.causes, (checks[0].code,))]


def test_where_one_cause_is_sure_the_check_that_proves_it_is_named(table: CauseTable, settings: Settings) -> None:
    sure = np.zeros(len(CODES))
    sure[CODES.index("film_worn")] = 1.0
    (proof,) = next_checks(sure, table, settings.causes)
    assert proof.tells_apart == ("film_worn",)
    result = doubted(table.results[proof.code], settings.causes)
    true, others = result[CODES.index("film_worn")], table.prior @ result
    # the result that it most likely gives under the cause is the one that speaks most for it
    assert np.argmax(true) == np.argmax(true / others)
    # a check has been done already: nobody is asked for a second proof
    assert next_checks(sure, table, settings.causes, done=(proof.code,)) == ()
    sure[:] = 0.0
    sure[CODES.index("unknown")] = 1.0
    assert next_checks(sure, table, settings.causes) == ()


def test_every_handling_check_carries_its_cautions(table: CauseTable, settings: Settings) -> None:
    everything = next_checks(table.prior, table, settings.causes.model_copy(update={"checks_at_most": 99}))
    assert len(everything) > 15
    for check in everything:
        if table.checks[check.code].desk:
            continue
        assert table.cautions["always"] in check.caution
        for caution in table.checks[check.code].cautions:
            assert table.cautions[caution] in check.caution
    assert {"resin", "solvent", "light", "machine", "plate_first", "tips", "waste"} <= {
        caution for check in table.checks.values() for caution in check.cautions
    }
