"""Facts about clocks: how the times of a file follow its lines, and when a board reached each machine. No judgement.

In:    an open store, the week, the plant's zone.
Out:   polars frames, sorted.
After: nothing is changed. Times are UTC; machines have the names under which they are counted.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.rollup.sources import prepare
from pipeline.store.frames import Week

STEP_SECONDS: Final = 300
"""A jump of the time between two lines of a file below this is not looked at: messages arrive late by seconds, and by a
few minutes after a broken connection (common practice, no source)."""


def line_order(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """By file and machine: lines with picks, and how often the time goes back by more than STEP_SECONDS.

    Only files with a pick in the week, all their lines; only files and machines where it goes back at all.
    """
    return pl.DataFrame(
        con.sql(
            f"""
            {_jumps(week, prepare(con)["pick"])}
            select l.file, j.load_id, j.machine, any_value(n.lines) as lines, count(*) filter (jump < 0) as back
            from jumps j join load l using (load_id)
            join (select load_id, machine, count(*) as lines from line_time group by all) n using (load_id, machine)
            group by l.file, j.load_id, j.machine having count(*) filter (jump < 0) > 0
            order by l.file, j.load_id, j.machine
            """
        )
    )


def jumps(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """The jumps themselves, back and ahead, in the files that `line_order` lists: line, time before and after, seconds.

    A jump ahead is also what a pause looks like: analysis pairs it with a jump back.
    """
    return pl.DataFrame(
        con.sql(
            f"""
            {_jumps(week, prepare(con)["pick"])}
            select load_id, machine, line, before, time, jump from jumps
            where (load_id, machine) in (select (load_id, machine) from jumps where jump < 0)
            order by load_id, machine, line
            """
        )
    )


def _jumps(week: Week, pick: str) -> str:
    return f"""
        with line_time as (
            select load_id, machine, line, min(time) as time from {pick}
            where load_id in (
                select load_id from load where last_time >= timestamp '{week.start}'
                and first_time < timestamp '{week.end}')
            group by load_id, machine, line),
        ordered as (
            select *, lag(time) over (partition by load_id, machine order by line) as before from line_time),
        jumps as (
            select load_id, machine, line, before, time, (epoch_us(time) - epoch_us(before)) / 1e6 as jump from ordered
            where abs(epoch_us(time) - epoch_us(before)) > {STEP_SECONDS} * 1000000
                and greatest(time, before) >= timestamp '{week.start}' and least(time, before) < timestamp '{week.end}')
    """


def zone_changes(zone_name: str, week: Week) -> list[datetime]:
    """UTC hours around the week at which the plant's zone changes its offset."""
    zone = ZoneInfo(zone_name)
    hour, found = week.start - timedelta(days=1), []
    while hour < week.end + timedelta(days=1):
        before, after = (t.replace(tzinfo=UTC).astimezone(zone).utcoffset() for t in (hour - timedelta(hours=1), hour))
        if before != after:
            found.append(hour)
        hour += timedelta(hours=1)
    return found


def passages(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """When each board of the week was at each machine: line, machine, board, recipe ('' if unknown), day, first time.

    `day` is the UTC date of the first pick; a board that began within a day before the week is not taken for a new one.
    Machines without a line are left out.
    """
    return pl.DataFrame(
        con.sql(
            f"""
            with passed as (
                select machine, board, min(time) as first, coalesce(min(recipe), '') as recipe
                from {prepare(con)["pick"]}
                where board is not null and time >= timestamp '{week.start}' - interval 1 day
                    and time < timestamp '{week.end}' + interval 1 day
                group by machine, board)
            select mm.line, p.machine, p.board, p.recipe, cast(date_trunc('day', p.first) as VARCHAR)[1:10] as day,
                   p.first
            from passed p join master_machine mm on mm.machine = p.machine
            where mm.line is not null and p.first >= timestamp '{week.start}' and p.first < timestamp '{week.end}'
            order by mm.line, p.machine, p.first, p.board
            """
        )
    )
