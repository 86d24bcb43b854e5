"""How far do healthy peers differ? What their estimates say of the spread, with each one left out in turn.

In:    estimates of the items' effects and their variances, none of them shrunken.
Out:   for every item, weights over a grid of spreads: what its peers say.
After: an item never takes part in the spread that it is held against; several bad peers hardly widen it, nor hide each
       other.

Model: a peer's estimate is N(0, spread^2 + variance) with probability 1 - share. A bad item is worse, hardly ever
better: with probability `share` a half-normal excess (sd `BAD`) is added, or, for one such item in ten, a normal one of
either sign (sd `STRANGE`). The share is unknown, Beta(`SHARE_PRIOR`), and is averaged out together with everything that
the peers say of it. The log spread has a weak normal prior, so that a kind of few items keeps an honest uncertainty.
Breaks when a large part of the items is bad, or when healthy effects are strongly skewed.
Source: contaminated normal, Tukey (1960), in Contributions to Probability and Statistics (from memory); a normal and a
half-normal together: Aigner, Lovell and Schmidt (1977), Journal of Econometrics 6:21 (from memory).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

FloatArray = NDArray[np.float64]

BAD: Final = 1.0
"""Half-normal sd of a bad item's excess in log odds: nineteen of twenty bad items have an odds ratio below 7."""
STRANGE: Final = 2.0
STRANGE_SHARE: Final = 0.1
"""One outlier in ten is nothing that the half-normal knows: far off in either direction."""
SHARE_PRIOR: Final = (1.0, 10.0)
"""Beta prior of the share of outliers: one in eleven on average, hardly above a quarter."""
SHARES: Final = np.array([0.002, 0.005, 0.01, 0.02, 0.035, 0.05, 0.075, 0.1, 0.15, 0.2, 0.3])
GRID: Final = np.exp(np.linspace(np.log(0.02), np.log(2.0), 25))
"""Spreads that are weighed, sd in log odds."""


def spread_weights(
    estimates: ArrayLike,
    variances: ArrayLike,
    prior: tuple[float, float] | FloatArray,
    grid: ArrayLike = GRID,
    power: float = 1.0,
) -> FloatArray:
    """Posterior weights of each spread on the grid, item by item, from the item's peers alone.

    estimates, variances  shape (n,), log odds; variance inf or estimate nan: says nothing
    prior                 (mean, sd) of the log spread; or weights of the grid, item by item, shape (n, g)
    grid                  spreads > 0, shape (g,), evenly spaced in their logarithm
    power                 weight of the peers' likelihood, 0 to 1: what of it the prior does not know already

    Returns shape (n, g); each row sums to 1. Raises ValueError when shapes differ.

    >>> rng = np.random.default_rng(3)
    >>> u = np.append(rng.normal(0, 0.3, 60), 3.0)          # sixty healthy peers and one outlier
    >>> w = spread_weights(u, np.full(61, 0.01), (np.log(0.2), 0.75))
    >>> bool(0.2 < (w[0] * GRID).sum() < 0.4)
    True
    """
    u, v, s = np.asarray(estimates, float), np.asarray(variances, float), np.asarray(grid, float)
    log_prior = stats.norm.logpdf(np.log(s), *prior)[None, :] if isinstance(prior, tuple) else _log(prior)
    by_share, each = _log_posterior(u, v, s)
    log_weights = power * special.logsumexp(by_share[:, None, :] - each, axis=0) + log_prior
    weights = np.exp(log_weights - log_weights.max(axis=1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def _log(weights: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(weights))


def _log_posterior(u: FloatArray, v: FloatArray, s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log posterior of each share at each spread, shape (shares, g), and each item's log likelihood there, shape
    (shares, n, g); 0 for what says nothing. Spreads are equally likely beforehand.
    """
    if u.shape != v.shape or u.ndim != 1:
        raise ValueError("estimates and variances must have the same shape (n,)")
    says = np.isfinite(u) & np.isfinite(v)
    x, variance = u[says, None], s[None, :] ** 2 + v[says, None]
    each = np.zeros((SHARES.size, u.size, s.size))
    each[:, says] = log_with_outliers(log_normal(x, variance), log_outlier(x, variance))
    return each.sum(axis=1) + log_share_prior()[:, None], each


def log_share_prior() -> FloatArray:
    """Log prior of each share of outliers in `SHARES`, up to a constant."""
    return np.asarray(stats.beta.logpdf(SHARES, *SHARE_PRIOR) + np.log(np.gradient(SHARES)))


def log_with_outliers(healthy: FloatArray, outlier: FloatArray) -> FloatArray:
    """Log density of items that are outliers with each probability of `SHARES`, shape (shares, n, g).

    healthy, outlier  log density of the items if they are that for certain, shape (n, g)
    """
    shares = SHARES[:, None, None]
    return np.asarray(np.logaddexp(np.log1p(-shares) + healthy, np.log(shares) + outlier))


def log_normal(x: FloatArray, variance: FloatArray) -> FloatArray:
    """Log density of the normal around 0."""
    return np.asarray(-0.5 * (x**2 / variance + np.log(2.0 * np.pi * variance)))


def log_outlier(x: FloatArray, variance: FloatArray) -> FloatArray:
    """Log density of an outlier's estimate, `variance` being that of a healthy one.

    Normal plus half-normal: 2 phi(x / t) / t Phi(x BAD / (t sd)), t^2 = variance + BAD^2.
    """
    total = variance + BAD**2
    bad = np.log(2.0) + log_normal(x, total) + special.log_ndtr(x * BAD / np.sqrt(total * variance))
    strange = log_normal(x, variance + STRANGE**2)
    return np.asarray(np.logaddexp(np.log1p(-STRANGE_SHARE) + bad, np.log(STRANGE_SHARE) + strange))
