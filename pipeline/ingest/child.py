"""The process that touches untrusted bytes: it opens, unpacks, cuts and converts one log after the other.

In:    over stdin, from the run that started it: the plant, its readers and the known contents; then one log at a time.
Out:   over stdout: one line of JSON a file; and a Parquet file for every staged table with rows.
After: a file was read whole, known already, or refused with a reason; whatever a file does to this process, its memory
       and its time are bounded, and the run that started it goes on (reading_process.py is its other end).

The bounds hold for one file: memory beyond what the program itself takes (RLIMIT_DATA), and processor time (RLIMIT_CPU)
as a net under the clock of the other end. Where the system has no such limits only that clock is left.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import pickle
import re
import signal
import sys
import tempfile
import traceback
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO, TextIO

import duckdb
import polars as pl

from pipeline.connections import connect
from pipeline.errors import FileRefused
from pipeline.ingest.dialect import Dialect, Log
from pipeline.ingest.process_limits import end_with_parent, leave_no_core, limit_cpu, limit_memory
from pipeline.ingest.quoting import literal
from pipeline.ingest.source import open_source
from pipeline.ingest.staged_file import StagedFile
from pipeline.ingest.staging import Staging
from pipeline.schema.tables import EVENT_TABLES
from pipeline.settings import Plant

THREADS = 2
"""Threads that DuckDB reads with: logs are cut by one core in the main."""
DATABASE_SHARE = 0.35
"""Share of the memory of a file that DuckDB may take before it spills to disk; the rest is for Python and polars."""
FULL = (errno.ENOSPC, errno.EDQUOT)
"""The disk is full: no fault of the file, and no other file would fare better."""


@dataclass(frozen=True, slots=True)
class Task:
    """What the other end sends first.

    known   content hashes that the store holds
    work    a folder of this run alone
    """

    plant: Plant
    readers: tuple[Dialect, ...]
    known: frozenset[str]
    work: Path


class TooLarge(Exception):
    """Memory ran out; this process ends after it has said so."""


def serve(incoming: BinaryIO, outgoing: TextIO) -> None:
    """Answer until the other end closes; the first message is a `Task`, every other (log, folder for its tables)."""
    task: Task = pickle.load(incoming)
    known = set(task.known)
    try:
        _get_ready(task)
    except Exception as error:
        _say(outgoing, {"is": "failed", "reason": f"{type(error).__name__}: {' '.join(str(error).split())}"})
        return
    _say(outgoing, {"is": "ready"})
    while True:
        try:
            log, folder = pickle.load(incoming)
        except EOFError:
            return
        limit_cpu(task.plant.limits.file_seconds, THREADS)
        try:
            answer = _answer(task, known, log, folder)
        except TooLarge:
            _say(outgoing, {"is": "refused", "line": None, "reason": too_large(task.plant), "last": True})
            return
        if answer["is"] == "staged":
            known.add(answer["content_hash"])
        _say(outgoing, answer)


def _get_ready(task: Task) -> None:
    tempfile.tempdir = str(task.work)
    pl.DataFrame({"a": [1]}).select(pl.col("a").sum())  # starts the threads of polars before memory is measured
    _database(task).close()
    limit_memory(task.plant.limits.file_memory_mb)


def too_large(plant: Plant) -> str:
    """Reason of a file that takes too much memory."""
    return (
        f"reading it takes more than {plant.limits.file_memory_mb} MB of memory. Split it, or raise file_memory_mb in "
        "[limits]."
    )


def _answer(task: Task, known: set[str], log: Log, folder: Path) -> dict[str, Any]:
    path = log.path
    before = file_state(path)
    try:
        answer = _read(task, known, log, folder)
    except FileRefused as error:
        return {"is": "refused", "line": error.line, "reason": error.reason}
    except (MemoryError, pl.exceptions.PolarsError, OSError, duckdb.Error) as error:
        return _failed(error, path, before)
    except Exception as error:
        return _changed(path, before) or _bug(error)
    if before is None:  # not there at first, there when it was read: its folder comes and goes
        return _moving()
    return _changed(path, before) or {**answer, "state": before}


def _read(task: Task, known: set[str], log: Log, folder: Path) -> dict[str, Any]:
    readers, plant = task.readers, task.plant
    declared = next((e for e in (r.encoding(log.path) for r in readers) if e), None)
    with tempfile.TemporaryDirectory(prefix="log-") as work:
        source = open_source(log.path, Path(work), plant.limits, encoding=declared)
        source = replace(source, part=log.part, content_hash=log.content_hash(source.content_hash))
        if source.content_hash in known:
            return {"is": "known", "content_hash": source.content_hash}
        reader = next((r for r in readers if r.recognises(source)), None)
        if reader is None:
            raise FileRefused("no reader knows this file. Write a log mapping whose `files` patterns fit its name.")
        with contextlib.closing(_database(task)) as con:
            staging = Staging(con, folder)
            reader.stage(source, staging, plant)
            staging.flush()
            tables = _write_tables(con, folder, set(staging.attached))
    return {
        "is": "staged",
        "content_hash": source.content_hash,
        "size": source.size,
        "encoding": source.encoding,
        "dialect": reader.name,
        "mapping": reader.describe(source),
        "read": staging.records_read,
        "ignored": staging.records_ignored,
        "tables": tables,
        "attached": {name: _described(found) for name, found in staging.attached.items()},
    }


def _database(task: Task) -> duckdb.DuckDBPyConnection:
    """A database in memory that spills to the run's folder."""
    memory_mb = max(64, int(task.plant.limits.file_memory_mb * DATABASE_SHARE))
    return connect(memory_mb=memory_mb, spill=task.work / "spill", threads=THREADS)


def _described(found: StagedFile) -> dict[str, Any]:
    """All of a `StagedFile` but its path, which the other end knows."""
    held = {"columns": list(found.columns), "packed": list(found.packed)}
    return {**held, "first": found.first, "offset_us": found.offset_us}


def _write_tables(con: duckdb.DuckDBPyConnection, folder: Path, there: set[str]) -> list[str]:
    """Write every staged table that has rows to <folder>/<name>.parquet, without its empty columns; their names.

    there   tables that lie there already
    """
    written = []
    for name in (*(t.name for t in EVENT_TABLES), "refused"):
        if name in there:
            continue
        columns = [f'"{c}"' for (c,) in con.execute(f"select column_name from (describe staged_{name})").fetchall()]
        (counts,) = con.execute(f"select {', '.join(f'count({c})' for c in columns)} from staged_{name}").fetchall()
        filled = ", ".join(c for c, count in zip(columns, counts, strict=True) if count)
        if filled:
            target = literal(str(folder / f"{name}.parquet"))
            con.execute(
                f"copy (select {filled} from staged_{name}) to {target} (format parquet, compression 'lz4_raw')"
            )
            written.append(name)
    return written


def _failed(error: BaseException, path: Path, before: list[int] | None) -> dict[str, Any]:
    """Tell apart: memory ran out, the disk is full, the file went away or changed, a fault of ours."""
    text = str(error)
    number = error.errno if isinstance(error, OSError) else None
    full = re.search(r"no space left|disk quota|max_temp_directory_size|not enough space", text, re.IGNORECASE)
    if number in FULL or (full and not isinstance(error, FileRefused)):
        return {"is": "full", "errno": number or errno.ENOSPC}
    if isinstance(error, (MemoryError, duckdb.OutOfMemoryException)) or re.search(
        r"bad.?alloc|allocat|out of memory", text, re.IGNORECASE
    ):
        raise TooLarge from error
    if (changed := _changed(path, before)) is not None:
        return changed
    if isinstance(error, OSError):
        return {"is": "refused", "line": None, "reason": f"cannot be read: {error.strerror or error}."}
    return _bug(error)


def _bug(error: BaseException) -> dict[str, Any]:
    """A reader failed: the file is refused and the reason says where, so that it can be reported."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    words = " ".join(str(error).split())[:200]
    where = f"{Path(last.filename).name} line {last.lineno}"
    return {
        "is": "refused",
        "line": None,
        "reason": f"the reader failed on it ({type(error).__name__}: {words}; {where}). This is a fault of the "
        "program: please report it.",
    }


def _changed(path: Path, before: list[int] | None) -> dict[str, Any] | None:
    return None if file_state(path) == before else _moving()


def _moving() -> dict[str, Any]:
    reason = "changed while it was read: it is still being written. Load it again when it is complete."
    return {"is": "refused", "line": None, "reason": reason}


def file_state(path: Path) -> list[int] | None:
    """Size, time of the last change of the content and of the entry (ns): while they stay, so does the content."""
    try:
        found = os.lstat(path)
    except OSError:
        return None
    return [found.st_size, found.st_mtime_ns, found.st_ctime_ns]


def _say(outgoing: TextIO, answer: dict[str, Any]) -> None:
    outgoing.write(json.dumps(answer) + "\n")
    outgoing.flush()


def main() -> None:
    """Entry point of the process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the run decides when to stop
    end_with_parent()
    leave_no_core()
    with os.fdopen(os.dup(1), "w", encoding="ascii") as outgoing:
        os.dup2(2, 1)  # nothing that a library prints gets between the answers
        with contextlib.suppress(BrokenPipeError):
            serve(sys.stdin.buffer, outgoing)
