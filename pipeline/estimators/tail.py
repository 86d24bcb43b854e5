"""How surprising are this many losses for an item that is as healthy as its peers?

In:    losses, expected losses, the healthy spread (and what else is unsure about the expectation) and the dispersion.
Out:   one-sided p-values.
After: 0 < p <= 1; more losses never give a larger p; more spread never makes a clear excess look clearer, nor does more
       dispersion as long as it is small against the losses.

Model: log rate ratio u ~ N(0, spread^2) among healthy peers; losses given u have mean expected * exp(u) and variance
dispersion * mean. They are Poisson for dispersion 1 and negative binomial with a variance proportional to the
mean above. Losses are few among many chances, so the binomial's upper end plays no part; for rates above a tenth the
p-value is too large, which is the safe side.
Breaks when the healthy spread is skewed: then the far tail is heavier than the normal one.
Source: a Poisson-lognormal mixture, Aitchison and Ho (1989), Biometrika 76:643 (from memory); integrated by
Gauss-Legendre.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

FloatArray = NDArray[np.float64]

_REACH: Final = 9.0
_POINTS: Final = 240
_SMALLEST_EXPECTED: Final = 1e-9


def excess_tail(losses: ArrayLike, expected: ArrayLike, spread: ArrayLike, dispersion: ArrayLike = 1.0) -> FloatArray:
    """P(at least this many losses) for a healthy item.

    losses      counts >= 0, any shapes that broadcast
    expected    losses that the median healthy item would have on the same work, >= 0
    spread      sd of the log rate ratio: healthy spread and uncertainty of `expected` together, >= 0
    dispersion  >= 1: variance of the counts over the Poisson variance, from bursts

    Returns p-values in (0, 1]. Raises ValueError for negative arguments or a dispersion below 1.

    >>> float(excess_tail(3, 1.0, 0.0).round(6))          # Poisson: 1 - (1 + 1 + 1/2) / e
    0.080301
    >>> bool(excess_tail(30, 10.0, 0.3) > excess_tail(30, 10.0, 0.0))
    True
    """
    x, mu, s, phi = np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in (losses, expected, spread, dispersion)))
    if np.any(x < 0) or np.any(mu < 0) or np.any(s < 0) or np.any(phi < 1):
        raise ValueError("losses, expected and spread must be 0 or more, dispersion 1 or more")
    z, density = _normal_grid()
    mean = np.maximum(mu, _SMALLEST_EXPECTED)[..., None] * np.exp(s[..., None] * z)
    tail = _count_tail(x[..., None], mean, phi[..., None])
    p = np.asarray((tail * density).sum(axis=-1))
    return np.asarray(np.clip(p, np.finfo(float).tiny, 1.0))


@cache
def _normal_grid() -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of the standard normal on -9 to 9."""
    nodes, weights = np.polynomial.legendre.leggauss(_POINTS)
    z = np.asarray(nodes * _REACH)
    density = np.asarray(weights * stats.norm.pdf(z))
    return z, density / density.sum()


def _count_tail(x: FloatArray, mean: FloatArray, phi: FloatArray) -> FloatArray:
    """P(count >= x): Poisson where phi is 1, negative binomial of variance phi * mean elsewhere.

    Both are incomplete integrals: Johnson, Kemp and Kotz (2005), Univariate Discrete Distributions, 4.10 and 5.6.
    """
    some = np.maximum(x, 1.0)
    burst = phi > 1.0 + 1e-9
    if not burst.any():
        tail = special.gammainc(some, mean)
    elif burst.all():
        tail = special.betainc(some, mean / (phi - 1.0), 1.0 - 1.0 / phi)
    else:
        above = np.where(burst, phi, 2.0)
        negative = special.betainc(some, mean / (above - 1.0), 1.0 - 1.0 / above)
        tail = np.where(burst, negative, special.gammainc(some, mean))
    return np.asarray(np.where(x < 1.0, 1.0, tail))
