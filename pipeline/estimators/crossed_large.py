"""The iterative route of the crossed model: the same systems solved without a dense matrix of all effects.

In:    a `Design` with too many effects for crossed_solver.py, weights of its rows, prior precisions.
Out:   `LargeFactored`: solves by preconditioned conjugate gradients; the diagonals that sampling needs.
After: a solve meets the accuracy that was asked for; LinAlgError where it does not within `MOST_ITERATIONS`.

The largest factor is eliminated exactly. What is left is never built: it is applied row by row. The preconditioner is
the exact inverse for the small factors and the fixed effects together (up to `COARSE` of them), the diagonal of the
Schur complement for the rest. Memory grows with cells x factors, not with effects squared.
Source: Hestenes and Stiefel 1952, J Res Natl Bur Stand 49:409; block preconditioning: Saad 2003, chapter 9 (both from
memory).
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

from pipeline.estimators.arrays import AnyArray, FloatArray, IntArray, sums
from pipeline.estimators.crossed_design import Design
from pipeline.estimators.crossed_rows import Border, Rows
from pipeline.estimators.crossed_solver import fixed_columns

COARSE = 2000
ACCURACY = 1e-5
STEP_ACCURACY = 0.03
MOST_ITERATIONS = 500
_BLOCK = 2048
_SPARSE_COST = 700


@dataclass(frozen=True)
class LargeInformation:
    """Row weights with the sums that diagonals and preconditioner need; `coarse`: dense, of the small factors and X."""

    weights: FloatArray
    diagonal: FloatArray
    rest: FloatArray
    border: FloatArray
    coarse: FloatArray


class LargeAssembler(Rows):
    """Products with the information matrix of a design, for any weights.

    >>> from pipeline.estimators.crossed_design import make_design
    >>> a = LargeAssembler(make_design([1, 0], [2, 2], [[1.0]] * 2, [[0, 1]]))
    >>> a.factor(a.build(np.array([0.5, 0.25])), np.ones(2), np.ones(1)).solve(np.array([3.0, 0, 0]), False).tolist()
    [2.0, 0.0, 0.0]
    """

    def __init__(self, design: Design) -> None:
        super().__init__(design)
        if self.first < 0:
            raise ValueError("the iterative route needs at least one factor")
        self.border = Border(self)
        rows = design.losses.size
        self.Z1 = self._indicators([self.first], 0, self.first_size)
        parts = [self._indicators(self.others, self.first_size, self.rest_effects), sparse.csr_array(design.X)]
        self.Zr = sparse.csr_array(sparse.hstack(parts, format="csr")) if self.width else sparse.csr_array((rows, 0))
        small = sorted(self.others, key=lambda k: design.sizes[k])
        room = np.cumsum([design.sizes[k] for k in small])
        self.small = sorted(k for k, used in zip(small, room, strict=True) if used <= COARSE)
        places = [np.arange(self.place[k], self.place[k] + design.sizes[k]) for k in self.small]
        self.coarse = np.concatenate([*places, np.arange(self.rest_effects, self.width)]).astype(np.int64)
        self.coarse_effects = int(sum(p.size for p in places))
        of_column = np.full(self.width, -1, dtype=np.int64)
        of_column[self.coarse] = np.arange(self.coarse.size)
        self._kept = np.flatnonzero(of_column[self.border.indices] >= 0)
        self._kept_columns = of_column[self.border.indices[self._kept]]
        counts = np.bincount(self.border.level[self._kept], minlength=self.first_size)
        self._kept_rows = np.concatenate([[0], np.cumsum(counts)])
        self._kept_pairs = int(np.sum(counts.astype(np.int64) ** 2))

    def _indicators(self, factors: list[int], before: int, columns: int) -> sparse.csr_array:
        """Indicator columns of some factors side by side; unknown levels have none."""
        rows = self.design.losses.size
        known = (
            np.stack([self.design.levels[k] >= 0 for k in factors], axis=1) if factors else np.zeros((rows, 0), bool)
        )
        places = [self.safe[k] + (self.slices()[k].start - before) for k in factors]
        place = np.stack(places, axis=1) if factors else np.zeros((rows, 0), dtype=np.int64)
        indptr = np.concatenate([[0], np.cumsum(known.sum(axis=1))]).astype(np.int32)
        indices = place[known]
        return sparse.csr_array((np.ones(indices.size), indices, indptr), shape=(rows, columns))

    def predict(self, stacked: FloatArray) -> FloatArray:
        """[Z X] stacked, without the offset, shape (r,) or (r, N)."""
        return np.asarray(self.Z1 @ stacked[: self.first_size] + self.Zr @ stacked[self.first_size :], dtype=float)

    def transpose(self, values: FloatArray) -> FloatArray:
        """[Z X]' values, stacked, shape (effects + p,) or (effects + p, N)."""
        return np.concatenate([self.Z1.T @ values, self.Zr.T @ values])

    def build(self, weights: FloatArray) -> LargeInformation:
        """What depends on the row weights m mu (1 - mu) / phi."""
        rest = np.concatenate([*(self.sum_by_level(weights, k) for k in self.others), weights @ self.design.X**2])
        size, effects = self.coarse.size, self.coarse_effects
        coarse = np.zeros((size, size))
        at = {}
        begin = 0
        for k in self.small:
            at[k] = slice(begin, begin + self.design.sizes[k])
            begin = at[k].stop
        for i, k in enumerate(self.small):
            for other in self.small[i + 1 :]:
                coarse[at[other], at[k]] = self.pair(weights, other, k)
            coarse[effects:, at[k]] = self.with_fixed(weights, k).T
        coarse[effects:, effects:] = self.design.X.T @ (weights[:, None] * self.design.X)
        diagonal = np.arange(size)
        coarse[diagonal, diagonal] = rest[self.coarse]
        return LargeInformation(
            weights, self.sum_by_level(weights, self.first), rest, self.border.data(weights), coarse
        )

    def eliminated_coarse(self, entries: FloatArray, diagonal: FloatArray) -> FloatArray:
        """B'D^-1 B over the small factors and X, in single precision where dense: it only serves to precondition."""
        size = self.coarse.size
        scaled = (entries / np.sqrt(diagonal[self.border.level]))[self._kept]
        shape = (self.first_size, size)
        B = sparse.csr_array((scaled, self._kept_columns, self._kept_rows), shape=shape)
        if _SPARSE_COST * self._kept_pairs < self.first_size * size**2:
            return np.asarray((sparse.csr_array(B.T) @ B).toarray(), dtype=float)
        total = np.zeros((size, size), dtype=np.float32)
        single = B.astype(np.float32)
        for begin in range(0, self.first_size, _BLOCK):
            block = single[begin : begin + _BLOCK].toarray()
            total += block.T @ block
        return total.astype(float)

    def factor(self, info: LargeInformation, precision: FloatArray, fixed_precision: FloatArray) -> LargeFactored:
        """The system at these prior precisions, ready to be solved."""
        return LargeFactored(self, info, precision, fixed_precision)


class LargeFactored:
    """The penalised information, largest factor eliminated, behind the interface of `crossed_solver.Factored`.

    schur  diagonal of the reduced system, effects and fixed effects, shape (width,)
    """

    def __init__(
        self, assembler: LargeAssembler, info: LargeInformation, precision: FloatArray, fixed_precision: FloatArray
    ) -> None:
        self.assembler = assembler
        first = assembler.first_size
        self.effects = assembler.rest_effects
        self.weights, self.precision = info.weights, precision
        self.diagonal = info.diagonal + precision[:first]
        self.prior = np.concatenate([precision[first:], fixed_precision])
        self.border = info.border
        border = assembler.border
        taken = sums(border.column, info.border**2 / self.diagonal[border.level], assembler.width)
        whole = info.rest + self.prior
        self.schur = np.maximum(whole - taken, 1e-12 * np.maximum(whole, 1e-300))
        coarse = info.coarse - assembler.eliminated_coarse(info.border, self.diagonal)
        at = np.arange(coarse.shape[0])
        coarse[at, at] = self.schur[assembler.coarse] * (1.0 + 1e-5)
        self.lower = linalg.cholesky(coarse, lower=True, check_finite=False) if coarse.size else coarse
        self._inverses = {joint: self._inverse_of_coarse(joint) for joint in (False, True)}
        self.solver: Callable[[FloatArray], FloatArray] | None = None
        self.iterations = 0
        self._fixed: FloatArray | None = None

    # ---- the reduced system ----------------------------------------------------------------------------------------
    def apply(self, v: FloatArray, joint: bool) -> FloatArray:
        """The reduced system times v, shape (width,) or (width, N); with `joint` False the last p are held at 0."""
        a = self.assembler
        weights, diagonal, prior = self.weights, self.diagonal, self.prior
        if v.ndim == 2:
            weights, diagonal, prior = weights[:, None], diagonal[:, None], prior[:, None]
        t = a.Zr @ v
        t -= a.Z1 @ ((a.Z1.T @ (weights * t)) / diagonal)
        t *= weights
        out = a.Zr.T @ t + prior * v
        if not joint:
            out[self.effects :] = 0.0
        return np.asarray(out, dtype=float)

    def precondition(self, r: FloatArray, joint: bool) -> FloatArray:
        """An approximate inverse of the reduced system times r."""
        a = self.assembler
        z = r / (self.schur if r.ndim == 1 else self.schur[:, None])
        inverse = self._inverses[joint][1]
        if inverse.size:
            where = a.coarse[: inverse.shape[0]]
            z[where] = inverse @ r[where].astype(np.float32)
        if not joint:
            z[self.effects :] = 0.0
        return np.asarray(z, dtype=float)

    def half_precondition(self, v: FloatArray, transposed: bool) -> FloatArray:
        """L^-1 v or L^-T v with L L' the preconditioner of the effects alone."""
        a, count = self.assembler, self.assembler.coarse_effects
        z = v / np.sqrt(self.schur if v.ndim == 1 else self.schur[:, None])
        if count:
            where = a.coarse[:count]
            lower = self.lower[:count, :count]
            z[where] = linalg.solve_triangular(lower, v[where], lower=True, trans=int(transposed), check_finite=False)
        z[self.effects :] = 0.0
        return np.asarray(z, dtype=float)

    def _inverse_of_coarse(self, joint: bool) -> tuple[FloatArray, NDArray[np.float32]]:
        """Diagonal of the inverse of the small factors' block, and the whole in single precision: it is read often."""
        count = self.assembler.coarse.size if joint else self.assembler.coarse_effects
        if not count:
            return np.zeros(0), np.zeros((0, 0), dtype=np.float32)
        inverse, failed = linalg.lapack.dpotri(self.lower[:count, :count], lower=1)
        if failed:
            raise np.linalg.LinAlgError("the small factors' block is singular")
        diagonal = np.diag(inverse).copy()
        single = inverse.astype(np.float32)
        single += single.T
        at = np.arange(count)
        single[at, at] *= 0.5
        return diagonal, single

    def coarse_variances(self) -> FloatArray:
        """Variances of the small factors' effects given all others but themselves, shape (coarse effects,)."""
        return self._inverses[False][0]

    def coarse_means(self, r: FloatArray) -> FloatArray:
        """The small factors' block solved in double precision, shape (coarse effects, N)."""
        count = self.assembler.coarse_effects
        if not count:
            return np.zeros((0, *r.shape[1:]))
        right = r[self.assembler.coarse[:count]]
        return np.asarray(linalg.cho_solve((self.lower[:count, :count], True), right, check_finite=False))

    def preconditioner_log_determinant(self) -> float:
        """log |L L'| of the effects alone."""
        a, count = self.assembler, self.assembler.coarse_effects
        others = np.ones(a.width, dtype=bool)
        others[a.coarse] = False
        return float(np.sum(np.log(self.schur[others])) + 2.0 * np.sum(np.log(np.diag(self.lower)[:count])))

    # ---- solves ----------------------------------------------------------------------------------------------------
    def solve(
        self, right: FloatArray, joint: bool, accuracy: float = ACCURACY, start: FloatArray | None = None
    ) -> FloatArray:
        """The system's solution; with `joint` False the fixed effects are held and their part comes back as 0.

        right     shape (effects + p,) or (effects + p, N)
        accuracy  of each column, relative, in the norm of the preconditioner
        """
        a, first = self.assembler, self.diagonal.size
        scale = self.diagonal if right.ndim == 1 else self.diagonal[:, None]
        weights = self.weights if right.ndim == 1 else self.weights[:, None]
        reduced = right[first:] - a.Zr.T @ (weights * (a.Z1 @ (right[:first] / scale)))
        if not joint:
            reduced[self.effects :] = 0.0
        if self.solver is not None and not joint:
            rest = self.solver(reduced)
        else:
            rest = self._gradients(reduced, joint, accuracy, None if start is None else start[first:])
        own = (right[:first] - a.Z1.T @ (weights * (a.Zr @ rest))) / scale
        return np.concatenate([own, rest])

    def moved(self, precision: FloatArray, fixed_precision: FloatArray) -> LargeFactored:
        """The system at other prior precisions, with the preconditioner of these."""
        return self._like(self.weights, precision, fixed_precision)

    def newton_step(self, score: FloatArray, joint: bool, weights: FloatArray) -> FloatArray:
        """A step towards the mode at these weights: rough, as the next one makes good what is missing."""
        return self._like(weights, self.precision, self.prior[self.effects :]).solve(score, joint, STEP_ACCURACY)

    def _like(self, weights: FloatArray, precision: FloatArray, fixed_precision: FloatArray) -> LargeFactored:
        other = copy(self)
        first = self.assembler.first_size
        other.weights, other.precision = weights, precision
        other.prior = np.concatenate([precision[first:], fixed_precision])
        other.diagonal = self.assembler.sum_by_level(weights, self.assembler.first) + precision[:first]
        other.solver, other._fixed = None, None
        return other

    def _gradients(self, right: FloatArray, joint: bool, accuracy: float, start: FloatArray | None) -> FloatArray:
        """Preconditioned conjugate gradients, all columns at once."""
        x = np.zeros(right.shape) if start is None else start.copy()
        r = right.copy() if start is None else right - self.apply(x, joint)
        z = self.precondition(r, joint)
        p = z.copy()
        now = np.sum(r * z, axis=0)
        goal = accuracy**2 * np.sum(right * self.precondition(right, joint), axis=0)
        for _ in range(MOST_ITERATIONS):
            if bool(np.all(now <= goal)):
                return x
            self.iterations += 1
            q = self.apply(p, joint)
            along = np.sum(p * q, axis=0)
            length = np.where(along > 0, now / np.where(along > 0, along, 1.0), 0.0)
            x += length * p
            r -= length * q
            z = self.precondition(r, joint)
            before, now = now, np.sum(r * z, axis=0)
            p *= np.where(before > 0, now / np.where(before > 0, before, 1.0), 0.0)
            p += z
        raise np.linalg.LinAlgError(f"{MOST_ITERATIONS} iterations were not enough to solve for the effects")

    def fixed_columns(self) -> FloatArray:
        """F with H^-1 = [C 0; 0 0] + F F', C the inverse with the fixed effects held; shape (effects + p, p)."""
        if self._fixed is None:
            self._fixed = fixed_columns(self, self.diagonal.size + self.effects, self.assembler.width - self.effects)
        return self._fixed

    def covariances(self, rows: IntArray, columns: IntArray, joint: bool) -> FloatArray:
        """Entries of the inverse at stacked places (rows[i], columns[i]): one solve for every distinct row."""
        out = np.zeros(rows.size)
        size = self.diagonal.size + self.assembler.width
        for row in np.unique(rows):
            unit: AnyArray = np.zeros(size)
            unit[row] = 1.0
            at = rows == row
            out[at] = self.solve(unit, joint, accuracy=1e-8)[columns[at]]
        return out
