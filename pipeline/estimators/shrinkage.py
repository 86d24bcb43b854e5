"""Shrinkage: many rates, each drawn towards the common one as far as its count is small.

In:    losses and attempts of many items of one kind.
Out:   shrunken rates with intervals, the common distribution.
After: every shrunken rate lies between the item's own rate and the common mean.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.estimators.arrays import FloatArray, as_counts, check_confidence
from pipeline.estimators.beta_binomial import BetaBinomialFit, beta_binomial_fit


@dataclass(frozen=True, slots=True)
class Shrunken:
    """`values` = mean + factor * (given - mean); factor 1 leaves them, 0 puts all on the mean."""

    values: FloatArray
    mean: float
    factor: float


def james_stein(estimates: ArrayLike, variance: float) -> Shrunken:
    """Efron and Morris's estimator: shrink equally precise estimates towards their mean.

    estimates  shape (k,), k >= 4
    variance   sampling variance of each, known and common, > 0

    factor = 1 - (k - 3) variance / sum of squares about the mean, not below 0. Raises ValueError for fewer than 4
    estimates or a variance of 0.
    Breaks when: the estimates are unequally precise (use `beta_binomial_rates`), or a few are outliers: they stop the
    others from being shrunken.
    Source: Efron and Morris 1975, JASA 70:311.

    >>> s = james_stein([0.1, 0.2, 0.3, 0.4, 0.5], 0.01)
    >>> round(s.mean, 3), round(s.factor, 3), s.values.round(3).tolist()
    (0.3, 0.8, [0.14, 0.22, 0.3, 0.38, 0.46])
    """
    x = np.asarray(estimates, dtype=float)
    if x.ndim != 1 or x.size < 4 or not variance > 0:
        raise ValueError("needs at least 4 estimates, shape (k,), and a variance above 0")
    mean = float(x.mean())
    squares = float(np.sum((x - mean) ** 2))
    factor = max(0.0, 1.0 - (x.size - 3) * variance / squares) if squares > 0 else 0.0
    return Shrunken(mean + factor * (x - mean), mean, factor)


@dataclass(frozen=True, slots=True)
class PooledRates:
    """Beta-binomial empirical Bayes rates, fractions, shape (n,).

    rate, low, high  posterior mean and equal-tailed interval of each item; an item without attempts has the common ones
    a, b             of the common beta distribution; inf when all items are alike
    fit              the beta-binomial fit behind it
    """

    rate: FloatArray
    low: FloatArray
    high: FloatArray
    a: float
    b: float
    fit: BetaBinomialFit


def beta_binomial_rates(losses: ArrayLike, attempts: ArrayLike, confidence: float = 0.95) -> PooledRates:
    """Rates of many items of one kind, each pooled with its kind by empirical Bayes.

    losses, attempts  counts, shape (n,)
    confidence        level of the intervals; they take the common distribution as known, so with fewer than about 20
                      items they are too narrow

    Raises ValueError for impossible counts or no attempts at all.
    Breaks when: a few outliers widen the common distribution (nobody is then pooled), or kinds are mixed.
    Source: Griffin and Krutchkoff 1971, Sankhya B 33:217; Carlin and Louis 2000, chapter 3.

    >>> r = beta_binomial_rates([0, 3, 1, 9, 2, 0, 5, 1], [20] * 8)
    >>> bool(0.0 < r.rate[0] < r.rate[3] < 9 / 20)
    True
    """
    x, n = as_counts(losses, attempts)
    check_confidence(confidence)
    fit = beta_binomial_fit(x, n)
    a, b = fit.shape
    tail = 0.5 * (1.0 - confidence)
    rate = (a + x) / (a + b + n)
    low = special.betaincinv(a + x, b + n - x, tail)
    high = special.betaincinv(a + x, b + n - x, 1.0 - tail)
    if fit.at_boundary:
        a = b = float("inf")
    return PooledRates(np.asarray(rate), np.asarray(low), np.asarray(high), a, b, fit)
