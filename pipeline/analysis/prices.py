"""What a loss costs: the part where it is used up, and the machine's time for the retry.

In:    a week's cells (CELLS), the part table, the plant's costs.
Out:   cells with the price of their part; the price of one loss, by cell and by item.
After: a missed pick costs the share of the part that its kind of feeder moves on by.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.analysis import items
from pipeline.analysis.overage_parts import miss_shares
from pipeline.analysis.overage_pooling import share_of
from pipeline.settings import Costs, Plant


def with_price(cells: pl.DataFrame, parts: pl.DataFrame, costs: Costs) -> pl.DataFrame:
    """Add the price of one part to every cell."""
    prices = parts.select("part", pl.col("unit_cost").alias("price"))
    return cells.join(prices, on="part", how="left", maintain_order="left").with_columns(
        pl.col("price").fill_null(costs.default_part)
    )


def price_of(loss: str, plant: Plant) -> pl.Expr:
    """What one loss costs: the part where it is used up, and the machine's time for the retry."""
    retry = plant.costs.machine_hour * plant.costs.retry_seconds / 3600.0
    gone = share_of(miss_shares(plant)) * pl.col("price")
    if loss == "missed":
        return gone + retry
    if loss == "all":
        lost = pl.col("missed") + pl.col("rejected") + pl.col("dropped") + pl.col("unknown")
        used = gone * pl.col("missed") + pl.col("price") * (lost - pl.col("missed"))
        return pl.when(lost > 0).then(used / lost).otherwise(pl.col("price")) + retry
    return pl.col("price") + retry


def price_by_item(frame: pl.DataFrame, kind: str, loss: str, plant: Plant) -> dict[str, float]:
    """Mean price of a loss of each item: over its losses, or over its chances where it has none."""
    weight = pl.col("losses") + pl.col("chances") * 1e-6
    table = (
        frame.with_columns(items.key(kind).alias("_key"), price_of(loss, plant).alias("_price"))
        .drop_nulls("_key")
        .group_by("_key", maintain_order=True)
        .agg(((pl.col("_price") * weight).sum() / weight.sum()).alias("_mean"))
    )
    return dict(table.iter_rows())


def price_by_excess(
    losses: Sequence[tuple[str, pl.DataFrame, Sequence[str], np.ndarray]], kind: str, plant: Plant
) -> dict[str, float]:
    """Mean price of those losses of each item that are beyond the healthy ones, by the kinds of loss they are of.

    losses  of each kind of loss: its name, its frame, the items and their losses beyond the healthy ones, shape (n, 3):
            at their effect and at both ends of its interval

    A nozzle that misses 30 picks of cheap parts costs no more because it dropped a dear one, as healthy nozzles do; nor
    because it dropped one more of them than expected, which is chance: kinds that are surely beyond count alone, where
    there are any. Items without losses beyond are left out.
    """
    worth: tuple[dict[str, float], dict[str, float]] = {}, {}
    beyond: tuple[dict[str, float], dict[str, float]] = {}, {}
    for loss, frame, keys, excess in losses:
        prices = price_by_item(frame, kind, loss, plant)
        for key, (more, least, _) in zip(keys, excess.tolist(), strict=True):
            for sure in (0, 1) if least > 0 else (0,) if more > 0 else ():
                beyond[sure][key] = beyond[sure].get(key, 0.0) + more
                worth[sure][key] = worth[sure].get(key, 0.0) + more * prices.get(key, 0.0)
    may, are = ({key: worth[sure][key] / more for key, more in beyond[sure].items()} for sure in (0, 1))
    return may | are
