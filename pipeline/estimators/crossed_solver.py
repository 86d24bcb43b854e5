"""The linear algebra of the crossed model: build, factor and invert the penalised information matrix.

In:    a `Design`, weights of its rows, prior precisions of its effects.
Out:   `Factored`: solves, log determinant, and the entries of the inverse that the fit needs.
After: ValueError never; a matrix that is not positive definite raises numpy's LinAlgError, which the fit handles.

Order of unknowns: the largest factor first (its block is diagonal and is eliminated by a Schur complement), then the
other factors, then the fixed effects. The rest is dense: exact and fast up to about 5000 effects. A sparse or iterative
route has to offer the same two classes and nothing else (see `Assembler`, `Factored`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import linalg, sparse

from pipeline.estimators.arrays import AnyArray, BoolArray, FloatArray, IntArray, sums
from pipeline.estimators.crossed_design import Design

DENSE_LIMIT = 6000
"""Most effects outside the largest factor: a dense matrix of them takes 290 MB."""
_DENSE_BORDER = 4_000_000
_BLOCK = 2048


@dataclass(frozen=True)
class Information:
    """Z'WZ, Z'WX and X'WX without priors: diagonal of the eliminated block, border, and the dense rest."""

    diagonal: FloatArray
    border: AnyArray | sparse.csr_array
    rest: FloatArray


class Assembler:
    """Builds the information matrix of a design for any weights.

    >>> from pipeline.estimators.crossed_design import make_design
    >>> a = Assembler(make_design([1, 0], [2, 2], [[1.0]] * 2, [[0, 1]]))
    >>> a.build(np.array([0.5, 0.25])).diagonal.tolist()
    [0.5, 0.25]
    """

    def __init__(self, design: Design) -> None:
        self.design = design
        sizes = np.asarray(design.sizes, dtype=np.int64)
        self.first = int(np.argmax(sizes)) if sizes.size else -1
        self.others = [k for k in range(sizes.size) if k != self.first]
        self.first_size = int(sizes[self.first]) if sizes.size else 0
        self.rest_effects = int(sizes.sum()) - self.first_size
        self.width = self.rest_effects + design.X.shape[1]
        if self.rest_effects > DENSE_LIMIT:
            raise ValueError(
                f"{self.rest_effects} effects besides the largest factor; at most {DENSE_LIMIT} fit in memory. "
                "Fit each line or machine group on its own."
            )
        self.place: dict[int, int] = {}
        at = 0
        for k in self.others:
            self.place[k] = at
            at += design.sizes[k]
        self._masked = {k: bool((design.levels[k] < 0).any()) for k in range(sizes.size)}
        self._safe = {k: np.maximum(design.levels[k], 0) for k in range(sizes.size)}
        self._known = {k: (design.levels[k] >= 0).astype(float) for k in range(sizes.size)}
        rows, self._xrow = _distinct_rows(design.X)
        self._xdistinct = design.X[rows]
        self._by_pattern = rows.size * 4 <= design.X.shape[0]
        self.dense_border = self.first_size * self.width <= _DENSE_BORDER

    # ---- sums over rows ------------------------------------------------------------------------------------------
    def sum_by_level(self, values: FloatArray, k: int) -> FloatArray:
        """Z_k' values, shape (sizes[k],)."""
        weights = values * self._known[k] if self._masked[k] else values
        return sums(self._safe[k], weights, self.design.sizes[k])

    def transpose(self, values: FloatArray) -> FloatArray:
        """[Z X]' values, stacked in the solver's order."""
        parts = [self.sum_by_level(values, k) for k in self.order()]
        return np.concatenate([*parts, self.design.X.T @ values])

    def predict(self, stacked: FloatArray) -> FloatArray:
        """[Z X] stacked, without the offset, shape (r,)."""
        effects = stacked.size - self.design.X.shape[1]
        eta = np.asarray(self.design.X @ stacked[effects:], dtype=float)
        for k, where in self.slices().items():
            gathered = stacked[where][self._safe[k]]
            eta += gathered * self._known[k] if self._masked[k] else gathered
        return eta

    def order(self) -> list[int]:
        """Factors in the solver's order."""
        return ([self.first] if self.first >= 0 else []) + self.others

    def slices(self) -> dict[int, slice]:
        """Where each factor's effects lie in a stacked vector."""
        found = {self.first: slice(0, self.first_size)} if self.first >= 0 else {}
        for k in self.others:
            at = self.first_size + self.place[k]
            found[k] = slice(at, at + self.design.sizes[k])
        return found

    # ---- matrices ------------------------------------------------------------------------------------------------
    def build(self, weights: FloatArray) -> Information:
        """The information matrix for row weights m mu (1 - mu) / phi."""
        design, width, effects = self.design, self.width, self.rest_effects
        rest = np.zeros((width, width))
        for i, k in enumerate(self.others):
            a = self.place[k]
            rest[a + np.arange(design.sizes[k]), a + np.arange(design.sizes[k])] = self.sum_by_level(weights, k)
            for other in self.others[i + 1 :]:
                b = self.place[other]
                block = self._pair(weights, k, other)
                rest[a : a + design.sizes[k], b : b + design.sizes[other]] = block
                rest[b : b + design.sizes[other], a : a + design.sizes[k]] = block.T
            cross = self._with_fixed(weights, k)
            rest[a : a + design.sizes[k], effects:] = cross
            rest[effects:, a : a + design.sizes[k]] = cross.T
        rest[effects:, effects:] = design.X.T @ (weights[:, None] * design.X)
        if self.first < 0:
            return Information(np.zeros(0), np.zeros((0, width)), rest)
        return Information(self.sum_by_level(weights, self.first), self._border(weights), rest)

    def _border(self, weights: FloatArray) -> AnyArray | sparse.csr_array:
        fixed = self._with_fixed(weights, self.first)
        if self.dense_border:
            parts = [self._pair(weights, self.first, k) for k in self.others]
            return np.hstack([*parts, fixed])
        blocks = []
        for k in self.others:
            known = self._known[self.first] * self._known[k]
            blocks.append(
                sparse.csr_array(
                    sparse.coo_array(
                        (weights * known, (self._safe[self.first], self._safe[k])),
                        shape=(self.first_size, self.design.sizes[k]),
                    )
                )
            )
        return sparse.csr_array(sparse.hstack([*blocks, sparse.csr_array(fixed)], format="csr"))

    def _pair(self, weights: FloatArray, a: int, b: int) -> FloatArray:
        """Z_a' W Z_b, dense."""
        if self._masked[a] or self._masked[b]:
            weights = weights * (self._known[a] * self._known[b])
        rows, columns = self.design.sizes[a], self.design.sizes[b]
        key = self._safe[a] * columns + self._safe[b]
        return sums(key, weights, rows * columns).reshape(rows, columns)

    def _with_fixed(self, weights: FloatArray, k: int) -> FloatArray:
        """Z_k' W X; few distinct rows of X are summed by pattern first."""
        if self._masked[k]:
            weights = weights * self._known[k]
        size, X = self.design.sizes[k], self.design.X
        if self._by_pattern:
            patterns = self._xdistinct.shape[0]
            key = self._safe[k] * patterns + self._xrow
            table = sums(key, weights, size * patterns).reshape(size, patterns)
            return np.asarray(table @ self._xdistinct, dtype=float)
        columns = [sums(self._safe[k], weights * X[:, j], size) for j in range(X.shape[1])]
        return np.stack(columns, axis=1) if columns else np.zeros((size, 0))

    def leverages(self, factored: Factored) -> FloatArray:
        """z' C z of every row, C the inverse of the effects' block, shape (r,)."""
        C = factored.effect_inverse()
        lev = np.zeros(self.design.losses.size)
        for i, k in enumerate(self.others):
            a = self.place[k] + self._safe[k]
            lev += np.diag(C)[a] * self._known[k]
            for other in self.others[i + 1 :]:
                both = C[a, self.place[other] + self._safe[other]]
                if self._masked[k] or self._masked[other]:
                    both = both * (self._known[k] * self._known[other])
                lev += 2.0 * both
        if self.first >= 0:
            lev += self._first_leverages(factored, C)
        return lev

    def _first_leverages(self, factored: Factored, C: FloatArray) -> FloatArray:
        """What the eliminated factor adds: its own variance and twice its covariances with the others."""
        level = self._safe[self.first]
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
                both = cross[level[rows] - begin, self.place[k] + self._safe[k][rows]]
                added[rows] += 2.0 * both * self._known[k][rows]
        factored.first_variances = variances
        return np.asarray((added + variances[level]) * self._known[self.first], dtype=float)


class Factored:
    """Cholesky factor of the penalised information, largest factor eliminated.

    `joint` False leaves the fixed effects out (they are held); True takes them in, with prior precision
    `fixed_precision`.
    """

    def __init__(
        self, assembler: Assembler, info: Information, precision: FloatArray, fixed_precision: FloatArray
    ) -> None:
        self.assembler = assembler
        first, effects = assembler.first_size, assembler.rest_effects
        self.diagonal = info.diagonal + precision[:first]
        self.border = info.border
        rest = info.rest.copy()
        at = np.arange(assembler.width)
        rest[at, at] += np.concatenate([precision[first:], fixed_precision])
        if first:
            scaled = self._scaled(self.border)
            product = scaled.T @ scaled
            rest -= _dense(product)
        self.lower = _cholesky(rest)
        self.effects = effects
        self.first_variances: FloatArray | None = None
        self._inverse: dict[bool, FloatArray] = {}

    def _scaled(self, border: AnyArray | sparse.csr_array) -> AnyArray | sparse.csr_array:
        root = 1.0 / np.sqrt(self.diagonal)
        if sparse.issparse(border):
            return sparse.csr_array(sparse.diags_array(root) @ border)
        return np.asarray(border * root[:, None])

    def border_rows(self, begin: int, end: int) -> FloatArray:
        """Rows of D^-1 B, dense: what the eliminated effects take from the others."""
        return np.asarray(_dense(self.border[begin:end]) / self.diagonal[begin:end, None], dtype=float)

    def log_determinant(self) -> float:
        """log |Z'WZ + T|, effects only."""
        leading = np.diag(self.lower)[: self.effects]
        return float(np.sum(np.log(self.diagonal)) + 2.0 * np.sum(np.log(leading)))

    def solve(self, right: FloatArray, joint: bool) -> FloatArray:
        """The system's solution; with `joint` False the fixed effects are held and their part comes back as 0."""
        first, count = self.diagonal.size, self.lower.shape[0] if joint else self.effects
        out = np.zeros(right.size)
        border = self.border[:, :count] if first else None
        reduced = right[first : first + count]
        if border is not None:
            reduced = reduced - border.T @ (right[:first] / self.diagonal)
        if count:
            lower = self.lower[:count, :count]
            half = linalg.solve_triangular(lower, reduced, lower=True, check_finite=False)
            solution = linalg.solve_triangular(lower, half, lower=True, trans=1, check_finite=False)
        else:
            solution = np.zeros(0)
        out[first : first + count] = solution
        if border is not None:
            out[:first] = (right[:first] - border @ solution) / self.diagonal
        return out

    def effect_inverse(self, joint: bool = False) -> FloatArray:
        """Inverse of the reduced block: effects alone, or with the fixed effects where `joint`."""
        if joint not in self._inverse:
            count = self.lower.shape[0] if joint else self.effects
            self._inverse[joint] = _inverse_from(self.lower[:count, :count])
        return self._inverse[joint]

    def variances(self, joint: bool) -> FloatArray:
        """Diagonal of the inverse, stacked; fixed effects 0 where they are held."""
        count = self.lower.shape[0] if joint else self.effects
        S = self.effect_inverse(joint)
        first = np.empty(self.diagonal.size)
        if not joint and self.first_variances is not None:
            first = self.first_variances
        else:
            for begin in range(0, first.size, _BLOCK):
                end = min(begin + _BLOCK, first.size)
                P = self.border_rows(begin, end)[:, :count]
                first[begin:end] = 1.0 / self.diagonal[begin:end] + np.einsum("ij,ij->i", P @ S, P)
        tail = np.zeros(self.lower.shape[0])
        tail[:count] = np.diag(S)
        return np.concatenate([first, tail])

    def covariances(self, rows: IntArray, columns: IntArray, joint: bool) -> FloatArray:
        """Entries of the inverse at stacked places (rows[i], columns[i])."""
        S = self.effect_inverse(joint)
        first, count = self.diagonal.size, S.shape[0]
        out = np.empty(rows.size)
        for i, (a, b) in enumerate(zip(rows.tolist(), columns.tolist(), strict=True)):
            low, high = min(a, b), max(a, b)
            if low >= first:
                out[i] = S[low - first, high - first]
                continue
            P = self.border_rows(low, low + 1)[0, :count]
            if high >= first:
                out[i] = -(P @ S[:, high - first])
            else:
                Q = self.border_rows(high, high + 1)[0, :count]
                out[i] = P @ S @ Q + (1.0 / self.diagonal[low] if low == high else 0.0)
        return out

    def gram(self, keep: BoolArray) -> FloatArray:
        """P'P over the effects, dense, P the kept rows of D^-1 B: for sums of squares of the inverse's blocks."""
        border = self.border[keep][:, : self.effects]
        if sparse.issparse(border):
            P = sparse.diags_array(1.0 / self.diagonal[keep]) @ border
            return np.asarray((P.T @ P).toarray(), dtype=float)
        P = border / self.diagonal[keep, None]
        return np.asarray(P.T @ P, dtype=float)


def _dense(matrix: Any) -> FloatArray:
    return np.asarray(matrix.toarray() if sparse.issparse(matrix) else matrix, dtype=float)


def _cholesky(matrix: FloatArray) -> FloatArray:
    if matrix.shape[0] == 0:
        return matrix
    return np.asarray(linalg.cholesky(matrix, lower=True, check_finite=False), dtype=float)


def _inverse_from(lower: FloatArray) -> FloatArray:
    if lower.shape[0] == 0:
        return np.zeros((0, 0))
    inverse, failed = linalg.lapack.dpotri(np.asfortranarray(lower), lower=1)
    if failed:
        raise np.linalg.LinAlgError("the information matrix is singular")
    inverse = np.tril(inverse)
    return np.asarray(inverse + np.tril(inverse, -1).T, dtype=float)


def _distinct_rows(X: FloatArray) -> tuple[IntArray, IntArray]:
    """First row and pattern number of the distinct rows of X."""
    if X.shape[1] == 0:
        return np.zeros(1, dtype=np.int64), np.zeros(X.shape[0], dtype=np.int64)
    key = np.zeros(X.shape[0], dtype=np.int64)
    for j in range(X.shape[1]):
        codes = np.unique(X[:, j], return_inverse=True)[1]
        key = np.unique(key * (int(codes.max()) + 1) + codes, return_inverse=True)[1].astype(np.int64)
    _, first, group = np.unique(key, return_index=True, return_inverse=True)
    return first.astype(np.int64), group.astype(np.int64)
