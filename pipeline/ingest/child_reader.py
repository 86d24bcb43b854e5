"""Reads logs through processes of their own (child.py), and stays alive whatever a log does to them.

In:    logs, the plant, its readers, the contents that the store knows.
Out:   for every log in order: staged tables as files, "known", or FileRefused.
After: a process that died or was too slow cost one file, refused with a reason; the next file has a new process. The
       run's folder below the store is empty again.

Files are read ahead while the store takes in the one before: one of them, or two at a time where there is much to read.
A large file is read alone, so that two never need the memory of two.
"""

from __future__ import annotations

import errno
import shutil
import tempfile
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from pipeline.ingest.dialect import Dialect, Log
from pipeline.ingest.reading_process import Answer, Known, ReadingProcess, Staged
from pipeline.settings import Plant

PROCESSES = 2
SECOND_FROM = 2_000_000
"""Bytes that one process is given before a second one is started, which takes half a second of a core."""
ALONE_FROM = 64_000_000
"""Bytes of a file that is read alone."""
PACKED = (".gz", ".zst", ".xlsx", ".parquet")
UNPACKS = 10
"""How many bytes there are about in one of a packed log: it is not looked into before it is read."""


@dataclass(frozen=True, slots=True)
class _Asked:
    """A log that a process was asked for, and the folder for its tables."""

    process: ReadingProcess
    log: Log
    folder: Path
    size: int


class ChildReader:
    """A context that reads files in processes of their own, which are started when they are needed."""

    def __init__(self, plant: Plant, readers: tuple[Dialect, ...], known: Iterable[str]) -> None:
        self._known = set(known)
        self._work = _work_folder(plant)
        self._processes = [ReadingProcess(plant, readers, self._known, self._work) for _ in range(PROCESSES)]
        self._asked: deque[_Asked] = deque()
        self._next: Log | None = None
        self._given = 0

    def __enter__(self) -> ChildReader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        for process in self._processes:
            process.stop()
        shutil.rmtree(self._work, ignore_errors=True)

    def read(self, logs: Iterable[Log]) -> Iterator[tuple[Log, Answer]]:
        """Each log with what came of it. What was staged must be taken before the next is asked for.

        Raises OSError when the disk is full and PickfallError when a process cannot be started.
        """
        waiting = iter(logs)
        self._ask(waiting)
        while self._asked:
            asked = self._asked[0]
            answer = self._once(asked.process.answer(asked.log, asked.folder))
            self._asked.popleft()
            self._ask(waiting)
            yield asked.log, answer
            shutil.rmtree(asked.folder, ignore_errors=True)

    def _ask(self, waiting: Iterator[Log]) -> None:
        """Give the free processes something to do."""
        while len(self._asked) < (PROCESSES if self._given >= SECOND_FROM else 1):
            log = self._next or next(waiting, None)
            if log is None:
                return
            self._next = log
            size = _size(log.path)
            if self._asked and max(size, *(a.size for a in self._asked)) >= ALONE_FROM:
                return
            busy = [a.process for a in self._asked]
            process = next(p for p in self._processes if p not in busy)
            self._work.mkdir(parents=True, exist_ok=True)
            folder = Path(tempfile.mkdtemp(prefix="staged-", dir=self._work))
            process.ask(log, folder)
            self._asked.append(_Asked(process, log, folder, size))
            self._next = None
            self._given += size

    def _once(self, answer: Answer) -> Answer:
        """The answer; "known" when another process read the same content before in this run."""
        if not isinstance(answer, Staged):
            return answer
        content = answer.source.content_hash
        if content in self._known:
            return Known(content, answer.state)
        self._known.add(content)
        return answer


def _size(path: Path) -> int:
    """Bytes that there are to read, about."""
    try:
        return path.lstat().st_size * (UNPACKS if path.suffix.lower() in PACKED else 1)
    except OSError:  # the process that reads it says what is wrong
        return 0


def _work_folder(plant: Plant) -> Path:
    """A folder beside the store, emptied: one run at a time writes to the store, so what is in it is a leftover."""
    folder = plant.database.parent / "reading"
    try:
        shutil.rmtree(folder)
    except OSError as error:
        if error.errno != errno.ENOENT:
            raise
    text = str(folder.absolute())
    if "\\" in text or not text.isprintable():  # DuckDB does not find every such name
        return Path(tempfile.mkdtemp(prefix="pickfall-"))
    return folder
