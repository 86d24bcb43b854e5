"""What was worked out, fell or disagreed: keys filled in, running counters, lines of overlapping exports.

In:    an open store; for `fills` the clock of the week (frames.set_clock).
Out:   polars frames, sorted.
After: nothing is changed. No judgement.
"""

from __future__ import annotations

import duckdb
import polars as pl


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
