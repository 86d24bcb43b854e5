"""Array types and the checks that all estimators share.

In:    anything numpy can turn into an array.
Out:   float64 arrays.
After: counts are finite, losses lie between 0 and attempts; ValueError names the first place where they do not.
"""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
AnyArray: TypeAlias = NDArray[Any]


def sums(index: IntArray, weights: FloatArray, size: int) -> FloatArray:
    """Sum of the weights at each index, shape (size,).

    >>> sums(np.array([0, 2, 0]), np.array([1.0, 2.0, 3.0]), 3)
    array([4., 0., 2.])
    """
    return np.asarray(np.bincount(index, weights=weights, minlength=size), dtype=float)


def as_counts(losses: ArrayLike, attempts: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Losses and attempts as float arrays of one shape.

    Raises ValueError when a count is not finite, negative, or when losses exceed attempts.

    >>> as_counts([1, 2], 10)
    (array([1., 2.]), array([10., 10.]))
    """
    x, n = np.broadcast_arrays(np.asarray(losses, dtype=float), np.asarray(attempts, dtype=float))
    bad = ~(np.isfinite(x) & np.isfinite(n) & (x >= 0) & (x <= n))
    if bad.any():
        where = int(np.flatnonzero(bad.ravel())[0])
        raise ValueError(
            f"losses must lie between 0 and attempts: place {where} has {x.ravel()[where]:g} of {n.ravel()[where]:g}"
        )
    return x.copy(), n.copy()


def as_dispersion(dispersion: ArrayLike) -> FloatArray:
    """A dispersion factor as floats; ValueError unless every value is finite and at least 1."""
    phi = np.asarray(dispersion, dtype=float)
    if not bool(np.all(np.isfinite(phi) & (phi >= 1.0))):
        raise ValueError("dispersion must be finite and at least 1")
    return phi


def check_confidence(confidence: float) -> float:
    """The level itself; ValueError unless it lies strictly between 0 and 1."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence is {confidence:g}; it must lie between 0 and 1, such as 0.95")
    return float(confidence)
