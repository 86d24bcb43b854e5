"""Keys that a log gives for losses but not for placed parts cannot be ranked: every such nozzle would seem to lose all.

In:    the week's joint CELLS.
Out:   the same frame with those keys emptied, and a sentence on each.
After: per machine (a light: and method), a key is either known about as often for placed parts as for losses, or it
       is not used. A missed pick has the method and the light that looked at all other picks of its part on that
       machine, where these agree.
"""

from __future__ import annotations

from typing import Final

import polars as pl

KEYS: Final = ("head", "spindle", "nozzle", "feeder", "slot", "part", "lot", "reel", "method", "lighting")

UNEVEN: Final = 0.1
"""Difference of the shares of losses and of placed parts with a known key beyond which the key is not used."""


def drop_uneven_keys(cells: pl.DataFrame) -> tuple[pl.DataFrame, tuple[str, ...]]:
    """`cells` without the keys that are known unevenly, and what was left out, sorted.

    A nozzle that the log names for refused parts only has no placed part beside them: its rate would be 1.
    """
    cells = _would_have_seen(cells)
    lost = pl.col("attempts") - pl.col("placed")
    said: list[str] = []
    for key in KEYS:
        known = pl.col(key).is_not_null()
        scope = ["machine", "method"] if key == "lighting" else ["machine"]
        shares = (
            cells.drop_nulls(scope)
            .group_by(scope)
            .agg(
                (pl.col("placed").filter(known).sum() / pl.col("placed").sum()).alias("of_placed"),
                (lost.filter(known).sum() / lost.sum()).alias("of_lost"),
            )
        )
        apart = (pl.col("of_placed") - pl.col("of_lost")).abs().fill_nan(0.0)
        uneven = shares.filter(apart > UNEVEN).select(*scope, "of_lost", "of_placed").sort(scope)
        for *where, of_lost, of_placed in uneven.iter_rows():
            under = f" under method {where[1]}" if len(where) > 1 else ""
            said.append(
                f"Machine {where[0]} names the {key}{under} of {of_lost:.0%} of the lost parts but of "
                f"{of_placed:.0%} of the placed ones: its {key}s are not ranked"
            )
        if len(uneven):
            marked = uneven.select(scope).with_columns(_uneven=pl.lit(True))
            cells = cells.join(marked, on=scope, how="left", maintain_order="left")
            cells = cells.with_columns(pl.when(pl.col("_uneven").is_null()).then(pl.col(key)).alias(key))
            cells = cells.drop("_uneven")
    return cells, tuple(sorted(said))


def _would_have_seen(cells: pl.DataFrame) -> pl.DataFrame:
    """Method and light of missed picks where the log gives none, as there was nothing to look at."""
    missed = (pl.col("missed") == pl.col("attempts")) & (pl.col("attempts") > 0)
    for column, by in (("method", ["machine", "part"]), ("lighting", ["machine", "part", "method"])):
        if not cells.filter(missed)[column].has_nulls():
            continue
        seen = cells.filter(~missed).drop_nulls(by).group_by(by).agg(pl.col(column).unique().alias("_seen"))
        one = seen.filter(pl.col("_seen").list.len() == 1).with_columns(pl.col("_seen").list.first())
        cells = (
            cells.join(one, on=by, how="left", maintain_order="left")
            .with_columns(pl.when(missed).then(pl.coalesce(column, "_seen")).otherwise(pl.col(column)).alias(column))
            .drop("_seen")
        )
    return cells
