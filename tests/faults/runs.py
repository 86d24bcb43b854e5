"""What the fault tests share: the criterion of a good failure, small plants, a disk of a given size, another user."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.schema.tables import EVENT_TABLES
from tests.fixtures_ipc2591 import LOADED, PACKAGE, PLACE, envelope, failed, installed, material, placed
from tests.plants import make_plant, query, some_picks, tally_digest, write_picks

ROOT = Path(__file__).parents[2]

Done = subprocess.CompletedProcess[str]

needs_root = pytest.mark.skipif(os.getuid() != 0, reason="only root can mount a small disk and give its rights up")
"""For tests of full disks and of rights; `pytest -m long tests/faults` as an ordinary user leaves them out, and says so."""


def check(done: Done, code: int, *words: str) -> None:
    """The exit code, no traceback anywhere, and the words in what was said."""
    assert done.returncode == code, f"exit code {done.returncode}: {done.stderr}"
    assert "Traceback" not in done.stderr + done.stdout, done.stderr
    assert "\x1b" not in done.stderr + done.stdout
    for word in words:
        assert word in done.stderr, f"{word!r} is not in {done.stderr!r}"


def check_one_line(done: Done, code: int, *words: str) -> None:
    """The same, and nothing but one line is said."""
    check(done, code, *words)
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr


def nothing_loaded(plant: Path) -> None:
    """No row of any file is in the store."""
    tables = "pick", "tally", "load", "message", "measurement", "counter", "fault", "reel_event", "service"
    for table in tables:
        assert query(plant, f"select count(*) from {table}") == [(0,)], table


def nothing_partial(plant: Path) -> None:
    """Every file in `load` is there with all its rows, no row belongs to a file that is not, tallies equal picks."""
    if query(plant, "select count(*) from duckdb_tables() where table_name in ('pick_row', 'load')") != [(2,)]:
        return  # killed before the first step of the schema was through
    # A line of text is one row of one table; a message is one row of `message`, whatever else it says.
    rows = " union all ".join(f"select load_id, '{t.name}' as name from {t.name}" for t in EVENT_TABLES)
    wrong = query(
        plant,
        f"with had as (select load_id, count(*) filter (name = 'message') as messages, count(*) as all_rows from ({rows}) "
        "group by load_id) select file, rows_loaded, rows_ignored, messages, all_rows from load full join had using (load_id) "
        "where file is null or case when dialect = 'delimited' then rows_loaded - rows_ignored <> coalesce(all_rows, 0) "
        "else rows_loaded <> coalesce(messages, 0) end",
    )
    assert wrong == []
    assert query(plant, "select 1 from load where rows_read <> rows_loaded + rows_duplicate + rows_refused") == []
    assert query(plant, "select (select count(*) from pick) - (select coalesce(sum(attempts), 0) from tally)") == [(0,)]


REELS = """format = 1
name = "reels"
table = "reel_event"
files = ["*reels*"]
[text]
delimiter = ";"
[time]
columns = ["when"]
format = "%Y-%m-%d %H:%M:%S"
zone = "UTC"
[columns]
machine = "machine"
slot = "slot"
feeder = "feeder"
reel = "reel"
part = "part"
lot = "lot"
event = "what"
[values.event]
"on" = "load"
"off" = "unload"
"""


def overlapping_plant(folder: Path, picks: int = 6_000, count: int = 4) -> Path:
    """A plant whose logs overlap each other, so that every file touches hours of the one before.

    Picks and reels as text, and messages with single picks and reels of a third machine.
    """
    make_plant(folder)
    (folder / "mappings" / "reels.toml").write_text(REELS, encoding="utf-8")
    lines = some_picks(picks)
    reels = [
        f"{line.when:%Y-%m-%d %H:%M:%S};{line.machine};{line.slot};{line.feeder};{line.reel};{line.part};{line.lot};on"
        for line in lines[:: picks // 40]
    ]
    messages = _messages(80)
    for i in range(count):
        write_picks(
            folder / "inbox" / f"{i}_picks.csv.gz",
            lines[max(0, i * len(lines) // count - 200) :][: len(lines) // count + 200],
        )
        text = "\n".join(["when;machine;slot;feeder;reel;part;lot;what", *_piece(reels, i, count)]) + "\n"
        (folder / "inbox" / f"{i}_reels.csv").write_text(text, encoding="utf-8")
        (folder / "inbox" / f"{i}_machine.json").write_text(
            "\n".join(_piece(messages, i, count)) + "\n", encoding="utf-8"
        )
    return folder


def _piece(lines: list[str], number: int, count: int) -> list[str]:
    """One of `count` pieces that overlap by five lines."""
    size = len(lines) // count
    return lines[max(0, number * size - 5) : (number + 1) * size]


def _messages(count: int) -> list[str]:
    """IPC-2591 of machine M3: every fourth loads a reel, the others hold two good picks and one that was lost."""
    made = []
    for i in range(count):
        at = {
            "TimeStamp": f"2026-11-16T{6 + i // 20:02}:{i % 20 * 3:02}:30Z",
            "Source": "M3",
            "UniqueID": f"message-{i}",
        }
        when = f"2026-11-16T{6 + i // 20:02}:{i % 20 * 3:02}:"
        if i % 4 == 0:
            package = {**PACKAGE, "UniqueIdentifier": f"R{i}"}
            made.append(envelope(LOADED, {"Materials": [{**PLACE, "MaterialPackage": package}]}, **at))
            continue
        good = [placed(f"C{k}", InstallationTime=f"{when}{k:02}Z") for k in (1, 2)]
        bad = [failed("BadPressureTestAfterPickup", "C3", NonInstallationTime=f"{when}03Z")]
        made.append(installed(material(good, bad), **at))
    return [json.dumps(m) for m in made]


def store_digest(plant: Path) -> str:
    """A digest of all that was counted and of all events, whatever file and line they came from."""
    sha = hashlib.sha256(tally_digest(plant).encode())
    names = (*(t.name for t in EVENT_TABLES if t.name != "pick"), "fill_tally", "carrier_span", "counter_event")
    for name in names:
        columns = query(plant, f"select column_name from duckdb_columns() where table_name = '{name}'")
        leave = "exclude (load_id, line)" if ("load_id",) in columns else ""
        sha.update(f"{name}: {query(plant, f'select * {leave} from {name} order by all')!r}".encode())
    return sha.hexdigest()


def pickfall_as_ordinary_user(*args: object) -> Done:
    """The command without the right to pass over rights, which root has: then nothing would be tested.

    The user keeps his id, so that he can run this Python wherever it lies; `test_rights.py` shows that rights count.
    """
    assert os.getuid() == 0, "run as root: only root can give rights up"
    give_up = ["setpriv", "--no-new-privs", "--inh-caps=-all", "--bounding-set=-all"]
    command = [*give_up, sys.executable, "-m", "pipeline.cli", *(str(a) for a in args)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=300, cwd=ROOT)


@contextmanager
def small_disk(folder: Path, kilobytes: int) -> Iterator[Path]:
    """A disk in memory of that size; fails where it cannot be mounted (that takes root)."""
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={kilobytes}k,mode=755", "pickfall-test", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"cannot mount a small disk: {done.stderr}"
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def resize(folder: Path, kilobytes: int) -> None:
    """Another size for that disk."""
    subprocess.run(["mount", "-o", f"remount,size={kilobytes}k", str(folder)], check=True)


def used_kilobytes(folder: Path) -> int:
    """What is taken of that disk."""
    found = os.statvfs(folder)
    return (found.f_blocks - found.f_bfree) * found.f_frsize // 1024
