"""Counts of a shift or day beside hourly ones of the same picks in another table: one of both counts for totals.

In:    an open store (read-only will do) with the temp table `clock`.
Out:   temp table outdone (question, machine, hour, grain): tallies that totals, or figures of parts, leave out.
After: of the counts of an interval much longer than an hour and those of another grain that stand inside of it, in
       intervals that are no longer, one is left; never are both left out.

Nozzle counters by the hour and a list of parts by the day tell of the same picks, and stand in different hours. If both
tell of about as many, the grain that totals take first stays; else the one that tells of more, as the other has gaps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import duckdb

from pipeline.rollup.sources import prepare
from pipeline.rollup.tallies import standing

ABOUT: Final = 0.5
"""Share of the picks of a long interval from which on the counts inside of it are of the same picks, and not the few
hours that another table happened to be written. Common practice, no source."""

LONG_MINUTES: Final = 90
"""Counts by the hour are written some seconds early or late."""

LONGEST_HOURS: Final = 7 * 24
"""Between two readings of a running total that are further apart nobody knows when it was counted."""


NAMED: Final = 0.5
"""Share of their picks that feeder counters must name the part of, to answer for parts where others do as well."""


def find(con: duckdb.DuckDBPyConnection, orders: Mapping[str, Sequence[str]]) -> None:
    """Make the temp table; orders: question -> its grains, the one that is taken first to begin with."""
    con.execute(
        "create or replace temp table outdone (question VARCHAR, machine VARCHAR, hour TIMESTAMP, grain VARCHAR)"
    )
    for question, order in orders.items():
        nameless = ""
        if question == "part":
            con.execute(
                "insert into outdone select 'part', machine, hour, grain from tally join clock using (hour) "
                "where grain = 'feeder' and machine in (select machine from tally join clock using (hour) "
                "where grain in ('feeder', 'part') group by machine having bool_or(grain = 'part') "
                "and coalesce(sum(attempts) filter (grain = 'feeder' and part is not null), 0) "
                f"< {NAMED} * sum(attempts) filter (grain = 'feeder')) group by all"
            )
            nameless = " anti join (select * from outdone where question = 'part') using (machine, hour, grain)"
        _find(con, question, order, f"(select * from tally join clock using (hour){nameless})")


def _find(con: duckdb.DuckDBPyConnection, question: str, order: Sequence[str], counts: str) -> None:
    asked = f"grain <> 'joint' and grain in {tuple(order)!r}"
    several = f"select machine from {counts} where {asked} group by machine having count(distinct grain) > 1"
    if not con.execute(several).fetchall():
        return
    counter = prepare(con)["counter"]
    place = f"list_position({list(order)!r}, {{}})"
    con.execute(
        f"""
        insert into outdone
        with several as ({several}),
        times as (
            select distinct machine, grain, time, start, coalesce(running, false) as running
            from {counter} semi join several using (machine)
            where time >= (select min(hour) from clock) - interval {LONGEST_HOURS} hour
                and time <= (select max(hour) + interval 1 hour from clock)),
        spans as (
            select machine, grain, time, start as since from times where not running and start is not null
            union
            select machine, grain, time, lag(time) over (partition by machine, grain order by time)
            from times where running),
        long as (
            select *, {standing()} as hour from spans
            where time - since > interval {LONG_MINUTES} minute and time - since <= interval {LONGEST_HOURS} hour),
        told as (
            select machine, hour, grain, sum(attempts) as picks
            from {counts} semi join several using (machine) where {asked} group by all),
        lasting as (
            select *, coalesce((
                select max(l.time - l.since) from long l
                where l.machine = t.machine and l.grain = t.grain and l.hour = t.hour), interval 0 hour) as span
            from told t),
        inside as (
            select l.machine, l.grain, l.hour, l.since, l.time, o.grain as other, o.hour as other_hour,
                sum(o.picks) over (partition by l.machine, l.grain, l.since, l.time, o.grain) as others, own.picks
            from long l
            join told own on own.machine = l.machine and own.grain = l.grain and own.hour = l.hour
            join lasting o on o.machine = l.machine and o.grain <> l.grain and o.span <= l.time - l.since
                and o.hour + interval 30 minute >= l.since and o.hour + interval 30 minute < l.time)
        select distinct '{question}', machine, case when loses then hour else other_hour end as hour,
            case when loses then grain else other end as grain
        from (
            select *, picks < {ABOUT} * others or (others >= {ABOUT} * picks
                and {place.format("other")} < {place.format("grain")}) as loses
            from inside where others > 0)
        """
    )
