"""Under which names the roll-up reads the event tables: with the plant's aliases applied, where there are any.

In:    table `master_alias` and the event tables, stored and staged.
Out:   names for the SQL files: the table itself, or a temporary view `known_<table>` over it.
After: nothing is stored; a table without a column that has aliases is read as it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import duckdb

from pipeline.schema.master_tables import ALIAS_KINDS
from pipeline.schema.pick_view import pick_sql_between
from pipeline.schema.tables import table

READ = ("pick", "counter", "fault", "activity", "reel_event")
"""Tables that the roll-up reads, each also as staged_<name>."""


def prepare(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Make the views; returns what stands for each of `READ` and its staged twin.

    `closed` stands for a query of the closed hours whose picks were removed, under the names they had and have;
    `setup` for the set-up lists, whose names are those of the time at which each begins.
    """
    used = {k for (k,) in con.execute("select distinct kind from master_alias").fetchall()}
    staged = {
        n
        for (n,) in con.execute(
            "select table_name from duckdb_tables() where temporary "
            "union all select view_name from duckdb_views() where temporary"
        ).fetchall()
    }  # no file is being loaded when the masters change
    names = {}
    for base in READ:
        columns = [c for c in ALIAS_KINDS if c in used and c in table(base).names()]
        for name in (base, f"staged_{base}"):
            names[name] = name
            if columns and (name == base or name in staged):
                con.execute(f"create or replace temp view known_{name} as {aliased(name, columns)}")
                names[name] = f"known_{name}"
    # Of a closed hour without single picks only measurements were removed: its counters are all there.
    removed = "closed_hour"
    if con.execute("select 1 from counter where exists (from closed_hour) limit 1").fetchall():
        picked = "(select machine, hour from tally where grain = 'joint')"
        removed = f"(from closed_hour semi join {picked} using (machine, hour))"
    names["closed"] = closed_hours(con, removed)
    names["setup"] = "master_setup"
    columns = [c for c in ALIAS_KINDS if c in used and c in table("master_setup").names()]
    if columns:
        begun = "(select *, coalesce(valid_from, timestamp '0001-01-01') as time from master_setup)"
        con.execute(f"create or replace temp view known_setup as {aliased(begun, columns)}")
        names["setup"] = "known_setup"
    return names


def closed_hours(con: duckdb.DuckDBPyConnection, source: str = "closed_hour") -> str:
    """Query of machine and hour of the closed hours, under the names they had and have."""
    had = f"select machine, hour from {source}"
    if not con.execute("select 1 from master_alias where kind = 'machine' limit 1").fetchall():
        return had
    return f"{had} union select machine, hour from ({aliased(f'(select *, hour as time from {source})', ['machine'])})"


def reading(con: duckdb.DuckDBPyConnection, name: str) -> str:
    """What to write after `from` to read one event table with the aliases applied."""
    return reading_as(name, aliased_columns(con, name))


def picks_between(con: duckdb.DuckDBPyConnection, span: Mapping[str, str], *, numbered: bool = False) -> str:
    """What to write after `from` to read the picks of a span of time with the aliases applied.

    span      SQL of its begin, `first_hour`, and of its end, `end_of_hours`, which is not in it
    numbered  with a number of each, `pick_number`
    """
    picks = pick_sql_between(span["first_hour"], span["end_of_hours"], numbered=numbered)
    return reading_as(f"({picks})", aliased_columns(con, "pick"))


def aliased_columns(con: duckdb.DuckDBPyConnection, name: str) -> list[str]:
    """Columns of one event table of which there are aliases."""
    used = {k for (k,) in con.execute("select distinct kind from master_alias").fetchall()}
    return [c for c in ALIAS_KINDS if c in used and c in table(name).names()]


def reading_as(source: str, columns: Sequence[str]) -> str:
    """What to write after `from` to read a source with the aliases of these columns applied."""
    return f"({aliased(source, columns)})" if columns else source


def aliased(source: str, columns: Sequence[str]) -> str:
    """Query of `source` in which these columns hold the id where the log has an alias that is valid then."""
    values = ", ".join(f"coalesce(a_{c}.id, e.{c}) as {c}" for c in columns)
    joins = " ".join(
        f"left join master_alias a_{c} on a_{c}.kind = '{c}' and a_{c}.alias = e.{c} "
        f"and (a_{c}.valid_from is null or e.time >= a_{c}.valid_from) "
        f"and (a_{c}.valid_to is null or e.time < a_{c}.valid_to)"
        for c in columns
    )
    return f"select e.* replace ({values}) from {source} e {joins}"
