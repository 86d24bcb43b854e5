"""What DuckDB does when it is left alone, measured here, and that the store does not let it."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import StoreTooNew
from pipeline.settings import Limits, Plant
from pipeline.store import migrations
from pipeline.store.database import connect, open_store
from tests.faults.runs import ROOT, check, check_one_line
from tests.plants import make_plant, pickfall, query, some_picks, write_picks


def _setting(con: duckdb.DuckDBPyConnection, name: str) -> str:
    ((value,),) = con.execute(f"select current_setting('{name}')").fetchall()
    return str(value)


@pytest.mark.parametrize("write", [True, False])
def test_memory_checkpoint_spill_and_extensions_are_set(tmp_path: Path, write: bool) -> None:
    path = tmp_path / "store" / "x.duckdb"
    connect(path, 700, write=True).close()
    con = connect(path, 700, write=write)
    assert _setting(con, "memory_limit") == "667.5 MiB"  # 700 * 10^6 bytes
    assert _setting(con, "checkpoint_threshold") == "244.1 MiB"  # 256 * 10^6 bytes
    assert _setting(con, "temp_directory") == str(path.parent / "spill")
    assert _setting(con, "max_temp_directory_size") == "46.5 GiB"  # 50 * 10^9 bytes
    assert _setting(con, "autoinstall_known_extensions") == "False"
    assert _setting(con, "autoload_known_extensions") == "False"
    assert _setting(con, "enable_progress_bar") == "False"
    con.close()


def test_nobody_changes_them_later(tmp_path: Path) -> None:
    con = connect(tmp_path / "x.duckdb", 700, write=True)
    for statement in ("set memory_limit = '10GB'", "set autoload_known_extensions = true", "reset temp_directory"):
        with pytest.raises(duckdb.InvalidInputException, match="locked"):
            con.execute(statement)
    con.close()


def test_an_extension_is_not_fetched(tmp_path: Path) -> None:
    con = connect(tmp_path / "x.duckdb", 700, write=True)
    with pytest.raises(duckdb.Error):
        con.execute("select * from read_xlsx('nothing.xlsx')")
    con.close()


def test_a_query_larger_than_memory_spills_beside_the_store_and_cleans_up(tmp_path: Path) -> None:
    con = connect(tmp_path / "store" / "x.duckdb", 100, write=True)
    con.execute("create temp table t as select range as a, md5(range::varchar) as b from range(4_000_000)")
    spilled = list((tmp_path / "store" / "spill").iterdir())
    assert con.execute("select count(*) from t").fetchall() == [(4_000_000,)]
    con.close()
    assert spilled
    left = tmp_path / "store" / "spill"
    assert not left.exists() or not list(left.iterdir())


def _in_terminal(code: str) -> str:
    """What a program writes to a terminal."""
    ours, theirs = pty.openpty()
    with subprocess.Popen([sys.executable, "-c", code], stdout=theirs, stderr=theirs, cwd=ROOT) as process:
        os.close(theirs)
        parts = []
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # Linux: the other end is closed
                break
            if not part:
                break
            parts.append(part)
        process.wait()
    os.close(ours)
    return b"".join(parts).decode("utf-8", "replace")


SLOW = "con.execute('select sum(hash(a.range + b.range)) from range(20000) a, range(10000) b').fetchall()"


def test_no_progress_bar_gets_into_the_output() -> None:
    """A query of some seconds; DuckDB left alone draws a bar, which shows that this test sees one."""
    shown = "set enable_progress_bar = true", "set progress_bar_time = 0"
    bare = "import duckdb; con = duckdb.connect(); " + "".join(f"con.execute('{s}'); " for s in shown) + SLOW
    assert "%" in _in_terminal(bare)
    ours = (
        "import tempfile, pathlib; from pipeline.store.database import connect; "
        f"con = connect(pathlib.Path(tempfile.mkdtemp()) / 'x.duckdb', 500, write=True); {SLOW}"
    )
    assert _in_terminal(ours) == ""


def test_output_that_is_piped_holds_nothing_but_data(tmp_path: Path) -> None:
    plant = make_plant(tmp_path)
    write_picks(plant / "inbox" / "a_picks.csv", some_picks(2_000))
    done = pickfall("ingest", "--plant", plant, "--format", "csv", "--quiet")
    assert done.returncode == 0
    assert done.stderr == ""
    head, row = done.stdout.splitlines()
    assert head.startswith("file,dialect,read,loaded")
    assert row.startswith("inbox/a_picks.csv,delimited,2000,2000")


def test_a_database_of_a_newer_schema_is_left_as_it_was(tmp_path: Path) -> None:
    plant = Plant(folder=tmp_path, limits=Limits(memory_mb=200))
    with open_store(plant, write=True) as con:
        con.execute("insert into schema_version values (?)", [migrations.CURRENT + 1])
    before = plant.database.read_bytes()
    for write in (True, False):
        with pytest.raises(StoreTooNew, match="newer pickfall"), open_store(plant, write=write):
            pass
    assert plant.database.read_bytes() == before


def test_a_file_of_a_newer_duckdb_has_its_own_message(tmp_path: Path) -> None:
    """The version of the file format stands behind the checksum and the letters DUCK: little-endian, 8 bytes."""
    plant = make_plant(tmp_path)
    write_picks(plant / "inbox" / "a_picks.csv", some_picks(20))
    assert pickfall("ingest", "--plant", plant).returncode == 0
    database = plant / "store" / "pickfall.duckdb"
    whole = database.read_bytes()
    assert whole[8:12] == b"DUCK"
    newer = whole[:12] + (9_999).to_bytes(8, "little") + whole[20:]
    database.write_bytes(newer)
    for command in ("ingest", "status"):
        check_one_line(pickfall(command, "--plant", plant), 1, "newer")
    assert database.read_bytes() == newer
    database.write_bytes(whole)
    assert query(plant, "select count(*) from pick") == [(20,)]


HEADERS, BLOCK = 3 * 4096, 262_144
"""Three headers come first, then blocks that begin with their checksum (DuckDB, "storage versions and format")."""


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes, str]:
    """A plant with a whole store, the bytes of that, and what `status` says of it."""
    plant = make_plant(tmp_path_factory.mktemp("damaged"))
    write_picks(plant / "inbox" / "a_picks.csv", some_picks(2_000))
    assert pickfall("ingest", "--plant", plant).returncode == 0
    done = pickfall("status", "--plant", plant)
    check(done, 0)
    return plant, (plant / "store" / "pickfall.duckdb").read_bytes(), done.stdout


def _bent(whole: bytes, *places: int) -> bytes:
    """The bytes with the eight at every place turned round."""
    made = bytearray(whole)
    for at in places:
        made[at : at + 8] = bytes(b ^ 0xFF for b in made[at : at + 8])
    return bytes(made)


def _status(plant: Path, content: bytes) -> subprocess.CompletedProcess[str]:
    """`status` of a store with that content, which is left as it is."""
    database = plant / "store" / "pickfall.duckdb"
    database.write_bytes(content)
    done = pickfall("status", "--plant", plant)
    assert database.read_bytes() == content
    return done


@pytest.mark.parametrize("what", ["first header", "both other headers", "every block", "cut in half"])
def test_a_damaged_database_is_refused_and_left_as_it_is(loaded: tuple[Path, bytes, str], what: str) -> None:
    plant, whole, _ = loaded
    assert (len(whole) - HEADERS) % BLOCK == 0, "another file format: look where its checksums stand"
    damaged = {
        "first header": _bent(whole, 0),
        "both other headers": _bent(whole, 4096, 8192),
        "every block": _bent(whole, *range(HEADERS, len(whole), BLOCK)),
        "cut in half": whole[: len(whole) // 2],
    }
    check_one_line(_status(plant, damaged[what]), 1, "pickfall.duckdb")


@pytest.mark.parametrize("every", [3, pytest.param(1, marks=pytest.mark.long)])
def test_one_damaged_block_is_refused_or_makes_no_difference(loaded: tuple[Path, bytes, str], every: int) -> None:
    """A block that `status` does not read may be bent: then it says what it says of the whole store, to the letter."""
    plant, whole, said = loaded
    places = range(HEADERS, len(whole), BLOCK)[::every]
    refused = 0
    for at in places:
        done = _status(plant, _bent(whole, at, at + BLOCK // 2))
        if done.returncode:
            check_one_line(done, 1, "pickfall.duckdb")
            refused += 1
        else:
            check(done, 0)
            assert done.stdout == said, f"another answer out of a damaged block at {at}"
    assert refused >= 1, "no damage was met: nothing was tested"
