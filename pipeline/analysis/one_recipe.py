"""Do a part's losses come from one recipe? A place that it is put on, or its entry there, may be the cause.

In:    the week's CELLS with columns `losses` and `chances`, those of one item alone; the dispersion.
Out:   `OfRecipe`, the recipe that most of its losses come from beyond chance; None where there is none.
After: days are compared within themselves: a part that turned bad on the day of another recipe's begin is not blamed
       on that recipe, and recipes that never shared a day with others say nothing.

Model: on a day the item's losses fall on recipes as its picks do; sums over days of observed less expected, and of
their variances, times the dispersion. The largest of several recipes is tested with Bonferroni's correction.
Source: Mantel and Haenszel (1959), J Natl Cancer Inst 22:719 (from memory).
Breaks when another thing goes with the recipe, such as a nozzle that only this recipe uses for the part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from scipy import stats

LEAST_LOSSES: Final = 8
CHANCE: Final = 0.001
MOST: Final = 0.6
TIMES: Final = 1.5
"""Losses of the item, chance of so many in one recipe, share that must be there, and how many times the expected ones.
Common practice, no source."""


@dataclass(frozen=True, slots=True)
class OfRecipe:
    """Losses in `recipe` out of `total`, and how many its share of the same days' picks would lead one to expect."""

    recipe: str
    losses: int
    total: int
    expected: float


def from_one_recipe(mine: pl.DataFrame, dispersion: float) -> OfRecipe | None:
    """The recipe that the losses come from; `mine`: cells of the item (see the module's head); dispersion >= 1."""
    day = pl.col("shift").dt.date().alias("_day")
    cells = mine.drop_nulls("recipe").group_by(day, "recipe").agg(pl.col("losses", "chances").sum())
    total = int(cells["losses"].sum())
    if total < LEAST_LOSSES:
        return None
    of_day = {c: pl.col(c).sum().over("_day") for c in ("losses", "chances")}
    share = pl.col("chances") / of_day["chances"]
    cells = cells.filter(pl.col("chances") > 0).with_columns(
        (of_day["losses"] * share).alias("_expected"), (of_day["losses"] * share * (1 - share)).alias("_variance")
    )
    recipes = cells.group_by("recipe").agg(pl.col("losses", "_expected", "_variance").sum())
    recipe, losses, expected, variance = recipes.sort(["losses", "recipe"], descending=[True, False]).row(0)
    if variance <= 0 or losses < MOST * total or losses < TIMES * expected:
        return None
    z = (losses - expected - 0.5) / float(np.sqrt(max(dispersion, 1.0) * variance))
    if float(stats.norm.sf(z)) * len(recipes) > CHANCE:
        return None
    return OfRecipe(str(recipe), int(losses), total, float(expected))
