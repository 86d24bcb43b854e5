"""What the buyer's figures need to know of each part: how it is fed, packed, loaded and bought.

In:    good build lines, USAGE and LOADS, the part table, the plant's settings.
Out:   one row a part of the builds.
After: what the part table does not say is taken from the logs, and what the logs do not say from the settings.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from pipeline.analysis.overage_builds import clean_parts
from pipeline.analysis.overage_pooling import losses
from pipeline.settings import Buying, PartClass, Plant

NO_LIMIT: Final = 1e9
"""`price_to` from which on a class has no upper price."""


def parts_of(
    good: pl.DataFrame, usage: pl.DataFrame, loads: pl.DataFrame, parts: pl.DataFrame, plant: Plant
) -> pl.DataFrame:
    """One row a part of the builds: the part table's columns, filled up from the logs.

    feeder_type  part table, else what the logs fed it on most, else tape (`feeder_known` is then false)
    pack         pack size, else the parts used per load in the logs, else null; what a load would take half of is no
                 pack that a machine is loaded with: parts sold by the piece, or loaded for a few boards at a time
    machines     machines that it ran on in the same shift, middle over shifts, at least 1
    spliced      whether reels of it were spliced, so that a further reel costs a splice and no load
    per_load     parts lost in a load; per_splice in a further reel: its load or splice, and the tail of the one before
    part_class   place in `plant.part_class` of the first class that fits, -1 for none
    """
    table = good.select("part").unique().join(clean_parts(parts)[0], on="part", how="left").sort("part")
    used = losses(usage, miss_shares(plant))
    logged = used.group_by("part").agg(
        pl.col("package").drop_nulls().min().alias("logged_package"), pl.col("used").sum()
    )
    fed = (
        used.filter(pl.col("feeder_type").is_in(list(load_losses(plant.buying))))
        .group_by("part", "feeder_type")
        .agg(pl.col("used").sum().alias("fed"))
        .sort(["part", "fed", "feeder_type"], descending=[False, True, False])
        .unique("part", keep="first", maintain_order=True)
        .select("part", pl.col("feeder_type").alias("logged_feeder"))
    )
    side_by_side = (
        usage.filter(pl.col("machine").is_not_null())
        .group_by("part", "shift")
        .agg(pl.col("machine").n_unique())
        .group_by("part")
        .agg(pl.col("machine").median().round().clip(1).alias("machines"))
    )
    times = loads.group_by("part").agg(
        (pl.col("loads") + pl.col("splices")).sum().alias("times"), (pl.col("splices").sum() > 0).alias("spliced")
    )
    table = table.join(logged, on="part", how="left").join(fed, on="part", how="left")
    table = table.join(side_by_side, on="part", how="left").join(times, on="part", how="left")
    feeder = pl.coalesce("feeder_type", "logged_feeder")
    per_time = pl.when(pl.col("times") > 0).then((pl.col("used") / pl.col("times")).ceil().clip(1))
    return (
        table.with_columns(
            package=pl.coalesce("package", "logged_package"),
            feeder_type=feeder.fill_null("tape"),
            feeder_known=feeder.is_not_null(),
            per_time=per_time,
            machines=pl.col("machines").fill_null(1).cast(pl.Int64),
        )
        .with_columns(
            per_load=pl.col("feeder_type").replace_strict(load_losses(plant.buying), return_dtype=pl.Float64),
        )
        .with_columns(
            pack=pl.coalesce(_loaded(pl.col("pack_size").cast(pl.Float64)), _loaded(pl.col("per_time"))),
            spliced=(pl.col("spliced").fill_null(False)) & (pl.col("feeder_type") == "tape"),
        )
        .with_columns(
            per_splice=pl.when("spliced").then(pl.lit(float(plant.buying.splice_loss))).otherwise(pl.col("per_load"))
            + pl.when(pl.col("feeder_type") == "tape").then(pl.lit(float(plant.buying.tail_loss))).otherwise(0.0),
            part_class=_class_of(plant.part_class),
        )
        .sort("part")
    )


def _loaded(pack: pl.Expr) -> pl.Expr:
    """The pack where it holds more than twice what a load takes, and more than one piece; else null."""
    return pl.when(pack > pl.max_horizontal(1.0, 2.0 * pl.col("per_load"))).then(pack)


def _class_of(classes: Sequence[PartClass]) -> pl.Expr:
    """Place of the first class that fits; a part without a price fits only a class that asks for none."""
    found = pl.lit(-1, pl.Int64)
    for place, one in reversed(list(enumerate(classes))):
        fits = pl.lit(True)
        if one.feeder_type:
            fits = fits & pl.col("feeder_type").is_in(list(one.feeder_type))
        if one.package:
            fits = fits & pl.col("package").is_in(list(one.package)).fill_null(False)
        if one.price_from > 0 or one.price_to < NO_LIMIT:
            price = pl.col("unit_cost")
            fits = fits & ((price >= one.price_from) & (price < one.price_to)).fill_null(False)
        found = pl.when(fits).then(pl.lit(place, pl.Int64)).otherwise(found)
    return found


def miss_shares(plant: Plant) -> dict[str, float]:
    """Share of missed picks that use up a part, by feeder type."""
    return {
        "tape": float(plant.costs.miss_uses_part),
        "tube": float(plant.buying.miss_uses_part_tube),
        "tray": float(plant.buying.miss_uses_part_tray),
        "bulk": float(plant.buying.miss_uses_part_bulk),
    }


def load_losses(buying: Buying) -> dict[str, float]:
    """Parts lost in one load, by feeder type."""
    return {
        "tape": float(buying.load_loss_tape),
        "tube": float(buying.load_loss_tube),
        "tray": float(buying.load_loss_tray),
        "bulk": float(buying.load_loss_bulk),
    }
