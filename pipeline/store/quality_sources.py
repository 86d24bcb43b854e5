"""Facts about files and reels: which files share a machine's time, which dates a series has, what reels were counted.

In:    an open store with the clock of the week set (frames.set_clock).
Out:   polars frames, sorted.
After: nothing is changed. No judgement: analysis/quality_sources.py and quality_totals.py judge.
"""

from __future__ import annotations

from datetime import datetime
from typing import Final

import duckdb
import polars as pl

from pipeline.rollup.sources import prepare
from pipeline.store.frames import Week

_SAME: Final = (
    "head", "spindle", "nozzle", "feeder", "slot", "part", "reel", "board", "designator", "try_number", "outcome",
)  # fmt: skip
"""Columns that tell one pick from another, apart from its time."""

_OVERLAP_SECONDS: Final = 60
"""Files that share less of a machine's time than this only touch each other."""

_MOST_PAIRS: Final = 3
"""Pairs of files a machine that are compared, the longest shared times first: two logs that go on side by side show it
in any pair, and a log cut into hours would make hundreds of pairs."""


def twins(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """Pairs of files whose picks of one machine overlap in time: picks of each in that time, and how many are alike.

    Of each machine the _MOST_PAIRS pairs that share most time. Alike: the same in every column that both files fill,
    whatever the time, counted as a multiset (by hour where no board is named). `columns` says how many columns were
    compared, `boards` whether board and designator are among them, `apart` the median of the seconds between picks that
    are alike.
    """
    pick = prepare(con)["pick"]
    found = con.execute(
        f"""
        with spans as (
            select machine, load_id, min(time) as first, max(time) as last from {pick}
            where time >= timestamp '{week.start}' and time < timestamp '{week.end}' group by machine, load_id)
        select a.machine, a.load_id, b.load_id, greatest(a.first, b.first), least(a.last, b.last)
        from spans a join spans b on b.machine = a.machine and b.load_id > a.load_id
            and epoch(least(a.last, b.last)) - epoch(greatest(a.first, b.first)) > {_OVERLAP_SECONDS}
        qualify row_number() over (
            partition by a.machine
            order by least(a.last, b.last) - greatest(a.first, b.first) desc, a.load_id, b.load_id
        ) <= {_MOST_PAIRS}
        order by all
        """
    ).fetchall()
    rows = [_alike(con, pick, *pair) for pair in found]
    schema = {
        "machine": pl.String(),
        "file": pl.String(),
        "other": pl.String(),
        "picks": pl.Int64(),
        "other_picks": pl.Int64(),
        "alike": pl.Int64(),
        "columns": pl.Int64(),
        "boards": pl.Boolean(),
        "apart": pl.Float64(),
    }
    return pl.DataFrame(rows, schema=schema, orient="row").sort("machine", "file", "other")


def _alike(
    con: duckdb.DuckDBPyConnection, pick: str, machine: str, one: int, two: int, first: object, last: object
) -> tuple[object, ...]:
    span = [machine, first, last]
    filled = {
        load: con.execute(
            f"select {', '.join(f'count({c})' for c in _SAME)} from {pick} "
            "where load_id = ? and machine = ? and time between ? and ?",
            [load, *span],
        ).fetchall()[0]
        for load in (one, two)
    }
    columns = [c for c, a, b in zip(_SAME, filled[one], filled[two], strict=True) if a and b]
    listed = ", ".join(columns)
    (row,) = con.execute(
        f"""
        with counted as (
            select {listed}, count(*) filter (load_id = $one) as a, count(*) filter (load_id = $two) as b,
                   avg(epoch(time)) filter (load_id = $one) as middle_a,
                   avg(epoch(time)) filter (load_id = $two) as middle_b
            from {pick} where load_id in ($one, $two) and machine = $machine and time between $first and $last
            group by {listed}{"" if "board" in columns else ", date_trunc('hour', time)"})
        select (select file from load where load_id = $one), (select file from load where load_id = $two),
               cast(coalesce(sum(a), 0) as BIGINT), cast(coalesce(sum(b), 0) as BIGINT),
               cast(coalesce(sum(least(a, b)), 0) as BIGINT),
               round(median(abs(middle_a - middle_b)) filter (a > 0 and b > 0), 3) from counted
        """,
        {"one": one, "two": two, "machine": machine, "first": first, "last": last},
    ).fetchall()
    file, other, picks, other_picks, alike, apart = row
    boards = {"board", "designator"} <= set(columns)
    return machine, file, other, picks, other_picks, alike, len(columns), boards, apart


def named_files(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Every file loaded or refused as a whole, with the machine whose picks it holds (null: none or several)."""
    return pl.DataFrame(
        con.sql(
            f"""
            with held as (select load_id, case when count(distinct machine) = 1 then min(machine) end as machine,
                                 list_sort(list(distinct machine)) as machines
                          from {prepare(con)["pick"]} group by load_id)
            select l.file, h.machine, coalesce(h.machines, []) as machines from load l left join held h using (load_id)
            union all
            select distinct file, null, [] from refused where load_id is null and file not in (select file from load)
            order by all
            """
        )
    )


def days_with_picks(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Picks by local day and machine on the clock, single picks and counters alike."""
    return pl.DataFrame(
        con.sql(
            "select c.day, t.machine, cast(sum(t.attempts) as BIGINT) as picks from tally t join clock c using (hour) "
            "group by c.day, t.machine having sum(t.attempts) > 0 order by c.day, t.machine"
        )
    )


def days_worked(con: duckdb.DuckDBPyConnection, week: Week, begin: datetime) -> pl.DataFrame:
    """By machine the days with picks of this week and of those before: machine, back (0: this week), days.

    begin   of the oldest week, UTC. Days are counted from the begin of this week, without regard to clock changes.
    """
    since = f"epoch(hour - timestamp '{week.start}')"
    return pl.DataFrame(
        con.sql(
            f"""
            select machine, -cast(floor({since} / 604800) as INTEGER) as back,
                   count(distinct floor({since} / 86400)) as days
            from tally where attempts > 0 and hour >= timestamp '{begin}' and hour < timestamp '{week.end}'
            group by all order by all
            """
        )
    )


def reel_counts(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """Reels with two counts, the second of them in the week: parts gone between the counts beside the picks from it.

    machine, reel, part, start, time, first and last quantity, whether it was put on (`load`) at the start; placed,
    missed and otherwise lost picks of that reel in between on any machine. Reels that no pick names are left out, and
    intervals that begin before the oldest pick kept. Counts that no machine made (the store room's) check the use of
    parts and not the logs: those are the buyer's (store/past_builds.py).
    """
    names = prepare(con)
    return pl.DataFrame(
        con.sql(
            f"""
            with counted as (
                select reel, machine, part, time, event, quantity,
                       lag(time) over w as start, lag(quantity) over w as first, lag(event) over w as opened
                from (select reel, min(machine) as machine, min(part) as part, time, event, max(quantity) as quantity
                      from {names["reel_event"]}
                      where machine is not null or event <> 'count' group by reel, time, event)
                window w as (partition by reel order by time, event)),
            span as (
                select * from counted where time >= timestamp '{week.start}' and time < timestamp '{week.end}'
                and quantity is not null and first is not null and event in ('unload', 'count')
                and start >= (select min(time) from {names["pick"]})),
            used as (
                select s.reel, s.time, count(*) filter (p.outcome = 'placed') as placed,
                       count(*) filter (p.outcome = 'missed') as missed,
                       count(*) filter (p.outcome in ('rejected', 'dropped', 'unknown')) as lost
                from span s join {names["pick"]} p on p.reel = s.reel and p.time > s.start and p.time <= s.time
                group by s.reel, s.time)
            select s.machine, s.reel, s.part, s.start, s.time, s.first, s.quantity as last,
                   s.opened in ('load', 'splice') as opened, coalesce(u.placed, 0) as placed,
                   coalesce(u.missed, 0) as missed, coalesce(u.lost, 0) as lost
            from span s left join used u using (reel, time)
            where s.reel in (select distinct reel from {names["pick"]} where reel is not null)
            order by s.machine, s.reel, s.time
            """
        )
    )
