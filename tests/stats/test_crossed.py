"""The crossed model against second routes: a plain GLM, dense algebra written out, replication, known truth."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit, gammaln

from farmwatch.stats.crossed import Cells, climb, fit_crossed, linear_predictor, schall
from farmwatch.stats.crossed_design import Design, SingularDesignError

LEVELS = (6, 15, 9)


def cells(seed: int, rows: int = 400, sd: tuple[float, ...] = (0.5, 0.7, 0.3)) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    fixed = np.column_stack([np.ones(rows), rng.normal(size=(rows, 2))])
    codes = np.column_stack([rng.integers(-1 if factor == 2 else 0, LEVELS[factor], rows) for factor in range(3)])
    linear = fixed @ np.array([-2.0, 0.4, -0.2])
    for factor in range(3):
        linear = linear + np.append(rng.normal(0, sd[factor], LEVELS[factor]), 0.0)[codes[:, factor]]
    trials = rng.integers(1, 12, rows)
    return {
        "failures": rng.binomial(trials, expit(linear)),
        "trials": trials,
        "fixed": fixed,
        "codes": codes,
        "offset": rng.normal(0, 0.2, rows),
        "weights": rng.uniform(0.5, 1.0, rows),
    }


def written_out(data: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """The design as a plain matrix, fixed columns first, and the factor of each column (-1 fixed)."""
    blocks, owner = [data["fixed"]], [-1] * data["fixed"].shape[1]
    for factor, count in enumerate(LEVELS):
        blocks.append((data["codes"][:, [factor]] == np.arange(count)).astype(float))
        owner += [factor] * count
    return np.hstack(blocks), np.array(owner)


def test_equals_a_plain_glm_when_the_effects_are_held_at_zero() -> None:
    import statsmodels.api as sm

    data = cells(1)
    fit = fit_crossed(levels=LEVELS, sd=np.zeros(3), fixed_prior_sd=np.inf, **data)
    counts = np.column_stack([data["failures"], data["trials"] - data["failures"]])
    plain = sm.GLM(
        counts, data["fixed"], family=sm.families.Binomial(), offset=data["offset"], var_weights=data["weights"]
    ).fit(tol=1e-12)
    np.testing.assert_allclose(fit.fixed_effects, plain.params, rtol=1e-5)
    np.testing.assert_allclose(fit.fixed_covariance, plain.cov_params(), rtol=1e-4, atol=1e-9)
    assert max(np.abs(effects).max() for effects in fit.effects) < 1e-5


def test_mode_covariance_and_laplace_agree_with_dense_algebra() -> None:
    data = cells(2)
    sd = np.array([0.5, 0.7, 0.3])
    fit = fit_crossed(levels=LEVELS, sd=sd, fixed_prior_sd=np.inf, **data)
    matrix, owner = written_out(data)
    precision = np.where(owner < 0, 0.0, 1.0 / np.append(sd, np.inf)[owner] ** 2)
    weights, trials, failures = data["weights"], data["trials"], data["failures"]

    def loss(theta: np.ndarray) -> float:
        linear = data["offset"] + matrix @ theta
        inside = weights @ (failures * linear - trials * np.logaddexp(0, linear))
        return float(0.5 * precision @ theta**2 - inside)

    def slope(theta: np.ndarray) -> np.ndarray:
        probability = expit(data["offset"] + matrix @ theta)
        return precision * theta - matrix.T @ (weights * (failures - trials * probability))

    best = minimize(loss, np.zeros(len(owner)), jac=slope, method="BFGS", options={"gtol": 1e-7, "maxiter": 2000})
    mode = np.concatenate([fit.fixed_effects, *fit.effects])
    np.testing.assert_allclose(mode, best.x, atol=2e-5)

    probability = expit(data["offset"] + matrix @ mode)
    hessian = matrix.T @ ((weights * trials * probability * (1 - probability))[:, None] * matrix) + np.diag(precision)
    inverse = np.linalg.inv(hessian)
    np.testing.assert_allclose(np.concatenate(fit.effect_variances), np.diag(inverse)[3:], rtol=1e-9)
    np.testing.assert_allclose(fit.fixed_covariance, inverse[:3, :3], rtol=1e-8, atol=1e-12)
    two = np.zeros((len(mode), 2))
    two[[fit.slices[0].start + 2, fit.slices[1].start + 11], [0, 1]] = 1.0
    rows = [3 + 2, 3 + 6 + 11]
    np.testing.assert_allclose(two.T @ fit.precision.solve(two), inverse[np.ix_(rows, rows)], rtol=1e-8, atol=1e-12)

    random = owner >= 0
    choose = weights @ (gammaln(trials + 1) - gammaln(failures + 1) - gammaln(trials - failures + 1))
    by_hand = (
        -loss(mode) + choose - 0.5 * np.linalg.slogdet(hessian[np.ix_(random, random)])[1]
        + 0.5 * np.log(precision[random]).sum()
    )  # fmt: skip
    assert fit.log_likelihood == pytest.approx(by_hand, rel=1e-10)


def test_weights_are_replication() -> None:
    data = cells(3)
    data["weights"] = np.random.default_rng(0).integers(1, 4, 400).astype(float)
    times = data["weights"].astype(int)
    repeated = {name: np.repeat(column, times, axis=0) for name, column in data.items()}
    repeated["weights"] = np.ones(times.sum())
    one, two = fit_crossed(levels=LEVELS, **data), fit_crossed(levels=LEVELS, **repeated)
    np.testing.assert_allclose(one.coefficients, two.coefficients, rtol=1e-7, atol=1e-10)
    np.testing.assert_allclose(one.sd, two.sd, rtol=1e-8)


def test_cells_are_sums_of_their_rows() -> None:
    data = cells(4)
    single = {name: np.repeat(column, data["trials"], axis=0) for name, column in data.items()}
    number = np.arange(len(single["trials"])) - np.repeat(np.cumsum(data["trials"]) - data["trials"], data["trials"])
    single["failures"] = (number < single["failures"]).astype(int)
    single["trials"] = np.ones_like(number)
    one, two = fit_crossed(levels=LEVELS, **data), fit_crossed(levels=LEVELS, **single)
    np.testing.assert_allclose(one.coefficients, two.coefficients, rtol=1e-6, atol=1e-8)


def test_order_of_rows_and_factors_does_not_matter() -> None:
    data = cells(5)
    shuffle = np.random.default_rng(1).permutation(400)
    one = fit_crossed(levels=LEVELS, **data)
    two = fit_crossed(levels=LEVELS, **{name: column[shuffle] for name, column in data.items()})
    np.testing.assert_allclose(one.coefficients, two.coefficients, rtol=1e-7, atol=1e-10)
    data["codes"] = data["codes"][:, [1, 0, 2]]
    three = fit_crossed(levels=(15, 6, 9), **data)
    np.testing.assert_allclose(one.effects[0], three.effects[1], rtol=1e-7, atol=1e-10)


def test_schall_is_a_fixed_point_of_its_equation() -> None:
    data = cells(6)
    fit = fit_crossed(levels=LEVELS, **data)
    assert fit.converged
    for effects, variances, sd in zip(fit.effects, fit.effect_variances, fit.sd, strict=True):
        effective = len(effects) - variances.sum() / sd**2
        assert sd**2 == pytest.approx(effects @ effects / effective, rel=0.01)


def test_finds_the_effects_that_were_put_in() -> None:
    rng = np.random.default_rng(8)
    levels, rows = (24, 40, 120), 20_000
    codes = np.column_stack([rng.integers(0, count, rows) for count in levels])
    truth = [rng.normal(0, sd, count) for sd, count in zip((0.5, 0.6, 0.8), levels, strict=True)]
    linear = -3.0 + sum(effects[codes[:, factor]] for factor, effects in enumerate(truth))
    trials = rng.integers(1, 12, rows)
    failures = rng.binomial(trials, expit(linear))
    fit = fit_crossed(failures, trials, np.ones((rows, 1)), codes, levels)
    np.testing.assert_allclose(fit.sd, [0.5, 0.6, 0.8], rtol=0.35)
    for effects, true in zip(fit.effects, truth, strict=True):
        assert np.corrcoef(effects, true)[0, 1] > 0.95


def test_leaving_a_factor_out_and_levels_without_name() -> None:
    data = cells(9)
    fit = fit_crossed(levels=LEVELS, **data)
    full = linear_predictor(fit, data["fixed"], data["codes"], data["offset"])
    without = linear_predictor(fit, data["fixed"], data["codes"], data["offset"], leave_out=(1,))
    np.testing.assert_allclose(full - without, fit.effects[1][data["codes"][:, 1]], rtol=1e-12, atol=1e-12)
    nameless = linear_predictor(fit, data["fixed"], np.full((400, 3), -1))
    np.testing.assert_allclose(nameless, data["fixed"] @ fit.fixed_effects, rtol=1e-12)
    everything = Cells.of(levels=LEVELS, **data).design.linear(fit.coefficients)
    np.testing.assert_allclose(full, everything, rtol=1e-12)


def test_levels_never_seen_keep_their_prior() -> None:
    data = cells(10)
    data["codes"] = np.where(data["codes"] == 4, -1, data["codes"])
    fit = fit_crossed(levels=LEVELS, sd=np.array([0.5, 0.7, 0.3]), **data)
    assert fit.effects[0][4] == 0.0
    assert fit.effect_variances[0][4] == pytest.approx(0.25, rel=1e-12)


@pytest.mark.parametrize("outcome", ["good", "failed"])
def test_all_alike_stays_finite_under_a_prior(outcome: str) -> None:
    data = cells(11)
    data["failures"] = data["trials"] * (outcome == "failed")
    fit = fit_crossed(levels=LEVELS, sd_prior_scale=np.ones(3), fixed_prior_sd=5.0, **data)
    assert fit.converged
    assert np.isfinite(fit.log_likelihood)
    expected = expit(linear_predictor(fit, data["fixed"], data["codes"], data["offset"]))
    assert np.abs(expected - (outcome == "failed")).max() < 0.05


def test_a_covariate_that_no_failure_ever_had_stays_finite() -> None:
    data = cells(15)
    never = (np.arange(400) % 5 == 0).astype(float)
    data["fixed"] = np.column_stack([data["fixed"], never])
    data["failures"] = np.where(never > 0, 0, data["failures"])
    fit = fit_crossed(levels=LEVELS, **data)
    assert fit.converged
    assert -20 < fit.fixed_effects[3] < -5


def test_a_factor_without_levels_changes_nothing() -> None:
    data = cells(16)
    one = fit_crossed(levels=LEVELS, **data)
    data["codes"] = np.column_stack([data["codes"], np.full(400, -1)])
    two = fit_crossed(levels=(*LEVELS, 0), **data)
    np.testing.assert_allclose(one.fixed_effects, two.fixed_effects, rtol=1e-6)
    assert two.effects[3].shape == (0,)
    data["codes"] = np.full((400, 2), -1)
    assert fit_crossed(levels=(0, 0), **data).converged


def test_no_factor_at_all_and_one_row() -> None:
    none = np.zeros((3, 0), int)
    fit = fit_crossed(np.array([1, 2, 0]), np.array([5, 9, 6]), np.ones((3, 1)), none, (), fixed_prior_sd=np.inf)
    assert expit(fit.fixed_effects[0]) == pytest.approx(3 / 20, rel=1e-6)
    one = fit_crossed(np.array([1]), np.array([4]), np.ones((1, 1)), np.zeros((1, 1), int), (1,), fixed_prior_sd=5.0)
    assert np.isfinite(one.log_likelihood)


def test_refuses_what_cannot_be_fitted() -> None:
    data = cells(12)
    data["fixed"] = np.column_stack([data["fixed"], data["fixed"][:, 0]])
    with pytest.raises(SingularDesignError, match="depend on each other"):
        fit_crossed(levels=LEVELS, fixed_prior_sd=np.inf, **data)
    twice = fit_crossed(levels=LEVELS, **data)  # under the default prior the twins share what is theirs
    assert twice.converged
    assert twice.fixed_effects[0] == pytest.approx(twice.fixed_effects[3], rel=1e-6)
    with pytest.raises(ValueError, match="levels outside"):
        Design.of(np.ones((2, 1)), np.array([[0], [3]]), (3,), None)
    with pytest.raises(ValueError, match="shape"):
        Design.of(np.ones((2, 1)), np.array([[0], [1]]), (3, 2), None)


def test_converges_within_a_few_steps_on_a_whole_farm() -> None:
    rng = np.random.default_rng(14)
    rows, levels = 30_000, (24, 40, 120, 30, 10, 8, 12, 60, 46)
    codes = np.column_stack([rng.integers(0, count, rows) for count in levels])
    fixed = np.column_stack([np.ones(rows), rng.normal(size=(rows, 9))])
    linear = -3.0 + sum(rng.normal(0, 0.4, count)[codes[:, factor]] for factor, count in enumerate(levels))
    trials = rng.integers(1, 12, rows)
    failures = rng.binomial(trials, expit(linear))
    fit = fit_crossed(failures, trials, fixed, codes, levels)
    assert fit.converged
    assert fit.iterations < 15


def test_a_factor_that_does_nothing_does_not_creep_to_zero() -> None:
    """The plain fixed point takes hundreds of steps towards a spread of nothing; the same fit is found in a few."""
    rng = np.random.default_rng(15)
    codes = np.column_stack([rng.integers(0, 20, 4000), rng.integers(0, 200, 4000)])
    linear = -2.0 + rng.normal(0, 0.5, 20)[codes[:, 0]]
    trials = np.full(4000, 8)
    failures = rng.binomial(trials, expit(linear))
    fit = fit_crossed(failures, trials, np.ones((4000, 1)), codes, (20, 200))
    assert fit.converged
    assert fit.iterations < 40
    without = fit_crossed(failures, trials, np.ones((4000, 1)), codes[:, :1], (20,))
    assert fit.sd[0] == pytest.approx(without.sd[0], rel=0.01)
    assert fit.sd[1] < 0.1


def test_leverage_is_the_quadratic_form_of_every_row() -> None:
    rng = np.random.default_rng(5)
    levels, rows = (3, 7, 4), 60
    codes = np.column_stack([rng.integers(-1, count, rows) for count in levels])
    design = Design.of(np.zeros((rows, 0)), codes, levels, np.zeros(rows))
    precision, weights = rng.uniform(0.5, 2.0, sum(levels)), rng.uniform(0.1, 1.0, rows)
    full = np.zeros((rows, sum(levels)))
    for factor, where in enumerate(design.slices):
        known = np.flatnonzero(codes[:, factor] >= 0)
        full[known, np.arange(where.start, where.stop)[codes[known, factor]]] = 1.0
    inverse = np.linalg.inv(full.T @ (weights[:, None] * full) + np.diag(precision))
    told = design.leverage(design.cross_products(weights, precision))
    np.testing.assert_allclose(told, np.einsum("ri,ij,rj->r", full, inverse, full), rtol=1e-9)


@pytest.mark.parametrize("scale", [0.4, 3.0])
def test_updated_spreads_solve_their_equation(scale: float) -> None:
    """effective v + v^2 / scale^2 = squares, with the number of effects that the data leave free."""
    data = cells(3)
    made = Cells.of(**data, levels=LEVELS)
    sd = np.array([0.5, 0.6, 0.4])
    penalty = made.penalty(sd)
    coefficients = np.random.default_rng(1).normal(0.0, 0.3, len(penalty))
    system = made.design.cross_products(made.residual(made.design.linear(coefficients))[1], penalty)
    updated = schall(made, coefficients, system, sd, np.full(3, scale), 10.0)
    for factor, where in enumerate(made.design.slices):
        free = (where.stop - where.start) - system.inverse_diagonal[where].sum() / sd[factor] ** 2
        v, squares = updated[factor] ** 2, np.sum(coefficients[where] ** 2)
        assert free * v + v**2 / scale**2 == pytest.approx(squares, rel=1e-9)


def test_a_step_that_the_penalty_forbids_is_halved() -> None:
    made = Cells.of(**cells(4), levels=LEVELS)
    penalty = made.penalty(np.full(3, 0.05))
    start = np.zeros(len(penalty))
    linear = made.design.linear(start)
    step = np.full(len(penalty), 2.0)
    reached, moved, largest = climb(made, start, linear, step, penalty)

    def objective(coefficients: np.ndarray) -> float:
        return made.log_likelihood(made.design.linear(coefficients)) - 0.5 * float(penalty @ coefficients**2)

    assert objective(reached) >= objective(start) - 1e-6 * abs(objective(start)) or largest < 1e-3
    assert objective(start + step) < objective(start)
    np.testing.assert_allclose(moved, made.design.linear(reached))
