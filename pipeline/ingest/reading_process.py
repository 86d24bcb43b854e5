"""The other end of child.py: one process that reads logs, started when it is needed and again after it broke down.

In:    the plant, its readers, the contents that the store knows; then one log after the other.
Out:   for each its staged tables as files, "known", or FileRefused.
After: a process that died or was too slow cost one file, refused with a reason.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Set
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from pipeline.errors import FileRefused, PickfallError
from pipeline.ingest.child import Task, too_large
from pipeline.ingest.dialect import Dialect, Log, SourceFile
from pipeline.ingest.process_limits import FEW_THREADS, end_process
from pipeline.ingest.quoting import path_literal
from pipeline.ingest.staged_file import StagedFile
from pipeline.ingest.staging import Staging
from pipeline.schema.tables import EVENT_TABLES
from pipeline.settings import Plant

START_SECONDS = 120
"""Within this time the process must be ready; it takes about one second."""

_PROGRAM = "import sys; sys.path.append(sys.argv[1]); from pipeline.ingest.child import main; main()"
_ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Known:
    """A file whose content is in the store already. state: see `file_state`."""

    content_hash: str
    state: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Staged:
    """A file that was read whole; its tables lie in `folder` until the next file is asked for."""

    source: SourceFile
    dialect: str
    mapping: str | None
    read: int
    ignored: int
    tables: tuple[str, ...]
    attached: dict[str, StagedFile]
    folder: Path
    state: tuple[int, ...]

    def into(self, con: duckdb.DuckDBPyConnection) -> Staging:
        """The staged tables on the store's connection."""
        staging = Staging(con)
        for name in self.tables:
            held = f"read_parquet({path_literal(self._file(name))}, hive_partitioning = false)"
            con.execute(f"insert into staged_{name} by name from {held}")
        for name, found in self.attached.items():
            staging.attach(name, found)
        staging.records_read, staging.records_ignored = self.read, self.ignored
        return staging

    def _file(self, name: str) -> Path:
        return self.folder / f"{name}.parquet"


Answer = Known | Staged | FileRefused


class ReadingProcess:
    """One process and the file that it was asked for."""

    def __init__(self, plant: Plant, readers: tuple[Dialect, ...], known: Set[str], work: Path) -> None:
        """known: content hashes that need not be read, looked at when the process starts; work: the run's folder."""
        self._plant, self._readers, self._known, self._work = plant, readers, known, work
        self._process: subprocess.Popen[bytes] | None = None
        self._clock: threading.Timer | None = None
        self._late = False

    def ask(self, log: Log, folder: Path) -> None:
        """Let it read a log and put its tables into `folder`. Raises PickfallError when it cannot be started."""
        if self._process is None or self._process.poll() is not None:
            self._start()
        self._send((log, folder), self._plant.limits.file_seconds)

    @property
    def pid(self) -> int | None:
        """Number of the process while there is one."""
        return None if self._process is None else self._process.pid

    def answer(self, log: Log, folder: Path) -> Answer:
        """Wait for what came of the log that it was asked for. Raises OSError when the disk is full."""
        found = self._hear()
        if found is None:
            return FileRefused(self._last_words())
        if "last" in found:
            self.stop()
        if found["is"] == "full":
            raise OSError(found["errno"], os.strerror(int(found["errno"])), str(self._work))
        if found["is"] == "refused":
            return FileRefused(str(found["reason"]), found["line"])
        state = tuple(found["state"])
        if found["is"] == "known":
            return Known(str(found["content_hash"]), state)
        content = found["content_hash"], int(found["size"]), found["encoding"]
        source = SourceFile(log.path, log.path, *content, sample="", part=log.part)
        names = {t.name for t in EVENT_TABLES} | {"refused"}
        tables = tuple(t for t in found["tables"] if t in names)
        attached = {
            t.name: StagedFile(
                folder / f"{t.name}.parquet",
                tuple(said["columns"]),
                said["first"],
                said["offset_us"],
                tuple(said["packed"]),
            )
            for t in EVENT_TABLES
            if (said := found["attached"].get(t.name))
        }
        counts = found["read"], found["ignored"]
        return Staged(source, found["dialect"], found["mapping"], *counts, tables, attached, folder, state)

    def _start(self) -> None:
        self.stop()
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", _PROGRAM, str(_ROOT)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **FEW_THREADS},
        )
        self._send(Task(self._plant, self._readers, frozenset(self._known), self._work.absolute()), START_SECONDS)
        if (said := self._hear()) is None or said["is"] != "ready":
            why = said.get("reason") if said else None
            raise PickfallError(f"the process that reads logs does not start ({why or self._end()}).")

    def _send(self, message: object, seconds: float) -> None:
        """Send a message, and give the process so long to answer it."""
        process = self._process
        if process is None or process.stdin is None:
            raise RuntimeError("no process to send to")
        self._late = False
        self._clock = threading.Timer(seconds, self._too_late, [process])
        self._clock.daemon = True
        self._clock.start()
        with contextlib.suppress(BrokenPipeError):  # it died: `_hear` says so
            pickle.dump(message, process.stdin)
            process.stdin.flush()

    def _too_late(self, process: subprocess.Popen[bytes]) -> None:
        self._late = True
        process.kill()

    def _hear(self) -> dict[str, Any] | None:
        """The next answer; None when the process ended without one."""
        if self._process is None or self._process.stdout is None:
            return None
        line = self._process.stdout.readline()
        if self._clock is not None:
            self._clock.cancel()
        if not line.endswith(b"\n"):
            self._process.wait()
            return None
        self._late = False
        found: dict[str, Any] = json.loads(line)
        return found

    def _last_words(self) -> str:
        """Why the process gave no answer, as the reason for refusing its file."""
        limits = self._plant.limits
        code = self._process.returncode if self._process is not None else 0
        if self._late or code == -signal.SIGXCPU:
            return (
                f"reading it takes longer than {limits.file_seconds} seconds. Split it, or raise file_seconds in "
                "[limits]."
            )
        if code in (-signal.SIGABRT, -signal.SIGKILL):  # how a library or the system ends a process without memory
            return too_large(self._plant)
        return f"the process that read it broke down ({self._end()}). The file may be damaged: copy it again."

    def _end(self) -> str:
        code = self._process.returncode if self._process is not None else 0
        return signal.Signals(-code).name if code < 0 else f"exit code {code}"

    def stop(self) -> None:
        """End the process, if there is one."""
        if self._clock is not None:
            self._clock.cancel()
        process, self._process = self._process, None
        if process is None:
            return
        end_process(process)
