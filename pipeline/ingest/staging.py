"""Where a dialect puts what it found in one file, before the loader takes or drops it as a whole.

In:    frames or SQL over the file, from one dialect module.
Out:   temporary tables `staged_<table>` and `staged_refused` on the store's connection.
After: every row has a line number; nothing in the store itself has changed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import polars as pl

from pipeline.schema.arrow import POLARS_TYPES, ArrowStream
from pipeline.schema.tables import EVENT_TABLES, table

if TYPE_CHECKING:
    import duckdb

RAW_LIMIT = 2000
"""Characters of a refused line that are kept."""


class Staging:
    """Staging area of one file. A dialect calls `add` and `refuse`, and says how many records it read.

    records_read     lines or messages seen, header and blank lines not counted
    records_ignored  of these, well-formed but without anything for us (an unknown message name, a row that a filter
                     leaves out)
    """

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self.con = con
        self.records_read = 0
        self.records_ignored = 0
        self._refused: list[tuple[int | None, str, str]] = []
        for spec in EVENT_TABLES:
            columns = ", ".join(f'"{c.name}" {c.type}' for c in spec.columns if c.name != "load_id")
            con.execute(f'create or replace temp table "staged_{spec.name}" ({columns})')
        con.execute("create or replace temp table staged_refused (line BIGINT, raw VARCHAR, reason VARCHAR)")

    def add(self, name: str, rows: pl.DataFrame | Iterable[dict[str, object]]) -> None:
        """Add rows to staged_<name>; columns that are absent become null, `line` must be there.

        Raises KeyError for a table or a column that the schema does not have.
        """
        spec = table(name)
        types = {c.name: POLARS_TYPES[c.type] for c in spec.columns if c.name != "load_id"}
        if not isinstance(rows, pl.DataFrame):
            rows = pl.DataFrame(list(rows), schema_overrides=types, infer_schema_length=None)
        if rows.is_empty():
            return
        unknown = set(rows.columns) - set(types)
        if unknown:
            raise KeyError(f"table {name} has no column {sorted(unknown)}")
        frame = rows.select(
            [pl.col(c).cast(t) if c in rows.columns else pl.lit(None, dtype=t).alias(c) for c, t in types.items()]
        )
        self.con.register("incoming", ArrowStream(frame))
        self.con.execute(f'insert into "staged_{name}" select * from incoming')
        self.con.unregister("incoming")

    def refuse(self, line: int | None, raw: str, reason: str) -> None:
        """Keep a line that cannot be loaded: its number, its text, and what was found, expected and to be done."""
        self._refused.append((line, raw[:RAW_LIMIT], reason))
        if len(self._refused) >= 10_000:
            self.flush()

    def flush(self) -> None:
        """Write the refused lines kept so far."""
        if not self._refused:
            return
        frame = pl.DataFrame(
            self._refused, schema={"line": pl.Int64, "raw": pl.String, "reason": pl.String}, orient="row"
        )
        self.con.register("incoming", ArrowStream(frame))
        self.con.execute("insert into staged_refused select * from incoming")
        self.con.unregister("incoming")
        self._refused.clear()
