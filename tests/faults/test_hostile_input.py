"""Logs and names that want to break the program: refused with one line each, the good ones beside them are loaded."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tests.faults.runs import ROOT, check, check_one_line, nothing_loaded, nothing_partial
from tests.plants import HEADER, make_plant, pickfall, query, some_picks, write_picks

GOOD = 50


@pytest.fixture
def plant(tmp_path: Path) -> Path:
    """One good log that must always come through."""
    folder = make_plant(tmp_path / "plant")
    write_picks(folder / "inbox" / "good_picks.csv", some_picks(GOOD))
    return folder


def _only_the_good_one(plant: Path) -> None:
    assert query(plant, "select file, rows_loaded from load where rows_loaded > 0") == [("inbox/good_picks.csv", GOOD)]
    nothing_partial(plant)


def _message(body: str, number: int = 1) -> str:
    return (
        f'{{"MessageName":"CFX.Production.WorkStarted","TimeStamp":"2026-11-16T06:00:0{number}Z","Source":"M1",'
        f'"UniqueID":"{number}","MessageBody":{body}}}'
    )


@pytest.mark.parametrize("opening", ["[", '{"a":'])
@pytest.mark.parametrize("closed", [True, False])
def test_json_nested_three_thousand_deep(plant: Path, opening: str, closed: bool) -> None:
    closing = {"[": "]", '{"a":': "}"}[opening] if closed else ""
    deep = opening * 3_000 + "1" + closing * 3_000
    lines = [_message('{"Lane":"1"}', 1), _message(f'{{"a":{deep}}}', 2), _message('{"Lane":"1"}', 3)]
    (plant / "inbox" / "deep.json").write_text("\n".join(lines) + "\n", encoding="utf-8")
    check(pickfall("ingest", "--plant", plant), 3, "deep.json: 1 of 3 lines refused")
    ((line, reason),) = query(plant, "select line, reason from refused")
    assert line == 2
    assert "nested deeper than 200 levels" in str(reason) or "not valid JSON" in str(reason)
    assert query(plant, "select count(*) from message") == [(2,)]


def test_nothing_but_brackets(plant: Path) -> None:
    head = _message("{}")
    (plant / "inbox" / "deep.json").write_text(head + "\n" + "[" * 2_000_000, encoding="utf-8")
    check(pickfall("ingest", "--plant", plant), 3, "deep.json: 1 of 2 lines refused")
    counts = query(plant, "select rows_read, rows_loaded, rows_refused from load where file = 'inbox/deep.json'")
    assert counts == [(2, 1, 1)]
    ((line, reason, kept),) = query(plant, "select line, reason, length(raw) from refused")
    assert (line, kept) == (2, 2_000)
    assert "nested deeper than 200 levels" in str(reason)
    assert query(plant, "select line from message") == [(1,)]
    assert query(plant, "select count(*) from pick") == [(GOOD,)]


def test_a_message_with_a_million_keys_and_a_huge_number(plant: Path) -> None:
    """Keys that nobody asks for are no matter; a number of 100 000 digits is none; 1e999999 is JSON, and not used."""
    keys = ",".join(f'"k{i}":{i}' for i in range(1_000_000))
    lines = [
        _message("{" + keys + "}", 1),
        _message('{"Lane":' + "9" * 100_000 + "}", 2),
        _message('{"Lane":1e999999}', 3),
    ]
    (plant / "inbox" / "keys.json").write_text("\n".join(lines) + "\n", encoding="utf-8")
    check(pickfall("ingest", "--plant", plant), 3, "keys.json: 1 of 3 lines refused")
    counts = query(plant, "select rows_read, rows_loaded, rows_refused from load where file = 'inbox/keys.json'")
    assert counts == [(3, 2, 1)]
    ((line, reason),) = query(plant, "select line, reason from refused")
    assert line == 2
    assert str(reason).startswith("not valid JSON (a whole number has more than 4300 digits), expected one envelope.")
    assert query(plant, "select line from message order by line") == [(1,), (3,)]
    assert query(plant, "select count(*) from pick") == [(GOOD,)]


@pytest.mark.parametrize("place", ["start", "middle", "end"])
def test_nul_bytes(plant: Path, place: str) -> None:
    text = (plant / "inbox" / "good_picks.csv").read_bytes()
    at = {"start": 0, "middle": len(text) // 2, "end": len(text)}[place]
    (plant / "inbox" / "nul_picks.csv").write_bytes(text[:at] + b"\0" + text[at:])
    check(pickfall("ingest", "--plant", plant), 3, "nul_picks.csv line", "NUL byte")
    _only_the_good_one(plant)


def test_bytes_of_chance(plant: Path) -> None:
    (plant / "inbox" / "chance_picks.csv").write_bytes(os.urandom(100_000))
    (plant / "inbox" / "chance.json").write_bytes(os.urandom(100_000))
    check(pickfall("ingest", "--plant", plant), 3, "2 file(s) refused as a whole")
    _only_the_good_one(plant)


def _one_line(plant: Path, megabytes: int, ending: str) -> None:
    path = plant / "inbox" / f"wide{ending}"
    with path.open("w", encoding="utf-8") as file:
        file.write(f"{HEADER}\n" if "csv" in ending else _message("{}") + "\n" + '{"MessageName":"')
        for _ in range(megabytes):
            file.write("x" * 1_000_000)
        file.write("\n")
    done = pickfall("ingest", "--plant", plant)
    check(done, 3, f"wide{ending}")
    assert query(plant, "select count(*) from refused where file like '%wide%'") == [(1,)]
    assert query(plant, "select max(length(raw)) <= 2000 from refused") in ([(True,)], [(None,)])
    assert query(plant, "select count(*) from pick") == [(GOOD,)]


@pytest.mark.parametrize("ending", ["_picks.csv", ".json"])
def test_a_line_of_200_mb(plant: Path, ending: str) -> None:
    _one_line(plant, 200, ending)


@pytest.mark.long
@pytest.mark.parametrize("ending", ["_picks.csv", ".json"])
def test_a_line_of_1_gb(plant: Path, ending: str) -> None:
    _one_line(plant, 1_000, ending)


def test_a_header_of_a_hundred_thousand_columns(plant: Path) -> None:
    names = [f"c{i}" for i in range(100_000)]
    row = ";".join(["x"] * 100_000)
    (plant / "inbox" / "wide_picks.csv").write_text(f"{HEADER};{';'.join(names)}\n{row}\n", encoding="utf-8")
    check(pickfall("ingest", "--plant", plant), 3, "wide_picks.csv")
    assert query(plant, "select count(*) from pick") == [(GOOD,)]


def test_links_are_not_followed(plant: Path, tmp_path: Path) -> None:
    outside = write_picks(tmp_path / "outside" / "x_picks.csv", some_picks(20, seed=5))
    (plant / "inbox" / "link_picks.csv").symlink_to(outside)
    (plant / "inbox" / "up_picks.csv").symlink_to("../../outside/x_picks.csv")
    (plant / "inbox" / "loop_picks.csv").symlink_to("loop_picks.csv")
    (plant / "inbox" / "dangling_picks.csv").symlink_to("nowhere")
    (plant / "inbox" / "folder").symlink_to(outside.parent, target_is_directory=True)
    check(pickfall("ingest", "--plant", plant), 3, "link_picks.csv: is a link", "up_picks.csv: is a link")
    _only_the_good_one(plant)


def test_a_path_with_dots_is_named_as_it_was_given(plant: Path, tmp_path: Path) -> None:
    write_picks(tmp_path / "outside" / "x_picks.csv", some_picks(20, seed=5))
    check(pickfall("ingest", plant / ".." / "outside" / "x_picks.csv", "--plant", plant), 0)
    assert query(plant, "select file from load") == [(f"{plant}/../outside/x_picks.csv",)]
    check_one_line(pickfall("ingest", "../../../nowhere/x", "--plant", plant), 2, "not found")


NAMES = [
    "a[1]_picks.csv",
    "a*?_picks.csv",
    'it\'s "odd"_picks.csv',
    "a'; drop table pick; --_picks.csv",
    "$(touch x)_picks.csv",
    "-rf_picks.csv",
    "back\\slash[1]_picks.csv",
    "{7*7}_picks.csv",
    "%s%n_picks.csv",
    "Größe ☃_picks.csv",
    "new\nline_picks.csv",
    "bell\x07\x1b[31m_picks.csv",
    "a;b,c_picks.csv",
    "<b>_picks.csv",
]


def test_names_full_of_signs(plant: Path) -> None:
    """Each holds its own ten picks; a decoy that a pattern would match must not be read in its place."""
    for i, name in enumerate(NAMES):
        write_picks(plant / "inbox" / name, some_picks(10, seed=100 + i))
    write_picks(plant / "inbox" / "a1_picks.csv", some_picks(7, seed=99))
    check(pickfall("ingest", "--plant", plant), 0)
    assert query(plant, "select count(*), sum(rows_read) from load") == [(len(NAMES) + 2, 10 * len(NAMES) + 7 + GOOD)]
    assert query(plant, "select rows_read from load where file = 'inbox/a[1]_picks.csv'") == [(10,)]
    assert query(plant, "select count(*) from load where file like '%new\\nline%' escape '!'") == [(1,)]


def test_a_name_that_is_no_text(plant: Path) -> None:
    """A name in another encoding than the system's: its log is read, and the name is shown with escapes."""
    raw = os.fsencode(plant / "inbox") + b"/caf\xe9_picks.csv"
    with open(raw, "wb") as file:  # noqa: PTH123  (a path of bytes)
        file.write(write_picks(plant / "other.csv", some_picks(20, seed=7)).read_bytes())
    check(pickfall("ingest", "--plant", plant), 0)
    nothing_partial(plant)
    assert query(plant, "select rows_read from load where file = 'inbox/caf\\xe9_picks.csv'") == [(20,)]


def test_a_pipe_a_socket_and_a_device(plant: Path) -> None:
    pipe = plant / "inbox" / "pipe_picks.csv"
    os.mkfifo(pipe)
    check(pickfall("ingest", "--plant", plant), 0)
    check(pickfall("ingest", pipe, "--plant", plant), 3, "is no regular file")
    check(pickfall("ingest", "/dev/zero", "--plant", plant), 3, "is no regular file")
    _only_the_good_one(plant)


def test_a_folder_that_vanishes(plant: Path) -> None:
    """The folder is taken away and put back all the while; no run breaks, and what was loaded is whole."""
    more = plant / "inbox" / "more"
    for i in range(30):
        write_picks(more / "deep" / f"{i:02}_picks.csv", some_picks(40, seed=i))
    kept = plant.parent / "kept"
    stop = threading.Event()

    def swap() -> None:
        while not stop.is_set():
            more.rename(kept)
            stop.wait(0.01)
            kept.rename(more)
            stop.wait(0.02)

    thread = threading.Thread(target=swap)
    thread.start()
    try:
        for _ in range(3):
            done = pickfall("ingest", "--plant", plant)
            check(done, done.returncode)
            assert done.returncode in (0, 3)
    finally:
        stop.set()
        thread.join()
    nothing_partial(plant)
    check(pickfall("ingest", "--plant", plant), 0)
    assert query(plant, "select count(*) from load") == [(31,)]


def test_the_inbox_is_gone(plant: Path) -> None:
    shutil.rmtree(plant / "inbox")
    check_one_line(pickfall("ingest", "--plant", plant), 2, "inbox not found")


@pytest.mark.parametrize(
    "text",
    [
        "[plant\n",
        "a = \n",
        "[plant]\nname = 'x'\nname = 'y'\n",
        "= = =\n",
        "[[plant]]\n",
        "plant = 5\n",
        "[limits]\nmemory_mb = 1e400\n",
        "[limits]\nmemory_mb = nan\n",
        "[limits]\nfile_seconds = 0\n",
        "[limits]\nfile_memory_mb = 1\n",
        "[limits]\nfile_seconds = true\n",
        "x = " + "[" * 3_000 + "]" * 3_000 + "\n",
        "[a" + ".a" * 3_000 + "]\n",
        "[plant]\nzone = '../../etc/passwd'\n",
        "[plant]\nzone = '/etc/passwd'\n",
        "[[maintenance]]\npattern = 5\n",
        "maintenance = [1, 2]\n",
        "\0\0\0",
        "\ufeff[plant",
    ],
)
@pytest.mark.parametrize("where", ["plant.toml", "mappings/picks.toml"])
def test_malformed_toml(plant: Path, text: str, where: str) -> None:
    (plant / where).write_text(text, encoding="utf-8")
    done = pickfall("ingest", "--plant", plant)
    check_one_line(done, 2, where)
    assert not (plant / "store" / "pickfall.duckdb").exists() or nothing_loaded(plant) is None


def test_toml_that_is_no_text(plant: Path) -> None:
    (plant / "plant.toml").write_bytes(b"\xff\xfe[plant]")
    check_one_line(pickfall("ingest", "--plant", plant), 2, "plant.toml", "UTF-8")


def test_a_module_in_the_current_folder_is_not_run(plant: Path, tmp_path: Path) -> None:
    """The reading process must not import what lies beside the logs."""
    for name in ("json", "gzip", "duckdb", "pipeline", "resource"):
        (tmp_path / f"{name}.py").write_text("raise SystemExit('ran foreign code')", encoding="utf-8")
    code = f"import sys; sys.path[0] = {str(ROOT)!r}; from pipeline.cli import main; main()"
    command = [sys.executable, "-c", code, "ingest", "--plant", str(plant)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=tmp_path, timeout=120)
    check(done, 0)
    _only_the_good_one(plant)


def test_settings_of_a_file_reach_the_reading_process(plant: Path) -> None:
    """A log that takes more memory than allowed is refused and named; the others are loaded."""
    settings = (plant / "plant.toml").read_text(encoding="utf-8")
    (plant / "plant.toml").write_text(settings + "[limits]\nfile_memory_mb = 200\n", encoding="utf-8")
    body = json.dumps({"Tasks": [[]] * 12_000_000}, separators=(",", ":"))
    (plant / "inbox" / "large.json").write_text(_message("{}", 1) + "\n" + _message(body, 2) + "\n", encoding="utf-8")
    check(pickfall("ingest", "--plant", plant), 3, "large.json: reading it takes more than 200 MB of memory")
    _only_the_good_one(plant)
