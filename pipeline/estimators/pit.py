"""Does a predicted distribution of counts fit what came? The probability integral transform, without drawing lots.

In:    for each prediction the cumulative probability just below and at what came.
Out:   share of the predictions in each tenth (or other part) of the predicted distribution.
After: the shares add up to 1; each is 1 / bins, but for chance, when the predictions are right.

A count has steps, so that its transform is spread evenly between the two probabilities instead of drawn at random
between them: the mean of the randomised one, and the same figures every time. Source: Czado, Gneiting and Held 2009,
Biometrics 65:1254 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from pipeline.estimators.arrays import FloatArray


def pit_shares(below: ArrayLike, at: ArrayLike, bins: int = 10) -> FloatArray:
    """Share of predictions in each of `bins` equal parts of the predicted distribution, shape (bins,).

    below  probability of fewer than what came, of each prediction, 0 to 1
    at     probability of what came or fewer, >= below, <= 1
    bins   how many parts, >= 1

    Raises ValueError for no prediction, other ranges or shapes. Breaks when: predictions share their luck; the shares
    then scatter more than chance alone would have it.

    >>> pit_shares([0.0, 0.5], [0.5, 1.0], 4).tolist()
    [0.25, 0.25, 0.25, 0.25]
    """
    low, high = np.asarray(below, dtype=float), np.asarray(at, dtype=float)
    if low.ndim != 1 or low.shape != high.shape or low.size == 0 or bins < 1:
        raise ValueError("give one lower and one upper probability for each of at least one prediction")
    if not bool(np.all((low >= 0) & (high <= 1 + 1e-9) & (high >= low - 1e-12))):
        raise ValueError("probabilities must lie between 0 and 1, the lower one first")
    edges = np.linspace(0, 1, bins + 1)
    width = np.maximum(high - low, 1e-12)
    reached = np.clip((edges[:, None] - low) / width, 0.0, 1.0).mean(axis=1)
    reached[-1] = 1.0
    return np.asarray(np.diff(reached), dtype=float)
