"""Open the store with every setting that matters set by us, and say in one line why it cannot be opened.

In:    the settings of a plant.
Out:   a DuckDB connection, at the schema version of this program.
After: memory, spill, checkpoint size and extensions are fixed and locked; a database in use, damaged or
       newer than this program is an error with its own message and is left as it was.
"""

from __future__ import annotations

import fcntl
import os
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import duckdb

from pipeline import connections
from pipeline.errors import PickfallError, StoreBusy, StoreTooNew, UserError
from pipeline.settings import Plant
from pipeline.store import migrations
from pipeline.store.snapshot import snapshot_path

_FULL = re.compile(r"no space left|disk quota|not enough (disk )?space|max_temp_directory_size", re.IGNORECASE)
OPENING_SECONDS: Final = 20.0
PAUSE_SECONDS: Final = 0.05
"""How long another process is given to open a store of the same folder, and how often it is looked at."""
_NOT_OURS: Final = (
    "{} is damaged or not a pickfall database. Move it away and load the logs again, or restore a backup."
)
_STOPS = (duckdb.IOException, duckdb.OutOfMemoryException, duckdb.FatalException)
"""What the disk or the memory does to a run; any other error of the database is a fault of ours."""


@contextmanager
def open_store(
    plant: Plant, *, write: bool, tell: Callable[[str], None] = lambda _: None
) -> Iterator[duckdb.DuckDBPyConnection]:
    """The plant's store; created and migrated when `write`, read-only otherwise.

    tell   is given a sentence when a reader gets the state from before a run that is writing (snapshot.py)

    Raises StoreBusy when another process has it open, StoreTooNew when a newer version wrote it, UserError when there
    is none to read, PickfallError when the file is not a database or is damaged.
    """
    path = plant.database
    if not write:
        check_there(plant)
    try:
        con = connect(path, plant.limits.memory_mb, write=write)
    except StoreBusy:
        before = snapshot_path(path)
        if write or not before.is_file():
            raise
        con = connect(before, plant.limits.memory_mb, write=False)
        tell("Logs are being loaded: this is the state from before that run.")
    try:
        try:
            found = migrations.version(con)
        except ValueError as error:
            raise PickfallError(_NOT_OURS.format(path)) from error
        if found is not None and found > migrations.CURRENT:
            raise StoreTooNew(
                f"{path} has schema version {found}; this program knows up to {migrations.CURRENT}. "
                "Install a newer pickfall."
            )
        if write:
            migrations.migrate(con, found)
        elif found != migrations.CURRENT:
            raise PickfallError(f"{path} has an older schema. Run `pickfall ingest` once to bring it up to date.")
        yield con
    except duckdb.InterruptException as error:
        raise KeyboardInterrupt from error
    except RuntimeError as error:
        if str(error) == "Query interrupted":  # what DuckDB makes of Ctrl-C while it hands over a result
            raise KeyboardInterrupt from error
        raise
    except duckdb.Error as error:
        if isinstance(error, _STOPS) or _FULL.search(str(error)) or "Corrupt database file" in str(error):
            raise _explain_stop(path, plant.limits.memory_mb, str(error)) from error
        raise
    finally:
        con.close()


def check_there(plant: Plant) -> None:
    """UserError when there is no store yet."""
    if not plant.database.is_file():
        raise UserError(f"{plant.database} is not there yet. Load logs first: pickfall ingest --plant {plant.folder}")


def _no_space(path: Path) -> PickfallError:
    return PickfallError(f"{path.parent}: no space left on the disk. Make room, then run the command again.")


def _explain_stop(path: Path, memory_mb: int, message: str) -> PickfallError:
    """What stopped a run that was going: the disk or the memory. What was loaded before is in the store."""
    if _FULL.search(message):
        return _no_space(path)
    if "Out of Memory" in message:
        return PickfallError(f"{path}: {memory_mb} MB of memory do not suffice. Raise memory_mb in [limits].")
    if "checksum" in message or "orrupt" in message:
        return PickfallError(f"{path} is damaged. Move it away and load the logs again, or restore a backup.")
    return PickfallError(f"{path} cannot be used any more: {message.splitlines()[0]}")


def connect(path: Path, memory_mb: int, *, write: bool) -> duckdb.DuckDBPyConnection:
    """A connection with our settings, locked; errors as in `open_store`."""
    if write:
        path.parent.mkdir(parents=True, exist_ok=True)
    return _open(path, memory_mb, write=write)


def _open(path: Path, memory_mb: int, *, write: bool) -> duckdb.DuckDBPyConnection:
    """Open the file; one that a full disk or a kill left half made, with nothing in it, is made anew."""
    with _one_at_a_time(path.parent):
        return _open_alone(path, memory_mb, write=write)


@contextmanager
def _one_at_a_time(folder: Path) -> Iterator[None]:
    """Let no other process of ours open a store of this folder meanwhile.

    DuckDB takes its own lock only once the file is there: who came between would see a file without its headers, and
    take it for damaged or for left half made. Where folders cannot be locked, or one takes very long, we go on without.
    """
    try:
        held = os.open(folder, os.O_RDONLY)
    except OSError:
        yield
        return
    try:
        for _ in range(int(OPENING_SECONDS / PAUSE_SECONDS)):
            try:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                time.sleep(PAUSE_SECONDS)
            except OSError:
                break
        yield
    finally:
        os.close(held)


def _open_alone(path: Path, memory_mb: int, *, write: bool) -> duckdb.DuckDBPyConnection:
    for first in (True, False):
        try:
            # A large insert in order would leave row groups that are not full, which the next checkpoint writes anew.
            spill = path.parent / "spill"
            return connections.connect(
                path, memory_mb=memory_mb, spill=spill, read_only=not write, keep_order=not write
            )
        except (duckdb.Error, OSError) as error:
            why = _explain(path, str(error))
            if isinstance(why, StoreBusy) or not write or not _half_made(path):
                raise why from error
            path.unlink()
            if not first or "space" in str(why):
                raise why from error
    raise RuntimeError("unreachable")


def _half_made(path: Path) -> bool:
    """True for a file that DuckDB began to make and did not finish: its three headers of 4096 bytes are not all there.

    Source: DuckDB's file format, "storage versions and format": main header and two database headers come first.
    """
    if not path.is_file() or path.stat().st_size >= 3 * 4096 or path.with_name(path.name + ".wal").exists():
        return False
    begin = path.read_bytes()
    return begin[8:12] == b"DUCK" or not any(begin)


def _explain(path: Path, message: str) -> PickfallError:
    if _FULL.search(message):
        return _no_space(path)
    if re.search(r"set lock on|onflicting lock", message):
        holder = re.search(r"\(PID \d+\)", message)
        who = f" {holder[0]}" if holder else ""
        return StoreBusy(f"{path} is in use by another process{who}. Wait until it has finished, then try again.")
    if "newer version" in message or "storage version" in message.lower():
        return StoreTooNew(f"{path} was written by a newer DuckDB than is installed. Install a newer pickfall.")
    if "not a valid DuckDB" in message or "orrupt" in message:
        return PickfallError(_NOT_OURS.format(path))
    if "ermission" in message or "ead-only file system" in message:
        return PickfallError(f"{path} cannot be opened: permission denied. Check who owns the folder {path.parent}.")
    return PickfallError(f"{path} cannot be opened: {message.splitlines()[0]}")
