"""Texts of logs, mappings and folders as parts of SQL: always quoted here, never pasted.

In:    any text or path.
Out:   SQL literals and identifiers.
After: nothing in the text can end the literal or stand for another file.
"""

from __future__ import annotations

from pathlib import Path


def literal(text: str) -> str:
    """SQL string literal.

    >>> literal("it's")
    "'it''s'"
    """
    return "'" + text.replace("'", "''") + "'"


def name(text: str) -> str:
    """SQL identifier."""
    return '"' + text.replace('"', '""') + '"'


def path_literal(path: Path) -> str:
    """SQL literal of a path that DuckDB takes for this one file and not for a pattern.

    >>> path_literal(Path("/logs/a[1].csv"))
    "'/logs/a[[]1].csv'"
    """
    return literal("".join(f"[{c}]" if c in "*?[" else c for c in path.absolute().as_posix()))
