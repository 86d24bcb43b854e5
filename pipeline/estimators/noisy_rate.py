"""A rate that was seen with two kinds of noise: that of counting, and a factor of its own.

In:    rates seen, what they are worth, a gamma prior of each.
Out:   mean and relative variance of the long-run rate behind each.
After: without the factor it is the gamma posterior of a Poisson count; without counts it is the prior.

A part that ran in few batches was seen at its rate times a factor, the luck of those batches. Such noise is as large
for a high rate, relatively, as for a low one. Reckoned at the rate that was seen, it would make high rates count less
than low ones, and every mean come out too low; here it is reckoned at each rate that is possible. Source: the Poisson
law with a gamma factor is negative binomial (Johnson, Kemp and Kotz 2005, chapter 5, from memory).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from pipeline.estimators.arrays import FloatArray

_NODES: Final = np.linspace(-12.0, 6.0, 41)
_ROUNDS: Final = 40
_WIDE: Final = (0.2, 0.5)
"""Losses with the prior's shape, and shape of the factor, below which the rate may lie anywhere."""
_POINTS: Final = 800


def noisy_rate(
    seen: ArrayLike, count: ArrayLike, shape: ArrayLike, prior_shape: ArrayLike, prior_mean: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Mean and relative variance of each long-run rate, given what was seen; both of the broadcast shape.

    seen         rate that was seen, a fraction >= 0
    count        independent picks that tell as much about it, factor aside; >= 0, 0 where nothing was seen
    shape        1 / relative variance of the factor, > 0; inf: there is none
    prior_shape  1 / relative variance of the gamma prior, > 0; prior_mean its mean, > 0

    The integral over the logarithm of the rate is a sum of 41 points, from twelve standard deviations below its mode to
    six above. Where next to nothing is known, that came out as anything: there it is a sum of 800 points up to a rate
    of 1, with what lies below them. Raises ValueError outside these ranges. Breaks when: the rate is well above 10 %,
    where a binomial count scatters less than this allows for.

    >>> mean, doubt = noisy_rate(0.02, 100, np.inf, 2.0, 0.01)
    >>> round(float(mean), 5), round(float(doubt), 4)  # gamma: (2 + 2) / (200 + 100), 1 / (2 + 2)
    (0.01333, 0.25)
    """
    values = [np.asarray(v, dtype=float) for v in (seen, count, shape, prior_shape, prior_mean)]
    rate, n, k, a, m = np.broadcast_arrays(*values)
    if not (bool(np.all((rate >= 0) & (n >= 0))) and bool(np.all((k > 0) & (a > 0) & (m > 0)))):
        raise ValueError("rates and counts must be 0 or more; shapes and the prior's mean above 0")
    losses = n * rate
    mean, doubt = np.array(m), np.array(1.0 / a)  # of the prior, where nothing was seen
    wide = (n > 0) & ((a + losses < _WIDE[0]) | (k < _WIDE[1]))
    for some, summed in ((wide, _anywhere), ((n > 0) & ~wide, _around_the_mode)):
        if bool(some.any()):
            mean[some], doubt[some] = summed(n[some], losses[some], k[some], a[some], m[some])
    return mean, doubt


def _around_the_mode(
    n: FloatArray, losses: FloatArray, k: FloatArray, a: FloatArray, m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and relative variance of rates with one clear mode; shape (r,) each."""
    per = n / k  # no losses of digits, and no case of its own, where there is no factor

    def slope(u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """First derivative of the logarithm of the posterior by log rate, and the second with its sign turned."""
        e = np.exp(u)
        spread = 1.0 + per * e
        pull = (n + per * losses) * e / spread
        return a * (1.0 - e / m) + losses - pull, a * e / m + pull / spread

    u = np.log((a + losses) / (a / m + n))
    for _ in range(_ROUNDS):
        first, second = slope(u)
        step = np.clip(first / second, -1.0, 1.0)
        u = u + step
        if bool(np.all(np.abs(step) < 1e-9)):
            break
    at = u[:, None] + _NODES / np.sqrt(slope(u)[1])[:, None]
    e = np.exp(at)
    log = a[:, None] * (at - e / m[:, None]) + losses[:, None] * at
    # (shape + losses) log(1 + count rate / shape), which is count rate where the shape has no end.
    scaled = np.log1p(per[:, None] * e)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.where(per[:, None] > 1e-12, k[:, None] * scaled, n[:, None] * e)
    log = log - factor - losses[:, None] * scaled
    weight = np.exp(log - log.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    mean = (weight * e).sum(axis=1)
    return mean, (weight * (e / mean[:, None] - 1.0) ** 2).sum(axis=1)


def _anywhere(
    n: FloatArray, losses: FloatArray, k: FloatArray, a: FloatArray, m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and relative variance of rates of which next to nothing is known; shape (r,) each.

    Below the points the density of the log rate u is that of exp(rise u) alone, which has an integral.
    """
    rise, per = a + losses, n / k
    low = np.log(1e-6 / (a / m + n + per * losses))
    high = np.maximum(np.minimum(np.log(60.0 * m / a), 0.0), low + 1.0)
    u = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, _POINTS)
    e = np.exp(u)
    factor = np.where(
        per[:, None] > 1e-12, (np.minimum(k, 1e12) + losses)[:, None] * np.log1p(per[:, None] * e), n[:, None] * e
    )
    log = rise[:, None] * u - (a / m)[:, None] * e - factor
    top = log.max(axis=1)
    weight = np.exp(log - top[:, None]) * ((high - low) / (_POINTS - 1))[:, None]
    weight[:, [0, -1]] *= 0.5
    below = np.exp(log[:, 0] - top) / rise
    total = weight.sum(axis=1) + below
    mean = ((weight * e).sum(axis=1) + below * e[:, 0] * rise / (1.0 + rise)) / total
    ratio = e / mean[:, None]
    second = ((weight * ratio**2).sum(axis=1) + below * ratio[:, 0] ** 2 * rise / (2.0 + rise)) / total
    return mean, np.maximum(second - 1.0, 1e-12)
