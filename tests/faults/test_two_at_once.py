"""Two commands at the same time: one goes through, the other ends with 75 at once, and nothing is broken."""

from __future__ import annotations

import contextlib
import fcntl
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest

from pipeline.store.database import connect
from tests.faults.runs import ROOT, check, check_one_line, nothing_partial, overlapping_plant
from tests.plants import pickfall, query, some_picks, tally_digest, write_picks


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> str:
    plant = overlapping_plant(tmp_path_factory.mktemp("clean"), picks=6_000)
    check(pickfall("ingest", "--plant", plant), 0)
    return tally_digest(plant)


def _start(*args: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "pipeline.cli", *(str(a) for a in args)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@contextmanager
def _writing(plant: Path) -> Iterator[None]:
    """A run of ingest that has begun to write and does not end while the block runs."""
    program = (
        "import sys; from pipeline.store.loading import LoadGroup; real = LoadGroup.add\n"
        "def slow(*a):\n    done = real(*a); print('loaded', flush=True); sys.stdin.readline(); return done\n"
        "LoadGroup.add = slow\n"
        "from pipeline.cli import main; main()"
    )
    command = [sys.executable, "-c", program, "ingest", "--plant", str(plant), "--quiet"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "loaded\n"
        yield
        run.communicate("\n" * 100)
    assert run.returncode == 0


def test_two_writers(tmp_path: Path, clean: str) -> None:
    plant = overlapping_plant(tmp_path, picks=6_000)
    runs = [_start("ingest", "--plant", plant) for _ in range(3)]
    said = [run.communicate(timeout=300) for run in runs]
    codes = sorted(run.returncode for run in runs)
    for run, (out, err) in zip(runs, said, strict=True):
        assert "Traceback" not in out + err
        if run.returncode == 75:
            assert "in use by another process" in err
            assert len(err.splitlines()) == 1
    assert codes[0] == 0
    assert set(codes) <= {0, 75}, said
    assert tally_digest(plant) == clean


def test_who_comes_while_the_store_is_being_made_waits_for_it(tmp_path: Path) -> None:
    """A file without its headers is no damaged database, and not one that a kill left, while another is making it."""
    path = tmp_path / "store" / "pickfall.duckdb"
    path.parent.mkdir()
    folder = os.open(path.parent, os.O_RDONLY)
    fcntl.flock(folder, fcntl.LOCK_EX)
    path.write_bytes(b"\0" * 8 + b"DUCK")
    opened: list[list[tuple[int]]] = []

    def come() -> None:
        with contextlib.closing(connect(path, 100, write=True)) as con:
            opened.append(con.execute("select n from kept").fetchall())

    other = threading.Thread(target=come)
    other.start()
    time.sleep(0.5)
    assert path.stat().st_size == 12, "it was left alone"
    path.unlink()
    with duckdb.connect(str(path)) as con:
        con.execute("create table kept as select 7 as n")
    os.close(folder)
    other.join(60)
    assert opened == [[(7,)]]


@pytest.mark.long
def test_readers_get_the_state_from_before_while_logs_are_loaded(tmp_path: Path, clean: str) -> None:
    plant = overlapping_plant(tmp_path, picks=6_000)
    check(pickfall("ingest", "--plant", plant), 0)
    before = pickfall("status", "--plant", plant, "--format", "json").stdout
    rank = pickfall("rank", "nozzle", "--plant", plant, "--format", "csv").stdout
    write_picks(plant / "inbox" / "new_picks.csv", some_picks(500, seed=9))
    with _writing(plant):
        done = pickfall("status", "--plant", plant, "--format", "json")
        assert (done.returncode, done.stdout) == (0, before), done.stderr
        assert "this is the state from before that run" in done.stderr
        assert pickfall("rank", "nozzle", "--plant", plant, "--format", "csv").stdout == rank
        check(pickfall("week", "2026-W47", "--plant", plant), 0, "state from before")
        check_one_line(pickfall("ingest", "--plant", plant), 75, "in use by another process")
        held = pickfall("status", "--plant", plant, "--format", "json")
        assert held.stdout == before, "a second writer must leave the copy alone"
    assert not (plant / "store" / "pickfall.duckdb.before").exists()
    after = pickfall("status", "--plant", plant, "--format", "json")
    assert after.stdout != before
    assert "state from before" not in after.stderr


def test_a_copy_that_a_killed_run_left_is_not_read(tmp_path: Path, clean: str) -> None:
    plant = overlapping_plant(tmp_path, picks=6_000)
    check(pickfall("ingest", "--plant", plant), 0)
    left = plant / "store" / "pickfall.duckdb.before"
    left.write_bytes(b"left behind")
    check(pickfall("status", "--plant", plant), 0)
    check(pickfall("ingest", "--plant", plant), 0)
    assert not left.exists()


def test_a_second_writer_and_readers_while_the_first_logs_are_loaded(tmp_path: Path, clean: str) -> None:
    plant = overlapping_plant(tmp_path, picks=6_000)
    with _writing(plant):
        for command in (("ingest",), ("status",), ("rank", "nozzle"), ("overage",), ("week", "2026-W47", "--quiet")):
            begin = time.monotonic()
            check_one_line(pickfall(*command, "--plant", plant), 75, "in use by another process")
            assert time.monotonic() - begin < 30
        assert not (plant / "out").exists()
        assert (plant / "store" / "reading").exists(), "a second writer must not sweep the first one's folder"
    nothing_partial(plant)
    assert tally_digest(plant) == clean
    check(pickfall("status", "--plant", plant), 0)


def test_a_writer_while_somebody_reads(tmp_path: Path, clean: str) -> None:
    plant = overlapping_plant(tmp_path, picks=6_000)
    check(pickfall("ingest", "--plant", plant), 0)
    hold = "import duckdb, sys; c = duckdb.connect(sys.argv[1], read_only=True); print('open', flush=True); input()"
    command = [sys.executable, "-c", hold, str(plant / "store" / "pickfall.duckdb")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as reader:
        assert reader.stdout is not None
        assert reader.stdout.readline() == "open\n"
        check_one_line(pickfall("ingest", "--plant", plant), 75, "in use by another process")
        check(pickfall("status", "--plant", plant), 0)
        reader.communicate("\n")
    assert tally_digest(plant) == clean
    assert query(plant, "select count(*) from load") == [(12,)]
