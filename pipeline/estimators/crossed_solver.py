"""The dense route of the crossed model: build, factor and invert the penalised information matrix.

In:    a `Design`, weights of its rows, prior precisions of its effects.
Out:   `Factored`: solves, log determinant, and the entries of the inverse that the fit needs.
After: ValueError never; a matrix that is not positive definite raises numpy's LinAlgError, which the fit handles.

The block of the largest factor is diagonal and is eliminated by a Schur complement; the rest is dense and exact. Where
a level of that factor meets few others (a reel was on few feeders), the elimination and the entries of the inverse
are worked out along that pattern alone. What is too large for this goes to crossed_large.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import linalg, sparse

from pipeline.estimators.arrays import AnyArray, BoolArray, FloatArray, IntArray, sums
from pipeline.estimators.crossed_design import Design
from pipeline.estimators.crossed_rows import Border, Rows

_GATHER_COST, _SPARSE_COST = 120, 350
"""Multiplications of a dense product that take as long as one entry of a gather, or of a sparse product."""
_MOST_PAIRS = 4_000_000
_BLOCK = 2048


@dataclass(frozen=True)
class Information:
    """Z'WZ, Z'WX and X'WX without priors: diagonal of the eliminated block, entries of the border, the dense rest."""

    diagonal: FloatArray
    border: FloatArray
    rest: FloatArray


class Assembler(Rows):
    """Builds the information matrix of a design for any weights.

    >>> from pipeline.estimators.crossed_design import make_design
    >>> a = Assembler(make_design([1, 0], [2, 2], [[1.0]] * 2, [[0, 1]]))
    >>> a.build(np.array([0.5, 0.25])).diagonal.tolist()
    [0.5, 0.25]
    """

    def __init__(self, design: Design) -> None:
        super().__init__(design)
        self.border = Border(self) if self.first >= 0 else None
        dense = self.first_size * self.width**2
        pairs = self.border.pairs if self.border is not None else 0
        self.sparse_product = _SPARSE_COST * pairs < dense
        self.by_pattern = pairs <= _MOST_PAIRS and _GATHER_COST * pairs < dense
        self._neighbours: tuple[IntArray, IntArray, IntArray] | None = None

    def build(self, weights: FloatArray) -> Information:
        """The information matrix for row weights m mu (1 - mu) / phi."""
        design, width, effects = self.design, self.width, self.rest_effects
        rest = np.zeros((width, width))
        for i, k in enumerate(self.others):
            a = self.place[k]
            rest[a + np.arange(design.sizes[k]), a + np.arange(design.sizes[k])] = self.sum_by_level(weights, k)
            for other in self.others[i + 1 :]:
                b = self.place[other]
                block = self.pair(weights, k, other)
                rest[a : a + design.sizes[k], b : b + design.sizes[other]] = block
                rest[b : b + design.sizes[other], a : a + design.sizes[k]] = block.T
            cross = self.with_fixed(weights, k)
            rest[a : a + design.sizes[k], effects:] = cross
            rest[effects:, a : a + design.sizes[k]] = cross.T
        rest[effects:, effects:] = design.X.T @ (weights[:, None] * design.X)
        if self.border is None:
            return Information(np.zeros(0), np.zeros(0), rest)
        return Information(self.sum_by_level(weights, self.first), self.border.data(weights), rest)

    def factor(self, info: Information, precision: FloatArray, fixed_precision: FloatArray) -> Factored:
        """The system at these prior precisions, factored."""
        return Factored(self, info, precision, fixed_precision)

    def neighbours(self) -> tuple[IntArray, IntArray, IntArray]:
        """All pairs of effects that share a level of the largest factor: entry, other entry, place in the inverse."""
        if self._neighbours is None:
            border = self.border
            if border is None:
                raise ValueError("a design without factors has no border")
            effect = np.flatnonzero(border.indices < self.rest_effects)
            level = border.level[effect]
            count = np.bincount(level, minlength=self.first_size)
            begin = np.concatenate([[0], np.cumsum(count)])[:-1]
            repeat = count[level]
            left = np.repeat(np.arange(effect.size), repeat)
            inside = np.arange(left.size) - np.repeat(np.cumsum(repeat) - repeat, repeat)
            right = begin[level[left]] + inside
            columns = border.indices[effect].astype(np.int64)
            place = columns[left] * self.rest_effects + columns[right]
            self._neighbours = effect[left], effect[right], place
        return self._neighbours

    def leverages(self, factored: Factored) -> FloatArray:
        """z' C z of every row, C the inverse of the effects' block, shape (r,)."""
        C = factored.effect_inverse()
        own, flat = np.diag(C), C.ravel()
        lev = np.zeros(self.design.losses.size)
        for i, k in enumerate(self.others):
            a = self.place[k] + self.safe[k]
            lev += own[a] * self.known[k]
            for other in self.others[i + 1 :]:
                both = flat[a * self.rest_effects + (self.place[other] + self.safe[other])]
                if self.masked[k] or self.masked[other]:
                    both = both * (self.known[k] * self.known[other])
                lev += 2.0 * both
        if self.border is not None:
            lev += self._along_pattern(factored) if self.by_pattern else self._in_blocks(factored, C)
        return lev

    def _along_pattern(self, factored: Factored) -> FloatArray:
        """What the eliminated factor adds: its own variance and twice its covariances, entry by entry."""
        border = self.border
        assert border is not None
        cross = np.append(factored.cross(), 0.0)
        added = 2.0 * cross[border.entry].sum(axis=0) if border.entry.size else np.zeros(self.design.losses.size)
        own = factored.held_variances()[: self.first_size][self.safe[self.first]]
        return np.asarray(added + own * self.known[self.first], dtype=float)

    def _in_blocks(self, factored: Factored, C: FloatArray) -> FloatArray:
        """The same from dense blocks of levels."""
        level = self.safe[self.first]
        effects = self.rest_effects
        variances = np.empty(self.first_size)
        added = np.zeros(level.size)
        order = np.argsort(level, kind="stable") if self.first_size > _BLOCK else None
        for begin in range(0, self.first_size, _BLOCK):
            end = min(begin + _BLOCK, self.first_size)
            P = factored.border_rows(begin, end)[:, :effects]
            cross = -(P @ C)
            variances[begin:end] = 1.0 / factored.diagonal[begin:end] - np.einsum("ij,ij->i", cross, P)
            if order is None:
                rows: IntArray | slice = slice(None)
            else:
                bounds = np.searchsorted(level[order], [begin, end])
                rows = order[bounds[0] : bounds[1]]
            for k in self.others:
                both = cross[level[rows] - begin, self.place[k] + self.safe[k][rows]]
                added[rows] += 2.0 * both * self.known[k][rows]
        factored.first_variances = variances
        return np.asarray((added + variances[level]) * self.known[self.first], dtype=float)


class Factored:
    """Cholesky factor of the penalised information, largest factor eliminated.

    `joint` False leaves the fixed effects out (they are held); True takes them in, with prior precision
    `fixed_precision`.
    """

    def __init__(
        self, assembler: Assembler, info: Information, precision: FloatArray, fixed_precision: FloatArray
    ) -> None:
        self.assembler, self.info, self.precision = assembler, info, precision
        first = assembler.first_size
        self.effects = assembler.rest_effects
        self.diagonal = info.diagonal + precision[:first]
        self.border: sparse.csr_array | None = None
        rest = info.rest.copy()
        at = np.arange(assembler.width)
        rest[at, at] += np.concatenate([precision[first:], fixed_precision])
        if assembler.border is not None:
            self._entries = info.border
            self.border = assembler.border.matrix(info.border)
            rest -= self._eliminated(assembler.border)
        self.lower = _cholesky(rest)
        self.first_variances: FloatArray | None = None
        self._cross: FloatArray | None = None
        self._inverse: FloatArray | None = None
        self._fixed: FloatArray | None = None

    def _eliminated(self, border: Border) -> FloatArray:
        """B' D^-1 B."""
        if self.assembler.sparse_product:
            scaled = self._entries / self.diagonal[border.level]
            return np.asarray((border.turned(self._entries) @ border.matrix(scaled)).toarray(), dtype=float)
        total = np.zeros((self.assembler.width,) * 2)
        for begin in range(0, self.diagonal.size, _BLOCK):
            end = begin + _BLOCK
            rows = self._dense_rows(begin, end) / np.sqrt(self.diagonal[begin:end, None])
            total += rows.T @ rows
        return total

    def _dense_rows(self, begin: int, end: int) -> FloatArray:
        if self.border is None:
            return np.zeros((0, self.assembler.width))
        return np.asarray(self.border[begin:end].toarray(), dtype=float)

    def border_rows(self, begin: int, end: int) -> FloatArray:
        """Rows of D^-1 B, dense: what the eliminated effects take from the others."""
        return np.asarray(self._dense_rows(begin, end) / self.diagonal[begin:end, None], dtype=float)

    def log_determinant(self) -> float:
        """log |Z'WZ + T|, effects only."""
        leading = np.diag(self.lower)[: self.effects]
        return float(np.sum(np.log(self.diagonal)) + 2.0 * np.sum(np.log(leading)))

    def solve(self, right: FloatArray, joint: bool) -> FloatArray:
        """The system's solution; with `joint` False the fixed effects are held and their part comes back as 0.

        right  shape (effects + p,) or with one more axis for several right sides
        """
        first, count = self.diagonal.size, self.lower.shape[0] if joint else self.effects
        out = np.zeros(right.shape)
        scale = self.diagonal if right.ndim == 1 else self.diagonal[:, None]
        reduced = right[first : first + count]
        if self.border is not None:
            reduced = reduced - (self.border.T @ (right[:first] / scale))[:count]
        if count:
            lower = self.lower[:count, :count]
            half = linalg.solve_triangular(lower, reduced, lower=True, check_finite=False)
            out[first : first + count] = linalg.solve_triangular(lower, half, lower=True, trans=1, check_finite=False)
        if self.border is not None:
            out[:first] = (right[:first] - self.border @ out[first:]) / scale
        return out

    def moved(self, precision: FloatArray, fixed_precision: FloatArray) -> Factored:
        """The same information at other prior precisions."""
        if np.array_equal(precision, self.precision):
            return self
        return Factored(self.assembler, self.info, precision, fixed_precision)

    def newton_step(self, score: FloatArray, joint: bool, _weights: FloatArray) -> FloatArray:
        """A step towards the mode: the exact solution at the weights of this factor, not at those given."""
        return self.solve(score, joint)

    def effect_inverse(self) -> FloatArray:
        """Inverse of the reduced block, effects alone."""
        if self._inverse is None:
            self._inverse = _inverse_from(self.lower[: self.effects, : self.effects])
        return self._inverse

    def cross(self) -> FloatArray:
        """Covariances of the eliminated effects with the others, along the border's pattern; fixed effects held."""
        if self._cross is None:
            border = self.assembler.border
            assert border is not None
            left, right, place = self.assembler.neighbours()
            share = self._entries / self.diagonal[border.level]
            products = share[right] * self.effect_inverse().ravel()[place]
            self._cross = -sums(left, products, border.size)
        return self._cross

    def held_variances(self) -> FloatArray:
        """Diagonal of the inverse with the fixed effects held, effects only, stacked."""
        S = self.effect_inverse()
        if self.first_variances is None:
            self.first_variances = self._first_variances(S)
        return np.concatenate([self.first_variances, np.diag(S)])

    def _first_variances(self, S: FloatArray) -> FloatArray:
        first = 1.0 / self.diagonal
        border = self.assembler.border
        if border is not None and self.assembler.by_pattern:
            share = self._entries / self.diagonal[border.level]
            return np.asarray(first - sums(border.level, share * self.cross(), first.size))
        for begin in range(0, first.size, _BLOCK):
            P = self.border_rows(begin, begin + _BLOCK)[:, : self.effects]
            first[begin : begin + _BLOCK] += np.einsum("ij,ij->i", P @ S, P)
        return first

    def variances(self, joint: bool) -> FloatArray:
        """Diagonal of the inverse, stacked; fixed effects 0 where they are held."""
        held = np.concatenate([self.held_variances(), np.zeros(self.assembler.width - self.effects)])
        return held + np.sum(self.fixed_columns() ** 2, axis=1) if joint else held

    def fixed_columns(self) -> FloatArray:
        """F with H^-1 = [C 0; 0 0] + F F', C the inverse with the fixed effects held; shape (effects + p, p)."""
        if self._fixed is None:
            self._fixed = fixed_columns(self, self.diagonal.size + self.effects, self.assembler.width - self.effects)
        return self._fixed

    def covariances(self, rows: IntArray, columns: IntArray, joint: bool) -> FloatArray:
        """Entries of the inverse at stacked places (rows[i], columns[i])."""
        S = self.effect_inverse()
        first, effects = self.diagonal.size, self.effects
        out = np.zeros(rows.size)
        for i, (a, b) in enumerate(zip(rows.tolist(), columns.tolist(), strict=True)):
            low, high = min(a, b), max(a, b)
            if high >= first + effects:
                continue
            if low >= first:
                out[i] = S[low - first, high - first]
                continue
            P = self.border_rows(low, low + 1)[0, :effects]
            if high >= first:
                out[i] = -(P @ S[:, high - first])
            else:
                Q = self.border_rows(high, high + 1)[0, :effects]
                out[i] = P @ S @ Q + (1.0 / self.diagonal[low] if low == high else 0.0)
        if joint:
            F = self.fixed_columns()
            out += np.sum(F[rows] * F[columns], axis=1)
        return out

    def gram(self, keep: BoolArray) -> FloatArray:
        """P'P over the effects, dense, P the kept rows of D^-1 B: for sums of squares of the inverse's blocks."""
        border = self.assembler.border
        if border is None:
            return np.zeros((self.effects,) * 2)
        share = self._entries / self.diagonal[border.level] * keep[border.level]
        if self.assembler.sparse_product:
            product = (border.turned(share) @ border.matrix(share)).toarray()
        else:
            P = border.matrix(share).toarray()
            product = P.T @ P
        return np.asarray(product[: self.effects, : self.effects], dtype=float)


class Solves(Protocol):
    """Anything that solves the penalised system."""

    def solve(self, right: FloatArray, joint: bool) -> FloatArray:
        """The solution, stacked."""
        ...


def fixed_columns(factored: Solves, effects: int, fixed: int) -> FloatArray:
    """Columns of the joint inverse for the fixed effects, times the inverse root of their own block."""
    if fixed == 0:
        return np.zeros((effects, 0))
    unit = np.zeros((effects + fixed, fixed))
    unit[effects:] = np.eye(fixed)
    columns = factored.solve(unit, joint=True)
    root = np.linalg.cholesky(0.5 * (columns[effects:] + columns[effects:].T))
    return np.asarray(linalg.solve_triangular(root, columns.T, lower=True).T, dtype=float)


def _cholesky(matrix: FloatArray) -> FloatArray:
    if matrix.shape[0] == 0:
        return matrix
    return np.asarray(linalg.cholesky(matrix.T, lower=True, overwrite_a=True, check_finite=False), dtype=float)


def _inverse_from(lower: FloatArray) -> FloatArray:
    if lower.shape[0] == 0:
        return np.zeros((0, 0))
    inverse: AnyArray
    inverse, failed = linalg.lapack.dpotri(np.asfortranarray(lower), lower=1)
    if failed:
        raise np.linalg.LinAlgError("the information matrix is singular")
    whole = inverse + inverse.T  # the factor's upper triangle is 0, and dpotri leaves it alone
    at = np.arange(whole.shape[0])
    whole[at, at] *= 0.5
    return np.asarray(whole, dtype=float)
