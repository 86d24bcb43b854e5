"""A disk that fills up at any moment: one line, exit code 1; with room again the same command brings a clean result."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.faults.runs import (
    check,
    needs_root,
    nothing_partial,
    overlapping_plant,
    resize,
    small_disk,
    store_digest,
    used_kilobytes,
)
from tests.plants import pickfall

pytestmark = needs_root

PAGES = {"findings.json", "weekly.pdf", "weekly.xlsx", "weekly.html", "csv"}
LARGE = 400_000
WEEK = "2026-W47"


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Digest of a run with room."""
    plant = overlapping_plant(tmp_path_factory.mktemp("clean"))
    check(pickfall("ingest", "--plant", plant), 0)
    return store_digest(plant)


def _levels(count: int, low: int, high: int) -> list[int]:
    """Room in kB, from next to nothing to nearly enough, closer together where it is tight."""
    return sorted({int(low + (high - low) * (i / count) ** 2) for i in range(count)})


def _ingest(folder: Path, count: int, clean: str) -> None:
    with small_disk(folder, LARGE) as disk:
        plant = overlapping_plant(disk / "plant")
        begin = used_kilobytes(disk)
        check(pickfall("ingest", "--plant", plant), 0)
        need = used_kilobytes(disk) - begin
    failed = 0
    for room in _levels(count, 8, 3 * need // 2):
        with small_disk(folder, LARGE) as disk:
            plant = overlapping_plant(disk / "plant")
            resize(disk, used_kilobytes(disk) + room)
            done = pickfall("ingest", "--plant", plant, "--quiet")
            check(done, done.returncode)
            if done.returncode:
                failed += 1
                check(done, 1, "space")
                assert len(done.stderr.strip().splitlines()) == 1, done.stderr
            resize(disk, LARGE)
            if (plant / "store" / "pickfall.duckdb").exists():
                nothing_partial(plant)
            again = pickfall("ingest", "--plant", plant)
            check(again, 0)
            assert store_digest(plant) == clean, f"another result after {room} kB of room"
    assert failed >= count // 2, "most levels had room enough: nothing was tested"


def test_ingest(tmp_path: Path, clean: str) -> None:
    _ingest(tmp_path / "disk", 2, clean)


@pytest.mark.long
def test_ingest_at_twenty_levels(tmp_path: Path, clean: str) -> None:
    _ingest(tmp_path / "disk", 20, clean)


def _week(folder: Path, count: int) -> None:
    """Old pages stay until the new ones are complete."""
    with small_disk(folder, LARGE) as disk:
        plant = overlapping_plant(disk / "plant")
        check(pickfall("ingest", "--plant", plant), 0)
        begin = used_kilobytes(disk)
        check(pickfall("week", WEEK, "--plant", plant), 0)
        need = used_kilobytes(disk) - begin
        first = _pages(plant)
        failed = 0
        for room in _levels(count, 0, need):
            resize(disk, used_kilobytes(disk) + room)
            done = pickfall("week", WEEK, "--plant", plant, "--quiet")
            check(done, done.returncode)
            if done.returncode:
                failed += 1
                check(done, 1, "space")
                assert len(done.stderr.strip().splitlines()) == 1, done.stderr
            resize(disk, LARGE)
            assert _pages(plant) == first
            assert [p.name for p in (plant / "out").iterdir()] == [WEEK], "something half-written was left"
        assert failed >= count // 2
        check(pickfall("week", WEEK, "--plant", plant), 0)
        assert _pages(plant) == first


def _pages(plant: Path) -> str:
    folder = plant / "out" / WEEK
    assert {p.name for p in folder.iterdir()} == PAGES
    assert (folder / "weekly.pdf").read_bytes().rstrip().endswith(b"%%EOF")
    return json.dumps(json.loads((folder / "findings.json").read_text(encoding="utf-8")), sort_keys=True)


def test_week(tmp_path: Path) -> None:
    _week(tmp_path / "disk", 2)


@pytest.mark.long
def test_week_at_twenty_levels(tmp_path: Path) -> None:
    _week(tmp_path / "disk", 20)
