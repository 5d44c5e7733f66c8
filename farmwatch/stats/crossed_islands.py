"""A crossed design whose names fall into islands: groups that meet only through a few levels.

The rooms of a large farm have work, printers and bottles of their own; profiles, resins and families they share, and
faults of these. The cross-products then are a block for each island beside a narrow core of what is shared: a block is
solved by itself, the core by its Schur complement. That costs the sum of the cubes of the islands' levels instead of the
cube of their sum, and gives the same but for rounding.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components

from farmwatch.stats.crossed_design import Bordered, Design, SingularDesignError

WORTH_IT = 1_000  # coefficients that are not eliminated, below which one block is solved in no time
CORE_AT_MOST = 400  # coefficients that islands may share: each costs a solution in every island
ISLAND_AT_LEAST = 250  # levels; smaller ones are put together, for each costs some calls


@dataclass(frozen=True)
class Island:
    """One island: ``rows`` it stands on, its own names as a ``design`` without fixed columns, and the ``place`` of each of
    its coefficients among all, (coefficients of the island,). Of the core's levels its rows meet few sets: ``met`` (sets,
    coefficients of the core) 1 for those of a set, ``meets`` (rows of the island,) the set of each row."""

    rows: slice
    design: Design
    place: np.ndarray
    met: np.ndarray
    meets: np.ndarray


@dataclass(frozen=True)
class IslandDesign:
    """Rows of a crossed model in the order of their islands; what is in none stands last.

    The coefficients stand where ``plain`` has them, a design of the same factors without rows. ``core``: fixed columns and
    shared levels, on all rows; ``place``: of its coefficients among all. ``order``: which row stood there before.
    """

    plain: Design
    core: Design
    place: np.ndarray
    islands: tuple[Island, ...]
    order: np.ndarray

    @property
    def slices(self) -> tuple[slice, ...]:
        """Where each factor stands in the coefficient vector."""
        return self.plain.slices

    @property
    def fixed_slice(self) -> slice:
        """Where the fixed effects stand among the coefficients."""
        return self.plain.fixed_slice

    @property
    def size(self) -> int:
        """How many coefficients there are."""
        return self.plain.size

    @property
    def offset(self) -> np.ndarray:
        """Of each row, (rows,)."""
        return self.core.offset

    def linear(self, coefficients: np.ndarray) -> np.ndarray:
        """The linear predictor, offset included. Shape (rows,)."""
        result = self.core.linear(coefficients[self.place])
        for island in self.islands:
            result[island.rows] += island.design.linear(coefficients[island.place])
        return result

    def transposed(self, values: np.ndarray) -> np.ndarray:
        """Sums of ``values`` (rows,) over every column of the design. Shape (size,)."""
        result = np.empty(self.size)
        result[self.place] = self.core.transposed(values)
        for island in self.islands:
            result[island.place] = island.design.transposed(values[island.rows])
        return result

    def cross_products(self, weights: np.ndarray, precision: np.ndarray) -> Archipelago:
        """The weighted cross-products plus the diagonal ``precision`` (size,)."""
        return Archipelago(
            self.size,
            self.core.cross_products(weights, precision[self.place]),
            self.place,
            tuple(
                island.design.cross_products(weights[island.rows], precision[island.place]) for island in self.islands
            ),
            tuple(island.place for island in self.islands),
            tuple(self._links(island, weights[island.rows]) for island in self.islands),
        )

    def _links(self, island: Island, weights: np.ndarray) -> np.ndarray:
        """Cross-products of an island's coefficients with those of the core."""
        result = np.empty((island.design.size, self.core.size))
        sets = len(island.met)
        weighted = self.core.fixed[island.rows] * weights[:, None]
        for codes, count, where in zip(island.design.codes, island.design.levels, island.design.slices, strict=True):
            table = np.bincount(codes * np.int64(sets) + island.meets, weights=weights, minlength=(count + 1) * sets)
            result[where] = table.reshape(count + 1, sets)[:-1] @ island.met
            for column, values in enumerate(weighted.T, self.core.fixed_slice.start):
                result[where, column] = np.bincount(codes, weights=values, minlength=count + 1)[:count]
        return result


@dataclass(frozen=True)
class Archipelago:
    """A symmetric positive matrix of (size, size): ``core``, ``blocks`` and the ``links`` (size of the block, size of the
    core) between them; ``place`` and ``places``: of the core's and of each block's coefficients."""

    size: int
    core: Bordered
    place: np.ndarray
    blocks: tuple[Bordered, ...]
    places: tuple[np.ndarray, ...]
    links: tuple[np.ndarray, ...]

    @cached_property
    def reach(self) -> tuple[np.ndarray, ...]:
        """What a move of the core does to each block: shapes of the links."""
        return tuple(block.solve(link) for block, link in zip(self.blocks, self.links, strict=True))

    @cached_property
    def last(self) -> np.ndarray:
        """The core's columns with the fixed effects at the end, as the determinants ask for them."""
        split = len(self.core.dense)
        order = np.arange(split + len(self.core.diagonal))
        inner = slice(split - self.core.fixed, split)
        return np.concatenate([np.delete(order, inner), order[inner]])

    @cached_property
    def cholesky(self) -> np.ndarray:
        """Lower Cholesky factor of the core once the islands are eliminated, in the order ``last``."""
        left = self.core.whole
        for link, reach in zip(self.links, self.reach, strict=True):
            left = left - link.T @ reach
        try:
            return np.asarray(np.tril(cho_factor(left[np.ix_(self.last, self.last)], lower=True)[0]))
        except np.linalg.LinAlgError:
            raise SingularDesignError("fixed columns depend on each other") from None

    @cached_property
    def core_inverse(self) -> np.ndarray:
        """The inverse's block of the core, in the core's own order."""
        result = np.empty_like(self.cholesky)
        result[np.ix_(self.last, self.last)] = cho_solve((self.cholesky, True), np.eye(len(self.cholesky)))
        return result

    @property
    def fixed_covariance(self) -> np.ndarray:
        """The inverse's block of the fixed effects."""
        at = self.last[len(self.last) - self.core.fixed :]
        return self.core_inverse[np.ix_(at, at)]

    def solve(self, right: np.ndarray) -> np.ndarray:
        """Solve for one (size,) or several (size, k) right-hand sides."""
        result = np.empty(right.shape)
        rest = right[self.place].astype(float)
        for block, place, link in zip(self.blocks, self.places, self.links, strict=True):
            result[place] = block.solve(right[place])
            rest -= link.T @ result[place]
        core = np.empty(rest.shape)
        core[self.last] = cho_solve((self.cholesky, True), rest[self.last])
        for place, reach in zip(self.places, self.reach, strict=True):
            result[place] -= reach @ core
        result[self.place] = core
        return result

    @cached_property
    def inverse_diagonal(self) -> np.ndarray:
        """Diagonal of the inverse, shape (size,)."""
        result = np.empty(self.size)
        result[self.place] = np.diag(self.core_inverse)
        for block, place, reach in zip(self.blocks, self.places, self.reach, strict=True):
            # of a copy, so that the inverses of all islands never stand beside each other
            diagonal = replace(block).inverse_diagonal
            result[place] = diagonal + np.einsum("ij,ij->i", reach @ self.core_inverse, reach)
        return result

    def log_determinants(self) -> tuple[float, float]:
        """Of the random part alone, and of the fixed part given the random one; their sum is the whole matrix's."""
        roots = 2.0 * np.log(np.diag(self.cholesky))
        split = len(roots) - self.core.fixed
        inside = sum(block.log_determinants()[0] for block in self.blocks)
        return float(inside + np.sum(roots[:split])), float(np.sum(roots[split:]))


def in_islands(design: Design) -> IslandDesign | None:
    """The same design by islands, its rows in another order; None where it is small, or all of one piece."""
    if design.dense < WORTH_IT:
        return None
    ascending = np.argsort(design.levels, kind="stable")
    for count in range(len(ascending)):
        own = np.sort(ascending[count:])
        island_of_level, island = _islands(design, own)
        if np.bincount(np.concatenate(island_of_level)).max() > 0.5 * sum(design.levels[factor] for factor in own):
            continue
        islands = int(max(levels.max(initial=0) for levels in island_of_level)) + 1
        home = dict(zip(own.tolist(), island_of_level, strict=True))
        home |= {factor: _home(design, factor, island, islands) for factor in ascending[:count].tolist()}
        every = [home[factor] for factor in range(len(design.levels))]
        # with more factors left aside the islands become smaller, and share more
        return _apart(design, every, island, islands) if sum((at < 0).sum() for at in every) <= CORE_AT_MOST else None
    return None


def _islands(design: Design, own: np.ndarray) -> tuple[list[np.ndarray], np.ndarray]:
    """The island of each level of the ``own`` factors, and of each row: one more than there are for a row in none."""
    first = np.concatenate([[0], np.cumsum([design.levels[factor] for factor in own])])
    nodes = int(first[-1])
    anchor = np.full(len(design.offset), -1, np.int32)
    met_at_all = csr_array((nodes, nodes), dtype=bool)
    for start, factor in zip(first, own, strict=False):
        node = np.where(design.codes[factor] < design.levels[factor], start + design.codes[factor], -1).astype(np.int32)
        met = (anchor >= 0) & (node >= 0)
        pairs = anchor[met], node[met]
        met_at_all = met_at_all + coo_array((np.ones(len(pairs[0]), bool), pairs), shape=(nodes, nodes)).tocsr()
        anchor = np.where(anchor < 0, node, anchor)
    _, piece = connected_components(met_at_all, directed=False)
    size = np.bincount(piece)
    order = np.argsort(-size, kind="stable")
    large = size[order] >= ISLAND_AT_LEAST
    packed = (np.cumsum(np.where(large, 0, size[order])) - 1) // ISLAND_AT_LEAST
    island_of_piece = np.empty(len(size), np.int64)
    island_of_piece[order] = np.where(large, np.arange(len(size)), large.sum() + packed)
    island = np.unique(island_of_piece[piece], return_inverse=True)[1]
    of_row = np.append(island, island.max() + 1)[anchor]
    return [island[low:high] for low, high in pairwise(first)], of_row


def _home(design: Design, factor: int, island: np.ndarray, islands: int) -> np.ndarray:
    """The island of each level of a factor that was left aside, -1 where it is met in several or on a row in none."""
    known = design.codes[factor] < design.levels[factor]
    code, of_row = design.codes[factor][known], island[known]
    low, high = np.zeros(design.levels[factor], np.int64), np.zeros(design.levels[factor], np.int64)
    low[code] = islands
    np.minimum.at(low, code, of_row)
    np.maximum.at(high, code, of_row)
    return np.where((low == high) & (high < islands), low, -1)


def _apart(design: Design, home: list[np.ndarray], island: np.ndarray, islands: int) -> IslandDesign:
    """``home``: of each factor's levels the island, -1 for the core; ``island``: of each row, ``islands`` for one in none."""
    order = np.argsort(island, kind="stable")
    ends = np.searchsorted(island[order], np.arange(islands + 1))
    core, place = _part(design, home, order, -1, design.fixed)
    found = []
    for number, (start, stop) in enumerate(pairwise(ends)):
        inside, where = _part(design, home, order[start:stop], number, np.zeros((len(order), 0)))
        rows = slice(int(start), int(stop))
        found.append(Island(rows, replace(inside, offset=np.zeros(stop - start)), where, *_sets_met(core, rows)))
    plain = Design(design.fixed[:0], tuple(codes[:0] for codes in design.codes), design.levels, design.offset[:0])
    return IslandDesign(plain, core, place, tuple(found), order)


def _sets_met(core: Design, rows: slice) -> tuple[np.ndarray, np.ndarray]:
    """``met`` and ``meets`` of an :class:`Island`."""
    meets = np.zeros(rows.stop - rows.start, np.int64)
    for codes, count in zip(core.codes, core.levels, strict=True):  # small numbers again after each factor
        meets = np.unique(meets * (count + 1) + codes[rows], return_inverse=True)[1]
    first = np.unique(meets, return_index=True)[1]
    met = np.zeros((len(first), core.size))
    for codes, count, where in zip(core.codes, core.levels, core.slices, strict=True):
        code = codes[rows][first]
        met[np.flatnonzero(code < count), where.start + code[code < count]] = 1.0
    return met, meets.astype(np.int32)


def _part(
    design: Design, home: list[np.ndarray], rows: np.ndarray, number: int, fixed: np.ndarray
) -> tuple[Design, np.ndarray]:
    """The design of the levels at home in ``number`` on some rows, and where its coefficients stand in the whole one's."""
    codes, mine, factors = [], [], []
    for factor, of_level in enumerate(home):
        levels = np.flatnonzero(of_level == number)
        if not len(levels):
            continue
        local = np.full(design.levels[factor] + 1, len(levels), np.int32)
        local[levels] = np.arange(len(levels))
        codes.append(local[design.codes[factor][rows]])
        mine.append(levels)
        factors.append(factor)
    part = Design(fixed[rows], tuple(codes), tuple(len(levels) for levels in mine), design.offset[rows])
    place = np.empty(part.size, np.int64)
    for where, factor, levels in zip(part.slices, factors, mine, strict=True):
        place[where] = design.slices[factor].start + levels
    place[part.fixed_slice] = np.arange(design.fixed_slice.start, design.fixed_slice.stop)[: fixed.shape[1]]
    return part, place
