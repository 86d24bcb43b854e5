"""How far do healthy peers differ? What their estimates say of the spread, with each one left out in turn.

In:    estimates of the items' effects and their variances, none of them shrunken.
Out:   for every item, weights over a grid of spreads: what its peers say.
After: an item never takes part in the spread that it is held against; a few outliers among its peers hardly widen it.

Model: a peer's estimate is N(0, spread^2 + variance) with probability 1 - `OUTLIERS`, else N(0, spread^2 + variance +
`WIDE`^2). The log spread has a weak normal prior, so that a kind of few items keeps an honest uncertainty about it.
Breaks when a large part of the items is bad, or when effects are strongly skewed.
Source: contaminated normal, Tukey (1960), in Contributions to Probability and Statistics (from memory).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

FloatArray = NDArray[np.float64]

OUTLIERS: Final = 0.05
WIDE: Final = 2.0
GRID: Final = np.exp(np.linspace(np.log(0.02), np.log(2.0), 25))
"""Spreads that are weighed, sd in log odds."""


def spread_weights(
    estimates: ArrayLike, variances: ArrayLike, prior: tuple[float, float], grid: ArrayLike = GRID
) -> FloatArray:
    """Posterior weights of each spread on the grid, item by item, from the item's peers alone.

    estimates, variances  shape (n,), log odds; variance inf or estimate nan: says nothing
    prior                 (mean, sd) of the log spread
    grid                  spreads > 0, shape (g,), evenly spaced in their logarithm

    Returns shape (n, g); each row sums to 1. Raises ValueError when shapes differ.

    >>> rng = np.random.default_rng(3)
    >>> u = np.append(rng.normal(0, 0.3, 60), 3.0)          # sixty healthy peers and one outlier
    >>> w = spread_weights(u, np.full(61, 0.01), (np.log(0.2), 0.75))
    >>> bool(0.2 < (w[0] * GRID).sum() < 0.4)
    True
    """
    u, v, s = np.asarray(estimates, float), np.asarray(variances, float), np.asarray(grid, float)
    if u.shape != v.shape or u.ndim != 1:
        raise ValueError("estimates and variances must have the same shape (n,)")
    says = np.isfinite(u) & np.isfinite(v)
    each = np.zeros((u.size, s.size))
    narrow = np.sqrt(s[None, :] ** 2 + v[says, None])
    wide = np.sqrt(narrow**2 + WIDE**2)
    x = u[says, None]
    each[says] = special.logsumexp(
        np.stack([stats.norm.logpdf(x, 0, narrow), stats.norm.logpdf(x, 0, wide)]),
        axis=0,
        b=np.array([1.0 - OUTLIERS, OUTLIERS])[:, None, None],
    )
    log_weights = each.sum(axis=0)[None, :] - each + stats.norm.logpdf(np.log(s), *prior)[None, :]
    weights = np.exp(log_weights - log_weights.max(axis=1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))
