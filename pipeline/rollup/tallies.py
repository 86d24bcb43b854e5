"""Turn stored picks, counters and faults into counts per key and hour.

In:    tables `pick`, `counter`, `fault`, `activity`, and the staged rows of the file just loaded.
Out:   tables `tally` and `reason_tally`, recomputed for every machine and hour that the file touches.
After: counts >= 0 and attempts = sum of outcomes; summed over keys they equal the store's picks. A key without picks is
       absent, never zero. The result depends on what is in the store, not on the order in which it came.

Whether a rate is *bad* is decided in analysis/.
"""

from __future__ import annotations

from importlib.resources import files

import duckdb

STEPS = ("touched", "recipes", "joint", "counters", "reasons")
"""The SQL files of the roll-up in the order in which they run."""

COUNTER_REACH_HOURS = 12
"""A counter row whose start is unknown may cover this many hours before its end."""

FAULT_REACH_SECONDS = 5
"""A fault explains a loss of the same machine and nozzle, designator or part within this many seconds."""


def recompute(con: duckdb.DuckDBPyConnection) -> None:
    """Recompute the tallies of all machine hours that the staged rows touch, and check them.

    Runs inside the caller's transaction. Raises RuntimeError when the counts do not agree with the picks (a bug).
    """
    for name in STEPS:
        for statement in statements(name):
            con.execute(statement)
    check(con, touched_only=True)


def statements(name: str) -> list[str]:
    """The statements of one SQL file, with our two constants filled in."""
    text = (files("pipeline.rollup") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
    text = text.replace("{counter_reach}", str(COUNTER_REACH_HOURS)).replace("{fault_reach}", str(FAULT_REACH_SECONDS))
    body = "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("--"))
    return [s for s in (part.strip() for part in body.split(";")) if s]


def check(con: duckdb.DuckDBPyConnection, *, touched_only: bool) -> None:
    """Compare tallies with picks: same attempts and outcomes by machine and hour, and outcomes that add up."""
    picks, tallies = "", ""
    if touched_only:
        picks = (
            " semi join touched on touched.machine = p.machine and touched.hour = date_trunc('hour', p.time)"
            " where p.time >= (select min(hour) from touched)"
            " and p.time < (select max(hour) from touched) + interval 1 hour"
        )
        tallies = " semi join touched using (machine, hour)"
    ((differ,),) = con.execute(
        f"""
        with counted as (
            select machine, date_trunc('hour', time) as hour, count(*) as attempts,
                   count(*) filter (outcome = 'placed') as placed, count(*) filter (outcome = 'missed') as missed,
                   count(*) filter (outcome = 'rejected') as rejected, count(*) filter (outcome = 'dropped') as dropped
            from pick p{picks} group by machine, date_trunc('hour', time)),
        tallied as (
            select machine, hour, sum(attempts) as attempts, sum(placed) as placed, sum(missed) as missed,
                   sum(rejected) as rejected, sum(dropped) as dropped
            from (select * from tally{tallies}) where grain = 'joint' group by machine, hour)
        select count(*) from (
            (select * from counted except all select * from tallied)
            union all (select * from tallied except all select * from counted))
        """
    ).fetchall()
    ((uneven,),) = con.execute(
        "select count(*) from tally where attempts <> placed + missed + rejected + dropped + returned + unknown"
        " or least(attempts, placed, missed, rejected, dropped, returned, unknown) < 0"
    ).fetchall()
    if differ or uneven:
        raise RuntimeError(f"tallies do not agree with the picks: {differ} hours differ, {uneven} rows do not add up")
