"""Sums over the rows of a crossed design, and where the eliminated factor meets all else.

In:    a `Design`.
Out:   `Rows`: products with [Z X] and its transpose; `Border`: the pattern of Z1'W[Z X], worked out once.
After: the order of unknowns is the largest factor, the other factors, the fixed effects: the same for every route.

Both routes, dense (crossed_solver.py) and iterative (crossed_large.py), stand on these two classes.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray, sums
from pipeline.estimators.crossed_design import Design


class Rows:
    """Products with the design's indicator columns, in the solver's order.

    >>> from pipeline.estimators.crossed_design import make_design
    >>> rows = Rows(make_design([1, 0], [2, 2], [[1.0]] * 2, [[0, 1]]))
    >>> rows.transpose(np.array([0.5, 0.25])).tolist(), rows.predict(np.array([1.0, 2.0, 10.0])).tolist()
    ([0.5, 0.25, 0.75], [11.0, 12.0])
    """

    def __init__(self, design: Design) -> None:
        self.design = design
        sizes = np.asarray(design.sizes, dtype=np.int64)
        self.first = int(np.argmax(sizes)) if sizes.size else -1
        self.others = [k for k in range(sizes.size) if k != self.first]
        self.first_size = int(sizes[self.first]) if sizes.size else 0
        self.rest_effects = int(sizes.sum()) - self.first_size
        self.width = self.rest_effects + design.X.shape[1]
        self.effects = self.first_size + self.rest_effects
        self.place: dict[int, int] = {}
        at = 0
        for k in self.others:
            self.place[k] = at
            at += design.sizes[k]
        self.masked = {k: bool((design.levels[k] < 0).any()) for k in range(sizes.size)}
        self.safe = {k: np.maximum(design.levels[k], 0) for k in range(sizes.size)}
        self.known = {k: (design.levels[k] >= 0).astype(float) for k in range(sizes.size)}
        self._slices = self._find_slices()
        distinct, self._xrow = _distinct_rows(design.X)
        self._xdistinct = design.X[distinct]
        self._by_pattern = distinct.size * 4 <= design.X.shape[0]

    def order(self) -> list[int]:
        """Factors in the solver's order."""
        return ([self.first] if self.first >= 0 else []) + self.others

    def slices(self) -> dict[int, slice]:
        """Where each factor's effects lie in a stacked vector."""
        return self._slices

    def _find_slices(self) -> dict[int, slice]:
        found = {self.first: slice(0, self.first_size)} if self.first >= 0 else {}
        for k in self.others:
            at = self.first_size + self.place[k]
            found[k] = slice(at, at + self.design.sizes[k])
        return found

    def sum_by_level(self, values: FloatArray, k: int) -> FloatArray:
        """Z_k' values, shape (sizes[k],)."""
        weights = values * self.known[k] if self.masked[k] else values
        return sums(self.safe[k], weights, self.design.sizes[k])

    def transpose(self, values: FloatArray) -> FloatArray:
        """[Z X]' values, stacked in the solver's order."""
        parts = [self.sum_by_level(values, k) for k in self.order()]
        return np.concatenate([*parts, self.design.X.T @ values])

    def predict(self, stacked: FloatArray) -> FloatArray:
        """[Z X] stacked, without the offset, shape (r,)."""
        effects = stacked.size - self.design.X.shape[1]
        eta = np.asarray(self.design.X @ stacked[effects:], dtype=float)
        for k, where in self._slices.items():
            gathered = stacked[where][self.safe[k]]
            eta += gathered * self.known[k] if self.masked[k] else gathered
        return eta

    def pair(self, weights: FloatArray, a: int, b: int) -> FloatArray:
        """Z_a' W Z_b, dense."""
        if self.masked[a] or self.masked[b]:
            weights = weights * (self.known[a] * self.known[b])
        rows, columns = self.design.sizes[a], self.design.sizes[b]
        key = self.safe[a] * columns + self.safe[b]
        return sums(key, weights, rows * columns).reshape(rows, columns)

    def with_fixed(self, weights: FloatArray, k: int) -> FloatArray:
        """Z_k' W X; few distinct rows of X are summed by pattern first."""
        if self.masked[k]:
            weights = weights * self.known[k]
        size, X = self.design.sizes[k], self.design.X
        if self._by_pattern:
            patterns = self._xdistinct.shape[0]
            key = self.safe[k] * patterns + self._xrow
            table = sums(key, weights, size * patterns).reshape(size, patterns)
            return np.asarray(table @ self._xdistinct, dtype=float)
        columns = [sums(self.safe[k], weights * X[:, j], size) for j in range(X.shape[1])]
        return np.stack(columns, axis=1) if columns else np.zeros((size, 0))


class Border:
    """Which effects the levels of the largest factor meet: a sparse pattern that no weight changes.

    indptr, indices  as in a CSR matrix of shape (first_size, width), columns in rising order; the last p of every row
                     are the fixed effects
    entry            where each (row, other factor) lands in it, shape (factors - 1, r); -1 where either is unknown
    pairs            sum of squared row lengths: what the eliminations cost when nothing else is done with them
    """

    def __init__(self, rows: Rows) -> None:
        self.rows = rows
        width, effects, fixed = rows.width, rows.rest_effects, rows.width - rows.rest_effects
        own = rows.safe[rows.first] * width
        keys, here = [], []
        for k in rows.others:
            both: BoolArray = (rows.known[rows.first] > 0) & (rows.known[k] > 0)
            here.append(np.flatnonzero(both))
            keys.append(own[both] + rows.place[k] + rows.safe[k][both])
        levels = np.arange(rows.first_size, dtype=np.int64) * width
        keys.extend(levels + effects + j for j in range(fixed))
        flat = np.concatenate(keys) if keys else np.zeros(0, dtype=np.int64)
        cells, inverse = np.unique(flat, return_inverse=True)
        index = np.int32 if max(cells.size, width) < 2**31 else np.int64
        self.indices = (cells % width).astype(index) if width else np.zeros(0, dtype=np.int32)
        self.column = self.indices.astype(np.int64)
        self.level = (cells // width).astype(np.int64) if width else np.zeros(0, dtype=np.int64)
        lengths = np.bincount(self.level, minlength=rows.first_size)
        self.indptr = np.concatenate([[0], np.cumsum(lengths)]).astype(index)
        self.size = int(cells.size)
        self.entry = np.full((len(rows.others), rows.design.losses.size), -1, dtype=np.int64)
        at = 0
        for i, where in enumerate(here):
            self.entry[i, where] = inverse[at : at + where.size]
            at += where.size
        self._fixed = inverse[at:].reshape(fixed, rows.first_size)
        self.pairs = int(np.sum(lengths.astype(np.int64) ** 2))
        self.transposed = np.argsort(self.indices, kind="stable")
        counts = np.bincount(self.indices, minlength=width)
        self._columns = np.concatenate([[0], np.cumsum(counts)]).astype(index)
        self._turned = self.level[self.transposed].astype(index)

    def data(self, weights: FloatArray) -> FloatArray:
        """Entries of Z1'W[Z X] for these row weights, in the pattern's order."""
        out = np.zeros(self.size)
        for entry in self.entry:
            known = entry >= 0
            whole = bool(known.all())
            out += sums(entry if whole else entry[known], weights if whole else weights[known], self.size)
        if self._fixed.size:
            out[self._fixed] = self.rows.with_fixed(weights, self.rows.first).T
        return out

    def matrix(self, data: FloatArray) -> sparse.csr_array:
        """The border with these entries, shape (first_size, width)."""
        return sparse.csr_array((data, self.indices, self.indptr), shape=(self.rows.first_size, self.rows.width))

    def turned(self, data: FloatArray) -> sparse.csr_array:
        """Its transpose, row by row, shape (width, first_size)."""
        shape = (self.rows.width, self.rows.first_size)
        return sparse.csr_array((data[self.transposed], self._turned, self._columns), shape=shape)


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
