"""Folders that may not be written, as an ordinary user sees them: one line, exit code 1, nothing changed."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from tests.faults.runs import check, check_one_line, needs_root, pickfall_as_ordinary_user
from tests.plants import make_plant, query, some_picks, write_picks

pytestmark = needs_root


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    made = make_plant(tmp_path / "plant")
    write_picks(made / "inbox" / "a_picks.csv", some_picks(3_000))
    return made


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_an_ordinary_user_can_do_it_at_all_and_has_no_more_rights_than_that(plant: Path) -> None:
    (plant / "closed").mkdir(mode=0o555)
    check(pickfall_as_ordinary_user("new", plant / "closed" / "x"), 1, "ermission denied")
    check(pickfall_as_ordinary_user("ingest", "--plant", plant), 0)
    assert query(plant, "select count(*) from pick") == [(3_000,)]


def test_a_read_only_input(plant: Path) -> None:
    """The inbox and its logs are only read: nothing in them has to be written."""
    (plant / "inbox" / "a_picks.csv").chmod(0o444)
    (plant / "inbox").chmod(0o555)
    before = sorted((plant / "inbox").iterdir()), _digest(plant / "inbox" / "a_picks.csv")
    check(pickfall_as_ordinary_user("ingest", "--plant", plant), 0)
    assert (sorted((plant / "inbox").iterdir()), _digest(plant / "inbox" / "a_picks.csv")) == before


def test_a_log_and_a_folder_that_may_not_be_read(plant: Path) -> None:
    closed = write_picks(plant / "inbox" / "closed_picks.csv", some_picks(10, seed=3))
    closed.chmod(0)
    folder = plant / "inbox" / "folder"
    write_picks(folder / "x_picks.csv", some_picks(10, seed=4))
    folder.chmod(0)
    done = pickfall_as_ordinary_user("ingest", "--plant", plant)
    check(
        done, 3, "closed_picks.csv: cannot be opened: Permission denied", "folder: is a folder that this user may not"
    )
    assert query(plant, "select count(*) from pick") == [(3_000,)]


def test_a_plant_folder_that_may_not_be_written(plant: Path) -> None:
    plant.chmod(0o555)
    check_one_line(pickfall_as_ordinary_user("ingest", "--plant", plant), 1, "store", "ermission denied")
    assert not (plant / "store").exists()


def test_a_store_folder_that_may_not_be_written(plant: Path) -> None:
    check(pickfall_as_ordinary_user("ingest", "--plant", plant), 0)
    before = _digest(plant / "store" / "pickfall.duckdb")
    write_picks(plant / "inbox" / "b_picks.csv", some_picks(100, seed=2))
    (plant / "store").chmod(0o555)
    done = pickfall_as_ordinary_user("ingest", "--plant", plant)
    check(done, 1, "ermission denied")
    assert _digest(plant / "store" / "pickfall.duckdb") == before
    check(pickfall_as_ordinary_user("status", "--plant", plant), 0)


def test_a_database_that_may_not_be_written(plant: Path) -> None:
    check(pickfall_as_ordinary_user("ingest", "--plant", plant), 0)
    database = plant / "store" / "pickfall.duckdb"
    before = _digest(database)
    database.chmod(0o444)
    check_one_line(pickfall_as_ordinary_user("ingest", "--plant", plant), 1, "permission denied")
    assert _digest(database) == before
    check(pickfall_as_ordinary_user("status", "--plant", plant), 0)
    database.chmod(0)
    check_one_line(pickfall_as_ordinary_user("status", "--plant", plant), 1, "permission denied")


def test_an_output_folder_that_may_not_be_written(plant: Path) -> None:
    check(pickfall_as_ordinary_user("ingest", "--plant", plant), 0)
    (plant / "out").mkdir(mode=0o555)
    (plant / "out").chmod(0o555)
    done = pickfall_as_ordinary_user("week", "2026-W47", "--plant", plant, "--quiet")
    check_one_line(done, 1, "out", "ermission denied")
    assert list((plant / "out").iterdir()) == []


def test_settings_that_may_not_be_read(plant: Path) -> None:
    (plant / "plant.toml").chmod(0)
    check_one_line(pickfall_as_ordinary_user("status", "--plant", plant), 1, "plant.toml", "ermission denied")
    (plant / "plant.toml").chmod(0o644)
    (plant / "mappings" / "picks.toml").chmod(0)
    check_one_line(pickfall_as_ordinary_user("ingest", "--plant", plant), 1, "picks.toml", "ermission denied")


def test_a_plant_that_is_no_folder(plant: Path) -> None:
    check_one_line(pickfall_as_ordinary_user("status", "--plant", plant / "plant.toml"), 2, "plant.toml")
