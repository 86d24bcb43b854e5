"""Keys that a log gives for losses but not for placed parts cannot be ranked: every such nozzle would seem to lose all.

In:    the week's joint CELLS.
Out:   the same frame with those keys emptied, and a sentence on each.
After: per machine, a key is either known about as often for placed parts as for losses, or it is not used.
"""

from __future__ import annotations

from typing import Final

import polars as pl

KEYS: Final = ("head", "spindle", "nozzle", "feeder", "slot", "part", "lot", "reel", "method")

UNEVEN: Final = 0.1
"""Difference of the shares of losses and of placed parts with a known key beyond which the key is not used."""


def drop_uneven_keys(cells: pl.DataFrame) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """`cells` without the keys that are known unevenly, and what was left out, sorted.

    A nozzle that the log names for refused parts only has no placed part beside them: its rate would be 1.
    """
    lost = pl.col("attempts") - pl.col("placed")
    said: list[str] = []
    for key in KEYS:
        known = pl.col(key).is_not_null()
        shares = cells.group_by("machine").agg(
            (pl.col("placed").filter(known).sum() / pl.col("placed").sum()).alias("of_placed"),
            (lost.filter(known).sum() / lost.sum()).alias("of_lost"),
        )
        apart = (pl.col("of_placed") - pl.col("of_lost")).abs().fill_nan(0.0)
        uneven = shares.filter(apart > UNEVEN).sort("machine")
        for row in uneven.iter_rows(named=True):
            said.append(
                f"Machine {row['machine']} names the {key} of {row['of_lost']:.0%} of the lost parts but of "
                f"{row['of_placed']:.0%} of the placed ones: its {key}s are not ranked"
            )
        machines = uneven["machine"].implode()
        cells = cells.with_columns(pl.when(~pl.col("machine").is_in(machines)).then(pl.col(key)).alias(key))
    return cells, tuple(sorted(said))
