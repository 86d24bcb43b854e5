"""What makes two lines tell of the same pick or the same counts, and which of them disagree.

In:    the staged rows of one file, the lines found to be repeated so far (temp table dropped_line), and the store.
Out:   rows in table `disagreement`; their lines join dropped_line.
After: the line that was loaded first stays; the other one is kept beside it, once.

Two lines tell of the same pick when machine, time, head, spindle, nozzle, feeder and designator are the same, the
nozzle or its spindle is known, and they stand in two files whose times overlap. Files that meet in one instant do not
overlap: a retry in the same second is a pick of its own. If such lines differ only in what one of them leaves open (an
export with the lots, one without), the second is a repetition, and fills what the first left open. Messages have an
identity and are not compared so.

Two counter lines tell of the same picks when they stand in two files, their keys are the same and their intervals
overlap; or when all figures, the interval and an item are the same and one leaves keys open that the other tells: that
is a repetition, and fills them. Other running counters are compared by their readings (rollup/sql/running.sql).

A message counts once by its id. One that has the id of another and tells of something else is kept beside it, too.

All are compared under the names that the alias table gives them (`Names`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

import duckdb

from pipeline.rollup.sources import aliased_columns, picks_between, reading_as
from pipeline.rollup.tallies import either_hour
from pipeline.schema.pick_view import pick_sql
from pipeline.schema.table import Table
from pipeline.schema.tables import COUNTER, PICK
from pipeline.store.picks import change_picks

SAME: Final = ("machine", "time", "head", "spindle", "nozzle", "feeder", "designator")
"""Columns in which two lines of the same pick agree."""

_SAME_SQL: Final = " and ".join(f's."{c}" is not distinct from k."{c}"' for c in SAME)
_END_SQL: Final = "s.outcome = k.outcome and s.reason is not distinct from k.reason"


@dataclass(frozen=True, slots=True)
class Names:
    """What stands for the rows of one table after `from`: in the file and in the store, with aliases applied."""

    staged: str
    stored: str

    @classmethod
    def of(cls, con: duckdb.DuckDBPyConnection, spec: Table) -> Names:
        """Names for one event table."""
        columns = aliased_columns(con, spec.name)
        return cls(reading_as(f"staged_{spec.name}", columns), reading_as(spec.name, columns))


def stored_near(con: duckdb.DuckDBPyConnection, *, numbered: bool = False) -> str:
    """What to write after `from` for the stored picks of the time that the staged ones span, with aliases applied.

    numbered  with `pick_number`, the row of each in `pick_row`
    """
    ((first, last),) = con.execute("select min(time), max(time) from staged_pick").fetchall()
    span = {"first_hour": f"timestamp '{first}'", "end_of_hours": f"timestamp '{last + timedelta(microseconds=1)}'"}
    return picks_between(con, span, numbered=numbered)


def find_filled(con: duckdb.DuckDBPyConnection, load_id: int) -> None:
    """Drop staged picks that an earlier file tells with fewer or more columns filled, and otherwise the same.

    load_id  the load that the staged rows belong to
    No more lines are dropped than the earlier files have picks of that place and end which nothing else repeats. What a
    dropped line alone tells goes to the pick that it repeats, where it can only be this one: so that it does not matter
    which of the files came first.
    """
    names = Names.of(con, PICK)
    end = (*SAME, "outcome")
    place = ", ".join(end)
    others = [c.name for c in PICK.content() if c.name not in end]
    same = " and ".join(f's."{c}" is not distinct from k."{c}"' for c in end)
    fits = " and ".join(f'(s."{c}" = k."{c}" or s."{c}" is null or k."{c}" is null)' for c in others)
    stored = stored_near(con, numbered=True)
    con.execute(
        f"""
        create or replace temp table filling as
        with span as (select machine, min(time) as a, max(time) as b from {names.staged} group by machine),
        all_staged as (
            select * from {names.staged} where line not in (select line from staged_message)
            and coalesce(nozzle, spindle) is not null),
        s as (
            select *, row_number() over (partition by {place} order by line) as n,
                count(*) over (partition by {place}) as lines from all_staged
            where line not in (select line from dropped_line)),
        taken as (
            select {place}, count(*) as lines from all_staged
            where line in (select line from dropped_line) group by all),
        near as (
            select p.*, span.a, span.b from {stored} p
            join span on span.machine = p.machine and p.time between span.a and span.b
            anti join message m on m.load_id = p.load_id and m.line = p.line
            where p.load_id <> {int(load_id)}),
        file as (
            select load_id, machine, min(time) as a, max(time) as b from {names.stored}
            where load_id in (select load_id from near) group by load_id, machine),
        k as (
            select near.* from near join file f using (load_id, machine)
            where not (f.b = near.time and near.a = near.time and f.a < near.time and near.b > near.time)
                and not (f.a = near.time and near.b = near.time and f.b > near.time and near.a < near.time)),
        known as (select {place}, count(*) as lines, any_value(pick_number) as pick_number from k group by all)
        select s.line, k.machine, k.time, case when k.lines = 1 and s.lines = 1
            and t.lines is null then k.pick_number end as stored_row
        from s join known k on {same}
        left join taken t on {same.replace('k."', 't."')}
        where s.n <= k.lines - coalesce(t.lines, 0) and exists (select 1 from k where {same} and {fits})
        """
    )
    _fill(con, PICK, others)


def find_filled_counts(con: duckdb.DuckDBPyConnection, load_id: int) -> None:
    """Drop staged counts that an earlier file tells with fewer or more keys filled, and otherwise the same.

    load_id  the load that the staged rows belong to
    The same are machine, interval, grain and all figures; and one item at least must be named by both.
    """
    names = Names.of(con, COUNTER)
    keys = [c.name for c in COUNTER.content() if c.type == "VARCHAR" and c.name not in ("machine", "grain")]
    figures = ("start", *(c.name for c in COUNTER.content() if c.type == "BIGINT"))
    same = " and ".join(f's."{c}" is not distinct from k."{c}"' for c in figures)
    fits = " and ".join(f'(s."{c}" = k."{c}" or s."{c}" is null or k."{c}" is null)' for c in keys)
    named = " or ".join(f"s.{c} = k.{c}" for c in ("nozzle", "spindle", "feeder", "slot", "part", "reel", "lot"))
    stored = reading_as("(select *, rowid as counter_number from counter)", aliased_columns(con, "counter"))
    con.execute(
        f"""
        create or replace temp table filling as
        with s as (
            select * from {names.staged} where line not in (select line from dropped_line)
            and line not in (select line from staged_message)),
        k as (
            select * from {stored} p where load_id <> {int(load_id)}
                and time between (select min(time) from s) and (select max(time) from s)
                and not exists (from message m where m.load_id = p.load_id and m.line = p.line)),
        pair as (
            select s.line, k.machine, k.time, k.counter_number as stored_row,
                count(*) over (partition by s.line) + count(*) over (partition by k.counter_number) as pairs
            from s join k on s.machine = k.machine and s.time = k.time and s.grain = k.grain
                and coalesce(s.running, false) = coalesce(k.running, false) and {same}
                and {fits} and (s.grain = 'machine' or {named}))
        select line, machine, time, max(stored_row) filter (pairs = 2) as stored_row from pair group by all
        """
    )
    _fill(con, COUNTER, keys)


def _fill(con: duckdb.DuckDBPyConnection, spec: Table, columns: list[str]) -> None:
    """Drop the lines of temp table filling; what they alone tell goes to the rows that they repeat, to be counted anew.

    stored_row  number of that row; null where it can be one of several
    """
    con.execute("insert into dropped_line select line from filling")
    more = " or ".join(f'(p."{c}" is null and s."{c}" is not null)' for c in columns)
    rows = pick_sql(numbered=True) if spec is PICK else "select *, rowid as pick_number from counter"
    con.execute(
        "delete from filling where stored_row is null or line not in (select f.line from filling f "
        f"join ({rows}) p on p.pick_number = f.stored_row join staged_{spec.name} s on s.line = f.line where {more})"
    )
    if not con.execute("select 1 from filling limit 1").fetchall():
        return
    if spec is PICK:
        told = ", ".join(f'coalesce(p."{c}", s."{c}") as "{c}"' for c in columns)
        con.execute(
            f"create or replace temp table changed_pick as select p.* exclude (pick_number) replace ({told}), "
            f"f.stored_row from filling f join ({rows}) p on p.pick_number = f.stored_row "
            "join staged_pick s on s.line = f.line"
        )
        change_picks(con, "changed_pick")
        con.execute("insert into new_hour select distinct machine, date_trunc('hour', time) from filling")
        return
    told = ", ".join(f'"{c}" = coalesce(counter."{c}", f."{c}")' for c in columns)
    con.execute(
        f"update counter set {told} from (select stored_row, s.* from filling join staged_counter s using (line)) f "
        "where counter.rowid = f.stored_row"
    )
    con.execute("insert into new_machine select distinct machine from filling")
    con.execute(  # which readings of a machine follow each other may be another matter now
        f"insert into new_hour select distinct machine, unnest({either_hour()}) from {Names.of(con, spec).stored} "
        "where machine in (select machine from filling)"
    )


def find_overlapping_counts(con: duckdb.DuckDBPyConnection, load_id: int) -> None:
    """Keep the staged counts whose interval overlaps one of an earlier file with the same keys, and drop their lines.

    load_id  the load that the staged rows belong to
    Where the begin of an interval is not known, only intervals with the same end are the same.
    """
    names = Names.of(con, COUNTER)
    keys = [c.name for c in COUNTER.content() if c.type == "VARCHAR"]
    same = " and ".join(f's."{c}" is not distinct from k."{c}"' for c in keys)
    con.execute(
        f"""
        create or replace temp table disagreeing as
        with s as (
            select * from {names.staged} where running is not true and line not in (select line from dropped_line)
            and line not in (select line from staged_message)),
        reach as (select min(coalesce(start, time)) as a, max(time) as b from s),
        k as (
            select p.* from {names.stored} p, reach
            where running is not true and load_id <> {int(load_id)} and time >= reach.a
                and coalesce(start, time) <= reach.b)
        select s.line, s.machine, s.time, s.head, s.spindle, s.nozzle, s.feeder, cast(null as varchar) as designator,
            {_told("s")} as outcome, cast(null as varchar) as reason, {_told("k")} as kept_outcome,
            cast(null as varchar) as kept_reason, k.load_id as kept_load_id, k.line as kept_line
        from s join k on {same}
            and ((s.start < k.time and k.start < s.time) or (s.time = k.time and (s.start is null or k.start is null)))
        qualify row_number() over (partition by s.line order by k.load_id, k.line) = 1
        """
    )
    _keep(con, load_id)


def find_reused_ids(con: duckdb.DuckDBPyConnection, load_id: int) -> None:
    """Keep the staged messages that have the id of another one and tell of other picks or counts.

    load_id  the load that the staged rows belong to
    Of one whose picks were removed nothing can be said.
    """
    picks = "hash(machine, time, head, spindle, nozzle, feeder, slot, part, reel, board, designator, outcome, reason)"
    counts = "hash(machine, time, feeder, slot, lane, part, reel, attempts, placed, unknown, remaining)"
    told, stored = (
        " union all ".join(
            f"select {place}line, min(machine) as machine, min(time) as time, count(*) || ' {what}, the first at ' || "
            f"strftime(min(time), '%Y-%m-%d %H:%M:%S') || ' UTC' as said, sum({content}) as content "
            f"from {prefix}{name} {only} group by {place}line"
            for name, what, content in (("pick", "pick(s)", picks), ("counter", "count(s)", counts))
        )
        for prefix, place, only in (
            ("staged_", "", ""),
            ("", "load_id, ", "semi join kept_line using (load_id, line)"),
        )
    )
    con.execute(
        f"""
        create or replace temp table disagreeing as
        with numbered as (
            select line, message_id, min(line) over (partition by message_id) as first from staged_message),
        again as (
            select n.line, coalesce(m.load_id, {int(load_id)}) as kept_load_id, coalesce(m.line, n.first) as kept_line
            from numbered n left join message m using (message_id) where m.line is not null or n.line > n.first),
        kept_line as (select distinct kept_load_id as load_id, kept_line as line from again),
        told as ({told}),
        kept as (
            select load_id, line, said, content from ({stored})
            union all select {int(load_id)}, line, said, content from told)
        select t.line, t.machine, t.time, {", ".join(f"cast(null as varchar) as {c}" for c in SAME[2:])},
            t.said as outcome, cast(null as varchar) as reason, k.said as kept_outcome,
            cast(null as varchar) as kept_reason, a.kept_load_id, a.kept_line
        from again a join told t using (line)
        join kept k on k.load_id = a.kept_load_id and k.line = a.kept_line
        where t.content <> k.content
        """
    )
    _keep(con, load_id)


def _told(row: str) -> str:
    """SQL of what a counter line says, in words."""
    counts = ("attempts", "placed", "missed", "rejected", "dropped", "returned", "unknown")
    parts = ", ".join(f"{row}.{c} || ' {'picks' if c == 'attempts' else c}'" for c in counts)
    begin = f"coalesce('from ' || strftime({row}.start, '%Y-%m-%d %H:%M'), 'up to then') || ' UTC'"
    return f"concat_ws(', ', {begin}, {parts})"


def find_disagreements(con: duckdb.DuckDBPyConnection, load_id: int) -> None:
    """Keep the staged picks that end otherwise than the same pick of an earlier file, and drop their lines.

    load_id  the load that the staged rows belong to
    A line that is repeated takes no part, on neither side: of the rest, the nth line of the file is held against the
    nth of the store.
    """
    columns, names = ", ".join(f'"{c}"' for c in SAME), Names.of(con, PICK)
    con.execute(
        f"""
        create or replace temp table disagreeing as
        with span as (select machine, min(time) as a, max(time) as b from {names.staged} group by machine),
        s as (
            select line, outcome, reason, {columns} from {names.staged}
            where line not in (select line from staged_message) and coalesce(nozzle, spindle) is not null),
        k as (
            select p.load_id, p.line, p.outcome, p.reason, {", ".join(f'p."{c}"' for c in SAME)}
            from {stored_near(con)} p
            join span on span.machine = p.machine and p.time between span.a and span.b
            anti join message m on m.load_id = p.load_id and m.line = p.line
            where p.load_id <> {int(load_id)}),
        copies as (
            select {columns}, outcome, reason, count(*) as times from s group by all),
        numbered as (
            select *, row_number() over (
                partition by {columns}, outcome, reason order by load_id, line) as copy
            from k),
        kept as (
            select k.*, row_number() over (partition by {columns} order by k.load_id, k.line) as n
            from (select k.* from numbered k semi join s on {_SAME_SQL}) k
            anti join copies s on {_SAME_SQL} and {_END_SQL} and k.copy <= s.times),
        other as (
            select *, row_number() over (partition by {columns} order by line) as n from s
            where line not in (select line from dropped_line)),
        file as (
            select load_id, machine, min(time) as a, max(time) as b from {names.stored}
            where load_id in (select load_id from kept) group by load_id, machine)
        select s.line, {", ".join(f's."{c}"' for c in SAME)}, s.outcome, s.reason, k.outcome as kept_outcome,
            k.reason as kept_reason, k.load_id as kept_load_id, k.line as kept_line
        from other s
        join kept k on {_SAME_SQL} and k.n = s.n
        join span on span.machine = s.machine
        join file f on f.load_id = k.load_id and f.machine = k.machine
        where not (f.b = s.time and span.a = s.time and f.a < s.time and span.b > s.time)
            and not (f.a = s.time and span.b = s.time and f.b > s.time and span.a < s.time)
        """
    )
    _keep(con, load_id)


def _keep(con: duckdb.DuckDBPyConnection, load_id: int) -> None:
    """Note what is in the temp table disagreeing, each once, and drop its lines."""
    columns = ", ".join(f'"{c}"' for c in SAME)
    con.execute("insert into dropped_line select line from disagreeing")
    told = " and ".join(
        f'd."{c}" is not distinct from s."{c}"' for c in (*SAME, "outcome", "reason", "kept_outcome", "kept_reason")
    )
    copied = f"line, {columns}, outcome, reason, kept_outcome, kept_reason, kept_load_id, kept_line"
    con.execute(
        f"insert into disagreement (load_id, {copied}) select {int(load_id)}, {copied} from disagreeing s "
        f"where not exists (select 1 from disagreement d where {told})"
    )
