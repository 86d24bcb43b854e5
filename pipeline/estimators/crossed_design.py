"""What goes into the crossed logistic model, checked and with equal rows merged.

In:    losses, attempts, fixed-effect columns, factors, offset: one entry a cell.
Out:   `Design`: the distinct rows of (factors, fixed effects, offset) with their summed counts.
After: no row has 0 attempts; `row_of` leads from every cell that was given to its merged row (-1: no attempts);
       the likelihood differs from that of the given cells by `constant` alone.

Cells with the same linear predictor carry the same information as one cell with their sums, so shifts and hours merge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray, as_counts, sums

RELEASED_SD = 5.0
"""Prior of a released effect, sd in log odds: odds from 1/22000 to 22000 times are as good as free."""


@dataclass(frozen=True)
class Design:
    """Merged rows of a crossed logistic model.

    losses, attempts  counts of the merged rows, shape (r,)
    X                 fixed-effect columns, shape (r, p)
    levels            per factor: level of each row, shape (r,), -1 for none
    sizes             per factor: number of levels
    released          per factor: levels with a prior of their own, shape (sizes[k],)
    offset            shape (r,)
    row_of            merged row of each given cell, shape (n,), -1 where it had no attempts
    given_offset, given_fixed, given_levels   as they were given, for predictions by cell
    constant          sum of the log binomial coefficients over the given cells
    """

    losses: FloatArray
    attempts: FloatArray
    X: FloatArray
    levels: tuple[IntArray, ...]
    sizes: tuple[int, ...]
    released: tuple[BoolArray, ...]
    offset: FloatArray
    row_of: IntArray
    given_offset: FloatArray
    given_fixed: FloatArray
    given_levels: tuple[IntArray, ...]
    constant: float

    @property
    def starts(self) -> IntArray:
        """Where each factor's effects begin in the stacked vector; one more entry for its length."""
        return np.concatenate([[0], np.cumsum(np.asarray(self.sizes, dtype=np.int64))]).astype(np.int64)


def make_design(
    losses: ArrayLike,
    attempts: ArrayLike,
    X: ArrayLike,
    factors: Sequence[ArrayLike],
    sizes: Sequence[int] | None = None,
    offset: ArrayLike | None = None,
    released: Sequence[ArrayLike | None] | None = None,
) -> Design:
    """Check the inputs and merge equal rows; arguments as `crossed_logit.fit_crossed`.

    Raises ValueError that names the argument when shapes, counts or levels do not fit.

    >>> d = make_design([1, 0, 2], [10, 10, 10], [[1.0]] * 3, [[0, 0, 1]])
    >>> d.losses.tolist(), d.attempts.tolist(), d.row_of.tolist()
    ([1.0, 2.0], [20.0, 10.0], [0, 0, 1])
    """
    y, m = as_counts(losses, attempts)
    if y.ndim != 1:
        raise ValueError("losses and attempts must have one dimension")
    fixed = np.asarray(X, dtype=float)
    if fixed.ndim != 2 or fixed.shape[0] != y.size or not bool(np.all(np.isfinite(fixed))):
        raise ValueError(f"X has shape {fixed.shape}; expected ({y.size}, p) of finite numbers")
    shift = np.zeros(y.size) if offset is None else np.asarray(offset, dtype=float)
    if shift.shape != y.shape or not bool(np.all(np.isfinite(shift))):
        raise ValueError(f"offset has shape {shift.shape}; expected ({y.size},) of finite numbers")
    levels = [_checked_levels(k, f, y.size) for k, f in enumerate(factors)]
    counts = _checked_sizes(levels, sizes)
    free = checked_released(counts, released)
    used = np.flatnonzero(m > 0)
    if used.size == 0:
        raise ValueError("no cell has attempts")
    first, group = _group([f[used] for f in levels], fixed[used], shift[used])
    rows = used[first]
    row_of = np.full(y.size, -1, dtype=np.int64)
    row_of[used] = group
    return Design(
        losses=sums(group, y[used], rows.size),
        attempts=sums(group, m[used], rows.size),
        X=np.ascontiguousarray(fixed[rows]),
        levels=tuple(f[rows] for f in levels),
        sizes=tuple(counts),
        released=tuple(free),
        offset=shift[rows],
        row_of=row_of,
        given_offset=shift,
        given_fixed=fixed,
        given_levels=tuple(levels),
        constant=float(np.sum(special.gammaln(m + 1) - special.gammaln(y + 1) - special.gammaln(m - y + 1))),
    )


def _checked_levels(k: int, factor: ArrayLike, count: int) -> IntArray:
    levels = np.asarray(factor)
    if levels.shape != (count,) or levels.dtype.kind not in "iu":
        raise ValueError(
            f"factor {k} has shape {levels.shape} and type {levels.dtype}; expected ({count},) of integers"
        )
    levels = levels.astype(np.int64)
    if levels.size and int(levels.min()) < -1:
        raise ValueError(f"factor {k} has level {int(levels.min())}; levels run from 0, and -1 means none")
    return np.asarray(levels, dtype=np.int64)


def _checked_sizes(levels: list[IntArray], sizes: Sequence[int] | None) -> list[int]:
    seen = [int(f.max(initial=-1)) + 1 for f in levels]
    if sizes is None:
        return [max(s, 1) for s in seen]
    if len(sizes) != len(levels):
        raise ValueError(f"{len(sizes)} sizes for {len(levels)} factors")
    for k, (have, need) in enumerate(zip(sizes, seen, strict=True)):
        if have < max(need, 1):
            raise ValueError(f"factor {k} has {need} levels, its size is given as {have}")
    return [int(s) for s in sizes]


def checked_released(sizes: list[int], released: Sequence[ArrayLike | None] | None) -> list[BoolArray]:
    """Released levels of every factor as booleans; ValueError when their number does not fit."""
    if released is None:
        return [np.zeros(s, dtype=bool) for s in sizes]
    if len(released) != len(sizes):
        raise ValueError(f"{len(released)} lists of released levels for {len(sizes)} factors")
    found: list[BoolArray] = []
    for k, (size, given) in enumerate(zip(sizes, released, strict=True)):
        free = np.zeros(size, dtype=bool) if given is None else np.asarray(given, dtype=bool)
        if free.shape != (size,):
            raise ValueError(f"released levels of factor {k} have shape {free.shape}; expected ({size},)")
        found.append(free)
    return found


def _group(levels: list[IntArray], fixed: FloatArray, offset: FloatArray) -> tuple[IntArray, IntArray]:
    """First row and group number of equal rows, groups in the order of their keys."""
    columns = [*levels, *(_codes(fixed[:, j]) for j in range(fixed.shape[1])), _codes(offset)]
    key = np.zeros(offset.size, dtype=np.int64)
    span = 1
    for column in columns:
        width = int(column.max()) + 2
        if width == 2 and int(column.min()) == 0:
            continue
        if span > (2**62) // width:
            _, key = np.unique(key, return_inverse=True)
            key = key.astype(np.int64)
            span = int(key.max()) + 1
        key = key * width + (column + 1)
        span *= width
    _, first, group = np.unique(key, return_index=True, return_inverse=True)
    return first.astype(np.int64), group.astype(np.int64)


def _codes(values: FloatArray) -> IntArray:
    """Number of each value among the distinct ones."""
    if values.size and bool(np.all(values == values[0])):
        return np.zeros(values.size, dtype=np.int64)
    if bool(np.all((values == 0) | (values == 1))):
        return values.astype(np.int64)
    return np.unique(values, return_inverse=True)[1].astype(np.int64)
