"""Where a dialect puts what it found in one file, before the loader takes or drops it as a whole.

In:    frames, or Parquet files of converted rows, from one dialect module.
Out:   temporary tables `staged_<table>` and `staged_refused` on the store's connection; a large table that came as one
       Parquet file is a view of that file until something has to be taken out of it (`settle`).
After: every row has a line number; nothing in the store itself has changed.
"""

from __future__ import annotations

import shutil
import tempfile
import weakref
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from pipeline.ingest.staged_file import StagedFile
from pipeline.schema.arrow import POLARS_TYPES, ArrowStream
from pipeline.schema.table import Table
from pipeline.schema.tables import EVENT_TABLES, table

if TYPE_CHECKING:
    import duckdb

RAW_LIMIT = 2000
"""Characters of a refused line that are kept."""

_LEFT_VIEWS = "select view_name from duckdb_views() where temporary and starts_with(view_name, 'staged_')"


class Staging:
    """Staging area of one file. A dialect calls `add` and `refuse`, and says how many records it read.

    records_read     lines or messages seen, header and blank lines not counted
    records_ignored  of these, well-formed but without anything for us (an unknown message name, a row that a filter
                     leaves out)
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, folder: Path | None = None) -> None:
        """folder: where `file` may be written; None: a folder that goes when this object goes."""
        self.con = con
        self.records_read = 0
        self.records_ignored = 0
        self.attached: dict[str, StagedFile] = {}
        self._folder = folder
        self._refused: list[tuple[int | None, str, str]] = []
        for (left,) in con.execute(_LEFT_VIEWS).fetchall():
            con.execute(f'drop view temp."{left}"')
        for spec in EVENT_TABLES:
            self._make(spec)
        con.execute("create or replace temp table staged_refused (line BIGINT, raw VARCHAR, reason VARCHAR)")

    def _make(self, spec: Table) -> None:
        columns = ", ".join(f'"{c.name}" {c.type}' for c in spec.columns if c.name != "load_id")
        self.con.execute(f'create or replace temp table "staged_{spec.name}" ({columns})')

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

    def file(self, name: str) -> Path:
        """Where a dialect may write the rows of one table as Parquet, to `attach` them."""
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix="pickfall-staged-"))
            weakref.finalize(self, shutil.rmtree, self._folder, ignore_errors=True)
        return self._folder / f"{name}.parquet"

    def attach(self, name: str, found: StagedFile) -> None:
        """Let staged_<name>, which must be empty, be the rows of a file."""
        self.con.execute(f'drop table "staged_{name}"')
        self.con.execute(f'create temp view "staged_{name}" as {found.sql(table(name))}')
        self.attached[name] = found

    def settle(self) -> None:
        """Make tables of the attached files, so that rows can be taken out of them."""
        for name, found in self.attached.items():
            self.con.execute(f'drop view "staged_{name}"')
            self.con.execute(f'create temp table "staged_{name}" as {found.sql(table(name))}')
        self.attached.clear()

    def release(self) -> None:
        """Empty the tables and let go of the files."""
        for name in self.attached:
            self.con.execute(f'drop view "staged_{name}"')
            self._make(table(name))
        self.attached.clear()

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
