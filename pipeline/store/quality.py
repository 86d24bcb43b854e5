"""Facts about what the store holds: files, refusals, totals that can be compared. No judgement.

In:    an open store with the clock of the week set (frames.set_clock).
Out:   small polars frames and `Files`.
After: nothing is changed; every frame is sorted.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline.rollup.tallies import FAULT_REACH_SECONDS
from pipeline.schema.tables import MASTER_TABLES
from pipeline.store.frames import Week


@dataclass(frozen=True, slots=True)
class Files:
    """What was read into the store so far, in files and in lines or messages."""

    files: int
    read: int
    loaded: int
    duplicate: int
    refused: int
    ignored: int
    refused_files: int


def files(con: duckdb.DuckDBPyConnection) -> Files:
    """Totals over all loads."""
    (row,) = con.execute(
        "select count(*), coalesce(sum(rows_read), 0), coalesce(sum(rows_loaded), 0), "
        "coalesce(sum(rows_duplicate), 0), "
        "coalesce(sum(rows_refused), 0), coalesce(sum(rows_ignored), 0), "
        "(select count(distinct file) from refused where load_id is null) from load"
    ).fetchall()
    return Files(*(int(v) for v in row))


def loads(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Table `load` by file."""
    return pl.DataFrame(
        con.sql(
            "select file, dialect, rows_read, rows_loaded, rows_duplicate, rows_refused, rows_ignored, first_time, "
            "last_time "
            "from load order by file, load_id"
        )
    )


def refusals(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Refused lines by file and reason: lines, first line, an example."""
    return pl.DataFrame(
        con.sql(
            "select file, reason, count(*) as lines, min(line) as first_line, "
            "coalesce(arg_min(raw, coalesce(line, 0)), '') as example "
            "from refused group by file, reason order by lines desc, file, reason"
        )
    )


def machines(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Outcomes of the clock's hours by machine and grain, hours with picks, and picks whose key is unknown."""
    return pl.DataFrame(
        con.sql(
            """
            select t.machine, mm.line, t.grain, mm.rated_picks_per_hour,
                cast(sum(attempts) as BIGINT) as attempts, cast(sum(placed) as BIGINT) as placed,
                cast(sum(missed) as BIGINT) as missed, cast(sum(rejected) as BIGINT) as rejected,
                cast(sum(dropped) as BIGINT) as dropped, cast(sum(returned) as BIGINT) as returned,
                cast(sum(unknown) as BIGINT) as unknown, count(distinct hour) as hours,
                cast(coalesce(sum(attempts) filter (t.nozzle is null), 0) as BIGINT) as without_nozzle,
                cast(coalesce(sum(attempts) filter (t.feeder is null), 0) as BIGINT) as without_feeder,
                cast(coalesce(sum(attempts) filter (t.part is null), 0) as BIGINT) as without_part
            from tally t join clock c using (hour) left join master_machine mm on mm.machine = t.machine
            group by t.machine, mm.line, t.grain, mm.rated_picks_per_hour order by t.machine, t.grain
            """
        )
    )


def busiest_hours(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The busiest hour of each machine on the clock: picks in it, rated picks per hour."""
    return pl.DataFrame(
        con.sql(
            """
            with hourly as (select machine, grain, hour, sum(attempts) as picks from tally join clock using (hour)
            group by all) select h.machine, cast(max(picks) as BIGINT) as picks, any_value(mm.rated_picks_per_hour) as
            rated,
                   count(*) filter (picks > mm.rated_picks_per_hour) as hours_above
            from hourly h left join master_machine mm on mm.machine = h.machine group by h.machine order by h.machine
            """
        )
    )


def shifts(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Picks by machine and shift on the clock, shifts without picks included for every machine seen in the store."""
    return pl.DataFrame(
        con.sql(
            """
            with seen as (select distinct machine from tally), slots as (select distinct shift from clock),
                 done as (select machine, c.shift, sum(attempts) as picks from tally join clock c using (hour) group
                 by all)
            select s.machine, slots.shift, cast(coalesce(d.picks, 0) as BIGINT) as picks
            from seen s cross join slots left join done d on d.machine = s.machine and d.shift = slots.shift
            order by s.machine, slots.shift
            """
        )
    )


def check_totals(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """Machine totals of windows inside the week beside the events counted in the same windows."""
    return pl.DataFrame(
        con.sql(
            f"""
            with totals as (
                select machine, start, time, max(placed) as placed, max(coalesce(not_placed, 0)) as not_placed
                from check_total where start >= timestamp '{week.start}' and time <= timestamp '{week.end}' group by
                all),
            counted as (
                select t.machine, t.start, t.time, any_value(t.placed) as placed, any_value(t.not_placed) as not_placed,
                       count(p.outcome) filter (p.outcome = 'placed') as events_placed,
                       count(p.outcome) filter (p.outcome <> 'placed') as events_not_placed
                from totals t left join pick p
                    on p.machine = t.machine and p.time >= t.start and p.time < t.time
                group by all)
            select machine, count(*) as windows, cast(sum(placed) as BIGINT) as placed,
                   cast(sum(not_placed) as BIGINT) as not_placed, cast(sum(events_placed) as BIGINT) as events_placed,
                   cast(sum(events_not_placed) as BIGINT) as events_not_placed
            from counted group by machine order by machine
            """
        )
    )


def consumption(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Feeder counters of the clock's hours beside the picks of the same machines and hours."""
    return pl.DataFrame(
        con.sql(
            """
            with counted as (
                select machine, sum(coalesce(placed, 0)) as placed, sum(coalesce(unknown, 0)) as lost
                from counter join clock on clock.hour = date_trunc('hour', counter.time)
                where grain = 'feeder' group by machine),
            picked as (
                select machine, sum(placed) as placed, sum(missed + rejected + dropped + unknown) as lost
                from tally join clock using (hour) where grain = 'joint' group by machine)
            select c.machine, cast(c.placed as BIGINT) as placed, cast(c.lost as BIGINT) as lost,
                   cast(p.placed as BIGINT) as events_placed, cast(p.lost as BIGINT) as events_lost
            from counted c join picked p using (machine) order by c.machine
            """
        )
    )


def faults(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """Fault messages that point to a loss, by machine: how many, and how many have no loss beside them."""
    return pl.DataFrame(
        con.sql(
            f"""
            with pointing as (
                select row_number() over () as fault_id, * from fault where outcome is not null
                and time >= timestamp '{week.start}' and time < timestamp '{week.end}'),
            matched as (
                select distinct f.fault_id from pointing f join pick p
                    on p.machine = f.machine and p.outcome <> 'placed'
                    and p.time between f.time - interval {FAULT_REACH_SECONDS} second
                        and f.time + interval {FAULT_REACH_SECONDS} second
                    and (f.nozzle = p.nozzle or f.designator = p.designator or f.part = p.part)
                where p.time >= timestamp '{week.start}' - interval 1 minute
                    and p.time < timestamp '{week.end}' + interval 1 minute)
            select machine, count(*) as faults, count(*) filter (fault_id not in (select fault_id from matched)) as
            unmatched from pointing group by machine order by machine
            """
        )
    )


def boards(con: duckdb.DuckDBPyConnection, week: Week) -> int | None:
    """Boards whose picks are in the week; None when the logs name no board."""
    ((found,),) = con.execute(
        "select count(distinct board) from pick where board is not null and time >= ? and time < ?",
        [week.start, week.end],
    ).fetchall()
    return int(found) or None


def weeks(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """What each ISO week on the clock holds: machines, hours with picks, picks, losses."""
    return pl.DataFrame(
        con.sql(
            """
            select c.week, count(distinct t.machine) as machines, count(distinct (t.machine, t.hour)) as machine_hours,
                   cast(sum(attempts) as BIGINT) as picks,
                   cast(sum(missed + rejected + dropped + unknown) as BIGINT) as losses
            from tally t join clock c using (hour) group by c.week order by c.week
            """
        )
    )


def content_digest(con: duckdb.DuckDBPyConnection) -> str:
    """Digest of the files loaded (content, reader, mapping) and of the master tables, in any order of loading."""
    sha = hashlib.sha256()
    for table in ("load", *(m.name for m in MASTER_TABLES)):
        columns = "content_hash, dialect, mapping" if table == "load" else "*"
        for row in con.execute(f"select {columns} from {table} order by all").fetchall():
            sha.update(repr(row).encode())
    return sha.hexdigest()
