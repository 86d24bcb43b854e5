"""A file for what one slice of the roll-up works out and only needs itself.

In:    the store's connection.
Out:   the path of a file that is not there, as a text of SQL.
After: the file is gone, also one that a killed run left.

Whatever a transaction puts into a table, also into a temporary one that it drops, stays until the transaction ends:
with one table a slice, memory would grow with the log.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import duckdb

NAME: Final = "known_picks.parquet"
_PATTERN: Final = frozenset("*?[\\")
"""Signs that DuckDB takes for a part of a pattern when it reads, and not when it writes."""


@contextmanager
def known_file(con: duckdb.DuckDBPyConnection) -> Iterator[str]:
    """The path, quoted: in the folder to which the store spills, or among the temporary files where its name is odd."""
    ((spill,),) = con.execute("select current_setting('temp_directory')").fetchall()
    if not spill or _PATTERN & set(spill) or not spill.isprintable():
        with tempfile.TemporaryDirectory(prefix="pickfall-") as folder:
            yield _quoted(Path(folder) / NAME)
        return
    path = Path(spill) / NAME
    path.parent.mkdir(exist_ok=True)
    path.unlink(missing_ok=True)
    try:
        yield _quoted(path)
    finally:
        path.unlink(missing_ok=True)


def _quoted(path: Path) -> str:
    return "'" + str(path.absolute()).replace("'", "''") + "'"
