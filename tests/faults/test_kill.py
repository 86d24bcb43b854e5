"""kill -9 at a random moment of a run, then the same command again: the result equals a clean run's."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.plants import make_plant, pickfall, query, some_picks, tally_digest, write_picks

FILES = 8


def _plant(folder: Path) -> Path:
    make_plant(folder)
    lines = some_picks(24_000)
    size = len(lines) // FILES
    for i in range(FILES):
        write_picks(folder / "inbox" / f"{i}_picks.csv.gz", lines[max(0, i * size - 300) : (i + 1) * size])
    return folder


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, float]:
    """Digest of a run that nobody killed, and how long it took."""
    plant = _plant(tmp_path_factory.mktemp("clean"))
    begin = time.monotonic()
    assert pickfall("ingest", "--plant", plant).returncode == 0
    return tally_digest(plant), time.monotonic() - begin


def _kill_and_rerun(plant: Path, after: float, clean_digest: str) -> bool:
    """True when the kill hit a run that was still going."""
    command = [sys.executable, "-m", "pipeline.cli", "ingest", "--plant", str(plant)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        time.sleep(after)
        hit = process.poll() is None
        process.send_signal(signal.SIGKILL)
        process.wait()
    if (plant / "store" / "pickfall.duckdb").exists() and hit:
        _nothing_partial(plant)
    again = pickfall("ingest", "--plant", plant)
    assert again.returncode == 0, again.stderr
    assert tally_digest(plant) == clean_digest
    return hit


def _nothing_partial(plant: Path) -> None:
    """Every file in `load` is there with all its rows, and no row belongs to a file that is not."""
    tables = query(plant, "select count(*) from duckdb_tables() where table_name in ('pick', 'load')")
    if tables != [(2,)]:
        return
    loads = query(plant, "select load_id, rows_loaded from load order by load_id")
    picks = query(plant, "select load_id, count(*) from pick group by load_id order by load_id")
    assert loads == picks
    assert query(plant, "select (select count(*) from pick) - (select coalesce(sum(attempts), 0) from tally)") == [(0,)]


def test_a_killed_ingest_leaves_the_last_good_state(tmp_path: Path, clean: tuple[str, float]) -> None:
    rng = random.Random(20261125)
    hits = 0
    for i in range(6):
        hits += _kill_and_rerun(_plant(tmp_path / str(i)), rng.uniform(0.3, 1.0) * clean[1], clean[0])
    assert hits >= 2, "the kills came too late to test anything"


@pytest.mark.long
def test_a_killed_ingest_leaves_the_last_good_state_two_hundred_times(tmp_path: Path, clean: tuple[str, float]) -> None:
    rng = random.Random(47)
    hits = 0
    for i in range(200):
        hits += _kill_and_rerun(_plant(tmp_path / str(i)), rng.uniform(0.1, 1.05) * clean[1], clean[0])
    assert hits >= 100
