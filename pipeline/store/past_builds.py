"""What the buyer's figures are checked against: builds of the past, and reels with two counts.

In:    an open store with the clock of the history set (frames.set_clock).
Out:   PAST and REELS (schema/frames.py), sorted.
After: nothing is changed.

Tallies know the placement program and not the work order, and are kept for good: what one program placed in one week
stands for one build.
"""

from __future__ import annotations

import duckdb
import polars as pl

from pipeline.schema import frames
from pipeline.store.frames import Week
from pipeline.store.quality_sources import reel_counts


def past_builds(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """PAST of all hours on the clock, where the part is known and any was placed."""
    sums = ", ".join(
        f"cast(sum(t.{c}) as BIGINT) as {c}" for c in ("placed", "missed", "rejected", "dropped", "unknown")
    )
    found = pl.DataFrame(
        con.sql(
            "select coalesce(t.recipe, t.machine) as build, c.week, t.part, "
            "min(coalesce(mf.feeder_type, mp.feeder_type)) as feeder_type, "
            f"count(distinct t.machine) as machines, {sums} "
            "from tally t join clock c using (hour) "
            "join finest_grain g on g.machine = t.machine and g.hour = t.hour and g.feeder = t.grain "
            "left join master_part mp on mp.part = t.part left join master_feeder mf on mf.feeder = t.feeder "
            "where t.part is not null group by 1, 2, 3 having sum(t.placed) > 0 order by all"
        )
    )
    return frames.check(found.select([pl.col(c).cast(t) for c, t in frames.PAST.items()]), frames.PAST)


def counted_reels(con: duckdb.DuckDBPyConnection, start: Week, end: Week) -> pl.DataFrame:
    """REELS whose second count lies in the weeks from `start` to `end`."""
    found = reel_counts(con, Week(f"{start.label} to {end.label}", start.start, end.end))
    found = found.filter(pl.col("part").is_not_null()).select([pl.col(c).cast(t) for c, t in frames.REELS.items()])
    return frames.check(found.sort(pl.all()), frames.REELS)
