"""Least squares on means that rest on uneven numbers of values and differ by more than these explain.

In:    means with their sampling variances, and the design that they should follow.
Out:   coefficients with their covariance, and the spread between the means beyond sampling.
After: spread >= 0; where it is 0 the weights are those of the sampling variances alone.

Weights by the number of values alone would let two days of ten thousand picks decide a line, with an interval as if
nothing but the chance of single picks could move them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.estimators.arrays import FloatArray

_STEPS: Final = 100


@dataclass(frozen=True, slots=True)
class Fitted:
    """Result of `fit_means`.

    coefficients  shape (p,); covariance (p, p), which goes with Student's t at `freedom`
    spread        sd between the means beyond their sampling errors
    freedom       means less coefficients
    """

    coefficients: FloatArray
    covariance: FloatArray
    spread: float
    freedom: int


def fit_means(design: ArrayLike, means: ArrayLike, variances: ArrayLike) -> Fitted | None:
    """Weighted least squares with weights 1 / (spread^2 + variance).

    design     shape (n, p), of full rank, n > p
    means      shape (n,)
    variances  of each mean by its values alone, shape (n,), >= 0 and finite; all 0: not known, all weigh alike

    The spread solves Paule and Mandel's equation, sum of weighted squared residuals = n - p, or is 0. The covariance
    takes the scatter around the fit as it is, also where it is less than the variances say. None where the design has
    not full rank or n <= p; ValueError for shapes that do not fit and variances that are negative or not finite.
    Breaks when: neighbouring means depend on each other; with few means, of which a few rest on most values and the
    spread is small, intervals are somewhat narrow.
    Source: Paule and Mandel 1982, J Res Nat Bur Stand 87:377; DerSimonian and Kacker 2007, Contemp Clin Trials 28:105;
    scale by the scatter: Knapp and Hartung 2003, Stat Med 22:2693 (from memory).

    >>> f = fit_means(np.ones((4, 1)), [0.0, 1.0, 2.0, 3.0], [0.01] * 4)
    >>> round(float(f.coefficients[0]), 3), round(f.spread, 3), f.freedom
    (1.5, 1.287, 3)
    """
    x, y, v = np.asarray(design, dtype=float), np.asarray(means, dtype=float), np.asarray(variances, dtype=float)
    if x.ndim != 2 or y.shape != (x.shape[0],) or v.shape != y.shape:
        raise ValueError(f"design, means and variances have shapes {x.shape}, {y.shape} and {v.shape}")
    if bool(np.any(v < 0)) or not bool(np.all(np.isfinite(v))):
        raise ValueError("variances must be finite and not negative")
    freedom = y.size - x.shape[1]
    if freedom < 1 or int(np.linalg.matrix_rank(x)) < x.shape[1]:
        return None
    basis, back = np.linalg.qr(x)
    least = 1e-12 * max(float(v.max()), np.finfo(float).tiny)

    def squares(between: float) -> tuple[float, FloatArray, FloatArray, float]:
        """Weighted sum of squares around the fit, the coefficients, the weights, and how fast the sum falls."""
        weight = 1.0 / np.maximum(between + v, least)
        weighed = basis.T * weight
        coefficients = np.linalg.solve(weighed @ basis, weighed @ y)
        each = weight * (y - basis @ coefficients) ** 2
        return float(each.sum()), coefficients, weight, float(weight @ each)

    between = 1.0 if float(v.max()) == 0.0 else 0.0  # any number where all weigh alike
    for _ in range(0 if between else _STEPS):  # the sum is convex and falls: Newton's steps from 0 never go too far
        total, _, _, falls = squares(between)
        step = (total - freedom) / falls if total > freedom else 0.0
        between += step
        if step <= 1e-9 * between:
            break
    total, coefficients, weight, _ = squares(between)
    covariance = np.linalg.inv((x.T * weight) @ x) * total / freedom
    spread = float(np.sqrt(total / freedom)) if float(v.max()) == 0.0 else float(np.sqrt(between))
    return Fitted(np.linalg.solve(back, coefficients), np.asarray(covariance), spread, freedom)
