"""The store as it was before a run began to write, for readers that come while it writes.

In:    an open store that is about to be written to.
Out:   a copy of its file beside it, for as long as the run lasts.
After: the copy appears whole, by renaming, and is the state of the last transaction before. A run that was killed may
       leave one; nobody reads it once the store itself can be opened, and the next run removes it.

A copy is a help and no promise: where the disk has no room for it readers are told that the store is in use. Another
process makes it, since closing the file here would give up this process's lock on it (POSIX advisory locks, fcntl(2)).
"""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import duckdb

ROOM = 3
"""So many times the store's size must be free on the disk: the run itself needs some too."""

_COPY = "import shutil, sys; shutil.copyfile(sys.argv[1], sys.argv[2])"


def snapshot_path(database: Path) -> Path:
    """Where the copy lies."""
    return database.with_name(database.name + ".before")


@contextlib.contextmanager
def copy_for_readers(con: duckdb.DuckDBPyConnection, database: Path) -> Iterator[Callable[[], None]]:
    """Gives a function to call before the first write; it makes the copy once. The copy is gone at the end."""
    _withdraw(database)  # a killed run may have left one
    called = False

    def copy() -> None:
        nonlocal called
        if not called:
            called = True
            _publish(con, database)

    try:
        yield copy
    finally:
        _withdraw(database)


def _publish(con: duckdb.DuckDBPyConnection, database: Path) -> bool:
    """Make the copy; False when there is nothing in the store yet, or no room."""
    ((loads,),) = con.execute("select count(*) from load").fetchall()
    target = snapshot_path(database)
    part = target.with_name(target.name + ".part")
    if not loads:
        return False
    con.execute("checkpoint")
    try:
        if shutil.disk_usage(database.parent).free < ROOM * database.stat().st_size:
            return False
        command = [sys.executable, "-I", "-S", "-c", _COPY, str(database), str(part)]
        done = subprocess.run(command, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        if done.returncode:
            return False
        part.replace(target)
    except OSError:
        return False
    finally:
        _remove(part)
    return True


def _withdraw(database: Path) -> None:
    """Remove the copy, and what a killed run left of one. Readers that have it open keep it."""
    target = snapshot_path(database)
    _remove(target)
    _remove(target.with_name(target.name + ".part"))


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)
