"""The design of a crossed random-intercept model: index arrays, never a matrix of rows by levels.

Coefficients stand in one vector: first the levels of every factor but the largest, then the fixed columns, then the
levels of the largest factor. A row has at most one level of a factor, so a factor's own block of the cross-products is
diagonal; the largest factor is eliminated by its diagonal, and what is left is small and dense.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
from scipy import sparse
from scipy.linalg import cho_solve
from scipy.linalg.lapack import dpotrf, dpotri

SPARSE_FROM = 2_000_000  # places of a border, from which those that are taken are kept alone
COLUMNS_AT_ONCE = 512  # of the inverse, that are reckoned together


@dataclass(frozen=True)
class Design:
    """Rows of a crossed model.

    ``fixed``: shape (rows, columns). ``codes``: one array of shape (rows,) a factor, the level's number, and the
    number of levels where the row has none. ``levels``: levels a factor. ``offset``: shape (rows,).
    """

    fixed: np.ndarray
    codes: tuple[np.ndarray, ...]
    levels: tuple[int, ...]
    offset: np.ndarray

    @staticmethod
    def of(
        fixed: np.ndarray,
        codes: np.ndarray | Sequence[np.ndarray],
        levels: tuple[int, ...],
        offset: np.ndarray | None,
    ) -> Design:
        """``codes``: (rows, factors) or a column (rows,) for each factor, -1 where a row has no level. Raises ``ValueError`` on
        codes outside of ``levels``."""
        rows, given = len(fixed), codes.T if isinstance(codes, np.ndarray) else codes
        if len(given) != len(levels) or any(len(column) != rows for column in given):
            raise ValueError(f"codes of another shape than {rows} rows and {len(levels)} factors")
        columns = []
        for factor, (count, column) in enumerate(zip(levels, given, strict=True)):
            if column.size and (column.max() >= count or column.min() < -1):
                raise ValueError(f"factor {factor} has levels outside -1 to {count - 1}")
            columns.append(np.where(column < 0, count, column).astype(np.min_scalar_type(-count - 1)))
        base = np.zeros(rows) if offset is None else np.asarray(offset, float)
        return Design(np.ascontiguousarray(fixed, float), tuple(columns), tuple(levels), base)

    def pairs(self) -> Iterator[tuple[int, int, np.ndarray]]:
        """For every two factors the number of each row's place in their table, shape (rows,).

        Made anew at every step, for a tenth of its time: kept for all pairs of ten factors they would be most of the
        memory of a fit, 440 bytes a row.
        """
        for one, two in combinations(range(len(self.levels)), 2):
            yield one, two, self.codes[one] * np.int64(self.levels[two] + 1) + self.codes[two]

    @cached_property
    def largest(self) -> int:
        """The factor that is eliminated; -1 where there is none."""
        return int(np.argmax(self.levels)) if self.levels else -1

    @cached_property
    def slices(self) -> tuple[slice, ...]:
        """Where each factor stands in the coefficient vector."""
        found: list[slice] = []
        position = 0
        for factor, count in enumerate(self.levels):
            if factor == self.largest:
                found.append(slice(self.dense, self.size))
            else:
                found.append(slice(position, position + count))
                position += count
        return tuple(found)

    @cached_property
    def dense(self) -> int:
        """Coefficients that are not eliminated."""
        return self.size - (self.levels[self.largest] if self.levels else 0)

    @cached_property
    def size(self) -> int:
        """How many coefficients there are."""
        return sum(self.levels) + self.fixed.shape[1]

    @cached_property
    def fixed_slice(self) -> slice:
        """Where the fixed effects stand among the coefficients."""
        return slice(self.dense - self.fixed.shape[1], self.dense)

    def linear(self, coefficients: np.ndarray) -> np.ndarray:
        """The linear predictor, offset included. Shape (rows,)."""
        result = self.offset + self.fixed @ coefficients[self.fixed_slice]
        for codes, where in zip(self.codes, self.slices, strict=True):
            result += np.append(coefficients[where], 0.0)[codes]
        return result

    def transposed(self, values: np.ndarray) -> np.ndarray:
        """Sums of ``values`` (rows,) over every column of the design. Shape (size,)."""
        result = np.empty(self.size)
        result[self.fixed_slice] = values @ self.fixed
        for codes, count, where in zip(self.codes, self.levels, self.slices, strict=True):
            result[where] = np.bincount(codes, weights=values, minlength=count + 1)[:count]
        return result

    def cross_products(self, weights: np.ndarray, precision: np.ndarray) -> Bordered:
        """The weighted cross-products plus the diagonal ``precision`` (size,)."""
        dense = np.zeros((self.dense, self.dense))
        eliminated = self.size - self.dense
        thin = self.dense * eliminated >= SPARSE_FROM
        border = np.zeros((self.dense, 0 if thin else eliminated))
        diagonal = np.zeros(self.size)
        inner = self.fixed_slice
        for column in range(inner.start, inner.stop):
            values = self.fixed[:, column - inner.start] * weights
            dense[column, inner] = values @ self.fixed
            for factor, (codes, count, where) in enumerate(zip(self.codes, self.levels, self.slices, strict=True)):
                sums = np.bincount(codes, weights=values, minlength=count + 1)[:count]
                if factor != self.largest:
                    dense[column, where] = sums
                elif not thin:
                    border[column] = sums
        for codes, count, where in zip(self.codes, self.levels, self.slices, strict=True):
            diagonal[where] = np.bincount(codes, weights=weights, minlength=count + 1)[:count]
        for one, two, index in self.pairs():
            if thin and self.largest in (one, two):
                continue
            shape = (self.levels[one] + 1, self.levels[two] + 1)
            block = np.bincount(index, weights=weights, minlength=shape[0] * shape[1]).reshape(shape)[:-1, :-1]
            if two == self.largest:
                border[self.slices[one]] = block
            elif one == self.largest:
                border[self.slices[two]] = block.T
            else:
                dense[self.slices[one], self.slices[two]] = block
                dense[self.slices[two], self.slices[one]] = block.T
        diagonal += precision
        dense[np.arange(self.dense), np.arange(self.dense)] += diagonal[: self.dense]
        beside = self._thin_border(weights) if thin else border
        return Bordered(dense, beside, diagonal[self.dense :], self.fixed.shape[1])

    def _thin_border(self, weights: np.ndarray) -> sparse.csc_array:
        """The cross-products of the factor that is eliminated with all others: a file meets few lots and printers."""
        column, count = self.codes[self.largest], self.levels[self.largest]
        fixed = [np.bincount(column, weights=values * weights, minlength=count + 1)[:count] for values in self.fixed.T]
        blocks = [(self.fixed_slice.start, sparse.coo_array(np.reshape(fixed, (-1, count))))]
        for factor, (codes, levels, where) in enumerate(zip(self.codes, self.levels, self.slices, strict=True)):
            if factor != self.largest and levels:
                met = sparse.csr_array((weights, (codes, column)), shape=(levels + 1, count + 1))
                blocks.append((where.start, met[:levels, :count].tocoo()))
        rows = np.concatenate([start + block.coords[0] for start, block in blocks])
        columns, values = (
            np.concatenate([block.coords[1] for _, block in blocks]),
            np.concatenate([block.data for _, block in blocks]),
        )
        return sparse.csc_array((values, (rows, columns)), shape=(self.dense, count))

    def leverage(self, system: Bordered) -> np.ndarray:
        """``z' inverse z`` of every row, over the levels alone (a design without fixed columns). Shape (rows,)."""
        diagonal, inverse, across = system.inverse_diagonal, system.inverse_dense, system.inverse_across
        result = np.zeros(len(self.offset))
        for codes, where in zip(self.codes, self.slices, strict=True):
            result += np.append(diagonal[where], 0.0)[codes]
        for one, two, index in self.pairs():
            if two == self.largest:
                block = across[self.slices[one]]
            elif one == self.largest:
                block = across[self.slices[two]].T
            else:
                block = inverse[self.slices[one], self.slices[two]]
            result += 2.0 * np.pad(block, ((0, 1), (0, 1))).ravel()[index]
        return result


class SingularDesignError(ValueError):
    """The cross-products have no Cholesky factor: columns of the fixed part depend on each other."""


@dataclass(frozen=True)
class Bordered:
    """A symmetric positive matrix ``[[dense, border], [border', diag(diagonal)]]``, read from its lower triangle.

    ``fixed`` is the number of trailing dense columns that are fixed effects. A large ``border`` is a sparse one.
    """

    dense: np.ndarray
    border: np.ndarray | sparse.csc_array
    diagonal: np.ndarray
    fixed: int

    @cached_property
    def scaled(self) -> np.ndarray | sparse.csc_array:
        """The border over the diagonal: what elimination takes away. Shape of the border."""
        return self._border_over(self.diagonal)

    def _border_over(self, divisor: np.ndarray) -> np.ndarray | sparse.csc_array:
        if isinstance(self.border, np.ndarray):
            return self.border / divisor
        return sparse.csc_array(self.border @ sparse.diags_array(1.0 / divisor))

    @property
    def whole(self) -> np.ndarray:
        """The matrix itself, (size, size)."""
        border = self.border if isinstance(self.border, np.ndarray) else self.border.toarray()
        dense = np.tril(self.dense)
        return np.block([[dense + np.tril(dense, -1).T, border], [border.T, np.diag(self.diagonal)]])

    @cached_property
    def cholesky(self) -> np.ndarray:
        """Lower Cholesky factor of the dense part after elimination."""
        half = self._border_over(np.sqrt(self.diagonal))
        # an array times its own transpose costs half a general product
        product = half @ half.T
        left = self.dense - (product if isinstance(product, np.ndarray) else product.toarray())
        factor, info = dpotrf(left, lower=1, clean=1, overwrite_a=1)
        if info != 0:
            raise SingularDesignError("fixed columns depend on each other")
        return factor

    def solve(self, right: np.ndarray) -> np.ndarray:
        """Solve for one (size,) or several (size, k) right-hand sides."""
        split = len(self.dense)
        head = cho_solve((self.cholesky, True), right[:split] - self.scaled @ right[split:], check_finite=False)
        diagonal = self.diagonal if right.ndim == 1 else self.diagonal[:, None]
        return np.concatenate([head, right[split:] / diagonal - self.scaled.T @ head])

    @cached_property
    def inverse_dense(self) -> np.ndarray:
        """The inverse's block of the columns that were not eliminated."""
        if not len(self.dense):
            return np.zeros((0, 0))
        lower, _ = dpotri(self.cholesky, lower=1)
        # the factor's upper half is zero, and so stays the upper half of what is made of it
        inverse = lower + lower.T
        np.einsum("ii->i", inverse)[...] *= 0.5
        return inverse

    @cached_property
    def inverse_across(self) -> np.ndarray:
        """The inverse's block between the columns that were not eliminated and those that were."""
        if isinstance(self.scaled, np.ndarray):
            return -self.inverse_dense @ self.scaled
        return -np.asarray(self.scaled.T @ self.inverse_dense).T

    @property
    def fixed_covariance(self) -> np.ndarray:
        """The inverse's block of the fixed effects."""
        inner = slice(len(self.dense) - self.fixed, len(self.dense))
        return self.inverse_dense[inner, inner]

    @cached_property
    def inverse_diagonal(self) -> np.ndarray:
        """Diagonal of the inverse, shape (size,)."""
        return np.concatenate([np.diag(self.inverse_dense), 1.0 / self.diagonal + self._carried])

    @property
    def _carried(self) -> np.ndarray:
        """What the uncertainty of the columns that were not eliminated adds to the others', (eliminated,)."""
        if isinstance(self.scaled, np.ndarray):
            return -np.einsum("ij,ij->j", self.scaled, self.inverse_across)
        result = np.empty(len(self.diagonal))
        for start in range(0, len(result), COLUMNS_AT_ONCE):
            some = self.scaled[:, start : start + COLUMNS_AT_ONCE].T.tocsr()
            result[start : start + COLUMNS_AT_ONCE] = some.multiply(some @ self.inverse_dense).sum(axis=1)
        return result

    def log_determinants(self) -> tuple[float, float]:
        """Of the random part alone, and of the fixed part given the random one; their sum is the whole matrix's."""
        roots = 2.0 * np.log(np.diag(self.cholesky))
        split = len(roots) - self.fixed
        return float(np.sum(np.log(self.diagonal)) + np.sum(roots[:split])), float(np.sum(roots[split:]))
