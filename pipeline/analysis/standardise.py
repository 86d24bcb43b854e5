"""What an item would lose if it behaved like its peers on the same work: indirect standardisation by period.

In:    DAYS over the history and one item.
Out:   losses, chances and expected losses of that item by day or week.
After: expected is computed with the item itself left out; a stratum without peers falls back to the package, then to
       the plant, and never to the item.

Model: within a period the chance of a loss is the same for all peers that do the same work (the stratum: the part, or
for parts the package). Breaks when peers are bad too: the ranking's adjusted effect knows that, this plain
figure does not; it is used for histories and services only.
Source: indirect standardisation, Breslow and Day (1987), Statistical Methods in Cancer Research II, ch. 2 (from
memory).
"""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.analysis import items
from pipeline.analysis.losses import with_chances

STRATA: Final[dict[str, tuple[str, str]]] = {"part": ("package", "method"), "package": ("method", "_all")}
"""What peers must share, and what they share in a wider group; part and package unless named here."""

PRIOR_LOSSES: Final = 5.0
"""Weight of the wider group in a stratum's rate, in losses: a stratum of few picks leans on the wider group."""

PRIOR_LOSSES_OWN: Final = 25.0
"""Weight of how a stratum stood to the wider group over all weeks in its rate of one week, in losses. As a gamma
distribution: parts of a package differ by 1 / sqrt(5) = 0.45, a part from week to week by 1 / sqrt(25) = 0.2. Without
it the luck of one other feeder in one week would make the losses of an item seem to rise or fall on a Monday."""

NO_WEEKS: Final = pl.DataFrame(schema={"week": pl.String, "losses": pl.Int64, "chances": pl.Int64, "expected": float})


def item_days(days: pl.DataFrame, kind: str, item_key: str, loss: str, period: str = "day") -> pl.DataFrame:
    """One row a period in which the item worked: `period`, losses, chances, expected; sorted by period."""
    key = items.key(kind)
    named = with_chances(days, loss).with_columns(pl.when(key == item_key).then(key).alias("_key"))
    return _against_peers(named, kind, period).drop("_key")


def all_item_weeks(days: pl.DataFrame, kind: str, loss: str) -> dict[str, pl.DataFrame]:
    """By item key what `item_days` gives by week, for all items of a kind in one pass."""
    named = with_chances(days, loss).with_columns(items.key(kind).alias("_key"))
    parted = _against_peers(named, kind, "week").partition_by("_key", as_dict=True, include_key=False)
    return {str(key): frame for (key,), frame in parted.items()}


def _against_peers(frame: pl.DataFrame, kind: str, period: str) -> pl.DataFrame:
    """Losses, chances and expected losses of each item (`_key`) in each period; rows without a key are peers only."""
    stratum, wider = STRATA.get(kind, ("part", "package"))
    by = list(dict.fromkeys((period, "week", stratum, wider, "_key")))
    counts = pl.col("losses", "chances")
    cells = frame.with_columns(pl.lit("all").alias("_all")).select(*by, counts).group_by(by).agg(counts.sum())
    peers = cells.with_columns(
        (counts.sum() - counts.sum().over("_key")).name.suffix("_plant"),
        _of_peers("week", wider).name.suffix("_wide"),
        _of_peers("week", stratum, wider).name.suffix("_near"),
        _of_peers(wider).name.suffix("_wide_long"),
        _of_peers(stratum, wider).name.suffix("_near_long"),
    ).filter(pl.col("_key").is_not_null())
    plant = pl.when(pl.col("chances_plant") > 0).then(pl.col("losses_plant") / pl.col("chances_plant")).otherwise(0.0)
    rates = peers.with_columns(plant.alias("_rate"), plant.alias("_long"))
    rates = rates.with_columns(_lean("_wide").alias("_rate"), _lean("_wide_long", "_long").alias("_long"))
    against = _lean("_near_long", "_long") / pl.col("_long")  # how the stratum stands to the wider group over the weeks
    rates = rates.with_columns(_rate=pl.col("_rate") * against.fill_nan(1.0))
    rates = rates.with_columns(_lean("_near", weight=PRIOR_LOSSES_OWN).alias("_rate")).sort(by)
    return (
        rates.group_by("_key", period, maintain_order=True)
        .agg(counts.sum(), (pl.col("_rate") * pl.col("chances")).sum().alias("expected"))
        .sort("_key", period)
    )


def _of_peers(*group: str) -> pl.Expr:
    """Losses and chances of all others in a group."""
    counts = pl.col("losses", "chances")
    return counts.sum().over(group) - counts.sum().over(*group, "_key")


def _lean(suffix: str, rate: str = "_rate", weight: float = PRIOR_LOSSES) -> pl.Expr:
    """Rate of a group's peers, leaning on `rate` with so many losses; that one where there are no peers."""
    losses, chances = pl.col(f"losses{suffix}"), pl.col(f"chances{suffix}")
    more = weight / pl.max_horizontal(rate, pl.lit(1e-9))
    return pl.when(chances > 0).then((losses + weight) / (chances + more)).otherwise(rate)
