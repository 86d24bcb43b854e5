"""What was worked out, fell or disagreed: keys filled in, running counters, lines of overlapping exports.

In:    an open store; for `fills` and `removed` the clock of the week (frames.set_clock).
Out:   polars frames, sorted.
After: nothing is changed. No judgement.
"""

from __future__ import annotations

import duckdb
import polars as pl

from pipeline.schema.tables import COUNTER
from pipeline.store.quality_clocks import STEP_SECONDS


def fills(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Picks of the clock's hours by machine and key: told by the log, filled in, unknown."""
    return pl.DataFrame(
        con.sql(
            "select machine, key, cast(sum(told) as BIGINT) as told, cast(sum(filled) as BIGINT) as filled, "
            "cast(sum(unknown) as BIGINT) as unknown from fill_tally join clock using (hour) "
            "group by machine, key order by machine, key"
        )
    )


def counter_events(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Every running counter that fell, newest last."""
    return pl.DataFrame(
        con.sql("select machine, key, time, kind, before, after from counter_event order by time, machine, key")
    )


def turned_totals(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Where, from one line of a file to the next, the time of a running total goes back by minutes and the total on.

    By file and machine, with the first such line. Files with the newest line first are left out.
    """
    keys = ", ".join(f"c.{c.name}" for c in COUNTER.content() if c.type == "VARCHAR")
    total = "greatest(coalesce(c.attempts, 0), coalesce(c.placed, 0))"
    return pl.DataFrame(
        con.sql(
            f"""
            with stepped as (
                select c.load_id, c.machine, c.line, c.time, lag(c.time) over w as before,
                       {total} > lag({total}) over w as went_on
                from counter c where c.running window w as (partition by c.load_id, {keys} order by c.line))
            select l.file, machine, count(*) filter (turned and went_on) as times,
                   min(line) filter (turned and went_on) as line,
                   arg_min(before, line) filter (turned and went_on) as before,
                   arg_min(time, line) filter (turned and went_on) as time
            from (select *, time < before - interval {STEP_SECONDS} second as turned from stepped)
            join load l using (load_id)
            group by l.file, machine having times > 0 and
                count(*) filter (time > before) > count(*) filter (time < before)
            order by l.file, machine
            """
        )
    )


def removed(con: duckdb.DuckDBPyConnection) -> tuple[int, int]:
    """Machine hours on the clock with picks, and how many of them had theirs removed after the set number of weeks."""
    ((hours, gone),) = con.execute(
        "select count(*), count(*) filter ((machine, hour) in (select (machine, hour) from closed_hour)) from "
        "(select distinct machine, hour from fill_tally join clock using (hour))"
    ).fetchall()
    return int(hours), int(gone)


def disagreements(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Lines that tell another end of a pick than the line loaded first, with both files."""
    return pl.DataFrame(
        con.sql(
            "select l.file, d.line, d.machine, d.time, d.nozzle, d.feeder, d.outcome, d.reason, k.file as kept_file, "
            "d.kept_line, d.kept_outcome, d.kept_reason from disagreement d "
            "left join load l on l.load_id = d.load_id left join load k on k.load_id = d.kept_load_id "
            "order by d.time, d.machine, l.file, d.line"
        )
    )


def refused(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Every line that was not loaded and is not settled, and every file that could not be read (line is null)."""
    return pl.DataFrame(
        con.sql(
            "select file, line, reason, raw from refused where settled is not true "
            "order by file, line nulls first, reason, raw"
        )
    )
