"""Ids that stand for several things: nozzle or feeder 7 of each machine, lot 2641 of each part that was made that week.

In:    an open store (read-only will do).
Out:   temp tables shared_id (kind, id, places) and headless (machine).
After: a nozzle or feeder is in it if it worked on two machines in the same hour often enough to be two things: one that
       was moved did so only in the hour of its move. A lot or reel is in it if two parts have it. Where most hours of a
       kind are those of such ids, its other ids are in it too: the plant numbers that kind alike. A machine is
       headless if its logs number spindles and never name a head.
"""

from __future__ import annotations

from typing import Final

import duckdb
import polars as pl

from pipeline.rollup.sources import reading

OWNERS: Final = {"nozzle": "machine", "feeder": "machine", "lot": "part", "reel": "part"}
"""Kind -> what numbers it by itself."""

LEAST_HOURS: Final = 5
LEAST_SHARE: Final = 0.5
"""Hours on several machines, and their share of all its hours, from which on an id is that of several things; a lot
or reel needs so many hours with each of two parts. Common practice, no source: even one that is moved at every shift is
on two machines in one of eight hours. Feeders are moved with every job: theirs are shared together or not at all."""


def find(con: duckdb.DuckDBPyConnection) -> None:
    """Make the temp tables from all tallies of the store, so that an id means the same in every week."""
    places = " union all ".join(
        f"select '{kind}' as kind, {kind} as id, {owner} as place, count(distinct hour) as hours from tally "
        f"where {kind} is not null and {owner} is not null group by all"
        for kind, owner in OWNERS.items()
    )
    worked = " union all ".join(
        f"select '{kind}' as kind, {kind} as id, hour, count(distinct {owner}) as places from tally "
        f"where {kind} is not null and {owner} is not null group by all"
        for kind, owner in OWNERS.items()
    )
    con.execute(
        f"create or replace temp table shared_id as with place as ({places}), worked as ({worked}), "
        f"of as (select kind, id, count(*) as places, count(*) filter (where hours >= {LEAST_HOURS}) as firm "
        "from place group by all), "
        "each as (select kind, id, count(*) as hours, count(*) filter (where places > 1) as several "
        "from worked group by all), "
        "judged as (select kind, id, places, hours, case when kind in ('lot', 'reel') then firm > 1 "
        f"else several >= {LEAST_HOURS} and several >= {LEAST_SHARE} * hours end as shared "
        "from each join of using (kind, id)), "
        "kinds as (select kind, 2 * sum(hours) filter (where shared) >= sum(hours) as alike from judged group by kind) "
        "select kind, id, places from judged join kinds using (kind) where alike or (shared and kind <> 'feeder')"
    )
    con.execute(
        "create or replace temp table headless as select machine from tally "
        "group by machine having count(head) = 0 and count(spindle) > 0"
    )


def shared(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """By kind how many ids are shared, the one in most places, and in how many; after `find`.

    unplaced  reel events that name such a feeder and no slot: nobody knows whose
    """
    return pl.DataFrame(
        con.sql(
            "select kind, count(*) as ids, arg_max(id, (places, id)) as id, max(places) as places, "
            f"(select count(*) from {reading(con, 'reel_event')} e where s.kind = 'feeder' and e.slot is null "
            "and e.feeder in (select id from shared_id where kind = 'feeder')) as unplaced "
            "from shared_id s group by kind order by kind"
        )
    )
