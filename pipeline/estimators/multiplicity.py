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
