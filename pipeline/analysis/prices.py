"""What a loss costs: the part where it is used up, and the machine's time for the retry.

In:    a week's cells (CELLS), the part table, the plant's costs.
Out:   cells with the price of their part; the price of one loss, by cell and by item.
After: a missed pick costs the share of the part that its kind of feeder moves on by.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

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
    losses: Iterable[tuple[str, pl.DataFrame, Sequence[str], np.ndarray]], kind: str, plant: Plant
) -> dict[str, float]:
    """Mean price of those losses of each item that are beyond the healthy ones, by the kinds of loss they are of.

    losses  of each kind of loss: its name, its frame, the items and their losses beyond the healthy ones

    A nozzle that misses 30 picks of cheap parts costs no more because it dropped a dear one, as healthy nozzles do.
    Items without such losses are left out.
    """
    worth: dict[str, float] = {}
    beyond: dict[str, float] = {}
    for loss, frame, keys, excess in losses:
        prices = price_by_item(frame, kind, loss, plant)
        for key, more in zip(keys, excess.tolist(), strict=True):
            if more > 0:
                beyond[key] = beyond.get(key, 0.0) + more
                worth[key] = worth.get(key, 0.0) + more * prices.get(key, 0.0)
    return {key: worth[key] / more for key, more in beyond.items()}
