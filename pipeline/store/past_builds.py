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

from pipeline.rollup.sources import reading
from pipeline.schema import frames
from pipeline.store.frames import TOLD_FEEDERS, Week


def past_builds(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """PAST of all hours on the clock, where the part is known and any was placed."""
    sums = ", ".join(
        f"cast(sum(t.{c}) as BIGINT) as {c}" for c in ("placed", "missed", "rejected", "dropped", "unknown")
    )
    found = pl.DataFrame(
        con.sql(
            "select coalesce(t.recipe, t.machine) as build, c.week, t.part, "
            "min(coalesce(mf.feeder_type, tf.feeder_type, mp.feeder_type)) as feeder_type, "
            f"count(distinct t.machine) as machines, {sums} "
            "from tally t join clock c using (hour) "
            "join finest_grain g on g.machine = t.machine and g.hour = t.hour and g.part = t.grain "
            "left join master_part mp on mp.part = t.part left join master_feeder mf on mf.feeder = t.feeder "
            f"left join ({TOLD_FEEDERS}) tf on tf.feeder = t.feeder "
            "where t.part is not null group by 1, 2, 3 having sum(t.placed) > 0 order by all"
        )
    )
    return frames.check(found.select([pl.col(c).cast(t) for c, t in frames.PAST.items()]), frames.PAST)


def counted_reels(con: duckdb.DuckDBPyConnection, start: Week, end: Week) -> pl.DataFrame:
    """REELS whose second count lies in the weeks from `start` to `end`.

    A reel that is counted by hand (`count`) is followed from that count to the next one, or from when it was first put
    on; what machines say of it in between is passed over. Any other is followed from each event to the next `unload`.
    """
    pick, event = (reading(con, table) for table in ("pick", "reel_event"))
    found = pl.DataFrame(
        con.sql(
            f"""
            with told as (
                select reel, min(machine) as machine, min(part) as part, time, event, max(quantity) as quantity
                from {event} group by reel, time, event),
            by_hand as (select distinct reel from told where event = 'count'),
            followed as (
                select t.*, h.reel is not null as counted, lag(time) over w as before, lag(quantity) over w as held,
                       last_value(case when event = 'count' then time end ignore nulls) over up as last_count,
                       last_value(case when event = 'count' then quantity end ignore nulls) over up as last_quantity,
                       first_value(time) over up as begun, first_value(quantity) over up as at_first
                from told t left join by_hand h using (reel)
                window w as (partition by t.reel order by time, event),
                       up as (partition by t.reel order by time, event
                              rows between unbounded preceding and 1 preceding)),
            span as (
                select reel, machine, part, event as counted_by, time, quantity as last,
                       case when not counted then before else coalesce(last_count, begun) end as start,
                       case when not counted then held
                            when last_count is not null then last_quantity else at_first end as first
                from followed
                where time >= timestamp '{start.start}' and time < timestamp '{end.end}' and quantity is not null
                and (event = 'count' or (event = 'unload' and not counted))),
            whole as (
                select * from span where first is not null and part is not null
                and start >= (select min(time) from {pick})
                and reel in (select distinct reel from {pick} where reel is not null)),
            used as (
                select s.reel, s.time, count(*) filter (p.outcome = 'placed') as placed,
                       count(*) filter (p.outcome = 'missed') as missed,
                       count(*) filter (p.outcome in ('rejected', 'dropped', 'unknown')) as lost
                from whole s join {pick} p on p.reel = s.reel and p.time > s.start and p.time <= s.time
                group by s.reel, s.time),
            opened as (
                select s.reel, s.time, count(*) filter (t.event = 'load') as loads,
                       count(*) filter (t.event = 'splice') as splices
                from whole s join told t on t.reel = s.reel and t.time >= s.start and t.time < s.time
                group by s.reel, s.time)
            select s.machine, s.reel, s.part, s.counted_by, coalesce(o.loads, 0) as loads,
                   coalesce(o.splices, 0) as splices, s.first, s.last, coalesce(u.placed, 0) as placed,
                   coalesce(u.missed, 0) as missed, coalesce(u.lost, 0) as lost,
                   exists (from {event} e where e.event = 'splice' and e.previous_reel = s.reel and e.time >= s.start
                           and e.time <= s.time) as ended
            from whole s left join used u using (reel, time) left join opened o using (reel, time)
            """
        )
    )
    found = found.select([pl.col(c).cast(t) for c, t in frames.REELS.items()])
    return frames.check(found.sort(pl.all()), frames.REELS)
