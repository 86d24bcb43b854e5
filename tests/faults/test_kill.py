"""kill -9 at a random moment of a run, then the same command again: the result equals a clean run's.

Every other run is the command itself; the others tell of each file as it is taken in (killed_run.py), so that what was
acknowledged is known: it must be stored. A kill counts when the run was still going.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest

from tests.faults.runs import ROOT, check, nothing_partial, overlapping_plant, store_digest
from tests.plants import pickfall, query

FILES = 4
"""Of each of three kinds."""
TRIES = 4
"""So many times the wanted number of kills are tried at most."""


def _command(plant: Path, *, tells: bool) -> list[str]:
    if tells:
        return [sys.executable, "-m", "tests.faults.killed_run", str(plant), "count", "0"]
    return [sys.executable, "-m", "pipeline.cli", "ingest", "--plant", str(plant)]


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return overlapping_plant(tmp_path_factory.mktemp("template"), picks=12_000, count=FILES)


@pytest.fixture(scope="module")
def clean(template: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, dict[bool, float]]:
    """Digest of a run that nobody killed, and how long each of the two kinds of run took."""
    took = {}
    for tells in (True, False):
        plant = tmp_path_factory.mktemp("clean") / "plant"
        shutil.copytree(template, plant)
        begin = time.monotonic()
        subprocess.run(_command(plant, tells=tells), check=True, capture_output=True, cwd=ROOT, timeout=600)
        took[tells] = time.monotonic() - begin
    return store_digest(plant), took


def _killed(plant: Path, after: float, *, tells: bool) -> tuple[bool, list[str]]:
    """True when the kill hit a run that was still going; and the files that it had told of."""
    command = _command(plant, tells=tells)
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=ROOT) as process:
        time.sleep(after)
        process.send_signal(signal.SIGKILL)
        said, _ = process.communicate()
    told = [line for line in said.splitlines() if line.endswith((".gz", ".csv", ".json"))] if tells else []
    return process.returncode == -signal.SIGKILL, told


def _phase(plant: Path) -> str:
    """How far the run had come, by what is in the store."""
    if not (plant / "store" / "pickfall.duckdb").exists():
        return "before the store"
    if query(plant, "select count(*) from duckdb_tables() where table_name in ('pick_row', 'load')") != [(2,)]:
        return "before its tables"
    ((files,),) = query(plant, "select count(*) from load")
    return f"{files} of {3 * FILES} files"


def _kill(
    template: Path, folder: Path, clean: tuple[str, dict[bool, float]], kills: int, seed: int
) -> Counter[tuple[bool, str]]:
    """Kill until so many kills have hit; the phases that were hit, by kind of run."""
    digest, took = clean
    rng, phases = random.Random(seed), Counter[tuple[bool, str]]()
    for number in range(TRIES * kills):
        plant, tells = folder / str(number), number % 2 == 0
        shutil.copytree(template, plant)
        hit, told = _killed(plant, rng.uniform(0.1, 1.0) * took[tells], tells=tells)
        if hit:
            phase = _phase(plant)
            phases[tells, phase] += 1
            stored = set()
            if "files" in phase:
                nothing_partial(plant)
                stored = {str(f).removeprefix("inbox/") for (f,) in query(plant, "select file from load")}
            assert set(told) <= stored, f"acknowledged, but lost: {sorted(set(told) - stored)}"
            check(pickfall("ingest", "--plant", plant), 0)
            assert store_digest(plant) == digest, f"another result after a kill at: {phase}"
            assert not (plant / "store" / "reading").exists()
        shutil.rmtree(plant)
        if phases.total() == kills:
            break
    for (tells, phase), count in sorted(phases.items()):
        print(f"{'one file after the other' if tells else 'the command'}: {phase}: {count} kills")
    assert phases.total() == kills, f"only {phases.total()} of {TRIES * kills} kills hit a run that was still going"
    return phases


def test_a_killed_ingest_leaves_the_last_good_state(
    template: Path, tmp_path: Path, clean: tuple[str, dict[bool, float]]
) -> None:
    _kill(template, tmp_path, clean, 2, 20261125)


@pytest.mark.long
def test_a_killed_ingest_leaves_the_last_good_state_two_hundred_times(
    template: Path, tmp_path: Path, clean: tuple[str, dict[bool, float]]
) -> None:
    phases = _kill(template, tmp_path, clean, 200, 47)
    between = {phase for tells, phase in phases if tells and "files" in phase}
    assert len(between) >= FILES, f"only a few moments of the run were met: {sorted(between)}"
