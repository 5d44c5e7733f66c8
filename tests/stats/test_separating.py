"""The plates that would tell two suspects apart: their information by a second route, their number by simulation."""

import numpy as np
import pytest
from scipy.special import expit, logit
from scipy.stats import betabinom

from farmwatch.stats.plate_correlation import beta_binomial_log_likelihood
from farmwatch.stats.separable import rivals
from farmwatch.stats.separating import plates_to_separate, readings_to_separate, separating_plates


def test_information_is_the_sum_over_all_outcomes() -> None:
    """Second route: scipy's distributions, term by term."""
    parts, rho, calm = 9, 0.2, 0.06
    raised = expit(logit(calm) + np.log(3.0))
    share = (1 - rho) / rho
    outcomes = np.arange(parts + 1)
    low = betabinom.logpmf(outcomes, parts, calm * share, (1 - calm) * share)
    high = betabinom.logpmf(outcomes, parts, raised * share, (1 - raised) * share)
    needed = plates_to_separate(calm, 3.0, parts, rho, chance=0.5)
    assert needed.if_raised[0] == pytest.approx(np.exp(high) @ (high - low), rel=1e-9)
    assert needed.if_not[0] == pytest.approx(np.exp(low) @ (low - high), rel=1e-9)
    assert needed.plates[0] == np.ceil(3.0 / min(needed.if_raised[0], needed.if_not[0]))
    assert plates_to_separate(calm, 3.0, parts, rho, chance=0.9).plates[0] > needed.plates[0]


def test_without_correlation_parts_add_up() -> None:
    needed = plates_to_separate(np.array([0.05, 0.05]), 3.0, np.array([1, 12]), 0.0)
    assert needed.if_raised[1] == pytest.approx(12 * needed.if_raised[0], rel=1e-9)
    raised = expit(logit(0.05) + np.log(3.0))
    one = raised * np.log(raised / 0.05) + (1 - raised) * np.log((1 - raised) / 0.95)
    assert needed.if_raised[0] == pytest.approx(one, rel=1e-9)


def test_correlation_makes_plates_worth_less() -> None:
    needed = [plates_to_separate(0.05, 3.0, 10, rho).plates[0] for rho in (0.0, 0.1, 0.3, 0.6)]
    assert needed == sorted(needed)
    assert needed[-1] > 2 * needed[0]


def test_the_stated_plates_do_tell() -> None:
    """Simulation: after the stated number of plates the log-likelihood ratio passes the target with the stated chance."""
    rng = np.random.default_rng(9)
    calm, parts, rho = 0.05, 10, 0.15
    raised = expit(logit(calm) + np.log(3.0))
    needed = plates_to_separate(calm, 3.0, parts, rho, chance=0.8)
    count, farms, shares = int(needed.plates[0]), 4000, []
    for truth, sign in ((raised, 1.0), (calm, -1.0)):
        share = (1 - rho) / rho
        failures = rng.binomial(parts, rng.beta(truth * share, (1 - truth) * share, (farms, count)))
        ratio = sign * (
            beta_binomial_log_likelihood(failures, parts, raised, rho)
            - beta_binomial_log_likelihood(failures, parts, calm, rho)
        ).sum(axis=1)
        shares.append((ratio > 3.0).mean())
    assert min(shares) == pytest.approx(0.8, abs=0.06)  # the sum is only nearly normal


def test_rivals_are_cleared_after_the_stated_plates() -> None:
    """The two agree: with the stated plates elsewhere the printer stands alone about as often as promised."""
    rate, rho, alone = 0.05, 0.15, 0
    known = 60 * 7.5 * 0.136 * 0.864 / (1 + 6.5 * rho)  # information of 60 plates of both at the raised rate
    elsewhere = int(plates_to_separate(rate, 3.0, 8, rho, chance=0.8, effect_information=known).plates[0])
    for seed in range(150):
        rng = np.random.default_rng(seed)
        trials = rng.integers(4, 12, 60 + elsewhere)
        printer = np.concatenate([np.zeros(60, int), np.ones(elsewhere, int)])
        risk = expit(logit(rate) + np.log(3.0) * (printer == 0))
        share = (1 - rho) / rho
        failures = rng.binomial(trials, rng.beta(risk * share, (1 - risk) * share))
        codes = np.column_stack([printer, np.zeros_like(printer)])
        weights = 1 / (1 + (trials - 1) * rho)
        alone += rivals(failures, trials, np.full(len(trials), logit(rate)), codes, (0, 0), weights) == ()
    assert 0.68 < alone / 150 < 0.92


def test_no_number_of_plates_helps_where_the_effect_itself_is_weak() -> None:
    weak = plates_to_separate(0.05, 3.0, 8, 0.1, effect_information=4.0)  # at most half of 4 log(3)^2 = 2.4
    assert np.isinf(weak.plates[0])
    better = plates_to_separate(0.05, 3.0, 8, 0.1, effect_information=20.0)
    sure = plates_to_separate(0.05, 3.0, 8, 0.1)
    assert better.plates[0] > sure.plates[0]


def test_cheapest_plates_first_and_only_plates_that_tell() -> None:
    expected = np.array([[0.05, 0.02, 0.10], [0.04, 0.03, 0.05], [0.20, 0.06, 0.07]])
    expected[1, 1] = np.nan
    listed = separating_plates(expected, (0, 1), 3.0, 8, 0.1)
    # the second lot on the third printer; the first printer with the other two lots; not on the second printer
    assert {(plan.one, plan.two) for plan in listed} == {(2, 1), (0, 0), (0, 2)}
    assert [plan.plates for plan in listed] == sorted(plan.plates for plan in listed)
    by_place = {(plan.one, plan.two): plan.plates for plan in listed}
    assert by_place[0, 2] == plates_to_separate(0.10, 3.0, 8, 0.1).plates[0]
    # where more fails anyway, a plate tells more
    assert (listed[0].one, listed[0].two) == (0, 2)
    assert separating_plates(expected, (0, 1), 1.0, 8, 0.1) == ()
    assert separating_plates(np.array([[0.05]]), (0, 0), 3.0, 8, 0.1) == ()


@pytest.mark.parametrize("limit", [0.5, 0.8])
def test_few_plates_leave_the_two_entangled_and_then_twice_the_evidence_is_asked(limit: float) -> None:
    """Plates are enough once they untie the two (their share of the information, by hand), or at the doubled target."""
    parts, rho, expected, information = 10, 0.2, 0.05, 20.0
    of_a_plate = parts * expected * (1 - expected) / (1 + (parts - 1) * rho)
    untied = information * (limit**-2 - 1) / of_a_plate

    def needed(target: float, correlation_limit: float) -> float:
        found = plates_to_separate(expected, 3.0, parts, rho, target, 0.8, information, correlation_limit)
        return float(found.plates[0])

    plain, twice = needed(3.0, 0.999), needed(6.0, 0.999)
    assert plain < untied
    assert needed(3.0, limit) == pytest.approx(min(twice, np.ceil(untied)), abs=1.0)
    assert needed(3.0, limit) > plain


def test_no_readings_help_without_a_step_or_without_an_error_to_judge_by() -> None:
    for step, error in ((0.0, 1.0), (np.nan, 1.0), (1.0, 0.0), (1.0, -1.0), (1.0, np.nan)):
        assert readings_to_separate(step, error) == np.inf
    assert np.isfinite(readings_to_separate(-2.0, 1.0))
