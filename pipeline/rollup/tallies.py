"""Turn stored picks, counters and faults into counts per key and hour.

In:    tables `pick`, `counter`, `fault`, `activity`, `reel_event`, `master_alias`, `master_setup`, and the staged rows
       of each file of the group that is being loaded.
Out:   tables `tally`, `reason_tally`, `counter_event` and `fill_tally`, recomputed for every machine and hour that the
       group touches, and `carrier_span`.
After: counts >= 0 and attempts = sum of outcomes; summed over keys they equal the store's picks. A key without picks is
       absent, never zero. The result depends on what is in the store, not on the order in which it came.

Hours whose picks were removed (table `closed_hour`) keep the tallies they have. Whether a rate is *bad* is
decided in analysis/.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from contextlib import nullcontext
from datetime import datetime, timedelta
from importlib.resources import files

import duckdb

from pipeline.rollup.known_file import known_file
from pipeline.rollup.sources import READ, aliased_columns, picks_between, prepare

STEPS = ("recipes", "known_pick", "joint", "counters", "reasons", "fills")
"""The SQL files of the roll-up in the order in which they run, once it is known which hours are touched."""

COUNTER_REACH_HOURS = 12
"""A counter row whose start is unknown may cover this many hours before its end."""

BEFORE_END_MINUTES = 35
"""Counts stand in the hour of so long before the end of their interval, or of three fifths of a shorter one. The middle
of that hour, which tells its shift and day, then lies before the end also where zones are half an hour off and counts
are written some minutes late."""

FAULT_REACH_SECONDS = 5
"""A fault explains a loss of the same machine and nozzle, designator or part within this many seconds."""

SLICE_PICKS = 4_000_000
"""Picks that are rolled up at once: their keys stay in memory, however large a load is."""


def begin(con: duckdb.DuckDBPyConnection) -> None:
    """Start a group of files that are rolled up together; inside the caller's transaction."""
    con.execute("create or replace temp table new_hour (machine VARCHAR, hour TIMESTAMP)")
    con.execute("create or replace temp table new_switch (machine VARCHAR, time TIMESTAMP)")
    con.execute("create or replace temp table new_machine (machine VARCHAR)")
    con.execute("create or replace temp table new_load (load_id BIGINT, has_reel_events BOOLEAN, again BOOLEAN)")


def note(con: duckdb.DuckDBPyConnection, load_id: int, *, again: bool = False, large: bool = False) -> None:
    """Remember which hours the staged rows touch; after they were moved into the store.

    load_id  the load whose rows are staged
    again    the load has rows in the store from before
    large    of many picks the stored ones, whose machines are told once for each combination, say it sooner
    """
    names = prepare(con)
    if large and not again and names["staged_pick"] == "staged_pick":
        con.execute(
            "create or replace temp table picked_hour as select distinct k.machine, date_trunc('hour', r.time) as time "
            "from pick_row r join pick_key k using (key_id) where r.load_id = $1",
            [load_id],
        )
        names["staged_pick"] = "picked_hour"
    _run(con, "new_hours", names)
    con.execute("insert into new_load values (?, ?, ?)", [load_id, _any(con, "staged_reel_event"), again])


def recompute(con: duckdb.DuckDBPyConnection) -> None:
    """Recompute the tallies of all machine hours that the group of files touches, and check them.

    Raises RuntimeError when the counts do not agree with the picks (a bug).
    """
    names = prepare(con)
    _run(con, "carriers" if _any(con, "new_load where has_reel_events") else "no_change", names)
    _find_differences(
        con,
        "select machine from counter where running" if _any(con, "span_change") else "select machine from new_machine",
        names,
    )
    _run(con, "touched", names)
    _count_touched(con, names)


def recompute_all(con: duckdb.DuckDBPyConnection) -> None:
    """Recompute the tallies of all machine hours whose picks are there, after aliases or set-up lists changed."""
    begin(con)
    names = prepare(con)
    _run(con, "carriers", names)
    _find_differences(con, f"select machine from {names['counter']} where running", names)
    con.execute(
        "create or replace temp table touched as "
        f"select machine, date_trunc('hour', time) as hour from {names['pick']} "
        f"union select machine, unnest({either_hour()}) from {names['counter']} union select machine, hour from tally "
        f"except ({names['closed']})"
    )
    _count_touched(con, names)


def recompute_counters(con: duckdb.DuckDBPyConnection) -> None:
    """Recompute the tallies of the machine hours that counters may stand in, after the rule for that has changed."""
    begin(con)
    names = prepare(con)
    _find_differences(con, f"select machine from {names['counter']} where running", names)
    con.execute(
        "create or replace temp table touched as "
        f"select distinct machine, unnest({either_hour()}) as hour from {names['counter']} except ({names['closed']})"
    )
    _count_touched(con, names)


def standing(time: str = "time", since: str = "since") -> str:
    """SQL of the hour that the counts of an interval stand in; time, since: SQL of its end and its begin."""
    part = f"(epoch_us({time}) - epoch_us({since})) * 3 // 5"
    return (
        f"date_trunc('hour', {time} - to_microseconds(greatest(least({part}, {BEFORE_END_MINUTES * 60_000_000}), 0)))"
    )


def counter_hour(row: str) -> str:
    """SQL of the hour that a row of table `counter` stands in, which is called `row` there and is no running total."""
    return standing(f"{row}.time", f"coalesce({row}.start, {row}.time - interval {COUNTER_REACH_HOURS} hour)")


def either_hour(time: str = "time") -> str:
    """SQL of the hours that counts may stand in whose begin is not known, as a list."""
    return f"[date_trunc('hour', {time}), date_trunc('hour', {time} - interval {BEFORE_END_MINUTES} minute)]"


def _find_differences(con: duckdb.DuckDBPyConnection, machines: str, names: Mapping[str, str]) -> None:
    if not _any(con, "counter where running") and _any(con, "duckdb_tables() where table_name = 'running_difference'"):
        con.execute("delete from running_difference")
        con.execute("delete from running_switch")
        return
    con.execute(f"create or replace temp table counted_machine as {machines}")
    _run(con, "running_chains", names)
    _run(con, "running", names)


def _count_touched(con: duckdb.DuckDBPyConnection, names: Mapping[str, str]) -> None:
    """Tallies of the hours in `touched`; without reel events and set-up lists picks are read as they are."""
    known = _any(con, "carrier_span")
    left_out = {"known_pick": not known, "counters": not _any(con, "counter")}
    con.execute("create or replace temp table touched_hour as select * from touched")
    with known_file(con) if known else nullcontext("") as path:
        for begin, end in _slices(con, names):
            con.execute(
                "create or replace temp table touched as select * from touched_hour where hour >= $1 and hour < $2",
                [begin, end],
            )
            of_slice = {**names, **touched_span(con), **_picks_of_slice(con, path)}
            for step in STEPS:
                if not left_out.get(step):
                    counted = {"counted": _counted(con, known=known)} if step == "joint" else {}
                    _run(con, step, {**counted, **of_slice})
            check(con, touched_only=True)


def _picks_of_slice(con: duckdb.DuckDBPyConnection, path: str) -> dict[str, str]:
    """What stands in the SQL files for the picks of the touched hours.

    path  file for those with the keys that reel events give them; "" where there are none
    """
    numbered = picks_between(con, touched_span(con), numbered=True)
    if path:
        known_pick = f"read_parquet({path}, hive_partitioning = false)"
        return {"numbered": numbered, "known_file": path, "filled": known_pick, "asked": known_pick}
    picks = picks_between(con, touched_span(con))
    told = ", ".join(f"p.{key} as told_{key}" for key in ("feeder", "reel", "part", "lot"))
    return {"numbered": numbered, "filled": picks, "asked": f"(select p.*, {told} from {picks} p)"}


def _counted(con: duckdb.DuckDBPyConnection, *, known: bool) -> str:
    """Query that counts the picks by hour and key: by stored combination, where that tells all the keys of a pick.

    known  picks have keys that their lines do not say
    """
    as_stored = not known and not aliased_columns(con, "pick") and not _any(con, "recipe_span")
    return _text("counted_combinations" if as_stored else "counted_picks").strip()


def touched_span(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Begin and end of the hours in `touched`, as literals: by these DuckDB skips the blocks of other times soonest."""
    ((first, last),) = con.execute("select min(hour), max(hour) from touched").fetchall()
    return {"first_hour": f"timestamp '{first}'", "end_of_hours": f"timestamp '{last + timedelta(hours=1)}'"}


def _slices(con: duckdb.DuckDBPyConnection, names: Mapping[str, str]) -> list[tuple[datetime, datetime]]:
    """Spans of time, the first one first, that together hold all touched hours; end not included.

    In order, because counters are held against the tallies of the hours before theirs.
    """
    hours = con.execute(
        f"with wanted as (select distinct hour from touched), counted as ("
        f"select date_trunc('hour', time) as hour, count(*) as picks from {names['pick']} "
        "where time >= (select min(hour) from wanted) and time < (select max(hour) from wanted) + interval 1 hour "
        "group by date_trunc('hour', time)) "
        "select hour, coalesce(picks, 0) from wanted left join counted using (hour) order by hour"
    ).fetchall()
    cuts: list[datetime] = []
    held = 0
    for hour, picks in hours:
        if not cuts or (held and held + picks > SLICE_PICKS):
            cuts.append(hour)
            held = 0
        held += picks
    return list(itertools.pairwise([*cuts, hours[-1][0] + timedelta(hours=1)])) if hours else []


def _any(con: duckdb.DuckDBPyConnection, table: str) -> bool:
    ((found,),) = con.execute(f"select exists (select 1 from {table})").fetchall()
    return bool(found)


def _run(con: duckdb.DuckDBPyConnection, step: str, names: Mapping[str, str]) -> None:
    for statement in statements(step, names):
        con.execute(statement)


def statements(step: str, names: Mapping[str, str] | None = None) -> list[str]:
    """The statements of one SQL file, with our two constants and the names of the tables filled in."""
    text = _text(step)
    text = text.replace("{counter_reach}", str(COUNTER_REACH_HOURS)).replace("{fault_reach}", str(FAULT_REACH_SECONDS))
    text = text.replace("{standing}", standing()).replace("{ends}", either_hour())
    plain = {"filled": "pick", **{prefix + name: prefix + name for name in READ for prefix in ("", "staged_")}}
    if names and "counted" in names:  # it has names in it itself
        text = text.replace("{counted}", names["counted"])
    for name, value in {**plain, **(names or {})}.items():
        text = text.replace(f"{{{name}}}", value)
    return [s for s in (part.strip() for part in text.split(";")) if s]


def _text(step: str) -> str:
    """One SQL file without its comments."""
    text = (files("pipeline.rollup") / "sql" / f"{step}.sql").read_text(encoding="utf-8")
    return "\n".join(line for line in text.splitlines() if not line.lstrip().startswith("--"))


def check(con: duckdb.DuckDBPyConnection, *, touched_only: bool) -> None:
    """Compare tallies with picks: same attempts and outcomes by machine and hour, and outcomes that add up.

    Hours without picks may have tallies of all keys from counters of all keys, and from nothing else.
    """
    names = prepare(con)
    source = picks_between(con, touched_span(con)) if touched_only else names["pick"]
    picks = " anti join closed_hour o on o.machine = p.machine and o.hour = date_trunc('hour', p.time)"
    tallies = " anti join closed_hour using (machine, hour)"
    if touched_only:
        span = touched_span(con)
        picks = (
            " semi join touched on touched.machine = p.machine and touched.hour = date_trunc('hour', p.time)"
            f" where p.time >= {span['first_hour']} and p.time < {span['end_of_hours']}"
        )
        tallies = " semi join touched using (machine, hour)"
    ((differ,),) = con.execute(
        f"""
        with counted as (
            select machine, date_trunc('hour', time) as hour, count(*) as attempts,
                   count(*) filter (outcome = 'placed') as placed, count(*) filter (outcome = 'missed') as missed,
                   count(*) filter (outcome = 'rejected') as rejected, count(*) filter (outcome = 'dropped') as dropped
            from {source} p{picks} group by machine, date_trunc('hour', time)),
        tallied as (
            select machine, hour, sum(attempts) as attempts, sum(placed) as placed, sum(missed) as missed,
                   sum(rejected) as rejected, sum(dropped) as dropped
            from (select * from tally{tallies}) where grain = 'joint' group by machine, hour)
        select count(*) from (
            (select * from counted except all select * from tallied)
            union all (
                select t.* from (select * from tallied except all select * from counted) t
                where exists (select 1 from counted c where c.machine = t.machine and c.hour = t.hour)
                    or not exists (
                        select 1 from {names["counter"]} c
                        where c.grain = 'joint' and c.machine = t.machine and t.hour in {either_hour("c.time")})))
        """
    ).fetchall()
    scope = " semi join touched using (machine, hour)" if touched_only else ""
    ((uneven,),) = con.execute(
        f"select count(*) from tally{scope} where attempts <> placed + missed + rejected + dropped + returned + unknown"
        " or least(attempts, placed, missed, rejected, dropped, returned, unknown) < 0"
    ).fetchall()
    if differ or uneven:
        raise RuntimeError(f"tallies do not agree with the picks: {differ} hours differ, {uneven} rows do not add up")
