"""Ids of nozzles and feeders that several machines use for things of their own: nozzle 7 of each.

In:    an open store (read-only will do).
Out:   temp table shared_id (kind, id, machines).
After: an id is in it if it worked on two machines in the same hour often enough to be two things. A nozzle or feeder
       that was moved did so only in the hour of its move. Where most hours of a kind are those of such ids, its other
       ids are in it too: the machines number that kind alike.
"""

from __future__ import annotations

from typing import Final

import duckdb
import polars as pl

from pipeline.rollup.sources import reading

KINDS: Final = ("nozzle", "feeder")
LEAST_HOURS: Final = 5
LEAST_SHARE: Final = 0.2
"""Hours on several machines, and their share of all its hours, from which on an id is that of several things. Common
practice, no source: even one that is moved at every shift is on two machines in one of eight hours."""


def find(con: duckdb.DuckDBPyConnection) -> None:
    """Make the temp table from all tallies of the store, so that an id means the same in every week."""
    worked = " union all ".join(
        f"select '{kind}' as kind, {kind} as id, hour, count(distinct machine) as machines from tally "
        f"where {kind} is not null group by all"
        for kind in KINDS
    )
    machines = " union all ".join(
        f"select '{kind}' as kind, {kind} as id, count(distinct machine) as machines from tally "
        f"where {kind} is not null group by all"
        for kind in KINDS
    )
    con.execute(
        f"create or replace temp table shared_id as with worked as ({worked}), of as ({machines}), each as ("
        "select kind, id, count(*) as hours, count(*) filter (where machines > 1) as several from worked group by all"
        f"), judged as (select *, several >= {LEAST_HOURS} and several >= {LEAST_SHARE} * hours as shared from each), "
        "kinds as (select kind, 2 * sum(hours) filter (where shared) >= sum(hours) as alike from judged group by kind) "
        "select kind, id, of.machines from judged join kinds using (kind) join of using (kind, id) "
        "where shared or alike"
    )


def shared(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """By kind how many ids are shared, the one that most machines use, and by how many; after `find`.

    unplaced  reel events that name such a feeder and no slot: nobody knows whose
    """
    return pl.DataFrame(
        con.sql(
            "select kind, count(*) as ids, arg_max(id, (machines, id)) as id, max(machines) as machines, "
            f"(select count(*) from {reading(con, 'reel_event')} e where s.kind = 'feeder' and e.slot is null "
            "and e.feeder in (select id from shared_id where kind = 'feeder')) as unplaced "
            "from shared_id s group by kind order by kind"
        )
    )
