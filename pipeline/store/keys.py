"""What makes two lines tell of the same pick, and which of them disagree.

In:    the staged picks of one file, the lines found to be repeated so far (temp table dropped_line), and the store.
Out:   rows in table `disagreement`; their lines join dropped_line.
After: the line that was loaded first stays; the other one is kept beside it, once.

Two lines tell of the same pick when machine, time, head, spindle, nozzle, feeder and designator are the same, the
nozzle or its spindle is known, and they stand in two files whose times overlap. Files that meet in one instant do not
overlap: a retry in the same second is a pick of its own. Messages have an identity and are not compared.
"""

from __future__ import annotations

from typing import Final

import duckdb

SAME: Final = ("machine", "time", "head", "spindle", "nozzle", "feeder", "designator")
"""Columns in which two lines of the same pick agree."""

_SAME_SQL: Final = " and ".join(f's."{c}" is not distinct from k."{c}"' for c in SAME)
_END_SQL: Final = "s.outcome = k.outcome and s.reason is not distinct from k.reason"


def find_disagreements(con: duckdb.DuckDBPyConnection, load_id: int) -> None:
    """Keep the staged picks that end otherwise than the same pick of an earlier file, and drop their lines.

    load_id  the load that the staged rows belong to
    A line that is repeated takes no part, on neither side: of the rest, the nth line of the file is held against the
    nth of the store.
    """
    columns = ", ".join(f'"{c}"' for c in SAME)
    con.execute(
        f"""
        create or replace temp table disagreeing as
        with span as (select machine, min(time) as a, max(time) as b from staged_pick group by machine),
        s as (
            select line, outcome, reason, {columns} from staged_pick
            where line not in (select line from staged_message) and coalesce(nozzle, spindle) is not null),
        k as (
            select p.load_id, p.line, p.outcome, p.reason, {", ".join(f'p."{c}"' for c in SAME)}
            from pick p
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
            select load_id, machine, min(time) as a, max(time) as b from pick
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
    con.execute("insert into dropped_line select line from disagreeing")
    told = " and ".join(
        f'd."{c}" is not distinct from s."{c}"' for c in (*SAME, "outcome", "reason", "kept_outcome", "kept_reason")
    )
    copied = f"line, {columns}, outcome, reason, kept_outcome, kept_reason, kept_load_id, kept_line"
    con.execute(
        f"insert into disagreement (load_id, {copied}) select {int(load_id)}, {copied} from disagreeing s "
        f"where not exists (select 1 from disagreement d where {told})"
    )
