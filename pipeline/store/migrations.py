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
from pipeline.schema.tables import TABLES
from pipeline.store.part_counts import FEEDER, OF_PARTS


def create_table(con: duckdb.DuckDBPyConnection, spec: Table) -> None:
    """Create one table as the schema describes it."""
    columns = ", ".join(f'"{c.name}" {c.type}{" not null" if c.required else ""}' for c in spec.columns)
    con.execute(f'create table "{spec.name}" ({columns})')


def _first(con: duckdb.DuckDBPyConnection) -> None:
    for spec in TABLES:
        create_table(con, spec)


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
    """Which totals are one counter is told by the data; what reel events and set-up lists tell goes to the picks of
    stores of version 1, too."""
    recompute_all(con)


STEPS: Final[tuple[Callable[[duckdb.DuckDBPyConnection], None], ...]] = (
    *(_first, _second, _third, _fourth, _fifth),
    *(_sixth, _seventh),
)
CURRENT: Final = len(STEPS)


def version(con: duckdb.DuckDBPyConnection) -> int | None:
    """Schema version of the database, None when it has no pickfall tables yet."""
    ((there,),) = con.execute("select count(*) from duckdb_tables() where table_name = 'schema_version'").fetchall()
    if not there:
        return None
    ((found,),) = con.execute("select max(version) from schema_version").fetchall()
    return int(found)


def migrate(con: duckdb.DuckDBPyConnection, found: int | None) -> None:
    """Run the steps that are missing; `found` is what `version` returned."""
    done = found or 0
    if done == CURRENT:
        return
    con.execute("begin")
    try:
        if found is None:
            con.execute("create table schema_version (version INTEGER not null)")
        for number, step in enumerate(STEPS[done:], done + 1):
            step(con)
            con.execute("insert into schema_version values (?)", [number])
        con.execute("commit")
    except BaseException:
        with suppress(duckdb.Error):  # a failed commit leaves nothing to roll back
            con.execute("rollback")
        raise
