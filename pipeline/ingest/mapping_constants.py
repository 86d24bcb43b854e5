"""[constants] of a log mapping: a fixed value for every row.

In:    the column of ours and what TOML made of the value.
Out:   the value as the text that a log would hold.
After: it is of the column's type, finite, not below 0 where it counts, and a word of its closed list; or ValueError.
"""

from __future__ import annotations

import math
from typing import Any

from pipeline.ingest.mapping import COUNTS, MOST, WORDS
from pipeline.schema.table import Column

MOST_CONSTANT = 2**31 - 1
"""Largest whole number of a constant: what a column of 32 bits holds."""


def constant_of(where: str, column: Column, value: Any) -> str:
    """The text of one constant of table `where`; ValueError says what was found and expected."""
    key, allowed = column.name, WORDS.get((where, column.name))
    if column.type == "TIMESTAMP":
        raise ValueError(f'"{key}" is a time and cannot be a constant.')
    if column.type == "BOOLEAN":
        value = {True: "true", False: "false"}.get(value) if isinstance(value, bool) else value
        allowed = ("true", "false")
    elif column.type == "VARCHAR":
        if not isinstance(value, str) or not value:
            raise ValueError(f'"{key}" must be a text in quotes, found {value!r}.')
    elif isinstance(value, bool) or not isinstance(value, int if "INT" in column.type else (int, float)):
        raise ValueError(f'"{key}" must be a number, found {value!r}.')
    else:
        most = MOST[key][0] if key in MOST else MOST_CONSTANT
        least = 0 if key in COUNTS or "INT" in column.type else -most
        if not (math.isfinite(value) and least <= value <= most):
            raise ValueError(f'"{key}" is {value}; it must lie between {least} and {most}.')
    if allowed is not None and value not in allowed:
        raise ValueError(f'"{key}" is {value!r}; use one of {", ".join(allowed)}.')
    return str(value)
