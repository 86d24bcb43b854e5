"""Intervals of a loss rate and of the difference of two loss rates.

In:    losses and attempts (arrays of counts), a confidence level, a dispersion >= 1.
Out:   (low, high), arrays of fractions.
After: 0 <= low <= high <= 1 (differences: -1 to 1); nan where attempts is 0.

Losses come in bursts, so counts scatter more than independent picks would. A dispersion phi widens every interval by
using x/phi losses of n/phi attempts: the rate stays, the information shrinks (effective sample size, Kish 1965; the
same step as quasi-likelihood, McCullagh and Nelder 1989, chapter 4.5).
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.estimators.arrays import FloatArray, as_counts, as_dispersion, check_confidence

Method = Literal["wilson", "clopper-pearson", "jeffreys"]
METHODS: Final[tuple[str, ...]] = ("wilson", "clopper-pearson", "jeffreys")


def wilson(
    losses: ArrayLike, attempts: ArrayLike, confidence: float = 0.95, dispersion: ArrayLike = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Wilson's score interval of a rate.

    losses, attempts  counts, any shapes that broadcast; losses <= attempts
    confidence        level, a fraction
    dispersion        >= 1; variance of the counts over the binomial variance

    Returns (low, high), fractions; nan where attempts is 0; exactly 0 and 1 at no loss and at nothing but losses.
    Raises ValueError for impossible counts, levels or dispersions.
    Breaks when: losses come in bursts and the dispersion is left at 1; the interval is then too narrow.
    Source: Wilson 1927, JASA 22:209; Newcombe 1998, Stat Med 17:857 (method 3).

    >>> low, high = wilson(81, 263)
    >>> round(float(low), 4), round(float(high), 4)
    (0.2553, 0.3662)
    """
    x, n, phi = _prepare(losses, attempts, confidence, dispersion)
    z2 = float(special.ndtri(0.5 + 0.5 * confidence)) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = x / n
        size = n / phi
        centre = (rate + z2 / (2 * size)) / (1 + z2 / size)
        half = np.sqrt(z2 * (rate * (1 - rate) / size + z2 / (4 * size * size))) / (1 + z2 / size)
    return _exact_ends(centre - half, centre + half, x, n)


def clopper_pearson(
    losses: ArrayLike, attempts: ArrayLike, confidence: float = 0.95, dispersion: ArrayLike = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Clopper and Pearson's interval of a rate: covers at least as often as it says, so it is wide.

    Arguments, result, errors and what breaks it: as `wilson`.
    Source: Clopper and Pearson 1934, Biometrika 26:404, as quantiles of the beta distribution.

    >>> low, high = clopper_pearson([0, 15], [20, 148])
    >>> high.round(4).tolist(), low.round(4).tolist()
    ([0.1684, 0.1617], [0.0, 0.0578])
    """
    x, n, phi = _prepare(losses, attempts, confidence, dispersion)
    tail = 0.5 * (1 - confidence)
    hits, rest = x / phi, (n - x) / phi
    low = special.betaincinv(np.where(x > 0, hits, 1.0), rest + 1, tail)
    high = special.betaincinv(hits + 1, np.where(x < n, rest, 1.0), 1 - tail)
    return _exact_ends(low, high, x, n)


def jeffreys(
    losses: ArrayLike, attempts: ArrayLike, confidence: float = 0.95, dispersion: ArrayLike = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Equal-tailed Jeffreys interval of a rate: quantiles of beta(x + 1/2, n - x + 1/2).

    Arguments, errors and what breaks it: as `wilson`. At no loss the low end is a little above 0, as published;
    `interval` opens it to 0, so that a printed interval holds its rate; also where a large dispersion leaves less than
    one effective loss and a low confidence would leave the rate outside.
    Source: Brown, Cai and DasGupta 2001, Statistical Science 16:101, section 4.1.

    >>> low, high = jeffreys(15, 148)
    >>> round(float(low), 4), round(float(high), 4)
    (0.0604, 0.1576)
    """
    x, n, phi = _prepare(losses, attempts, confidence, dispersion)
    tail = 0.5 * (1 - confidence)
    a, b = x / phi + 0.5, (n - x) / phi + 0.5
    empty = n == 0
    low = np.where(empty, np.nan, special.betaincinv(a, b, tail))
    high = np.where(empty, np.nan, special.betaincinv(a, b, 1 - tail))
    return low, high


def interval(
    losses: ArrayLike,
    attempts: ArrayLike,
    *,
    method: str = "wilson",
    confidence: float = 0.95,
    dispersion: ArrayLike = 1.0,
) -> tuple[FloatArray, FloatArray]:
    """The interval by the method that the settings name; it always holds losses / attempts.

    method  wilson, clopper-pearson or jeffreys; ValueError for any other
    Other arguments, result and errors: as `wilson`.

    >>> low, high = interval([0, 20, 0], [20, 20, 0], method="jeffreys")
    >>> low.round(4).tolist(), high.round(4).tolist()
    ([0.0, 0.8834, nan], [0.1166, 1.0, nan])
    """
    if method == "wilson":
        low, high = wilson(losses, attempts, confidence, dispersion)
    elif method == "clopper-pearson":
        low, high = clopper_pearson(losses, attempts, confidence, dispersion)
    elif method == "jeffreys":
        low, high = jeffreys(losses, attempts, confidence, dispersion)
        x, n, _ = _prepare(losses, attempts, confidence, dispersion)
        low, high = _exact_ends(low, high, x, n)
    else:
        raise ValueError(f'interval method is "{method}"; use one of {", ".join(METHODS)}')
    x, n, _ = _prepare(losses, attempts, confidence, dispersion)
    with np.errstate(invalid="ignore", divide="ignore"):
        seen = x / n  # nan where nothing was attempted
    return np.minimum(low, seen), np.maximum(high, seen)


def newcombe_difference(
    losses1: ArrayLike,
    attempts1: ArrayLike,
    losses2: ArrayLike,
    attempts2: ArrayLike,
    confidence: float = 0.95,
    dispersion1: ArrayLike = 1.0,
    dispersion2: ArrayLike = 1.0,
) -> tuple[FloatArray, FloatArray]:
    """Interval of rate 1 - rate 2 from two independent groups (method 10, without continuity correction).

    losses1, attempts1, losses2, attempts2  counts, shapes that broadcast
    dispersion1, dispersion2                >= 1, of each group; see the module's head
    Returns (low, high), differences of fractions, nan where a group has no attempts.
    Raises ValueError as `wilson` does.
    Breaks when: the two groups are not independent, or the mix of parts changed between them.
    Source: Newcombe 1998, Stat Med 17:873, method 10.

    >>> low, high = newcombe_difference(56, 70, 48, 80)
    >>> round(float(low), 6), round(float(high), 6)
    (0.052431, 0.333873)
    """
    x1, n1 = as_counts(losses1, attempts1)
    x2, n2 = as_counts(losses2, attempts2)
    low1, high1 = wilson(x1, n1, confidence, dispersion1)
    low2, high2 = wilson(x2, n2, confidence, dispersion2)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate1, rate2 = x1 / n1, x2 / n2
    difference = rate1 - rate2
    low = difference - np.hypot(rate1 - low1, high2 - rate2)
    high = difference + np.hypot(high1 - rate1, rate2 - low2)
    return np.maximum(low, -1.0), np.minimum(high, 1.0)


def _prepare(
    losses: ArrayLike, attempts: ArrayLike, confidence: float, dispersion: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    check_confidence(confidence)
    x, n = as_counts(losses, attempts)
    x, n, phi = np.broadcast_arrays(x, n, as_dispersion(dispersion))
    return x, n, phi


def _exact_ends(low: FloatArray, high: FloatArray, x: FloatArray, n: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Ends at no loss and at nothing but losses are 0 and 1 exactly; rounding leaves 2.8e-17 otherwise."""
    low = np.where(n == 0, np.nan, np.where(x == 0, 0.0, np.clip(low, 0.0, 1.0)))
    high = np.where(n == 0, np.nan, np.where(x == n, 1.0, np.clip(high, 0.0, 1.0)))
    return low, high
