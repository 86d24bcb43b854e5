"""Files that were read before are passed over without opening them, and never wrongly."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Iterable
from pathlib import Path

import pytest

from pipeline import settings
from pipeline.ingest import known_files
from pipeline.ingest.child import file_state
from pipeline.ingest.dialect import Log
from pipeline.ingest.known_files import KnownFiles
from pipeline.intake import Intake, find_files, take_in
from pipeline.store.database import open_store
from tests.faults.runs import check
from tests.plants import make_plant, pickfall, query, some_picks, write_picks


@pytest.fixture
def plant(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(known_files, "SETTLED_NS", 0)
    folder = make_plant(tmp_path / "plant")
    for i in range(3):
        write_picks(folder / "inbox" / f"{i}_picks.csv", some_picks(30, seed=i))
    return folder


def _ingest(folder: Path, *, check: bool = False) -> Intake:
    plant = settings.load(folder)
    with open_store(plant, write=True) as con:
        return take_in(con, plant, find_files(plant, []), check=check)


def _reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the files that are opened from now on."""
    from pipeline.ingest.child_reader import ChildReader

    opened: list[str] = []
    real = ChildReader.read

    def read(self: ChildReader, logs: Iterable[Log]) -> object:
        wanted = list(logs)
        opened.extend(log.path.name for log in wanted)
        return real(self, wanted)

    monkeypatch.setattr(ChildReader, "read", read)
    return opened


def test_a_second_run_opens_nothing(plant: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert len(_ingest(plant).loaded) == 3
    opened = _reads(monkeypatch)
    again = _ingest(plant)
    assert opened == []
    assert again.known == ("inbox/0_picks.csv", "inbox/1_picks.csv", "inbox/2_picks.csv")
    assert _ingest(plant, check=True).known == again.known
    assert opened == ["0_picks.csv", "1_picks.csv", "2_picks.csv"]


def test_other_content_of_the_same_size_and_time_is_seen(plant: Path) -> None:
    """The time of the entry (ctime) cannot be set back by a copying program."""
    _ingest(plant)
    path = plant / "inbox" / "1_picks.csv"
    before = path.stat()
    path.write_text(path.read_text(encoding="utf-8").replace(";N1", ";Q1"), encoding="utf-8")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (before.st_size, before.st_mtime_ns)
    assert [r.file for r in _ingest(plant).loaded] == ["inbox/1_picks.csv"]


def test_a_store_that_was_put_back_is_filled_again(plant: Path) -> None:
    _ingest(plant)
    shutil.copy(plant / "store" / "pickfall.duckdb", plant / "old.duckdb")
    write_picks(plant / "inbox" / "9_picks.csv", some_picks(30, seed=9))
    assert len(_ingest(plant).loaded) == 1
    shutil.copy(plant / "old.duckdb", plant / "store" / "pickfall.duckdb")
    assert [r.file for r in _ingest(plant).loaded] == ["inbox/9_picks.csv"]
    (plant / "store" / "pickfall.duckdb").unlink()
    assert len(_ingest(plant).loaded) == 4


@pytest.mark.parametrize(
    "note", [b"", b"{", b"[]", b"null", b'{"format": 99}', b'{"format": 1, "files": 3}', b"\xff\0", b"[" * 100_000]
)
def test_a_note_that_cannot_be_read_is_no_matter(plant: Path, note: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    _ingest(plant)
    (plant / "store" / known_files.FILE).write_bytes(note)
    opened = _reads(monkeypatch)
    assert len(_ingest(plant).known) == 3
    assert len(opened) == 3
    assert len(_ingest(plant).known) == 3
    assert len(opened) == 3


def test_a_refused_file_is_tried_again(plant: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (plant / "inbox" / "empty_picks.csv").write_bytes(b"")
    assert len(_ingest(plant).refused) == 1
    opened = _reads(monkeypatch)
    assert len(_ingest(plant).refused) == 1
    assert opened == ["empty_picks.csv"]


def test_a_file_that_was_just_written_is_not_remembered(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("a", encoding="utf-8")
    known = KnownFiles(tmp_path, [])
    state = file_state(path)
    assert state is not None
    known.remember(Log(path), "hash", tuple(state))
    known.save()
    assert not KnownFiles(tmp_path, ["hash"]).knows(Log(path))


def test_files_that_are_gone_are_forgotten(plant: Path) -> None:
    _ingest(plant)
    (plant / "inbox" / "0_picks.csv").unlink()
    write_picks(plant / "inbox" / "5_picks.csv", some_picks(30, seed=5))
    _ingest(plant)
    kept = json.loads((plant / "store" / known_files.FILE).read_text(encoding="utf-8"))["files"]
    assert sorted(Path(p).name for p in kept) == ["1_picks.csv", "2_picks.csv", "5_picks.csv"]


def test_the_command_with_check(plant: Path) -> None:
    time.sleep(2.1)
    check(pickfall("ingest", "--plant", plant), 0)
    check(pickfall("ingest", "--plant", plant), 0, "3 known already")
    check(pickfall("ingest", "--plant", plant, "--check"), 0, "3 known already")
    assert query(plant, "select count(*) from load") == [(3,)]
