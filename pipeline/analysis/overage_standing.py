"""Overage as a standing rule a part: a percentage plus a fixed number, and what that simplification costs.

In:    the same tables as `overage.prepare`.
Out:   one `StandingRule` a part of the part table.
After: a rule covers the service level of each single line at every build size it was made for.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl

from pipeline.analysis import overage_words as words
from pipeline.analysis.overage import prepare
from pipeline.analysis.overage_pooling import OWN_ENOUGH
from pipeline.estimators.arrays import IntArray
from pipeline.findings.buying import StandingRule
from pipeline.settings import Plant

SIZES: Final = (50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
"""Parts for one line of a build that a standing rule is made for."""


def standing_overage(
    usage: pl.DataFrame,
    loads: pl.DataFrame,
    parts: pl.DataFrame,
    plant: Plant,
    *,
    sizes: Sequence[int] = SIZES,
    leave_out_lots: Sequence[str] = (),
) -> tuple[StandingRule, ...]:
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
    extra, _ = lines.extra()
    by_part = np.zeros((len(lines.rates.part), grid.size), dtype=np.int64)
    by_part[lines.part, np.searchsorted(grid, lines.need)] = extra
    packages, prices = lines.parts["package"].to_list(), lines.parts["unit_cost"].to_list()
    found = []
    for i, part in enumerate(lines.rates.part):
        fixed, share = _rule(grid, by_part[i])
        waste = float(np.mean(np.ceil(fixed + share * grid - 1e-9) - by_part[i]))
        cost = None if prices[i] is None else waste * prices[i]
        found.append(
            StandingRule(
                part=part,
                package=packages[i],
                fixed=fixed,
                share=share,
                smallest=int(grid[0]),
                largest=int(grid[-1]),
                waste=waste,
                waste_cost=cost,
                basis=words.basis(
                    float(lines.rates.own[i]),
                    bool(lines.rates.used[i] > 0),
                    packages[i],
                    int(lines.rates.borrowed[i]),
                    OWN_ENOUGH,
                    lines.left_out.get(part, ()),
                ),
                text=words.standing(fixed, share, int(grid[0]), int(grid[-1]), waste, cost, plant.currency),
            )
        )
    return tuple(found)


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
