"""Many tests at once: how sure to be when a thousand items are looked at.

In:    p-values, in any order, nan where there was no test.
Out:   adjusted p-values, in the same order.
After: flagging every adjusted value <= q keeps the expected share of false flags among the flags at or below q.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.estimators.arrays import FloatArray


def benjamini_hochberg(p: ArrayLike) -> FloatArray:
    """Benjamini-Hochberg adjusted p-values.

    p  p-values between 0 and 1, shape (n,); nan for "not tested": stays nan and is not counted

    Returns an array of shape (n,), never below p and never above 1. Raises ValueError for a p outside 0 to 1.
    Breaks when: tests are strongly negatively dependent (holds under independence and positive dependence,
    Benjamini and Yekutieli 2001), or when only the worst-looking items are handed in: hand in all that were looked at.
    Source: Benjamini and Hochberg 1995, J R Stat Soc B 57:289; adjusted values as Yekutieli and Benjamini 1999.

    >>> benjamini_hochberg([0.01, 0.04, float("nan"), 0.03]).tolist()
    [0.03, 0.04, nan, 0.04]
    """
    given = np.asarray(p, dtype=float)
    if given.ndim != 1:
        raise ValueError("p must have one dimension")
    tested = ~np.isnan(given)
    values = given[tested]
    if bool(np.any((values < 0) | (values > 1))):
        raise ValueError("p-values must lie between 0 and 1")
    order = np.argsort(values, kind="stable")
    count = values.size
    raised = values[order] * (count / np.arange(1, count + 1))
    smallest_above = np.minimum.accumulate(raised[::-1])[::-1]
    adjusted = np.full(given.shape, np.nan)
    back = np.empty(count)
    back[order] = np.minimum(smallest_above, 1.0)
    adjusted[tested] = back
    return adjusted


MOST_WEIGHT = 60.0
"""Extra weight of what was surely bad before. Our own choice."""
UNCLEAR = 0.1
"""Probability of having been bad up to which nothing gets extra weight: 99 in 100 healthy items have about so much."""
MOST_MOVED = 0.5
"""Share of all weight that may go to what was bad before, so that nothing else has to be more than twice as clear."""


def weights_of_suspects(bad_before: ArrayLike) -> FloatArray:
    """Weights by which p-values are divided, so that a fault seen before needs less proof than a new one.

    bad_before  probability that each item was bad before, shape (n,), from data that the p-values do not rest on

    Returns shape (n,), mean 1, none below 1 - `MOST_MOVED`. Raises ValueError for a probability outside 0 to 1.
    Benjamini-Hochberg on p / weight keeps its promise for any weights of mean 1 that were fixed beforehand; good ones
    only make it find more.
    Source: Genovese, Roeder and Wasserman 2006, Biometrika 93:509 (from memory).

    >>> weights_of_suspects([0.0, 1.0, 0.05, 0.0]).tolist()
    [0.5, 2.5, 0.5, 0.5]
    """
    p = np.asarray(bad_before, dtype=float)
    if bool(np.any((p < 0) | (p > 1))):
        raise ValueError("probabilities must lie between 0 and 1")
    suspect = np.clip((p - UNCLEAR) / (1.0 - UNCLEAR), 0.0, None)
    total = float(suspect.sum())
    if total == 0:
        return np.ones(p.shape)
    size = min(MOST_WEIGHT, MOST_MOVED * p.size / total)
    return np.asarray(1.0 - size * total / p.size + size * suspect)
