"""Exports that tell of the same picks otherwise: columns filled in later, another name, other intervals."""

from __future__ import annotations

import json
import os
from pathlib import Path

import duckdb
import pytest

from pipeline.ingest.dialect import SourceFile
from pipeline.store import quality_keys
from pipeline.store.loading import LoadGroup
from tests.fixtures_ipc2591 import INSTALLED, envelope, placed
from tests.plants import make_plant, pickfall, query, some_picks, write_picks
from tests.unit.rollup.staged import Row, at, digest, load, stage, store


def _pick(minutes: float, **more: object) -> Row:
    return {"time": at(minutes / 60), "machine": "M", "nozzle": "N1", "feeder": "F1", "outcome": "placed", **more}


def _counts(start: float | None, end: float, placed: int, **more: object) -> Row:
    begin = None if start is None else at(start)
    return {
        "start": begin,
        "time": at(end),
        "machine": "M",
        "grain": "nozzle",
        "nozzle": "N1",
        "placed": placed,
        **more,
    }


def _attempts(con: duckdb.DuckDBPyConnection) -> int:
    ((found,),) = con.execute("select coalesce(sum(attempts), 0) from tally").fetchall()
    return int(found)


# ---- picks -----------------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("order", ["ab", "ba"])
@pytest.mark.parametrize("filled", [{"lot": "L7"}, {"reel": "R1", "part": "P1"}, {"recipe": "X"}, {"reason": "V"}])
def test_a_column_filled_in_later_makes_no_new_picks(tmp_path: Path, order: str, filled: Row) -> None:
    files = {"a": [_pick(m) for m in range(5)], "b": [_pick(m, **filled) for m in range(5)]}
    with store(tmp_path) as con:
        load(con, order[0], {"pick": files[order[0]]})
        result = load(con, order[1], {"pick": files[order[1]]})
        assert (result.loaded, result.duplicate) == (0, 5)
        assert _attempts(con) == 5
        columns = ", ".join(filled)  # what one of the two tells is known, whichever came first
        assert con.execute(f"select {columns}, count(*) from pick group by all").fetchall() == [(*filled.values(), 5)]
        one = digest(con)
    with store(tmp_path / "fresh") as con:
        load(con, "b", {"pick": files["b"]})
        assert digest(con) == one


def test_two_exports_fill_each_other_within_one_group(tmp_path: Path) -> None:
    """Each tells what the other leaves open; both are stored by one transaction. Where two
    picks could be meant, neither is filled."""
    twins = [_pick(9, part="P"), _pick(9, part="P")]
    files = [
        [*(_pick(m, lot="L7") for m in range(3)), *twins, _pick(10)],
        [*(_pick(m, reel=f"R{m}") for m in range(3)), _pick(9, part="P", reel="R9"), _pick(10)],
    ]
    with store(tmp_path) as con:
        group = LoadGroup(con)
        for number, picks in enumerate(files):
            source = SourceFile(Path("x"), Path("x"), f"hash {number}", 1, "utf-8", "")
            group.add(stage(con, {"pick": picks}), source, f"{number}", "test", None)
        group.commit()
        found = con.execute("select lot, reel, cast(sum(attempts) as BIGINT) from tally group by all order by all")
        assert found.fetchall() == [("L7", f"R{m}", 1) for m in range(3)] + [(None, None, 3)]


def test_what_is_filled_otherwise_is_another_pick(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(m, lot="L1") for m in range(5)]})
        assert load(con, "b", {"pick": [_pick(m, lot="L2") for m in range(5)]}).loaded == 5
        assert _attempts(con) == 10


def test_no_more_are_taken_for_repeated_than_there_were(tmp_path: Path) -> None:
    """Two picks of one place and second, one known: with the lot, and again without. The other is new."""
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0), _pick(1), _pick(2)]})
        result = load(con, "b", {"pick": [_pick(0, lot="L"), _pick(1, lot="L"), _pick(1, lot="L"), _pick(2, lot="L")]})
        assert (result.loaded, result.duplicate) == (1, 3)
        again = load(con, "c", {"pick": [_pick(1), _pick(1, lot="L"), _pick(1, lot="K"), _pick(2), _pick(0)]})
        assert (again.loaded, again.duplicate) == (1, 4)


def test_filled_lines_of_files_that_meet_in_one_instant_are_retries(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0), _pick(1)]})
        load(con, "b", {"pick": [_pick(1, lot="L"), _pick(2)]})
        assert _attempts(con) == 4


@pytest.mark.parametrize("order", ["old new", "new old"])
def test_one_export_under_the_old_and_the_new_name_of_a_machine(tmp_path: Path, order: str) -> None:
    masters = {"aliases.csv": "kind,alias,id\nmachine,old,M\nnozzle,n one,N1\n"}
    files = {
        "old": {
            "pick": [_pick(m, machine="old", nozzle="n one") for m in range(5)],
            "counter": [_counts(5, 6, 7, machine="old", nozzle="n one")],
        },
        "new": {"pick": [_pick(m) for m in range(6)], "counter": [_counts(5, 6, 7)]},
    }
    with store(tmp_path, masters) as con:
        first, second = order.split()
        load(con, first, files[first])
        load(con, second, files[second])
        assert _attempts(con) == 6 + 7
        assert con.execute("select count(*) from disagreement").fetchall() == [(0,)]


def test_renamed_machines_disagree_under_one_name(tmp_path: Path) -> None:
    with store(tmp_path, {"aliases.csv": "kind,alias,id\nmachine,old,M\n"}) as con:
        load(con, "a", {"pick": [_pick(m, machine="old") for m in range(3)]})
        load(con, "b", {"pick": [_pick(0), _pick(1, outcome="missed"), _pick(2)]})
        assert _attempts(con) == 3
        assert quality_keys.disagreements(con).select("line", "outcome", "kept_outcome").rows() == [
            (2, "missed", "placed")
        ]


# ---- counters --------------------------------------------------------------------------------------------------------
def test_counts_of_overlapping_intervals_count_once(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_counts(0, 1, 500)]})
        result = load(con, "b", {"counter": [_counts(0, 1, 510, missed=3), _counts(3, 4, 100)]})
        assert (result.loaded, result.duplicate) == (1, 1)
        assert load(con, "c", {"counter": [_counts(0, 2, 610)]}).duplicate == 1
        assert _attempts(con) == 600
        found = quality_keys.disagreements(con).select("file", "line", "outcome", "kept_file", "kept_outcome").rows()
        assert found == [
            ("b", 1, "from 2026-11-16 06:00 UTC, 510 placed, 3 missed", "a", "from 2026-11-16 06:00 UTC, 500 placed"),
            ("c", 1, "from 2026-11-16 06:00 UTC, 610 placed", "a", "from 2026-11-16 06:00 UTC, 500 placed"),
        ]
        assert load(con, "d", {"counter": [_counts(0, 2, 610)]}).duplicate == 1
        assert con.execute("select count(*) from disagreement").fetchall() == [(2,)]


def test_intervals_that_meet_and_other_keys_all_count(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_counts(0, 1, 5), _counts(1, 2, 6)]})
        load(con, "b", {"counter": [_counts(2, 3, 7), _counts(0, 1, 8, nozzle="N2"), _counts(0, 1, 9, part="P")]})
        assert _attempts(con) == 35
        assert con.execute("select count(*) from disagreement").fetchall() == [(0,)]


def test_where_the_begin_is_not_known_the_end_tells(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_counts(None, 1, 5), _counts(None, 2, 6)]})
        load(con, "b", {"counter": [_counts(None, 1, 7), _counts(None, 1.5, 8)]})
        assert _attempts(con) == 19
        assert con.execute("select kept_line from disagreement").fetchall() == [(1,)]


def test_counters_of_all_keys_count_where_no_picks_are(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_counts(0, 1, 5, grain="joint", feeder="F1"), _counts(1, 2, 6, grain="joint")]})
        assert _attempts(con) == 11
        load(con, "b", {"pick": [_pick(10), _pick(11)]})
        assert _attempts(con) == 8


# ---- messages, folders -----------------------------------------------------------------------------------------------
def _messages(path: Path, day: int, ids: list[str]) -> None:
    made = [
        envelope(
            INSTALLED,
            {"TransactionID": "t", "InstalledComponents": [placed(second=i)]},
            UniqueID=unique,
            TimeStamp=f"2026-11-{day}T06:00:{i:02}+01:00",
        )
        for i, unique in enumerate(ids)
    ]
    path.write_text("\n".join(json.dumps(m) for m in made) + "\n", encoding="utf-8")


def test_message_numbers_that_begin_again_every_day_are_other_messages(tmp_path: Path) -> None:
    plant = make_plant(tmp_path / "plant")
    numbers = [str(n) for n in range(1, 11)]
    _messages(plant / "inbox" / "a.ndjson", 16, numbers)
    _messages(plant / "inbox" / "b.ndjson", 17, numbers)
    _messages(plant / "inbox" / "c.ndjson", 17, numbers[:5])
    done = pickfall("ingest", "--plant", plant)
    assert done.returncode == 0, done.stderr
    assert query(plant, "select file, rows_loaded, rows_duplicate from load order by file") == [
        ("inbox/a.ndjson", 10, 0),
        ("inbox/b.ndjson", 10, 0),
        ("inbox/c.ndjson", 0, 5),
    ]


def test_a_uuid_is_an_identity_by_itself(tmp_path: Path) -> None:
    """A message that was sent again is the same one, whatever its time stamp says."""
    plant = make_plant(tmp_path / "plant")
    uuid = "0b9d3f3e-6a4e-4d7c-9a27-3f4f6f0e9c11"
    _messages(plant / "inbox" / "a.ndjson", 16, [uuid])
    _messages(plant / "inbox" / "b.ndjson", 17, [uuid])
    assert pickfall("ingest", "--plant", plant).returncode == 0
    assert query(plant, "select sum(rows_loaded), sum(rows_duplicate) from load") == [(1, 1)]


def test_a_linked_folder_is_refused_aloud(tmp_path: Path) -> None:
    plant = make_plant(tmp_path / "plant")
    write_picks(plant / "inbox" / "good_picks.csv", some_picks(20))
    write_picks(tmp_path / "outside" / "x_picks.csv", some_picks(20, seed=5))
    (plant / "inbox" / "folder").symlink_to(tmp_path / "outside", target_is_directory=True)
    done = pickfall("ingest", "--plant", plant)
    assert done.returncode == 3
    assert "inbox/folder: is a link" in done.stderr
    assert query(plant, "select count(*) from pick") == [(20,)]


@pytest.mark.skipif(
    os.geteuid() == 0, reason="root may read every folder; tests/faults/test_rights.py tries it as another user"
)
def test_a_closed_folder_is_refused_aloud(tmp_path: Path) -> None:
    plant = make_plant(tmp_path / "plant")
    (plant / "inbox" / "closed").mkdir(mode=0)
    done = pickfall("ingest", "--plant", plant)
    (plant / "inbox" / "closed").chmod(0o700)
    assert done.returncode == 3
    assert "inbox/closed: is a folder that this user may not read" in done.stderr


@pytest.mark.parametrize("order", ["ab", "ba"])
@pytest.mark.parametrize("running", [False, True])
def test_a_key_filled_in_later_counts_nothing_twice(tmp_path: Path, order: str, running: bool) -> None:
    """Counts of nozzles from a log that names the head later on; and those that run on."""

    def counts(number: int, first: int, last: int, **more: object) -> list[Row]:
        shown = range(first, last)
        if running:
            return [
                {**_counts(None, h, 1000 * number + 100 * h, nozzle=f"N{number}"), **more, "running": True}
                for h in shown
            ]
        return [{**_counts(h, h + 1, 100 + h, nozzle=f"N{number}"), **more} for h in shown]

    poor = [row for n in range(4) for row in counts(n, 0, 6)]
    rich = [row for n in range(4) for row in counts(n, 0, 9, head="H1")]
    with store(tmp_path) as con:
        load(con, order[0], {"counter": poor if order[0] == "a" else rich})
        result = load(con, order[1], {"counter": poor if order[1] == "a" else rich})
        assert result.duplicate == len(poor)
        assert con.execute("select distinct head from tally").fetchall() == [("H1",)]
        one = digest(con)
    with store(tmp_path / "fresh") as con:
        load(con, "b", {"counter": rich})
        assert digest(con) == one


def test_counts_of_other_items_or_figures_are_no_repetition(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": [_counts(0, 1, 7, nozzle="N1"), _counts(1, 2, 7, nozzle="N1")]})
        others = [_counts(0, 1, 7, nozzle="N2", head="H"), _counts(1, 2, 8, nozzle="N1", head="H")]
        assert load(con, "b", {"counter": others}).loaded == 2
        assert con.execute("select sum(attempts) from tally").fetchall() == [(29,)]
