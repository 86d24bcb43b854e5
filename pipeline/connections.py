"""Every connection to DuckDB that this program makes, with every setting that matters set by us, then locked.

In:    the path of a database, or nothing for one in memory; how much memory it may take; where it may spill.
Out:   a connection.
After: memory, folder and size of the spill, checkpoint size, order of rows, time zone and progress bar are ours and
       cannot be changed; no extension is fetched or loaded. Left alone, DuckDB takes 80 % of the machine's memory,
       spills to 90 % of the disk and fetches extensions. `tests/rules/test_database.py` finds any made elsewhere.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import duckdb

SPILL: Final = "50GB"
"""What a query may write to the disk when its memory is full."""
CHECKPOINT: Final = "256MB"
"""Size of the log of changes from which on they are written into the database file."""


def connect(
    path: Path | None = None,
    *,
    memory_mb: int,
    spill: Path | None = None,
    threads: int | None = None,
    read_only: bool = False,
    keep_order: bool = True,
) -> duckdb.DuckDBPyConnection:
    """A connection with our settings, locked.

    path        the database; None: one in memory
    memory_mb   what it may take, in MB
    spill       folder to spill to, made when it is needed; None: it never spills, a query that needs more fails
    threads     None: one for every core
    keep_order  results come in the order of the rows; False is for a store that is written, see `store/database.py`

    Raises whatever `duckdb.connect` does.

    >>> con = connect(memory_mb=100)
    >>> con.execute("select current_setting('lock_configuration'), current_setting('temp_directory')").fetchall()
    [(True, '')]
    """
    con = duckdb.connect(":memory:" if path is None else str(path), read_only=read_only)
    settings = {
        "memory_limit": f"{memory_mb}MB",
        "temp_directory": "" if spill is None else str(spill),
        "max_temp_directory_size": "0KB" if spill is None else SPILL,
        "checkpoint_threshold": CHECKPOINT,
        "autoinstall_known_extensions": "false",
        "autoload_known_extensions": "false",
        "enable_progress_bar": "false",
        "preserve_insertion_order": "true" if keep_order else "false",
        "TimeZone": "UTC",
    }
    if threads is not None:
        settings["threads"] = str(threads)
    try:
        for name, value in settings.items():
            con.execute(f"set {name} = '{value.replace(chr(39), chr(39) * 2)}'")
        con.execute("set lock_configuration = true")
    except BaseException:
        con.close()
        raise
    return con
