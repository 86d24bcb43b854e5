"""A run that kills itself with SIGKILL at a chosen moment; started by test_kill_points.py as a program of its own.

python -m tests.faults.killed_run PLANT statement N        before the N-th statement that the store is given
python -m tests.faults.killed_run PLANT checkpoint SECONDS so long after a checkpoint has begun
python -m tests.faults.killed_run PLANT count 0            no kill: print how many statements there are
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from pipeline import settings
from pipeline.intake import find_files, take_in
from pipeline.store.database import open_store


class Counting:
    """A connection that counts statements and ends the process before one of them."""

    def __init__(self, con: Any, last: int) -> None:
        self._con, self._last, self.seen = con, last, 0

    def execute(self, *args: Any) -> Any:
        self.seen += 1
        if self.seen == self._last:
            os.kill(os.getpid(), signal.SIGKILL)
        return self._con.execute(*args)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._con, name)


def main() -> None:
    folder, how, number = Path(sys.argv[1]), sys.argv[2], float(sys.argv[3])
    plant = settings.load(folder)
    with open_store(plant, write=True) as con:
        counting: Any = Counting(con, int(number) if how == "statement" else -1)
        for path in find_files(plant, []):
            take_in(counting, plant, (path,))
            print(path.name, flush=True)  # acknowledged: it must be in the store from now on
        if how == "count":
            print(counting.seen, flush=True)
        if how == "checkpoint":
            threading.Timer(number, os.kill, [os.getpid(), signal.SIGKILL]).start()
            for _ in range(200):
                con.execute("update load set rows_ignored = rows_ignored")
                con.execute("checkpoint")


if __name__ == "__main__":
    main()
