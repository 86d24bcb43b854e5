"""kill -9 at chosen moments: before every statement of a load and its roll-up, in checkpoints, while pages are written.

After each: what was acknowledged is stored, nothing is partial, and the same command again gives a clean run's result.
test_kill.py does the same at moments of chance, test_kill_later.py for what is done with loaded files.
"""

from __future__ import annotations

import json
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.faults.runs import ROOT, check, nothing_partial, overlapping_plant, store_digest
from tests.plants import pickfall, query

WEEK = "2026-W47"


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A plant of two overlapping logs of each kind that is copied for every kill."""
    return overlapping_plant(tmp_path_factory.mktemp("template"), picks=1_500, count=2)


@pytest.fixture(scope="module")
def clean(template: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, int]:
    """Digest and number of statements of a run that nobody kills."""
    plant = tmp_path_factory.mktemp("clean") / "plant"
    shutil.copytree(template, plant)
    done = _killed(plant, "count", 0)
    assert done.returncode == 0, done.stderr
    return store_digest(plant), int(done.stdout.split()[-1])


def _killed(plant: Path, how: str, number: float) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "tests.faults.killed_run", str(plant), how, str(number)]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=ROOT, timeout=300)


def _kill(template: Path, plant: Path, how: str, number: float, digest: str) -> None:
    shutil.copytree(template, plant)
    done = _killed(plant, how, number)
    assert done.returncode == -signal.SIGKILL, f"{how} {number}: {done.returncode} {done.stderr}"
    if (plant / "store" / "pickfall.duckdb").exists():
        nothing_partial(plant)
    for name in done.stdout.split():
        assert query(plant, f"select count(*) from load where file = 'inbox/{name}'") == [(1,)], (
            "acknowledged, but lost"
        )
    check(pickfall("ingest", "--plant", plant), 0)
    assert store_digest(plant) == digest, f"another result after {how} {number}"
    assert not (plant / "store" / "reading").exists()
    shutil.rmtree(plant)


def test_before_some_statements(template: Path, clean: tuple[str, int], tmp_path: Path) -> None:
    digest, statements = clean
    assert statements > 40
    for number in random.Random(20261127).sample(range(1, statements + 1), 3):
        _kill(template, tmp_path / str(number), "statement", number, digest)


@pytest.mark.long
def test_before_every_statement(template: Path, clean: tuple[str, int], tmp_path: Path) -> None:
    digest, statements = clean
    for number in range(1, statements + 1):
        _kill(template, tmp_path / str(number), "statement", number, digest)


@pytest.mark.parametrize("count", [1, pytest.param(40, marks=pytest.mark.long)])
def test_inside_a_checkpoint(template: Path, clean: tuple[str, int], tmp_path: Path, count: int) -> None:
    rng = random.Random(count)
    for i in range(count):
        _kill(template, tmp_path / str(i), "checkpoint", rng.uniform(0.0, 0.2), clean[0])


@pytest.mark.parametrize("count", [1, pytest.param(40, marks=pytest.mark.long)])
def test_while_a_report_is_written(template: Path, tmp_path: Path, count: int) -> None:
    """The week's folder is complete or not there; an older one stays as it was; then the same command brings it."""
    rng = random.Random(count)
    plant = tmp_path / "plant"
    shutil.copytree(template, plant)
    check(pickfall("ingest", "--plant", plant), 0)
    begin = time.monotonic()
    check(pickfall("week", WEEK, "--plant", plant), 0)
    takes = time.monotonic() - begin
    first = _pages(plant)
    hits = 0
    for _ in range(5 * count):
        if hits == count:
            break
        if hits % 2:
            shutil.rmtree(plant / "out" / WEEK, ignore_errors=True)
        there = (plant / "out" / WEEK).exists()
        ended_after = _killed_report(plant, rng.uniform(0.5, 1.0) * takes)
        if ended_after is None:
            hits += 1
        else:
            takes = min(takes, ended_after)
        if there or (plant / "out" / WEEK).exists():
            assert _pages(plant) == first
        check(pickfall("status", "--plant", plant), 0)
    check(pickfall("week", WEEK, "--plant", plant), 0)
    assert _pages(plant) == first
    assert hits == count, f"only {hits} of {5 * count} kills came before the report was done"


def _killed_report(plant: Path, seconds: float) -> float | None:
    """Kill a weekly report after ``seconds``; None when that hit, else the seconds in which the report was done."""
    command = [sys.executable, "-m", "pipeline.cli", "week", WEEK, "--plant", str(plant)]
    begin = time.monotonic()
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=ROOT) as run:
        try:
            run.wait(timeout=seconds)
        except subprocess.TimeoutExpired:
            run.kill()
            run.wait()
            return None if run.returncode == -signal.SIGKILL else time.monotonic() - begin
        return time.monotonic() - begin


def _pages(plant: Path) -> str:
    """The findings, once all files of the week are seen to be whole."""
    folder = plant / "out" / WEEK
    assert {p.name for p in folder.iterdir()} == {"findings.json", "weekly.pdf", "weekly.xlsx", "weekly.html", "csv"}
    assert (folder / "weekly.pdf").read_bytes().rstrip().endswith(b"%%EOF")
    assert (folder / "weekly.html").read_text(encoding="utf-8").rstrip().endswith("</html>")
    return json.dumps(json.loads((folder / "findings.json").read_text(encoding="utf-8")), sort_keys=True)
