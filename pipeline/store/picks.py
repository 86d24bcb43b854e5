"""Single picks -> their combinations and their rows (schema/pick_view.py says why).

In:    picks with all columns of `pick`, in a table or view of the store's connection.
Out:   rows in `pick_key` and `pick_row`.
After: every row of `pick_row` has its combination; no combination stands there twice.
"""

from __future__ import annotations

import duckdb

from pipeline.ingest.staged_file import COMBINATION, StagedFile
from pipeline.schema.pick_view import KEY_COLUMNS, ROW_COLUMNS, pick_sql, same_key
from pipeline.schema.tables import PICK

_KEYS = ", ".join(f'"{c}"' for c in KEY_COLUMNS)
_ROWS = ", ".join(f'"{c}"' for c in ROW_COLUMNS)


def insert_picks(con: duckdb.DuckDBPyConnection, source: str, load: str) -> None:
    """Add picks.

    source  table or view that holds them
    load    SQL of their load_id
    """
    keys_of(con, source)
    rows = ", ".join(f's."{c}"' for c in ROW_COLUMNS)
    con.execute(
        f"insert into pick_row (load_id, {_ROWS}, key_id) select {load}, {rows}, k.key_id "
        f"from {source} s join key_found k on {same_key('s', 'k')}"
    )


def insert_packed(con: duckdb.DuckDBPyConnection, found: StagedFile, load: str) -> None:
    """Add the picks of a file in which combinations lie packed: each is taken apart once.

    load    SQL of their load_id
    """
    held = {c.name: found.column_sql(c.name, c.type) for c in PICK.columns}
    keys = ", ".join(f'{held[c]} as "{c}"' for c in KEY_COLUMNS)
    con.execute(
        f"create or replace temp table key_packed as select {COMBINATION}, {keys} from "
        f"(select distinct {COMBINATION} from {found.scan_sql()} where problem is null)"
    )
    keys_of(con, "key_packed", distinct=True)
    rows = ", ".join(held[c] for c in ROW_COLUMNS)
    numbers = f"select p.{COMBINATION} as packed, k.key_id from key_packed p join key_found k on {same_key('p', 'k')}"
    con.execute(
        f"insert into pick_row (load_id, {_ROWS}, key_id) select {load}, {rows}, m.key_id from {found.scan_sql()} r "
        f"join ({numbers}) m on m.packed = r.{COMBINATION} where problem is null"
    )


def change_picks(con: duckdb.DuckDBPyConnection, source: str) -> None:
    """Give picks that are stored other values.

    source  table with all columns of `pick`, and `stored_row`: the row in `pick_row`; each row once
    """
    keys_of(con, source)
    told = ", ".join(f'"{c}" = f."{c}"' for c in ROW_COLUMNS)
    con.execute(
        f"update pick_row set {told}, key_id = f.new_key from (select s.*, k.key_id as new_key from {source} s "
        f"join key_found k on {same_key('s', 'k')}) f where pick_row.rowid = f.stored_row"
    )


def remove_picks(con: duckdb.DuckDBPyConnection, before: object) -> None:
    """Remove picks earlier than a time (UTC), and the combinations that no other pick has."""
    con.execute("delete from pick_row where time < $1", [before])
    con.execute("delete from pick_key where key_id not in (select key_id from pick_row)")


def keys_of(con: duckdb.DuckDBPyConnection, source: str, *, distinct: bool = False) -> None:
    """Temp table key_found: the combinations of these picks with their numbers; new ones are added to `pick_key`.

    distinct  each combination stands there once
    Only those of the picks are held against the stored ones, which may be many. New numbers follow the order of what
    they stand for, so that two runs give the same.
    """
    asked = source if distinct else "key_asked"
    if not distinct:
        con.execute(f"create or replace temp table key_asked as select distinct {_KEYS} from {source}")
    con.execute(
        "create or replace temp table key_found as select k.* from pick_key k "
        f"semi join {asked} a on {same_key('a', 'k')}"
    )
    ((last,),) = con.execute("select coalesce(max(key_id), 0) from pick_key").fetchall()
    con.execute(
        f"insert into pick_key select {int(last)} + row_number() over (order by {_KEYS}), {_KEYS} "
        f"from {asked} a anti join key_found k on {same_key('a', 'k')}"
    )
    con.execute("insert into key_found from pick_key where key_id > $1", [last])


def split_picks(con: duckdb.DuckDBPyConnection) -> None:
    """Store the picks of a database before version 8, where `pick` is a table, by combination."""
    con.execute("alter table pick rename to pick_before")
    create_view(con)
    insert_picks(con, "pick_before", "s.load_id")
    con.execute("drop table pick_before")


def create_view(con: duckdb.DuckDBPyConnection) -> None:
    """Make the view `pick`."""
    con.execute(f"create view pick as {pick_sql()}")
