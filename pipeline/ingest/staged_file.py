"""A Parquet file with the converted rows of one delimited log: how the program that cut it hands it to the store.

In:    rows in the order of the log, each with our columns, its wall time `local` and its `problem` (null: none).
Out:   SQL for the rows of a staging table.
After: the nth row of the file is line `first` + n of the log; a row with a problem is not among them.

Columns that make a combination (schema/pick_view.py) lie in one column of text, with a sign between them and nothing
for null: so each combination is written, compared and taken apart once, and not for every pick.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pipeline.ingest.quoting import path_literal
from pipeline.schema.table import Table

LINE: Final = "file_row_number"
"""Place of a row in the file, from 0: DuckDB's name."""
COMBINATION: Final = "combination"
"""The column of combinations."""
SIGN: Final = "chr(31)"
"""SQL of what stands between the values in it: the unit separator of ASCII. No log that has it itself is packed."""


def combination_sql(columns: Sequence[str]) -> str:
    """SQL of a combination; no value is the empty text."""
    return f"concat({f', {SIGN}, '.join(columns)})"


def unlike_sql(columns: Sequence[str], path: Path) -> str:
    """Query for how many combinations of a file do not come apart into these columns: a value holds the sign."""
    signs = f"strlen({COMBINATION}) - strlen(replace({COMBINATION}, {SIGN}, ''))"
    return (
        f"select count(*) from (select distinct {COMBINATION} from {parquet_sql(path)}) "
        f"where {signs} <> {len(columns) - 1}"
    )


def parquet_sql(path: Path) -> str:
    """Table function over a Parquet file, with the place of each row."""
    return f"read_parquet({path_literal(path)}, file_row_number = true, hive_partitioning = false)"


@dataclass(frozen=True, slots=True)
class StagedFile:
    """Where the rows lie and what turns them into ours.

    columns       our columns that are in the file, without time
    packed        those of them that lie in its combination, in their order; none: each lies by itself
    first         line of the first row
    offset_us     microseconds that its wall clock was ahead of UTC, for all rows
    """

    path: Path
    columns: tuple[str, ...]
    first: int
    offset_us: int
    packed: tuple[str, ...] = ()

    def sql(self, spec: Table) -> str:
        """Query of the rows without a problem, with all columns of the table but load_id."""
        columns = ", ".join(
            f'{self.column_sql(c.name, c.type)} as "{c.name}"' for c in spec.columns if c.name != "load_id"
        )
        return f"select {columns} from {self.scan_sql()} where problem is null"

    def column_sql(self, name: str, kind: str) -> str:
        """SQL of one of our columns, as its type; null where it is not in the file."""
        if name == "line":
            return f"{LINE} + {int(self.first)}"
        if name != "time" and name not in self.columns:
            return f"cast(null as {kind})"
        if name in self.packed:
            held = f"nullif(split_part({COMBINATION}, {SIGN}, {self.packed.index(name) + 1}), '')"
        else:
            held = "local" if name == "time" else f'"{name}"'
        if kind == "TIMESTAMP" and self.offset_us:
            held = f"{held} - to_microseconds({int(self.offset_us)})"
        return f"cast({held} as {kind})"

    def whole_sql(self, spec: Table) -> str:
        """Query of all rows with our columns that the file has, `local` and `problem`."""
        columns = [f'{self.column_sql(c.name, c.type)} as "{c.name}"' for c in spec.columns if c.name in self.columns]
        return f"select {', '.join([*columns, 'local', 'problem', LINE])} from {self.scan_sql()}"

    def scan_sql(self) -> str:
        """Table function over the file, with the place of each row."""
        return parquet_sql(self.path)
