"""Kinds of loss that counters do not count: a table of picks and misses tells nothing of drops, which is not 0 drops.

In:    an open store (read-only will do).
Out:   temp table untold_kind (machine, grain, hour, kinds): kinds such as "rejected, dropped".
After: a kind is in it if no row that its log mapping (or reader) gave of that machine and grain has a figure for it. A
       mapping that has the kind, with cells that are empty where nothing was lost, tells it.
"""

from __future__ import annotations

import duckdb

from pipeline.rollup.sources import prepare
from pipeline.rollup.tallies import counter_hour, either_hour
from pipeline.schema.words import LOSS_OUTCOMES


def find(con: duckdb.DuckDBPyConnection) -> None:
    """Make the temp table for all hours of the store."""
    con.execute(
        "create or replace temp table untold_kind (machine VARCHAR, grain VARCHAR, hour TIMESTAMP, kinds VARCHAR)"
    )
    names = prepare(con)
    none = ", ".join(f"count({kind}) = 0 as {kind}" for kind in LOSS_OUTCOMES)
    listed = ", ".join(f"case when bool_and({kind}) then '{kind}' end" for kind in LOSS_OUTCOMES)
    con.execute(
        f"""
        insert into untold_kind
        with counted as (
            select k.machine, k.grain, k.time, k.start, k.running, {", ".join(f"k.{kind}" for kind in LOSS_OUTCOMES)},
                coalesce(l.mapping, l.dialect) as how
            from {names["counter"]} k left join load l using (load_id)),
        told as (select machine, grain, how, {none} from counted group by all),
        standing as (
            select distinct machine, grain, how,
                unnest(case when running then {either_hour()} else [{counter_hour("counted")}] end) as hour
            from counted semi join (
                select machine, grain from told where {" or ".join(LOSS_OUTCOMES)}) using (machine, grain))
        select machine, grain, hour, concat_ws(', ', {listed}) as kinds
        from standing join told using (machine, grain, how)
        where grain <> 'joint' or not exists (
            select 1 from {names["pick"]} p where p.machine = standing.machine
            and p.time >= standing.hour and p.time < standing.hour + interval 1 hour)
        group by machine, grain, hour having kinds <> ''
        """
    )
