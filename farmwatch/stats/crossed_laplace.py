"""Maximum Laplace likelihood for the crossed model of :mod:`farmwatch.stats.crossed`.

The effects are integrated out by Laplace's method at their mode given fixed effects and standard deviations, and the
result is maximised over both. The fixed point of the quasi-likelihood is the start and gives the scale of the search;
the slope is exact, so a dozen looks at the likelihood do.

A reference: tests and ``benchmarks/crossed.py`` hold the fixed point, which the nights use, against it, and published
likelihoods against both. Use it where a standard deviation itself is the answer, or counts are small. Bad at: clusters of
very few binary outcomes, where Laplace's method itself understates the deviation.

Source: Pinheiro and Chao, J. Comput. Graph. Statist. 15 (2006); slope by the implicit function theorem.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from farmwatch.stats.crossed import FLAT_SD, Cells, CrossedFit, Start, climb, finish, fit_cells, laplace
from farmwatch.stats.crossed_design import Bordered, Design

SD_LEAST = 1e-3  # as good as none; the search is over logs
_MODE_STEPS = 50  # far more than a mode takes


def fit_laplace(
    failures: np.ndarray,
    trials: np.ndarray,
    fixed: np.ndarray,
    codes: np.ndarray,
    levels: tuple[int, ...],
    offset: np.ndarray | None = None,
    weights: np.ndarray | None = None,
    sd: np.ndarray | None = None,
    sd_prior_scale: np.ndarray | None = None,
    max_sd: float = 3.0,
    start: Start | None = None,
    fixed_prior_sd: np.ndarray | float = FLAT_SD,
) -> CrossedFit:
    """As :func:`farmwatch.stats.crossed.fit_crossed`, by maximum Laplace likelihood; ``iterations`` counts looks."""
    cells = Cells.of(failures, trials, fixed, codes, levels, offset, weights, fixed_prior_sd)
    known = np.full(len(levels), np.nan) if sd is None else np.asarray(sd, float)
    scale = np.full(len(levels), np.inf) if sd_prior_scale is None else np.asarray(sd_prior_scale, float)
    warm = fit_cells(cells, known, scale, max_sd, start)
    search = _Search(cells, Design.of(fixed, codes, levels, offset), warm, known, scale)
    columns = len(warm.fixed_effects)
    reach = [(np.log(SD_LEAST / value), np.log(max_sd / value)) for value in search.sd_start]
    bounds = [(None, None)] * columns + [
        (low / unit, high / unit) for (low, high), unit in zip(reach, search.unit, strict=True)
    ]
    best = minimize(
        search,
        np.zeros(columns + len(search.sd_start)),
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"maxiter": 200, "ftol": 1e-13, "gtol": 2e-4},
    )
    state = search.look(best.x)
    coefficients = np.empty(cells.design.size)
    for into, where in zip(cells.design.slices, state.cells.design.slices, strict=True):
        coefficients[into] = state.effects[where]
    coefficients[cells.design.fixed_slice] = state.fixed_effects
    settled = bool(np.max(np.abs(_projected(best.x, best.jac, bounds)), initial=0.0) < 1e-2)
    return finish(cells, coefficients, state.sd, settled, int(best.nfev))


def _projected(point: np.ndarray, slope: np.ndarray, bounds: list[tuple[float | None, float | None]]) -> np.ndarray:
    low = np.array([-np.inf if pair[0] is None else pair[0] for pair in bounds])
    high = np.array([np.inf if pair[1] is None else pair[1] for pair in bounds])
    return point - np.clip(point - slope, low, high)


@dataclass(frozen=True)
class _State:
    """The mode of the effects at one place of the search."""

    fixed_effects: np.ndarray
    sd: np.ndarray
    cells: Cells
    effects: np.ndarray
    linear: np.ndarray
    system: Bordered
    design: Design


class _Search:
    """Minus the Laplace likelihood and its slope, in units in which the likelihood is about equally curved.

    A place is the fixed effects' distance from the start in its standard errors, then the logarithm of each free
    standard deviation in units of ``1 / sqrt(2 effective levels)``.
    """

    def __init__(self, cells: Cells, design: Design, warm: CrossedFit, known: np.ndarray, scale: np.ndarray) -> None:
        self.full, self.design, self.warm, self.scale = cells, design, warm, scale
        self.free = np.isnan(known)
        self.sd_start = np.maximum(warm.sd[self.free], 0.02)
        effective = np.array(
            [max(len(v) - v.sum() / s**2, 0.5) for v, s in zip(warm.effect_variances, warm.sd, strict=True)]
        )
        self.unit = 1.0 / np.sqrt(2.0 * effective[self.free]) if self.free.any() else np.zeros(0)
        self.root = np.linalg.cholesky(warm.fixed_covariance)
        rows = len(cells.failures)
        self.effects_alone = replace(design, fixed=np.zeros((rows, 0)))
        self.inner = replace(cells, design=self.effects_alone, fixed_precision=np.zeros(0))
        self.system: Bordered | None = None
        self.effects = np.empty(self.inner.design.size)
        for into, where in zip(self.inner.design.slices, cells.design.slices, strict=True):
            self.effects[into] = warm.coefficients[where]

    def look(self, place: np.ndarray) -> _State:
        columns = len(self.warm.fixed_effects)
        fixed_effects = self.warm.fixed_effects + self.root @ place[:columns]
        sd = self.warm.sd.copy()
        sd[self.free] = self.sd_start * np.exp(self.unit * place[columns:])
        offset = self.design.offset + self.design.fixed @ fixed_effects
        design = replace(self.effects_alone, offset=offset)
        cells = replace(self.inner, design=design)
        linear = self.settle(cells, design, sd)
        self.system = design.cross_products(cells.residual(linear)[1], cells.penalty(sd))
        return _State(fixed_effects, sd, cells, self.effects, linear, self.system, design)

    def settle(self, cells: Cells, design: Design, sd: np.ndarray) -> np.ndarray:
        """Move the effects to their mode; the linear predictor there.

        The system of the last look serves until its steps stop shrinking fast.
        """
        penalty, last = cells.penalty(sd), np.inf
        system, linear = self.system, design.linear(self.effects)
        for _ in range(_MODE_STEPS):
            residual, curvature = cells.residual(linear)
            if system is None:
                system = design.cross_products(curvature, penalty)
            slope = design.transposed(residual) - penalty * self.effects
            self.effects, linear, moved = climb(cells, self.effects, linear, system.solve(slope), penalty)
            if moved < 1e-6:
                break
            system = system if moved < 0.3 * last else None
            last = moved
        return linear

    def __call__(self, place: np.ndarray) -> tuple[float, np.ndarray]:
        state = self.look(place)
        penalty = state.cells.penalty(state.sd)
        value = laplace(state.cells, state.effects, state.linear, penalty, state.system)
        value -= 0.5 * float(self.full.fixed_precision @ state.fixed_effects**2)
        value -= 0.5 * float(np.sum((state.sd / self.scale)[self.free] ** 2))
        on_fixed, on_log_sd = self.slope(state, penalty)
        return -value, -np.concatenate([self.root.T @ on_fixed, self.unit * on_log_sd[self.free]])

    def slope(self, state: _State, penalty: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """On the fixed effects and on the logarithms of the standard deviations.

        The log-determinant moves with the curvature of every row, and that with the mode: ``turn`` is half the change
        of a row's curvature times its leverage, ``pull`` what moving the mode does through it.
        """
        design = state.design
        residual, curvature = state.cells.residual(state.linear)
        turn = 0.5 * curvature * (1.0 - 2.0 * expit(state.linear)) * design.leverage(state.system)
        pull = state.system.solve(design.transposed(turn))
        fixed = self.design.fixed
        carried = curvature * (design.linear(pull) - design.offset)
        on_fixed = (residual - turn + carried) @ fixed - self.full.fixed_precision * state.fixed_effects
        diagonal = state.system.inverse_diagonal
        on_log_sd = np.empty(len(state.sd))
        for factor, where in enumerate(design.slices):
            effects, precision = state.effects[where], penalty[where]
            direct = float(precision @ (effects**2 + diagonal[where])) - len(effects)
            through = 2.0 * float(pull[where] @ (precision * effects))
            on_log_sd[factor] = direct - through - (state.sd[factor] / self.scale[factor]) ** 2
        return on_fixed, on_log_sd
