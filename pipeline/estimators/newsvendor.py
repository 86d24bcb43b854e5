"""How much to hold when too little and too much both cost money.

In:    probabilities of a demand of 0, 1, 2, ... pieces, the cost of a piece short and of a piece left over.
Out:   the service level that balances the two, the quantity with the least expected cost, and that cost.
After: no other whole quantity has a lower expected cost.

Source: Arrow, Harris and Marschak 1951, Econometrica 19:250 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.estimators.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class Balance:
    """A quantity and what it is expected to cost.

    quantity        pieces held
    short, surplus  expected pieces short and left over
    cost            short * shortage cost + surplus * surplus cost
    """

    quantity: int
    short: float
    surplus: float
    cost: float


def critical_ratio(shortage: ArrayLike, surplus: ArrayLike) -> FloatArray:
    """Service level at which one piece more costs as much as it saves, shortage / (shortage + surplus).

    shortage  cost of one piece short, > 0
    surplus   cost of one piece left over, >= 0, same currency; both are broadcast

    Raises ValueError outside these ranges. Breaks when: the first piece short costs far more than the next ones (a
    build that stands still for one part); then set the service level itself.

    >>> float(critical_ratio(4, 1))
    0.8
    """
    under, over = np.broadcast_arrays(np.asarray(shortage, dtype=float), np.asarray(surplus, dtype=float))
    if not bool(np.all(np.isfinite(under) & (under > 0)) and np.all(np.isfinite(over) & (over >= 0))):
        raise ValueError("a piece short must cost more than 0 and a piece left over not less than 0")
    return np.asarray(under / (under + over), dtype=float)


def expected_cost(pmf: ArrayLike, quantity: int, shortage: float, surplus: float) -> Balance:
    """Expected shortage, surplus and cost of holding `quantity` pieces.

    pmf                probabilities of a demand of 0, 1, 2, ... pieces; they add up to 1
    quantity           pieces held, >= 0
    shortage, surplus  as in `critical_ratio`

    Raises ValueError when the probabilities do not add up to 1 within 1e-6 or the quantity is negative.

    >>> expected_cost([0.5, 0.25, 0.25], 1, 4, 1)
    Balance(quantity=1, short=0.25, surplus=0.5, cost=1.5)
    """
    p = _probabilities(pmf)
    critical_ratio(shortage, surplus)
    if quantity < 0:
        raise ValueError(f"quantity is {quantity}; expected 0 or more")
    gap = np.arange(p.size) - float(quantity)
    short, over = float(np.maximum(gap, 0) @ p), float(np.maximum(-gap, 0) @ p)
    return Balance(int(quantity), short, over, short * shortage + over * surplus)


def optimal_quantity(pmf: ArrayLike, shortage: float, surplus: float) -> Balance:
    """The quantity with the least expected cost: the smallest whose cumulative probability reaches the critical ratio.

    pmf                probabilities of a demand of 0, 1, 2, ... pieces; they add up to 1
    shortage, surplus  as in `critical_ratio`

    Raises ValueError as `expected_cost` does. Breaks when: what is left over keeps its full value for the next build;
    then a surplus costs only the money bound in it.

    >>> optimal_quantity([0.5, 0.25, 0.25], 4, 1).quantity
    2
    """
    p = _probabilities(pmf)
    cdf = np.cumsum(p) / p.sum()
    ratio = float(critical_ratio(shortage, surplus))
    quantity = min(int(np.searchsorted(cdf, ratio - 1e-12)), p.size - 1)
    return expected_cost(p, quantity, shortage, surplus)


def cheapest_quantity(pmf: ArrayLike, stop: float, piece: float, surplus: float) -> Balance:
    """The quantity with the least expected cost when running short costs `stop` once and `piece` for each piece short.

    pmf             probabilities of a demand of 0, 1, 2, ... pieces; they add up to 1
    stop            cost of running short at all, >= 0: a line that stands still for one part
    piece, surplus  cost of each piece short and of each piece left over, >= 0, same currency

    With stop = 0 it is `optimal_quantity`. With `stop` the expected cost may have several local minima: all quantities
    up to the end of `pmf` are looked at. Of several with the same cost the smallest. Raises ValueError outside these
    ranges. Breaks when: the end of `pmf` is cut where being short still matters.

    >>> cheapest_quantity([0.5, 0.25, 0.25], 10, 0, 1).quantity, cheapest_quantity([0.5, 0.25, 0.25], 2, 0, 1).quantity
    (2, 0)
    """
    p = _probabilities(pmf)
    if not all(np.isfinite(v) and v >= 0 for v in (stop, piece, surplus)):
        raise ValueError("costs must be 0 or more")
    cdf = np.cumsum(p) / p.sum()
    quantity = np.arange(p.size, dtype=float)
    mean = float(quantity @ p) / float(p.sum())
    over = np.concatenate([[0.0], np.cumsum(cdf)[:-1]])  # E(x - D)+ grows by P(D <= x) from x to x + 1
    short = np.maximum(over - quantity + mean, 0.0)
    cost = surplus * over + piece * short + stop * np.maximum(1.0 - cdf, 0.0)
    best = int(np.flatnonzero(cost <= cost.min() + 1e-12 * max(1.0, float(cost.min())))[0])
    return Balance(best, float(short[best]), float(over[best]), float(cost[best]))


def _probabilities(pmf: ArrayLike) -> FloatArray:
    p = np.asarray(pmf, dtype=float)
    if p.ndim != 1 or p.size == 0 or bool(np.any(~np.isfinite(p) | (p < 0))) or abs(float(p.sum()) - 1) > 1e-6:
        raise ValueError("pmf must be a list of probabilities that add up to 1")
    return p
