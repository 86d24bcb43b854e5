"""The schema of the store, step by step. A new version is one function and one line in `STEPS`.

In:    a connection to a database of any version, or an empty one.
Out:   the same database at version `CURRENT`.
After: every table of schema/tables.py is there; all steps ran in one transaction or none did.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from typing import Final

import duckdb

from pipeline.rollup.tallies import recompute_all, recompute_counters
from pipeline.schema.table import Table
from pipeline.schema.tables import PICK_KEY, PICK_ROW, TABLES
from pipeline.store.part_counts import FEEDER, OF_PARTS
from pipeline.store.picks import create_view, split_picks


def create_table(con: duckdb.DuckDBPyConnection, spec: Table) -> None:
    """Create one table as the schema describes it."""
    columns = ", ".join(f'"{c.name}" {c.type}{" not null" if c.required else ""}' for c in spec.columns)
    con.execute(f'create table "{spec.name}" ({columns})')


def _first(con: duckdb.DuckDBPyConnection) -> None:
    for spec in TABLES:
        create_table(con, spec)
    create_view(con)


def create_missing(con: duckdb.DuckDBPyConnection) -> None:
    """Create the tables of the schema that are not there."""
    there = {name for (name,) in con.execute("select table_name from duckdb_tables() where not temporary").fetchall()}
    for spec in TABLES:
        if spec.name not in there:
            create_table(con, spec)


def _second(con: duckdb.DuckDBPyConnection) -> None:
    """Running counters, keys over time, disagreements, retention. A new store has all of it from the first step."""
    create_missing(con)
    con.execute("alter table counter add column if not exists running BOOLEAN")


def _third(con: duckdb.DuckDBPyConnection) -> None:
    """Refused lines that are settled."""
    con.execute("alter table refused add column if not exists settled BOOLEAN")


def _fourth(con: duckdb.DuckDBPyConnection) -> None:
    """Types of feeders that messages tell. Files that were loaded before have not told them."""
    create_missing(con)


def _fifth(con: duckdb.DuckDBPyConnection) -> None:
    """Counts stand in the hour of their interval, no longer in that of its end."""
    recompute_counters(con)


def _sixth(con: duckdb.DuckDBPyConnection) -> None:
    """Counts of parts are a grain of their own; counts stand in an hour whose middle lies before their end; running
    totals of an item go on across its other keys."""
    con.execute(
        f"update counter set grain = 'part' where {FEEDER} and load_id in "
        f"(select load_id from counter where {FEEDER} group by load_id having {OF_PARTS})"
    )
    recompute_counters(con)


def _seventh(con: duckdb.DuckDBPyConnection) -> None:
    """What picks and placed parts alone leave is lost, what one counter is is told by the data, reel events and set-up
    lists reach the picks of the first stores, and counts of nothing are no tally."""
    recompute_all(con)
    con.execute("delete from tally where attempts = 0")


def _eighth(con: duckdb.DuckDBPyConnection) -> None:
    """Picks are stored by combination: see `migrate`, which does it before all other steps."""
    if _picks_are_whole(con):
        raise RuntimeError("the picks are not split")


def _picks_are_whole(con: duckdb.DuckDBPyConnection) -> bool:
    """True for a store before version 8, where `pick` is a table."""
    return bool(con.execute("select 1 from duckdb_tables() where table_name = 'pick'").fetchall())


STEPS: Final[tuple[Callable[[duckdb.DuckDBPyConnection], None], ...]] = (
    *(_first, _second, _third, _fourth, _fifth),
    *(_sixth, _seventh, _eighth),
)
CURRENT: Final = len(STEPS)


def version(con: duckdb.DuckDBPyConnection) -> int | None:
    """Schema version of the database, None when it has no tables yet.

    Raises ValueError for a database of something else: every table of ours came in one transaction with the version.
    """
    tables = {name for (name,) in con.execute("select table_name from duckdb_tables()").fetchall()}
    if not tables:
        return None
    found = None
    if "schema_version" in tables:
        with suppress(duckdb.BinderException):  # a table of that name with other columns
            ((found,),) = con.execute("select max(version) from schema_version").fetchall()
    if not isinstance(found, int):
        raise ValueError("tables, and no version of ours")
    return found


def migrate(con: duckdb.DuckDBPyConnection, found: int | None) -> None:
    """Run the steps that are missing; `found` is what `version` returned."""
    done = found or 0
    if done == CURRENT:
        return
    con.execute("begin")
    try:
        if found is None:
            con.execute("create table schema_version (version INTEGER not null)")
        elif _picks_are_whole(con):  # the steps count picks as they are stored now
            for spec in (PICK_KEY, PICK_ROW):
                create_table(con, spec)
            split_picks(con)
        for number, step in enumerate(STEPS[done:], done + 1):
            step(con)
            con.execute("insert into schema_version values (?)", [number])
        con.execute("commit")
    except BaseException:
        with suppress(duckdb.Error):  # a failed commit leaves nothing to roll back
            con.execute("rollback")
        raise
