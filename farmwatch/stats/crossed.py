"""Whose fault: a logistic model of failures with crossed random intercepts for everything a plate has a name of.

    logit P(failure) = offset + fixed effects + printer + lot + design + ...,    each effect ~ N(0, sd^2) of its factor

fitted on cells of binomial counts. Printers, lots and designs cross: each takes its share of the blame given all the
others, and few plates move a level little (shrinkage). Standard deviations are estimated by Schall's fixed point
(penalised quasi-likelihood) here, and by maximum Laplace likelihood in :mod:`farmwatch.stats.crossed_laplace`.

Assumes levels of one factor are alike but for a normal effect, and effects add on the log-odds. Bad at: factors of few
levels (two or three levels say little of a standard deviation: give a prior scale), and small counts, where the fixed
point understates standard deviations. Overdispersed cells must be weighted down (``weights``).

Source: Schall, Biometrika 78 (1991); Breslow and Clayton, JASA 88 (1993).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from farmwatch.stats.crossed_design import Bordered, Design
from farmwatch.stats.crossed_islands import Archipelago, IslandDesign, in_islands
from farmwatch.stats.plate_correlation import log_choose

SD_FLOOR = 1e-4  # a factor without spread of its own stays solvable
FLAT_SD = 100.0  # too wide to be felt; a covariate that no failure ever had stays finite
_NEWTON_STEPS = 60  # far more than a mode takes
_HALVINGS = 12  # a step of 1/4096 that gains nothing is the end
_FASTEST = 6.0  # times the fixed point's own step


@dataclass(frozen=True)
class Start:
    """Where a fit may begin: ``coefficients`` (size,), ``sd`` (factors,)."""

    coefficients: np.ndarray
    sd: np.ndarray


@dataclass(frozen=True)
class CrossedFit:
    """A fitted crossed model.

    ``effects``: one array (levels,) a factor, on the log-odds scale. ``effect_variances``: their posterior variances,
    the fixed effects' uncertainty included. ``sd``: standard deviation a factor. ``log_likelihood``: Laplace, binomial
    coefficients included. ``precision``: the matrix whose inverse holds all covariances.
    """

    fixed_effects: np.ndarray
    fixed_covariance: np.ndarray
    effects: tuple[np.ndarray, ...]
    effect_variances: tuple[np.ndarray, ...]
    sd: np.ndarray
    log_likelihood: float
    converged: bool
    iterations: int
    coefficients: np.ndarray
    slices: tuple[slice, ...]
    precision: Bordered | Archipelago

    @property
    def start(self) -> Start:
        """For a fit of the same columns and levels to begin at."""
        return Start(self.coefficients, self.sd)


@dataclass(frozen=True)
class Cells:
    """Binomial cells with their design and priors, ready to fit."""

    failures: np.ndarray
    trials: np.ndarray
    weights: np.ndarray
    design: Design | IslandDesign
    fixed_precision: np.ndarray

    @staticmethod
    def of(
        failures: np.ndarray,
        trials: np.ndarray,
        fixed: np.ndarray,
        codes: np.ndarray | Sequence[np.ndarray],
        levels: tuple[int, ...],
        offset: np.ndarray | None = None,
        weights: np.ndarray | None = None,
        fixed_prior_sd: np.ndarray | float = FLAT_SD,
    ) -> Cells:
        """From plain arrays: ``failures``, ``trials``, ``weights``, ``offset`` (rows,), ``fixed`` (rows, columns), ``codes``
        (rows, factors). Raises ``ValueError`` on codes outside of ``levels``.
        """
        failures, trials = np.asarray(failures, float), np.asarray(trials, float)
        scale = np.full(fixed.shape[1], fixed_prior_sd, float)
        rows = np.ones(len(failures)) if weights is None else np.asarray(weights, float)
        return Cells(failures, trials, rows, Design.of(fixed, codes, levels, offset), 1.0 / scale**2)

    def by_island(self) -> Cells:
        """The same cells in another order, where that spares most of the work."""
        design = in_islands(self.design) if isinstance(self.design, Design) else None
        if design is None:
            return self
        order = design.order
        return replace(
            self,
            failures=self.failures[order],
            trials=self.trials[order],
            weights=self.weights[order],
            design=design,
        )

    def penalty(self, sd: np.ndarray) -> np.ndarray:
        """Prior precision of every coefficient, shape (size,)."""
        result = np.empty(self.design.size)
        result[self.design.fixed_slice] = self.fixed_precision
        for where, value in zip(self.design.slices, sd, strict=True):
            result[where] = 1.0 / max(value, SD_FLOOR) ** 2
        return result

    def log_likelihood(self, linear: np.ndarray) -> float:
        """Weighted binomial log-likelihood without the coefficients of the counts."""
        return float(self.weights @ (self.failures * linear - self.trials * np.logaddexp(0.0, linear)))

    def constant(self) -> float:
        """The binomial coefficients' part of the log-likelihood."""
        return float(self.weights @ log_choose(self.trials, self.failures))

    def residual(self, linear: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Slope and curvature of the log-likelihood by row."""
        probability = expit(linear)
        weighted = self.weights * self.trials
        return self.weights * self.failures - weighted * probability, weighted * probability * (1.0 - probability)


def fit_crossed(
    failures: np.ndarray,
    trials: np.ndarray,
    fixed: np.ndarray,
    codes: np.ndarray | Sequence[np.ndarray],
    levels: tuple[int, ...],
    offset: np.ndarray | None = None,
    weights: np.ndarray | None = None,
    sd: np.ndarray | None = None,
    sd_prior_scale: np.ndarray | None = None,
    max_sd: float = 3.0,
    start: Start | None = None,
    fixed_prior_sd: np.ndarray | float = FLAT_SD,
) -> CrossedFit:
    """Fit by penalised Newton steps, the standard deviations by Schall's fixed point.

    ``failures``, ``trials``, ``offset``, ``weights``: shape (rows,). ``weights`` multiply each row's log-likelihood:
    ``1 / (1 + (n - 1) rho)`` for plates of ``n`` parts. ``fixed``: (rows, columns), an intercept among them.
    ``codes``: integers (rows, factors), or a column for each factor, -1 for no level. ``levels``: levels a factor;
    unseen levels get effect 0. ``sd``: fixed standard deviations, NaN where to be estimated. ``sd_prior_scale``:
    half-normal prior scale a factor. ``fixed_prior_sd``: normal prior around 0 on fixed effects, infinite for none.
    ``start``: that of a fit of the same columns and levels; the result then differs within the tolerance
    (1e-4).

    Raises ValueError on shapes or levels that do not fit, SingularDesignError where fixed columns depend on each other
    and have no prior.
    """
    cells = Cells.of(failures, trials, fixed, codes, levels, offset, weights, fixed_prior_sd).by_island()
    known = np.full(len(levels), np.nan) if sd is None else np.asarray(sd, float)
    scale = np.full(len(levels), np.inf) if sd_prior_scale is None else np.asarray(sd_prior_scale, float)
    return fit_cells(cells, known, scale, max_sd, start)


def fit_cells(
    cells: Cells, known: np.ndarray, scale: np.ndarray, max_sd: float, start: Start | None = None
) -> CrossedFit:
    """The fit behind :func:`fit_crossed`; ``known`` and ``scale`` have one entry a factor, NaN and infinity for none."""
    # the last system of the search is gone before the one of the end is made
    end, converged, iteration = _mode(cells, known, scale, max_sd, start)
    return finish(cells, end.coefficients, end.sd, converged, iteration)


def _mode(
    cells: Cells, known: np.ndarray, scale: np.ndarray, max_sd: float, start: Start | None
) -> tuple[Start, bool, int]:
    """The mode of coefficients and standard deviations, whether it was reached, and after how many steps."""
    first = np.full(len(known), 0.5) if start is None else start.sd
    current = np.where(np.isnan(known), np.clip(first, 0.02, max_sd), known)
    free = np.isnan(known)
    coefficients = first_step(cells, current) if start is None else start.coefficients

    linear = cells.design.linear(coefficients)
    converged, iteration = False, 0
    speed, last = np.ones(len(known)), np.zeros(len(known))
    for iteration in range(1, _NEWTON_STEPS + 1):
        slope, curvature = cells.residual(linear)
        penalty = cells.penalty(current)
        system = cells.design.cross_products(curvature, penalty)
        step = system.solve(cells.design.transposed(slope) - penalty * coefficients)
        coefficients, linear, moved = climb(cells, coefficients, linear, step, penalty)
        settled = moved < 1e-3
        if free.any() and (iteration >= 2 or settled):
            updated = np.where(free, schall(cells, coefficients, system, current, scale, max_sd), current)
            small = np.maximum(updated, current) < 0.02
            way = np.log(updated / current)
            change = float(np.max(np.where(small, 0.0, np.abs(way)), initial=0.0, where=free))
            # the fixed point creeps, most of all towards no spread: a factor that keeps its direction goes faster
            speed = np.where(way * last > 0.0, np.minimum(1.5 * speed, _FASTEST), 1.0)
            current = np.where(free, np.clip(current * np.exp(np.clip(speed * way, -1.0, 1.0)), 1e-3, max_sd), current)
            last = way
            settled = settled and change < 1e-4
        elif free.any():
            settled = False
        if settled:
            converged = True
            break
    return Start(coefficients, current), converged, iteration


def first_step(cells: Cells, sd: np.ndarray) -> np.ndarray:
    """The penalised least-squares fit of the counts linearised at their pooled share: coefficients, (size,)."""
    design = cells.design
    share = (cells.weights @ cells.failures + 0.5) / (cells.weights @ cells.trials + 1.0)
    pooled = float(np.log(share / (1.0 - share)))
    slope, curvature = cells.residual(np.full(len(cells.failures), pooled))
    system = design.cross_products(curvature, cells.penalty(sd))
    return system.solve(design.transposed(slope + curvature * (pooled - design.offset)))


def climb(
    cells: Cells, coefficients: np.ndarray, linear: np.ndarray, step: np.ndarray, penalty: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Take ``step``, halved until the penalised likelihood gains: coefficients, linear predictor, the largest move.

    ``coefficients``, ``step``, ``penalty``: (size,); ``linear``: (rows,).
    """
    best = cells.log_likelihood(linear) - 0.5 * float(penalty @ coefficients**2)
    for _ in range(_HALVINGS):
        stepped = coefficients + step
        moved = cells.design.linear(stepped)
        gained = cells.log_likelihood(moved) - 0.5 * float(penalty @ stepped**2) - best
        if gained >= -1e-9 * abs(best):
            break
        step = 0.5 * step
    return stepped, moved, float(np.max(np.abs(step), initial=0.0))


def schall(
    cells: Cells,
    coefficients: np.ndarray,
    system: Bordered | Archipelago,
    sd: np.ndarray,
    scale: np.ndarray,
    max_sd: float,
) -> np.ndarray:
    """Updated standard deviations: effects' sum of squares over their effective number, with a half-normal prior.

    ``sd``, ``scale`` (of the prior, infinite for none) and the result: (factors,).
    """
    diagonal = system.inverse_diagonal
    updated = np.empty_like(sd)
    for factor, where in enumerate(cells.design.slices):
        squares = float(coefficients[where] @ coefficients[where])
        count = where.stop - where.start
        variance = max(sd[factor], SD_FLOOR) ** 2
        effective = max(count - float(np.sum(diagonal[where])) / variance, 1e-12)
        # the root of  effective v + v^2 / scale^2 = squares, written so that an infinite scale is the plain ratio
        root = np.sqrt(effective**2 + 4.0 * squares / scale[factor] ** 2)
        updated[factor] = np.sqrt(2.0 * squares / (effective + root))
    return np.clip(updated, 1e-3, max_sd)


def finish(cells: Cells, coefficients: np.ndarray, sd: np.ndarray, converged: bool, iterations: int) -> CrossedFit:
    """The fit at given coefficients, (size,), and standard deviations, (factors,)."""
    design, penalty = cells.design, cells.penalty(sd)
    linear = design.linear(coefficients)
    system = design.cross_products(cells.residual(linear)[1], penalty)
    diagonal = system.inverse_diagonal
    inner = design.fixed_slice
    return CrossedFit(
        fixed_effects=coefficients[inner],
        fixed_covariance=system.fixed_covariance,
        effects=tuple(coefficients[where] for where in design.slices),
        effect_variances=tuple(diagonal[where] for where in design.slices),
        sd=sd,
        log_likelihood=laplace(cells, coefficients, linear, penalty, system),
        converged=converged,
        iterations=iterations,
        coefficients=coefficients,
        slices=design.slices,
        precision=system,
    )


def laplace(
    cells: Cells, coefficients: np.ndarray, linear: np.ndarray, penalty: np.ndarray, system: Bordered | Archipelago
) -> float:
    """Laplace approximation of the log-likelihood with the effects integrated out, at their mode."""
    random = np.ones(len(penalty), bool)
    random[cells.design.fixed_slice] = False
    inner, prior = coefficients[random], penalty[random]
    determinant = system.log_determinants()[0] - float(np.sum(np.log(prior)))
    return cells.log_likelihood(linear) + cells.constant() - 0.5 * float(prior @ inner**2) - 0.5 * determinant


def linear_predictor(
    fit: CrossedFit,
    fixed: np.ndarray,
    codes: np.ndarray,
    offset: np.ndarray | None = None,
    leave_out: tuple[int, ...] = (),
) -> np.ndarray:
    """Log-odds of new rows, shape (rows,). A level of -1 adds 0; factors in ``leave_out`` add nothing.

    A reference for tests and benchmarks: the nights take each name's effect apart (``detectors.expected``).
    """
    result = fixed @ fit.fixed_effects
    if offset is not None:
        result = result + offset
    for factor, effects in enumerate(fit.effects):
        if factor not in leave_out:
            result = result + np.append(effects, 0.0)[codes[:, factor]]
    return result
