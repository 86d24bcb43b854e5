"""What an item would lose if it behaved like its peers on the same work: indirect standardisation by period.

In:    DAYS over the history and one item.
Out:   losses, chances and expected losses of that item by day or week.
After: expected is computed with the item itself left out; a stratum without peers falls back to the package, then to
       the plant, and never to the item.

Model: within a period the chance of a loss is the same for all peers that do the same work (the stratum: the part, or
for parts and lots the package). Breaks when peers are bad too: the ranking's adjusted effect knows that, this plain
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


def item_days(days: pl.DataFrame, kind: str, item_key: str, loss: str, period: str = "day") -> pl.DataFrame:
    """One row a period in which the item worked: `period`, losses, chances, expected; sorted by period."""
    frame = with_chances(days, loss).with_columns(
        items.key(kind).eq(item_key).fill_null(False).alias("_mine"), pl.lit("all").alias("_all")
    )
    stratum, wider = STRATA.get(kind, ("part", "package"))
    rates = _peer_rates(frame.filter(~pl.col("_mine")), stratum, wider)
    mine = frame.filter("_mine")
    plant = _ratio(frame.filter(~pl.col("_mine")))
    by = list(dict.fromkeys((period, "week", stratum, wider)))
    joined = (
        mine.group_by(by, maintain_order=True)
        .agg(pl.col("losses", "chances").sum())
        .join(rates[0], on=["week", stratum, wider], how="left", nulls_equal=True)
        .join(rates[1], on=["week", wider], how="left", nulls_equal=True)
        .with_columns(pl.coalesce("rate", "wide_rate", pl.lit(plant)).alias("rate"))
        .sort(by)
    )
    return (
        joined.group_by(period, maintain_order=True)
        .agg(
            pl.col("losses").sum(),
            pl.col("chances").sum(),
            (pl.col("rate") * pl.col("chances")).sum().alias("expected"),
        )
        .sort(period)
    )


def _ratio(frame: pl.DataFrame) -> float:
    chances = int(frame["chances"].sum())
    return float(frame["losses"].sum()) / chances if chances else 0.0


def _peer_rates(peers: pl.DataFrame, stratum: str, wider: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rates by week and stratum (leaning on the wider group) and by week and wider group (leaning on the plant)."""
    plant = _ratio(peers)
    wide = peers.group_by("week", wider, maintain_order=True).agg(pl.col("losses").sum(), pl.col("chances").sum())
    wide = wide.with_columns(_lean(pl.lit(plant)).alias("wide_rate")).select("week", wider, "wide_rate")
    narrow = peers.group_by("week", stratum, wider, maintain_order=True).agg(
        pl.col("losses").sum(), pl.col("chances").sum()
    )
    narrow = narrow.join(wide, on=["week", wider], how="left", nulls_equal=True)
    narrow = narrow.with_columns(_lean(pl.col("wide_rate")).alias("rate")).select("week", stratum, wider, "rate")
    return narrow.sort(pl.all()), wide.sort(pl.all())


def _lean(toward: pl.Expr) -> pl.Expr:
    weight = PRIOR_LOSSES / pl.max_horizontal(toward, pl.lit(1e-9))
    return (pl.col("losses") + PRIOR_LOSSES) / (pl.col("chances") + weight)
