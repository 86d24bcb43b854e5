"""What the fault tests share: the criterion of a good failure, small plants, a disk of a given size, another user."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.plants import make_plant, query, some_picks, write_picks

ROOT = Path(__file__).parents[2]

Done = subprocess.CompletedProcess[str]

needs_root = pytest.mark.skipif(os.getuid() != 0, reason="only root can mount a small disk and give its rights up")
"""For tests of full disks and of rights; `pytest -m long tests/faults` as an ordinary user leaves them out, and says so."""


def check(done: Done, code: int, *words: str) -> None:
    """The exit code, no traceback anywhere, and the words in what was said."""
    assert done.returncode == code, f"exit code {done.returncode}: {done.stderr}"
    assert "Traceback" not in done.stderr + done.stdout, done.stderr
    assert "\x1b" not in done.stderr + done.stdout
    for word in words:
        assert word in done.stderr, f"{word!r} is not in {done.stderr!r}"


def check_one_line(done: Done, code: int, *words: str) -> None:
    """The same, and nothing but one line is said."""
    check(done, code, *words)
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr


def nothing_loaded(plant: Path) -> None:
    """No row of any file is in the store."""
    tables = "pick", "tally", "load", "message", "measurement", "counter", "fault", "reel_event", "service"
    for table in tables:
        assert query(plant, f"select count(*) from {table}") == [(0,)], table


def nothing_partial(plant: Path) -> None:
    """Every file in `load` is there with all its rows, no row belongs to a file that is not, tallies equal picks."""
    if query(plant, "select count(*) from duckdb_tables() where table_name in ('pick', 'load')") != [(2,)]:
        return  # killed before the first step of the schema was through
    loads = query(plant, "select load_id, rows_loaded from load where rows_loaded > 0 order by load_id")
    assert loads == query(plant, "select load_id, count(*) from pick group by load_id order by load_id")
    assert query(plant, "select 1 from load where rows_read <> rows_loaded + rows_duplicate + rows_refused") == []
    assert query(plant, "select (select count(*) from pick) - (select coalesce(sum(attempts), 0) from tally)") == [(0,)]


def overlapping_plant(folder: Path, picks: int = 6_000, count: int = 4) -> Path:
    """A plant whose logs overlap each other, so that every file touches hours of the one before."""
    make_plant(folder)
    lines = some_picks(picks)
    size = len(lines) // count
    for i in range(count):
        write_picks(folder / "inbox" / f"{i}_picks.csv.gz", lines[max(0, i * size - 200) : (i + 1) * size])
    return folder


def pickfall_as_ordinary_user(*args: object) -> Done:
    """The command without the right to pass over rights, which root has: then nothing would be tested.

    The user keeps his id, so that he can run this Python wherever it lies; `test_rights.py` shows that rights count.
    """
    assert os.getuid() == 0, "run as root: only root can give rights up"
    give_up = ["setpriv", "--no-new-privs", "--inh-caps=-all", "--bounding-set=-all"]
    command = [*give_up, sys.executable, "-m", "pipeline.cli", *(str(a) for a in args)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=300, cwd=ROOT)


@contextmanager
def small_disk(folder: Path, kilobytes: int) -> Iterator[Path]:
    """A disk in memory of that size; fails where it cannot be mounted (that takes root)."""
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k,mode=755", "pickfall-test", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"cannot mount a small disk: {done.stderr}"
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def resize(folder: Path, kilobytes: int) -> None:
    """Another size for that disk."""
    subprocess.run(["mount", "-o", f"remount,size={kilobytes}k", str(folder)], check=True)


def used_kilobytes(folder: Path) -> int:
    """What is taken of that disk."""
    found = os.statvfs(folder)
    return (found.f_blocks - found.f_bfree) * found.f_frsize // 1024
