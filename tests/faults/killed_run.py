"""A run that kills itself with SIGKILL at a chosen moment; started by the tests of kills as a program of its own.

python -m tests.faults.killed_run PLANT statement N [WHAT]  before the N-th statement that the store is given
python -m tests.faults.killed_run PLANT checkpoint SECONDS  so long after a checkpoint has begun
python -m tests.faults.killed_run PLANT count 0 [WHAT]      no kill: print how many statements there are

WHAT is ingest (default), again (`ingest --again`) or retain (export and removal of old picks). A file that is moved to
its place counts as a statement. Of every file that was taken in, its name is printed: from then on it must be stored.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from pipeline import settings
from pipeline.again import take_again
from pipeline.intake import find_files, take_in
from pipeline.settings import Plant
from pipeline.store.database import open_store
from pipeline.store.retention import retain


class Counting:
    """A connection that counts statements and ends the process before one of them."""

    def __init__(self, con: Any, last: int) -> None:
        self._con, self._last, self.seen = con, last, 0

    def step(self) -> None:
        self.seen += 1
        if self.seen == self._last:
            os.kill(os.getpid(), signal.SIGKILL)

    def execute(self, *args: Any) -> Any:
        self.step()
        return self._con.execute(*args)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._con, name)


def _run(what: str, counting: Any, plant: Plant) -> None:
    if what == "again":
        take_again(counting, plant, ())
    elif what == "retain":
        move = Path.replace

        def replace(self: Path, target: Any) -> Path:
            counting.step()
            return move(self, target)

        Path.replace = replace  # type: ignore[method-assign,assignment]
        retain(counting, plant)
    else:
        for path in find_files(plant, []):
            take_in(counting, plant, (path,))
            print(path.name, flush=True)


def main() -> None:
    folder, how, number = Path(sys.argv[1]), sys.argv[2], float(sys.argv[3])
    what = sys.argv[4] if len(sys.argv) > 4 else "ingest"
    plant = settings.load(folder)
    with open_store(plant, write=True) as con:
        counting: Any = Counting(con, int(number) if how == "statement" else -1)
        _run(what, counting, plant)
        if how == "count":
            print(counting.seen, flush=True)
        if how == "checkpoint":
            threading.Timer(number, os.kill, [os.getpid(), signal.SIGKILL]).start()
            for _ in range(200):
                con.execute("update load set rows_ignored = rows_ignored")
                con.execute("checkpoint")


if __name__ == "__main__":
    main()
