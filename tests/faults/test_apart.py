"""Commands that only look at a file do it in a process of its own: whatever the file does ends in one sentence."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

import openpyxl
import pytest

from pipeline.commands.build_list import read_build_list
from pipeline.errors import PickfallError, UserError
from pipeline.ingest.apart import call_apart
from pipeline.settings import Limits
from tests.faults.hostile_readers import hostile_call

QUICK = Limits(file_seconds=20, file_memory_mb=300)


@pytest.fixture(autouse=True)
def _own_temporary_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "tmp").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "tmp"))


def call(folder: Path, word: str, limits: Limits = QUICK) -> object:
    (folder / "x.log").write_text("some words", encoding="utf-8")
    try:
        return call_apart(hostile_call, folder / "x.log", word, limits=limits)
    finally:
        assert list((folder / "tmp").iterdir()) == []


def test_what_the_function_returns_comes_back(tmp_path: Path) -> None:
    assert call(tmp_path, "good") == ["some", "words"]
    assert call(tmp_path, "print") == ["some", "words"]


@pytest.mark.parametrize(
    ("word", "words"),
    [
        ("user", "is not good. Give another."),
        ("crash", "broke down (SIGSEGV)"),
        ("temporary", "broke down (exit code 7)"),
        ("hog", "more than 300 MB of memory. Split it, or raise file_memory_mb in [limits]."),
    ],
)
def test_what_a_file_does_is_one_sentence(tmp_path: Path, word: str, words: str) -> None:
    with pytest.raises(UserError) as error:
        call(tmp_path, word)
    assert str(error.value).startswith(str(tmp_path / "x.log"))
    assert words in str(error.value)


def test_a_file_that_takes_too_long(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="longer than 2 seconds"):
        call(tmp_path, "sleep", Limits(file_seconds=2))


def test_a_fault_of_the_program_is_no_mistake_of_the_user(tmp_path: Path) -> None:
    with pytest.raises(PickfallError, match=r"KeyError: 'no such thing'; hostile_readers\.py line") as error:
        call(tmp_path, "bug")
    assert error.value.exit_code == 1


def run(*arguments: str | Path, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "TMPDIR": str(folder)},
    )


def test_the_mapping_command_keeps_the_limits_of_the_plant(tmp_path: Path) -> None:
    plant = tmp_path / "plant"
    plant.mkdir()
    (plant / "x.csv").write_text("time;machine;result\n" + "2026-11-16 06:00:00;M1;OK\n" * 50_000, encoding="utf-8")
    (plant / "plant.toml").write_text("[limits]\nunpacked_bytes = 1000000\n", encoding="utf-8")
    for arguments, folder in ((("--plant", plant), tmp_path), ((), plant)):
        done = run("mapping", plant / "x.csv", *arguments, folder=folder)
        assert (done.returncode, done.stdout) == (2, ""), done.stderr
        assert "holds more than 1000000 bytes" in done.stderr
    assert run("mapping", plant / "x.csv", folder=tmp_path).returncode == 0  # no plant: the usual limits
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plant", "tmp"]


def test_a_build_list_is_read_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """This process has no function to read a sheet with; the other one has."""
    book = openpyxl.Workbook()
    book.active.append(["part", "per board", "boards"])
    book.active.append(["P1", 2, 100])
    book.save(tmp_path / "x.xlsx")
    monkeypatch.delattr("pipeline.ingest.containers_workbook.sheet_rows")
    found = read_build_list(tmp_path / "x.xlsx", {"P1"}, Limits())
    assert found.builds.select("part", "quantity_per_board", "boards").rows() == [("P1", 2, 100)]
    with pytest.raises(UserError, match="longer than 0 seconds"):
        read_build_list(tmp_path / "x.xlsx", {"P1"}, Limits(file_seconds=0))
