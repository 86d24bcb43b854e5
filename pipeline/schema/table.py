"""What a table of the store is: its columns, with type, unit and meaning.

In:    nothing.
Out:   `Column` and `Table`, which tables.py and master_tables.py are made of.
After: both are frozen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Type = Literal["VARCHAR", "BIGINT", "INTEGER", "DOUBLE", "TIMESTAMP", "BOOLEAN"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column; `unit` is empty for text and pure counts."""

    name: str
    type: Type
    meaning: str
    unit: str = ""
    required: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """One table. `event` tables hold rows read from logs and carry load_id and line."""

    name: str
    meaning: str
    columns: tuple[Column, ...]
    event: bool = False

    def names(self) -> tuple[str, ...]:
        """Column names in order."""
        return tuple(c.name for c in self.columns)

    def content(self) -> tuple[Column, ...]:
        """The columns that came out of the log: all but where the row was found."""
        return tuple(c for c in self.columns if c.name not in ("load_id", "line"))


def text(name: str, meaning: str, *, required: bool = False) -> Column:
    """A column of text."""
    return Column(name, "VARCHAR", meaning, required=required)
