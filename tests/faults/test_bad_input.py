"""Bad input gets one clear line and the right exit code; nothing is half loaded and nobody sees a traceback."""

from __future__ import annotations

import gzip
import subprocess
import sys
from pathlib import Path

import pytest

from tests.plants import make_plant, pickfall, query, some_picks, write_picks


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    return make_plant(tmp_path / "plant")


def _check(done: subprocess.CompletedProcess[str], code: int, *words: str) -> None:
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr + done.stdout
    for word in words:
        assert word in done.stderr, f"{word!r} is not in {done.stderr!r}"


def _nothing_loaded(plant: Path) -> None:
    assert query(
        plant, "select (select count(*) from pick) + (select count(*) from tally) + (select count(*) from load)"
    ) == [(0,)]


def test_missing_file(plant: Path) -> None:
    done = pickfall("ingest", "nowhere.csv", "--plant", plant)
    _check(done, 2, "nowhere.csv not found")
    assert done.stderr.count("\n") == 1


def test_missing_plant(tmp_path: Path) -> None:
    _check(pickfall("ingest", "--plant", tmp_path / "no"), 2, "plant.toml not found", "pickfall new")


def test_empty_file(plant: Path) -> None:
    (plant / "inbox" / "a_picks.csv").write_bytes(b"")
    _check(pickfall("ingest", "--plant", plant), 3, "a_picks.csv", "empty", "Nothing of this file was loaded")
    _nothing_loaded(plant)


def test_wrong_encoding(plant: Path) -> None:
    write_picks(plant / "inbox" / "a_picks.csv", some_picks(10))
    path = plant / "inbox" / "a_picks.csv"
    path.write_bytes(path.read_bytes() + "2026-11-16 07:00:00;Bestücker;".encode("latin-1") + b"\n")
    _check(pickfall("ingest", "--plant", plant), 3, "a_picks.csv line 12", "encoding")
    _nothing_loaded(plant)


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95, 0.999])
def test_torn_gzip(plant: Path, share: float) -> None:
    path = write_picks(plant / "inbox" / "a_picks.csv.gz", some_picks(500))
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    _check(pickfall("ingest", "--plant", plant), 3, "a_picks.csv.gz", "gzip")
    _nothing_loaded(plant)


def test_gzip_with_a_wrong_checksum(plant: Path) -> None:
    path = write_picks(plant / "inbox" / "a_picks.csv.gz", some_picks(500))
    whole = bytearray(path.read_bytes())
    whole[-6] ^= 0xFF
    path.write_bytes(bytes(whole))
    _check(pickfall("ingest", "--plant", plant), 3, "a_picks.csv.gz", "gzip")
    _nothing_loaded(plant)


def test_one_bad_file_does_not_stop_the_others(plant: Path) -> None:
    write_picks(plant / "inbox" / "b_picks.csv", some_picks(100))
    (plant / "inbox" / "a_picks.csv.gz").write_bytes(gzip.compress(b"x" * 1000)[:20])
    _check(pickfall("ingest", "--plant", plant), 3, "a_picks.csv.gz", "1 file(s) refused as a whole")
    assert query(plant, "select count(*) from pick") == [(100,)]
    assert query(plant, "select file, line from refused") == [("inbox/a_picks.csv.gz", None)]
    again = pickfall("ingest", "--plant", plant)
    assert again.returncode == 3
    assert query(plant, "select count(*) from refused") == [(1,)]


def test_a_refused_file_that_was_mended_is_loaded_and_forgotten(plant: Path) -> None:
    path = write_picks(plant / "inbox" / "a_picks.csv.gz", some_picks(100))
    whole = path.read_bytes()
    path.write_bytes(whole[:-10])
    assert pickfall("ingest", "--plant", plant).returncode == 3
    path.write_bytes(whole)
    assert pickfall("ingest", "--plant", plant).returncode == 0
    assert query(plant, "select (select count(*) from pick), (select count(*) from refused)") == [(100, 0)]


def test_lines_beyond_the_limit_are_refused_and_the_rest_is_loaded(plant: Path) -> None:
    path = write_picks(plant / "inbox" / "a_picks.csv", some_picks(50))
    path.write_text(path.read_text() + "2026-13-45 00:00:00;M1;H1;1;N1;F1;1;P1;R1;L1;OK;\n" * 5, encoding="utf-8")
    _check(pickfall("ingest", "--plant", plant), 3, "5 of 55 lines refused")
    assert query(plant, "select count(*) from pick") == [(50,)]
    rows = query(plant, "select line, raw, reason from refused order by line")
    assert [r[0] for r in rows] == [52, 53, 54, 55, 56]
    assert str(rows[0][1]).startswith("2026-13-45")


def test_few_refused_lines_end_with_zero(plant: Path) -> None:
    path = write_picks(plant / "inbox" / "a_picks.csv", some_picks(500))
    path.write_text(path.read_text() + "torn line\n", encoding="utf-8")
    assert pickfall("ingest", "--plant", plant).returncode == 0
    assert query(plant, "select rows_read, rows_loaded, rows_refused from load") == [(501, 500, 1)]


def test_unknown_column_in_a_mapping(plant: Path) -> None:
    mapping = plant / "mappings" / "picks.toml"
    mapping.write_text(mapping.read_text().replace('lot = "lot"', 'lott = "lot"'), encoding="utf-8")
    write_picks(plant / "inbox" / "a_picks.csv", some_picks(5))
    _check(pickfall("ingest", "--plant", plant), 2, "picks.toml line", "lott", "lot")
    _nothing_loaded(plant)


def test_a_mapped_column_that_the_log_does_not_have(plant: Path) -> None:
    mapping = plant / "mappings" / "picks.toml"
    mapping.write_text(mapping.read_text().replace('lot = "lot"', 'lot = "batch"'), encoding="utf-8")
    write_picks(plant / "inbox" / "a_picks.csv", some_picks(5))
    _check(pickfall("ingest", "--plant", plant), 3, "batch")
    _nothing_loaded(plant)


def test_unknown_key_in_settings(plant: Path) -> None:
    (plant / "plant.toml").write_text("[plant]\nname = 'x'\n\n[statistics]\nconfidense = 0.9\n", encoding="utf-8")
    _check(pickfall("ingest", "--plant", plant), 2, "plant.toml line 5", "confidense", 'Did you mean "confidence"')


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        ("[statistics]\nconfidence = 2\n", 2, "between"),
        ("[statistics]\nconfidence = 'high'\n", 2, "number"),
        ("[plant]\nzone = 'Mars/Base'\n", 2, "time zone"),
        ("[plant\n", 1, "TOML"),
        ("[shifts]\nbegins = ['25:00']\n", 2, "begins"),
        ("[[maintenance]]\npattern = '('\nkind = 'nozzle'\naction = 'cleaned'\n", 2, "regular expression"),
        ("[buying]\nhistory_weeks = 1.5\n", 2, "whole number"),
    ],
)
def test_bad_settings_name_their_line(plant: Path, text: str, line: int, word: str) -> None:
    (plant / "plant.toml").write_text(text, encoding="utf-8")
    _check(pickfall("status", "--plant", plant), 2, f"plant.toml line {line}", word)


def test_database_in_use(plant: Path) -> None:
    write_picks(plant / "inbox" / "a_picks.csv", some_picks(5))
    assert pickfall("ingest", "--plant", plant).returncode == 0
    hold = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('open', flush=True); sys.stdin.read()"
    database = plant / "store" / "pickfall.duckdb"
    with subprocess.Popen(
        [sys.executable, "-c", hold, str(database)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        for command in (("ingest",), ("status",), ("week", "2026-W47")):
            _check(pickfall(*command, "--plant", plant), 75, "in use by another process")
        holder.communicate("")


def test_a_file_that_is_no_database(plant: Path) -> None:
    (plant / "store").mkdir()
    (plant / "store" / "pickfall.duckdb").write_bytes(b"no database at all " * 500)
    _check(pickfall("status", "--plant", plant), 1, "damaged or not a pickfall database")
    assert (plant / "store" / "pickfall.duckdb").read_bytes().startswith(b"no database")


def test_a_database_of_a_newer_version(plant: Path) -> None:
    write_picks(plant / "inbox" / "a_picks.csv", some_picks(5))
    assert pickfall("ingest", "--plant", plant).returncode == 0
    import duckdb

    with duckdb.connect(str(plant / "store" / "pickfall.duckdb")) as con:
        con.execute("insert into schema_version values (99)")
    for command in (("ingest",), ("status",)):
        _check(pickfall(*command, "--plant", plant), 1, "schema version 99", "newer pickfall")
    assert query(plant, "select count(*) from pick") == [(5,)]


@pytest.mark.parametrize(
    ("name", "text", "line", "word"),
    [
        ("parts.csv", "part,colour\nP1,red\n", 1, "colour"),
        ("parts.csv", "part,unit_cost\nP1,cheap\n", 2, "unit_cost"),
        ("parts.csv", "part,unit_cost\nP1,1\nP1,2\n", 3, "line 2 already"),
        ("parts.csv", "part,stock\nP1,-5\n", 2, "stock"),
        ("builds.csv", "build,part,boards\nB1,P1,5\n", 1, "quantity_per_board"),
        ("machines.csv", "machine,line\nM1\n", 2, "1 fields"),
    ],
)
def test_bad_master_tables_name_their_line(plant: Path, name: str, text: str, line: int, word: str) -> None:
    (plant / "masters" / name).write_text(text, encoding="utf-8")
    _check(pickfall("ingest", "--plant", plant), 2, f"{name} line {line}", word)


def test_misuse(plant: Path) -> None:
    write_picks(plant / "inbox" / "a_picks.csv", some_picks(5))
    pickfall("ingest", "--plant", plant)
    _check(pickfall("rank", "sprocket", "--plant", plant), 2, "sprocket", "nozzle")
    _check(pickfall("week", "last", "--plant", plant), 2, "2026-W47")
    _check(pickfall("week", "2026-W99", "--plant", plant), 2, "2026-W47")
    _check(pickfall("week", "2031-W01", "--plant", plant), 2, "no picks in week 2031-W01")
    _check(pickfall("week", "--colour", "--plant", plant), 2, "--colour")
    _check(pickfall("nonsense"), 2, "nonsense")


def test_a_report_before_any_log(plant: Path) -> None:
    _check(pickfall("week", "--plant", plant), 2, "not there yet", "pickfall ingest")


def test_new_does_not_touch_a_folder_in_use(plant: Path) -> None:
    _check(pickfall("new", plant), 2, "not empty")
