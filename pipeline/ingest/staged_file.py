"""A Parquet file with the converted rows of one delimited log: how the program that cut it hands it to the store.

In:    rows in the order of the log, each with our columns, its wall time `local` and its `problem` (null: none).
Out:   SQL for the rows of a staging table.
After: the nth row of the file is line `first` + n of the log; a row with a problem is not among them.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.ingest.quoting import path_literal
from pipeline.schema.table import Table

LINE = "file_row_number"
"""Place of a row in the file, from 0: DuckDB's name."""


@dataclass(frozen=True, slots=True)
class StagedFile:
    """Where the rows lie and what turns them into ours.

    columns       our columns that are in the file, without time
    first         line of the first row
    offset_us     microseconds that its wall clock was ahead of UTC, for all rows
    """

    path: Path
    columns: tuple[str, ...]
    first: int
    offset_us: int

    def sql(self, spec: Table) -> str:
        """Query of the rows without a problem, with all columns of the table but load_id."""
        columns = ", ".join(self._column(c.name, c.type) for c in spec.columns if c.name != "load_id")
        return f"select {columns} from {self.scan_sql()} where problem is null"

    def _column(self, name: str, kind: str) -> str:
        if name == "line":
            return f"{LINE} + {int(self.first)} as line"
        held = "local" if name == "time" else f'"{name}"'
        if name != "time" and name not in self.columns:
            return f'cast(null as {kind}) as "{name}"'
        if kind == "TIMESTAMP" and self.offset_us:
            held = f"{held} - to_microseconds({int(self.offset_us)})"
        return f'cast({held} as {kind}) as "{name}"'

    def scan_sql(self) -> str:
        """Table function over the file, with the place of each row."""
        return f"read_parquet({path_literal(self.path)}, file_row_number = true, hive_partitioning = false)"
