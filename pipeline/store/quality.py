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

from pipeline.rollup.sources import prepare, reading
from pipeline.rollup.tallies import COUNTER_REACH_HOURS, FAULT_REACH_SECONDS, counter_hour, standing
from pipeline.schema.master_tables import MASTER_TABLES
from pipeline.schema.words import LOSS_OUTCOMES
from pipeline.store.frames import Week

SHORT_HOURS = 2
"""Hours that a counter's interval may have to say that the machine worked in each of them."""


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
    settled: int
    """Of the lines refused those that need nothing more."""


def files(con: duckdb.DuckDBPyConnection) -> Files:
    """Totals over all loads."""
    (row,) = con.execute(
        "select count(*), coalesce(sum(rows_read), 0), coalesce(sum(rows_loaded), 0), "
        "coalesce(sum(rows_duplicate), 0), "
        "coalesce(sum(rows_refused), 0), coalesce(sum(rows_ignored), 0), "
        "(select count(distinct file) from refused where load_id is null and settled is not true), "
        "(select count(*) from refused where load_id is not null and settled) from load"
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
    """Refused lines by file and reason, but for the settled ones: lines, first line, an example."""
    return pl.DataFrame(
        con.sql(
            "select file, reason, count(*) as lines, min(line) as first_line, "
            "coalesce(arg_min(raw, coalesce(line, 0)), '') as example "
            "from refused where settled is not true group by file, reason order by lines desc, file, reason"
        )
    )


def machines(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Outcomes of the clock's hours by machine and grain, hours with picks, and picks whose key is unknown.

    Of each machine hour the finest grain counts (frames.GRAINS_FOR), so that a machine's rows can be added. A kind of
    loss that none of its counts has a figure for is null.
    """
    told = ", ".join(
        f"cast(sum({kind}) filter (not contains(coalesce(u.kinds, ''), '{kind}')) as BIGINT) as {kind}"
        for kind in LOSS_OUTCOMES
    )
    return pl.DataFrame(
        con.sql(
            f"""
            select t.machine, mm.line, t.grain, mm.rated_picks_per_hour,
                cast(sum(attempts) as BIGINT) as attempts, cast(sum(placed) as BIGINT) as placed, {told},
                cast(sum(returned) as BIGINT) as returned,
                cast(sum(unknown) as BIGINT) as unknown, count(distinct t.hour) as hours,
                cast(coalesce(sum(attempts) filter (t.nozzle is null), 0) as BIGINT) as without_nozzle,
                cast(coalesce(sum(attempts) filter (t.feeder is null), 0) as BIGINT) as without_feeder,
                cast(coalesce(sum(attempts) filter (t.part is null), 0) as BIGINT) as without_part
            from tally t join clock c using (hour) left join master_machine mm on mm.machine = t.machine
            join finest_grain g on g.machine = t.machine and g.hour = t.hour and g.total = t.grain
            left join untold_kind u on u.machine = t.machine and u.grain = t.grain and u.hour = t.hour
            group by t.machine, mm.line, t.grain, mm.rated_picks_per_hour order by t.machine, t.grain
            """
        )
    )


def paces(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Picks per hour: one row a machine and clock hour from single picks, one a counted interval from counters.

    machine, rated (picks per hour, null where machines.csv has none), spindles (places for a nozzle seen, 0 where the
    log names none), begin (UTC), hours (length), picks. Counters whose interval has no known start are left out: their
    picks cannot be put on a clock.
    """
    return pl.DataFrame(
        con.sql(
            f"""
            with places as (
                select machine, count(distinct (head, spindle)) filter (spindle is not null) as spindles
                from tally join clock using (hour) group by machine),
            paced as (
                select machine, hour as begin, 1.0 as hours, sum(attempts) as picks
                from tally join clock using (hour) where grain = 'joint' group by machine, hour
                union all
                select machine, start, round((epoch_us(time) - epoch_us(start)) / 3.6e9, 6),
                       sum(coalesce(placed, 0) + coalesce(missed, 0) + coalesce(rejected, 0) + coalesce(dropped, 0)
                           + coalesce(returned, 0) + coalesce(unknown, 0))
                from {prepare(con)["counter"]} k join clock on clock.hour = {counter_hour("k")}
                where running is not true and start is not null and time > start group by machine, grain, start, time)
            select p.machine, mm.rated_picks_per_hour as rated, s.spindles, p.begin, p.hours,
                   cast(p.picks as BIGINT) as picks
            from paced p left join places s on s.machine = p.machine
            left join master_machine mm on mm.machine = p.machine order by p.machine, p.begin, p.hours, picks
            """
        )
    )


def presence(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """What each machine logged in each hour of the clock: machine, line, hour (UTC), other records, working, covered.

    working  it has picks of that hour; picks of a counter only if its interval is no longer than SHORT_HOURS
    covered  a counter with picks has that hour in its interval, so that nobody can tell whether it worked then
    Hours without anything are absent. Every machine seen in the store has at least one row; one that logged nothing has
    a null hour.
    """
    names = prepare(con)
    others = " union all ".join(
        f"select machine, date_trunc('hour', time) as hour, count(*) as records from {names.get(table, table)} "
        "where machine is not null group by all"
        for table in ("activity", "fault", "check_total", "reel_event")
    )
    return pl.DataFrame(
        con.sql(
            f"""
            with seen as (select distinct machine from tally),
            spans as (
                select machine, time, coalesce(start, time - interval 1 hour) as start from {names["counter"]}
                where coalesce(attempts, placed, 0) + coalesce(unknown, 0) > 0),
            all_ as (
                select distinct machine, hour, 0 as records, true as working, false as covered
                from tally join clock using (hour) where grain = 'joint'
                union all
                select distinct k.machine, c.hour, 0, k.time - k.start <= interval {SHORT_HOURS} hour, true
                from spans k join clock c on c.hour < k.time and c.hour + interval 1 hour > k.start
                union all select machine, hour, records, false, false from ({others}) join clock using (hour))
            select s.machine, mm.line, b.hour, cast(coalesce(sum(b.records), 0) as BIGINT) as records,
                   coalesce(bool_or(b.working), false) as working, coalesce(bool_or(b.covered), false) as covered
            from seen s left join all_ b on b.machine = s.machine
            left join master_machine mm on mm.machine = s.machine
            group by s.machine, mm.line, b.hour order by s.machine, b.hour
            """
        )
    )


def uneven_counters(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Counter rows on the clock that state their picks: by machine and grain, picks stated and sum of outcomes.

    Rows of picks and placed parts alone are none of them: the rest is lost (sql/counters.sql).
    """
    return pl.DataFrame(
        con.sql(
            f"""
            with stated as (
                select machine, grain, attempts, coalesce(placed, 0) + coalesce(missed, 0) + coalesce(rejected, 0)
                    + coalesce(dropped, 0) + coalesce(returned, 0) + coalesce(unknown, 0) as outcomes
                from {prepare(con)["counter"]} k join clock on clock.hour = {counter_hour("k")}
                where attempts is not null and placed is not null and running is not true
                    and (coalesce(missed, rejected, dropped, returned, unknown) is not null or attempts < placed))
            select machine, grain, count(*) as rows, count(*) filter (attempts <> outcomes) as uneven,
                   cast(sum(attempts) as BIGINT) as attempts, cast(sum(outcomes) as BIGINT) as outcomes,
                   cast(sum(abs(attempts - outcomes)) as BIGINT) as apart
            from stated group by machine, grain order by machine, grain
            """
        )
    )


def check_totals(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """Machine totals of windows inside the week beside the events counted in the same windows.

    Of a machine without single picks, beside its counters in the hours in which counts of the windows stand (`counted`
    is true): where its counters do not tell when they begin, these are the hours of counts that do not.
    """
    check_total, names = reading(con, "check_total"), prepare(con)
    pick = names["pick"]
    since = f"case when o.machine is null then start else time - interval {COUNTER_REACH_HOURS} hour end"
    return pl.DataFrame(
        con.sql(
            f"""
            with totals as (
                select machine, start, time, max(placed) as placed, max(coalesce(not_placed, 0)) as not_placed
                from {check_total} where start >= timestamp '{week.start}' and time <= timestamp '{week.end}' group by
                all),
            events as (
                select t.machine, t.start, t.time, any_value(t.placed) as placed, any_value(t.not_placed) as not_placed,
                       count(p.outcome) filter (p.outcome = 'placed') as events_placed,
                       count(p.outcome) filter (p.outcome <> 'placed') as events_not_placed
                from totals t left join {pick} p
                    on p.machine = t.machine and p.time >= t.start and p.time < t.time
                group by all),
            open as (
                select machine from {names["counter"]}
                where grain <> 'joint' and time >= timestamp '{week.start}' and time <= timestamp '{week.end}'
                group by machine having bool_and(start is null and running is not true)),
            counters as (
                select machine, sum(y.placed) as placed, sum(y.attempts - y.placed) as not_placed
                from tally y join finest_grain g using (machine, hour)
                where y.grain = g.total and (machine, hour) in
                    (select (t.machine, {standing("time", since)}) from totals t
                    left join open o on o.machine = t.machine)
                group by machine having bool_and(y.grain <> 'joint')),
            summed as (
                select machine, count(*) as windows, sum(placed) as placed, sum(not_placed) as not_placed,
                       sum(events_placed) as events_placed, sum(events_not_placed) as events_not_placed
                from events group by machine)
            select s.machine, s.windows, cast(s.placed as BIGINT) as placed, cast(s.not_placed as BIGINT) as not_placed,
                   cast(coalesce(c.placed, s.events_placed) as BIGINT) as events_placed,
                   cast(coalesce(c.not_placed, s.events_not_placed) as BIGINT) as events_not_placed,
                   c.machine is not null as counted
            from summed s left join counters c on c.machine = s.machine order by s.machine
            """
        )
    )


def consumption(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """Counters of intervals inside the week that have single picks beside them, and the picks in the same intervals.

    By machine and grain. A counter without a start counts since the ones before of that machine and grain; the first
    ones of all are left out.
    """
    names = prepare(con)
    return pl.DataFrame(
        con.sql(
            f"""
            with told as (
                select * from {names["counter"]} where grain <> 'joint' and running is not true),
            before as (
                select machine, grain, time, lag(time) over (partition by machine, grain order by time) as last
                from (select distinct machine, grain, time from told)),
            dated as (
                select machine, grain, coalesce(start, last) as since, time, attempts, placed,
                    coalesce(missed, 0) + coalesce(rejected, 0) + coalesce(dropped, 0) + coalesce(unknown, 0) as lost,
                    coalesce(returned, 0) as returned
                from told join before using (machine, grain, time)),
            counted as (
                select *, coalesce(placed, greatest(attempts - lost - returned, 0), 0) as rest from dated k
                where since >= timestamp '{week.start}' and time <= timestamp '{week.end}' and exists (
                    select 1 from tally j where j.grain = 'joint' and j.machine = k.machine
                    and j.hour <= k.time and j.hour > k.since - interval 1 hour)),
            marked as (
                select *, since > max(time) over (
                    partition by machine, grain order by since, time rows between unbounded preceding and 1 preceding
                ) as apart from (select distinct machine, grain, since, time from counted)),
            numbered as (
                select *, count(*) filter (coalesce(apart, true)) over (
                    partition by machine, grain order by since, time) as stretch from marked),
            stretches as (
                select machine, grain, min(since) as since, max(time) as time from numbered
                group by machine, grain, stretch),
            picked as (
                select s.machine, s.grain, count(p.outcome) filter (p.outcome = 'placed') as placed,
                       count(p.outcome) filter (p.outcome not in ('placed', 'returned')) as lost
                from stretches s left join {names["pick"]} p
                    on p.machine = s.machine and p.time >= s.since and p.time < s.time
                group by s.machine, s.grain)
            select c.machine, c.grain, cast(c.placed as BIGINT) as placed, cast(c.lost as BIGINT) as lost,
                   cast(p.placed as BIGINT) as events_placed, cast(p.lost as BIGINT) as events_lost
            from (select machine, grain, sum(rest) as placed, sum(lost) as lost from counted group by machine, grain) c
            join picked p using (machine, grain) order by c.machine, c.grain
            """
        )
    )


def faults(con: duckdb.DuckDBPyConnection, week: Week) -> pl.DataFrame:
    """Fault messages that point to a loss, by machine: how many, how many have no loss beside them, and whether there
    are single picks at all."""
    names = prepare(con)
    return pl.DataFrame(
        con.sql(
            f"""
            with pointing as (
                select row_number() over () as fault_id, * from {names["fault"]} where outcome is not null
                and time >= timestamp '{week.start}' and time < timestamp '{week.end}'),
            matched as (
                select distinct f.fault_id from pointing f join {names["pick"]} p
                    on p.machine = f.machine and p.outcome <> 'placed'
                    and p.time between f.time - interval {FAULT_REACH_SECONDS} second
                        and f.time + interval {FAULT_REACH_SECONDS} second
                    and (f.nozzle = p.nozzle or f.designator = p.designator or f.part = p.part)
                where p.time >= timestamp '{week.start}' - interval 1 minute
                    and p.time < timestamp '{week.end}' + interval 1 minute)
            select machine, count(*) as faults, count(*) filter (fault_id not in (select fault_id from matched)) as
            unmatched, machine in (select machine from {names["pick"]} where time >= timestamp '{week.start}'
                and time < timestamp '{week.end}') as picks
            from pointing group by machine order by machine
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
            from tally t join clock c using (hour)
            join finest_grain g on g.machine = t.machine and g.hour = t.hour and g.total = t.grain
            group by c.week order by c.week
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
