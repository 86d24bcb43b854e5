"""Overage as a standing rule a part: a percentage plus a fixed number, and what that simplification costs.

In:    the same tables as `overage.prepare`.
Out:   one `StandingRule` a part of the part table.
After: a rule covers the service level of each single line at every build size it was made for, and where a whole
       number of packs is used up in between: one load more then takes its parts.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl

from pipeline.analysis import overage_words as words
from pipeline.analysis.overage import prepare
from pipeline.analysis.overage_pooling import OWN_ENOUGH
from pipeline.estimators.arrays import FloatArray, IntArray
from pipeline.findings.buying import StandingRule
from pipeline.settings import Plant

SIZES: Final = (50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
"""Parts for one line of a build that a standing rule is made for."""

MOST_STEPS: Final = 12
"""Whole numbers of packs that a rule is held against."""


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
    sized = pl.DataFrame({"part": names}).join(pl.DataFrame({"boards": grid, "build": ""}), how="cross")
    steps = _steps(parts, int(grid[0]), int(grid[-1]))
    builds = pl.concat([sized, steps]).with_columns(quantity_per_board=pl.lit(1), due=pl.lit(None, pl.String))
    builds = builds.with_columns(build=pl.col("boards").cast(pl.String) + pl.col("build"))
    lines = prepare(usage, loads, parts, builds, plant, leave_out_lots=leave_out_lots)
    if lines is None:
        return ()
    extra, _ = lines.extra()
    by_part = np.zeros((len(lines.rates.part), grid.size), dtype=np.int64)
    between = lines.builds["build"].str.ends_with(STEP).to_numpy()
    by_part[lines.part[~between], np.searchsorted(grid, lines.need[~between])] = extra[~between]
    packages, prices = lines.parts["package"].to_list(), lines.parts["unit_cost"].to_list()
    found = []
    fixes, shares = _rules(grid, by_part)
    of, need, more = lines.part[between], lines.need[between], extra[between]
    # The load more is needed from where the kit of one less is used up, which is before the whole number of packs.
    least = np.ceil(more - shares[of] * np.maximum(need - more, 0) - 1e-9).astype(np.int64)
    np.maximum.at(fixes, of, least)
    for i, part in enumerate(lines.rates.part):
        fixed, share = int(fixes[i]), float(shares[i])
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
                    apart=bool(lines.rates.apart[i]),
                ),
                text=words.standing(fixed, share, int(grid[0]), int(grid[-1]), waste, cost, plant.currency),
            )
        )
    return tuple(found)


STEP: Final = " packs"


def _steps(parts: pl.DataFrame, smallest: int, largest: int) -> pl.DataFrame:
    """Whole numbers of packs between two build sizes: part, boards (pieces), build."""
    rows = []
    for part, pack in parts.select(pl.col("part").cast(pl.String), "pack_size").drop_nulls().unique("part").iter_rows():
        whole = np.arange(pack, largest + 1, pack) if pack > 0 else np.array([], dtype=np.int64)
        whole = whole[whole > smallest]
        some = np.unique(np.linspace(0, whole.size - 1, min(MOST_STEPS, whole.size)).astype(int))
        rows += [(part, int(pieces), STEP) for pieces in whole[some]]
    return pl.DataFrame(rows, schema={"part": pl.String, "boards": pl.Int64, "build": pl.String}, orient="row")


def _rules(sizes: IntArray, extra: IntArray) -> tuple[IntArray, FloatArray]:
    """Fixed number and share of the straight line on or above all points with the least mean distance above them.

    sizes  shape (sizes,), rising; extra  shape (parts, sizes)

    The best line goes through two of the points, or is flat: each is tried for all parts at once.
    """
    best = np.full(extra.shape[0], np.inf)
    fixed, share = np.zeros(extra.shape[0], dtype=np.int64), np.zeros(extra.shape[0])
    pairs = [(i, j) for i in range(sizes.size) for j in range(i)]
    slopes = [np.zeros(extra.shape[0])]
    slopes += [np.maximum(0.0, (extra[:, i] - extra[:, j]) / float(sizes[i] - sizes[j])) for i, j in pairs]
    for slope in slopes:
        rounded = np.ceil(slope * 1e5 - 1e-9) / 1e5
        line = rounded[:, None] * sizes
        above = np.maximum(0, np.ceil((extra - line).max(axis=1) - 1e-9))
        over = ((above[:, None] + line - extra) / (extra + 1.0)).mean(axis=1)
        better = (over < best - 1e-12) | ((np.abs(over - best) <= 1e-12) & (rounded < share))
        best = np.where(better, over, best)
        fixed = np.where(better, above, fixed).astype(np.int64)
        share = np.where(better, rounded, share)
    return fixed, share
