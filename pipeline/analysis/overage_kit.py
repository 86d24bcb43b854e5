"""Overage for a whole kit, and as a standing rule of a percentage plus a fixed number.

In:    the same tables as `overage.recommend`.
Out:   the cheapest extras with which a whole build suffices with the service level; or one rule a part.
After: a kit's joint probability reaches the level if its lines are independent. A rule covers the service level of each
       single line at every build size it was made for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from scipy import special

from pipeline.analysis.overage import HOPELESS, Lines, prepare
from pipeline.errors import NotEstimable, UserError
from pipeline.estimators.arrays import FloatArray, IntArray
from pipeline.estimators.kits import cheapest_kit
from pipeline.estimators.predictive import LoadLoss, beta_negative_binomial_pmf, predictive_extra
from pipeline.settings import Plant

SIZES: Final = (50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
"""Parts for one line of a build that a standing rule is made for."""
_FREE = 1e-6


@dataclass(frozen=True, slots=True)
class KitAdvice:
    """Extras for one build as a whole.

    parts, extras  the lines, sorted by part, and extra parts of each
    cost           of all extras, plant currency; parts without a price count with the plant's default price
    level, joint   probability asked for, and reached, that no line runs short
    single         joint probability of the extras that make each line suffice with `level` by itself
    marginal       part whose next piece adds most for its price
    weakest        part that most probably runs short
    exact          whether no cheaper kit exists; else it costs at most `cost - bound` too much
    unpriced       lines without a price of their own
    """

    build: str
    parts: tuple[str, ...]
    extras: tuple[int, ...]
    cost: float
    level: float
    joint: float
    single: float
    marginal: str
    weakest: str
    exact: bool
    bound: float
    unpriced: int


@dataclass(frozen=True, slots=True)
class StandingOverage:
    """A rule for one part: extra = fixed + share * need, rounded up. `share` is a fraction."""

    part: str
    fixed: int
    share: float
    basis_used: int


def kit_recommend(
    build: str,
    usage: pl.DataFrame,
    loads: pl.DataFrame,
    parts: pl.DataFrame,
    builds: pl.DataFrame,
    plant: Plant,
    *,
    level: float | None = None,
    leave_out_lots: Sequence[str] = (),
) -> KitAdvice:
    """The cheapest extras with which all parts of `build` suffice together with probability `level`.

    level  None: the plant's service level; other arguments as `overage.recommend`

    Raises UserError when there is no such build with a good line, NotEstimable when no part has any history or when a
    part loses so much, or is so little known, that no kit can be made. Breaks when: losses of lines rise together (one
    bad head, one bad shift); the kit is then less sure than it says.
    """
    sure = plant.buying.service_level if level is None else level
    wanted = builds.filter(pl.col("build") == build)
    if wanted.is_empty():
        raise UserError(f'no build "{build}" in builds.csv.')
    lines = prepare(usage, loads, parts, wanted, plant, leave_out_lots=leave_out_lots)
    if lines is None:
        raise NotEstimable(f'build "{build}" has no line that can be reckoned with, or no part has any history.')
    names = lines.builds["part"].to_list()
    alone, hopeless = lines.extra(sure)
    if bool(hopeless.any()):
        worst = names[int(np.argmax(hopeless))]
        raise NotEstimable(f"build {build}: of part {worst} more than half may be lost. Mend the cause first.")
    table = lines.parts["unit_cost"].to_list()
    own_prices = [table[i] for i in lines.part]
    prices = np.array([plant.costs.default_part if p is None else p for p in own_prices], dtype=float)
    cdfs = _cdfs(lines, sure)
    kit = cheapest_kit(cdfs, np.maximum(prices, _FREE), sure)
    single = float(np.prod([c[min(x, c.size - 1)] for c, x in zip(cdfs, alone.tolist(), strict=True)]))
    return KitAdvice(
        build=build,
        parts=tuple(names),
        extras=kit.extras,
        cost=float(prices @ np.array(kit.extras)),
        level=sure,
        joint=kit.joint,
        single=single,
        marginal=names[kit.marginal],
        weakest=names[kit.weakest],
        exact=kit.exact,
        bound=kit.bound,
        unpriced=sum(p is None for p in own_prices),
    )


def _cdfs(lines: Lines, level: float) -> list[FloatArray]:
    """Cumulative probabilities of each line, up to where only a fiftieth of its share of the risk is left."""
    mean = lines.loads * lines.per_load
    tail = 1 - (1 - level) / (50 * lines.need.size)
    unknown = special.betaincinv(lines.bad, lines.good, tail) > HOPELESS
    if bool(unknown.any()):
        part = lines.builds["part"][int(np.argmax(unknown))]
        raise NotEstimable(f"too little is known of part {part} to be sure of a whole kit. Run more of it first.")
    ends = predictive_extra(lines.need, lines.good, lines.bad, mean, tail)
    found = []
    for need, a, b, load, end in zip(lines.need, lines.good, lines.bad, mean, ends, strict=True):
        running = beta_negative_binomial_pmf(float(need), float(a), float(b), int(end) + 1)
        both = np.convolve(running, LoadLoss("poisson", float(load)).pmf(1))[: int(end) + 1]
        found.append(np.minimum(np.cumsum(both), 1.0))
    return found


def standing_overage(
    usage: pl.DataFrame,
    loads: pl.DataFrame,
    parts: pl.DataFrame,
    plant: Plant,
    *,
    sizes: Sequence[int] = SIZES,
    leave_out_lots: Sequence[str] = (),
) -> tuple[StandingOverage, ...]:
    """One rule a part of the part table: a fixed number plus a percentage, for builds within `sizes`.

    sizes  parts for one line of a build, at least two different numbers of 1 or more

    Of all straight lines that lie nowhere below what the sizes need, the one that lies least above them on average.
    A rule is safe at every size it was made for and wasteful at some; `recommend` is better where the build is known.
    Empty when no part has any history. Raises ValueError for fewer than two sizes.
    """
    grid = np.array(sorted(set(sizes)), dtype=np.int64)
    if grid.size < 2 or grid[0] < 1:
        raise ValueError("sizes must be at least two different numbers of 1 or more")
    names = parts["part"].cast(pl.String).drop_nulls().unique().sort()
    builds = pl.DataFrame({"part": names, "quantity_per_board": 1}).join(
        pl.DataFrame({"build": [str(n) for n in grid], "boards": grid}), how="cross"
    )
    builds = builds.with_columns(due=pl.lit(None, pl.String))
    lines = prepare(usage, loads, parts, builds, plant, leave_out_lots=leave_out_lots)
    if lines is None:
        return ()
    extra, _ = lines.extra(plant.buying.service_level)
    by_part = np.zeros((len(lines.rates.part), grid.size), dtype=np.int64)
    by_part[lines.part, np.searchsorted(grid, lines.need)] = extra
    return tuple(
        StandingOverage(part, *_rule(grid, needed), basis_used=round(used))
        for part, needed, used in zip(lines.rates.part, by_part, lines.rates.used.tolist(), strict=True)
    )


def _rule(sizes: IntArray, extra: IntArray) -> tuple[int, float]:
    """Fixed number and share of the straight line on or above all points with the least mean distance above them."""
    best: tuple[float, int, float] | None = None
    slopes = {0.0}
    for i in range(sizes.size):
        for j in range(i):
            slopes.add(max(0.0, float(extra[i] - extra[j]) / float(sizes[i] - sizes[j])))
    for slope in sorted(slopes):
        share = float(np.ceil(slope * 1e5 - 1e-9) / 1e5)
        fixed = max(0, int(np.ceil(float(np.max(extra - share * sizes)) - 1e-9)))
        over = float(np.mean((fixed + share * sizes - extra) / (extra + 1.0)))
        if best is None or over < best[0] - 1e-12:
            best = (over, fixed, share)
    assert best is not None
    return best[1], best[2]
