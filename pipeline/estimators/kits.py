"""The cheapest extras for a whole kit, so that all its lines suffice together with a given probability.

In:    for each line the cumulative probabilities that 0, 1, 2, ... extra parts suffice, and the price of a part.
Out:   extra parts per line, their cost, the joint probability, a lower bound of the cost of any kit that does it.
After: the joint probability reaches the level. `exact` says that no cheaper kit exists; otherwise the cost is at most
       cost - bound above the cheapest.

Lines are taken as independent: their probabilities are multiplied. A bad shift that hurts all at once breaks that.
Method: the piece with the most log-probability per cost first (marginal analysis; Fox 1966, Management Science 13:210,
from memory), the last pieces chosen so that little is left over, then a search with the Lagrangian lower bound.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.estimators.arrays import FloatArray, IntArray

NODES = 5_000
"""Partial kits that the search looks at before it settles for what it has."""
GRID = 20_000
"""Steps of the grid over the risk budget; fewer where GRID_WORK (steps times choices of all lines) would not do."""
GRID_WORK = 40_000_000
LAST = 30
"""Steps of the marginal analysis that are looked at again."""
_SLACK = 1e-12


@dataclass(frozen=True, slots=True)
class Kit:
    """Result of `cheapest_kit`.

    extras    extra parts per line
    cost      of all extras
    joint     probability that all lines suffice
    marginal  line (from 0) whose next piece adds most joint probability per cost: where to spend the next money
    weakest   line (from 0) that most probably runs short
    bound     no kit that reaches the level costs less than this
    exact     whether this kit is known to be the cheapest
    """

    extras: tuple[int, ...]
    cost: float
    joint: float
    marginal: int
    weakest: int
    bound: float
    exact: bool


def joint_probability(cdfs: Sequence[ArrayLike], extras: Sequence[int]) -> float:
    """Probability that all lines suffice, when they are independent: the product of each line's own.

    cdfs    for each line the probabilities that 0, 1, 2, ... extra parts suffice; the last holds beyond the end
    extras  extra parts per line, >= 0

    >>> round(joint_probability([[0.9, 0.99], [0.8, 0.95, 0.99]], [1, 1]), 6)
    0.9405
    """
    logs = [_log_cdf(c) for c in cdfs]
    if len(logs) != len(extras) or any(x < 0 for x in extras):
        raise ValueError("extras must give one number of 0 or more for each line")
    return float(np.exp(sum(float(g[min(x, g.size - 1)]) for g, x in zip(logs, extras, strict=True))))


def cheapest_kit(cdfs: Sequence[ArrayLike], costs: ArrayLike, level: float, nodes: int = NODES) -> Kit:
    """Extras with the least cost whose joint probability reaches `level`.

    cdfs   for each line the probabilities that 0, 1, 2, ... extra parts suffice, non-decreasing, at most 1; long enough
           to come within (1 - level) / lines of 1, well beyond it for dear lines
    costs  price of one part of each line, > 0, shape (lines,)
    level  probability that all lines suffice, 0 < level < 1

    Raises ValueError for other shapes and ranges, or when the arrays end before the level is reached.
    Breaks when: lines are not independent, or a line's price falls with the quantity (packs).

    >>> cdfs = [[0.5, 0.9, 0.99, 0.999], [0.5, 0.9, 0.99, 0.999]]
    >>> cheapest_kit(cdfs, [1.0, 5.0], 0.89).extras
    (2, 1)
    """
    logs = [_log_cdf(c) for c in cdfs]
    price = np.asarray(costs, dtype=float)
    if price.shape != (len(logs),) or not logs or not bool(np.all(np.isfinite(price) & (price > 0))):
        raise ValueError("costs must give one price above 0 for each line")
    if not 0 < level < 1:
        raise ValueError(f"level is {level:g}; it must lie between 0 and 1, such as 0.95")
    goal = float(np.log(level)) - _SLACK
    if sum(float(g[-1]) for g in logs) < goal:
        raise ValueError("the cumulative probabilities end before the level is reached; make them longer")
    best, weight = _greedy(logs, price, goal)
    best, bound, exact = _search(best, weight, logs, price, goal, nodes)
    if not exact and _cost(best, price) > 1.001 * bound:
        best, bound, exact = _by_budget(best, bound, logs, price, goal)
    gain = [(float(g[x + 1] - g[x]) if x + 1 < g.size else 0.0) / c for g, x, c in zip(logs, best, price, strict=True)]
    own = [float(g[x]) for g, x in zip(logs, best, strict=True)]
    cost = _cost(best, price)
    return Kit(
        extras=tuple(best),
        cost=cost,
        joint=float(np.exp(sum(own))),
        marginal=int(np.argmax(gain)),
        weakest=int(np.argmin(own)),
        bound=min(bound, cost),
        exact=exact,
    )


def best_use(
    cdfs: Sequence[ArrayLike], costs: ArrayLike, extras: Sequence[int], money: float
) -> tuple[tuple[int, ...], float]:
    """Pieces to add to a kit for at most `money`, and the joint probability then.

    cdfs, costs  as in `cheapest_kit`
    extras       extra parts per line so far
    money        what may be spent, >= 0

    The piece that adds most log-probability for its price comes first (marginal analysis, as in `cheapest_kit`) as long
    as it can be paid and adds anything; what is left at the end goes to the best piece that it still pays. Near the
    best use, not proven to be it. Raises ValueError for other shapes and ranges.

    >>> best_use([[0.5, 0.9, 0.99], [0.5, 0.9, 0.99]], [1.0, 5.0], [0, 0], 6.5)[0]
    (1, 1)
    """
    logs = [_log_cdf(c) for c in cdfs]
    price = np.asarray(costs, dtype=float)
    if price.shape != (len(logs),) or len(extras) != len(logs) or not bool(np.all(price > 0)) or not money >= 0:
        raise ValueError("give one price above 0 and one number of extras for each line, and money of 0 or more")
    now = [min(int(x), g.size - 1) for x, g in zip(extras, logs, strict=True)]
    added = [0] * len(logs)
    gain = np.array([_next_gain(g, x) / c for g, x, c in zip(logs, now, price, strict=True)])
    left = money
    while True:
        able = np.where(price <= left * (1 + 1e-12), gain, 0.0)
        i = int(np.argmax(able))
        if able[i] <= 1e-15:
            break
        now[i] += 1
        added[i] += 1
        left -= float(price[i])
        gain[i] = _next_gain(logs[i], now[i]) / price[i]
    return tuple(added), float(np.exp(sum(float(g[x]) for g, x in zip(logs, now, strict=True))))


def _next_gain(log: FloatArray, at: int) -> float:
    """What one piece more adds to the log-probability; large where the line cannot be made without it."""
    if at + 1 >= log.size:
        return 0.0
    gain = float(log[at + 1] - log[at])
    return gain if np.isfinite(gain) else 1e3


def _log_cdf(cdf: ArrayLike) -> FloatArray:
    p = np.asarray(cdf, dtype=float)
    if p.ndim != 1 or p.size == 0 or bool(np.any(~(p >= 0) | (p > 1 + 1e-9))) or bool(np.any(np.diff(p) < -1e-12)):
        raise ValueError("a line needs cumulative probabilities: non-decreasing, between 0 and 1")
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.minimum(np.maximum.accumulate(p), 1.0)), dtype=float)


def _cost(extras: list[int], price: FloatArray) -> float:
    return float(sum(x * float(c) for x, c in zip(extras, price, strict=True)))


def _greedy(logs: list[FloatArray], price: FloatArray, goal: float) -> tuple[list[int], float]:
    """Steps along the concave hull of each line, best log-probability per cost first, until the goal is reached.

    Returns the extras, improved at the end by `_finish`, and the last step's cost per log-probability: the
    multiplier of the bound.
    """
    # No line may lie below the goal by itself, since the others cannot make up for it.
    extras = [int(np.searchsorted(g, goal)) for g in logs]
    reached = sum(float(g[x]) for g, x in zip(logs, extras, strict=True))
    corners = [_hull(g, x) for g, x in zip(logs, extras, strict=True)]
    at = [0] * len(logs)
    heap: list[tuple[float, int, int]] = []
    steps: list[tuple[int, int]] = []
    weight = 0.0

    def push(i: int) -> None:
        xs, gains = corners[i]
        if at[i] < len(gains):
            slope = gains[at[i]] / float(price[i])
            at[i] += 1
            heapq.heappush(heap, (-slope, i, xs[at[i]]))

    for i in range(len(logs)):
        push(i)
    while reached < goal and heap:
        slope, i, x = heapq.heappop(heap)
        reached += float(logs[i][x] - logs[i][extras[i]])
        steps.append((i, extras[i]))
        extras[i] = x
        weight = -1.0 / slope
        push(i)
    return _finish(extras, steps, logs, price, goal), weight


def _hull(log: FloatArray, first: int) -> tuple[list[int], list[float]]:
    """Corners of the concave hull of a line from `first` on, and the log-probability gained a piece between them."""
    values = log[first:].tolist()
    xs: list[int] = [0]
    slopes: list[float] = []
    for x in range(1, len(values)):
        while True:
            slope = (values[x] - values[xs[-1]]) / (x - xs[-1])
            if not slopes or slope < slopes[-1]:
                break
            xs.pop()
            slopes.pop()
        if slope <= 0:
            break  # nothing is gained from here on
        xs.append(x)
        slopes.append(slope)
    return [first + x for x in xs], slopes


def _finish(
    extras: list[int], steps: list[tuple[int, int]], logs: list[FloatArray], price: FloatArray, goal: float
) -> list[int]:
    """Undo the last steps one by one; each time reach the goal again by the cheapest pieces of a single line."""
    best = _take_back(extras, logs, price, goal)
    state = list(extras)
    for i, before in reversed(steps[-LAST:]):
        state[i] = before
        missing = goal - sum(float(g[x]) for g, x in zip(logs, state, strict=True))
        needed = [int(np.searchsorted(g, g[x] + missing)) for g, x in zip(logs, state, strict=True)]
        able = [j for j, g in enumerate(logs) if needed[j] < g.size]
        if not able:
            continue
        j = min(able, key=lambda n: (needed[n] - state[n]) * float(price[n]))
        trial = list(state)
        trial[j] = needed[j]
        trial = _take_back(trial, logs, price, goal)
        reached = sum(float(g[x]) for g, x in zip(logs, trial, strict=True))
        if reached >= goal and _cost(trial, price) < _cost(best, price):
            best = trial
    return best


def _take_back(extras: list[int], logs: list[FloatArray], price: FloatArray, goal: float) -> list[int]:
    """Take pieces back, dearest first, as long as the goal still holds."""
    best = list(extras)
    spare = sum(float(g[x]) for g, x in zip(logs, best, strict=True)) - goal
    for i in np.argsort(-price, kind="stable"):
        while best[i] > 0 and logs[i][best[i]] - logs[i][best[i] - 1] <= spare:
            spare -= float(logs[i][best[i]] - logs[i][best[i] - 1])
            best[i] -= 1
    return best


def _by_budget(
    start: list[int], low: float, logs: list[FloatArray], price: FloatArray, goal: float
) -> tuple[list[int], float, bool]:
    """Least cost for each share of the risk budget, line after line (dynamic programming over a grid).

    The budget is -goal; each line's -log-probability is rounded up to the grid for a kit that surely reaches the goal,
    and down for a bound that no kit goes below. Dear and few lines make the Lagrangian bound loose; this closes it.
    """
    best, best_cost = list(start), _cost(start, price)
    choices = [_choices(g, c, goal, best_cost) for g, c in zip(logs, price, strict=True)]
    work = sum(x.size for x in choices)
    steps = int(min(GRID, GRID_WORK // max(work, 1)))
    if steps < 20 * len(logs):
        return best, low, False
    unit = -goal / steps
    for up in (True, False):
        least = np.zeros(steps + 1)
        taken = np.zeros((len(logs), steps + 1), dtype=np.int32)
        for i, (g, c) in enumerate(zip(logs, price, strict=True)):
            used = -g[choices[i]] / unit
            units = np.ceil(used - 1e-9) if up else np.floor(used + 1e-9)
            after = np.full(steps + 1, np.inf)
            for x, u in zip(choices[i].tolist(), units.astype(int).tolist(), strict=True):
                if u <= steps:
                    cost = least[: steps + 1 - u] + x * c
                    better = cost < after[u:]
                    after[u:][better] = cost[better]
                    taken[i, u:][better] = x
            least = after
        if not np.isfinite(least[-1]):
            continue
        if not up:
            low = max(low, float(least[-1]))
            continue
        kit, at = [0] * len(logs), steps
        for i in range(len(logs) - 1, -1, -1):
            kit[i] = int(taken[i, at])
            at -= int(np.ceil(-float(logs[i][kit[i]]) / unit - 1e-9))
        kit = _take_back(kit, logs, price, goal)
        if sum(float(g[x]) for g, x in zip(logs, kit, strict=True)) >= goal and _cost(kit, price) < best_cost:
            best, best_cost = kit, _cost(kit, price)
    return best, min(low, best_cost), best_cost <= low + 1e-9 * max(1.0, best_cost)


def _choices(log: FloatArray, price: float, goal: float, most: float) -> IntArray:
    """Extras of one line that alone reach the goal, cost less than `most` and gain something over the one before."""
    first = int(np.searchsorted(log, goal))
    last = min(log.size - 1, int(most / price) + 1)
    found = np.arange(first, max(last, first) + 1)
    gains = np.concatenate([[True], np.diff(log[found]) > 0])
    return np.asarray(found[gains], dtype=np.int64)


def _search(
    start: list[int], weight: float, logs: list[FloatArray], price: FloatArray, goal: float, nodes: int
) -> tuple[list[int], float, bool]:
    """Depth-first search over all kits that could still be cheaper, by the Lagrangian bound.

    For a weight w >= 0, cost + w (goal - log joint) is at most the cost of a kit that reaches the goal. It is a sum
    over lines, so each line's least value bounds what is still to come.
    """
    best, best_cost = list(start), _cost(start, price)
    reduced = [c * np.arange(g.size) - weight * g for g, c in zip(logs, price, strict=True)]
    least = np.array([float(r.min()) for r in reduced])
    bound = float(least.sum() + weight * goal)
    tolerance = 1e-9 * max(1.0, best_cost)
    if best_cost <= bound + tolerance:
        return best, bound, True
    # Only values that keep the bound below the best cost can be in a cheaper kit.
    choices = []
    for r, low in zip(reduced, least, strict=True):
        keep = np.flatnonzero(r - low < best_cost - bound)
        choices.append(keep[np.argsort(r[keep], kind="stable")])
    order = sorted((i for i in range(len(logs)) if choices[i].size > 1), key=lambda i: -float(price[i]))
    fixed = [i for i in range(len(logs)) if choices[i].size <= 1]
    base = [int(c[0]) if c.size else x for c, x in zip(choices, start, strict=True)]
    spent = sum(base[i] * float(price[i]) for i in fixed)
    gained = sum(float(logs[i][base[i]]) for i in fixed)
    most = [max(float(logs[i][x]) for x in choices[i]) for i in order]
    reach = np.concatenate([np.cumsum(most[::-1])[::-1], [0.0]])
    visited = 0
    stack: list[tuple[int, float, float, float, tuple[int, ...]]] = [(0, spent, gained, bound, ())]
    while stack and visited < nodes:
        depth, cost, log, low, chosen = stack.pop()
        visited += 1
        if low >= best_cost - tolerance or log + reach[depth] < goal:
            continue
        if depth == len(order):
            if cost >= best_cost - tolerance:
                continue
            best = list(base)
            for i, x in zip(order, chosen, strict=True):
                best[i] = x
            best_cost = cost
            continue
        i = order[depth]
        for x in choices[i][::-1]:
            more = low + float(reduced[i][x]) - float(least[i])
            if more < best_cost - tolerance:
                stack.append((depth + 1, cost + x * float(price[i]), log + float(logs[i][x]), more, (*chosen, int(x))))
    return best, bound, not stack
