"""A store of an older version comes to the same tables as a new one, with its rows."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline import settings
from pipeline.store import migrations
from pipeline.store.database import open_store
from tests.plants import make_plant

VERSION_1 = Path(__file__).with_name("version_1.sql")


def _columns(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    return con.execute(
        "select table_name, column_name, data_type, is_nullable, column_index from duckdb_columns() "
        "where schema_name = 'main' and database_name != 'temp' and not internal order by all"
    ).fetchall()


def test_version_1_comes_to_the_tables_of_a_new_store(tmp_path: Path) -> None:
    old = settings.load(make_plant(tmp_path / "old"))
    old.database.parent.mkdir()
    with duckdb.connect(str(old.database)) as con:
        for statement in VERSION_1.read_text(encoding="utf-8").split(";"):
            con.execute(statement)
        con.execute(
            "insert into counter (load_id, line, time, machine, grain, placed) "
            "values (1, 1, '2026-11-16', 'M', 'feeder', 7)"
        )
        con.execute(
            "insert into counter (load_id, line, time, machine, grain, part, placed) "
            "values (2, 1, '2026-11-16', 'M', 'feeder', 'P1', 8)"
        )
        assert migrations.version(con) == 1
        before = _columns(con)
    with open_store(old, write=True) as con:
        assert migrations.version(con) == migrations.CURRENT
        counted = con.execute("select placed, running, grain from counter order by placed").fetchall()
        assert counted == [(7, None, "feeder"), (8, None, "part")]
        migrated = _columns(con)
    with open_store(settings.load(make_plant(tmp_path / "new")), write=True) as con:
        assert migrated == _columns(con)
    assert migrated != before


def test_a_migrated_store_loads(tmp_path: Path) -> None:
    from tests.unit.rollup.staged import at, load, store

    folder = make_plant(tmp_path)
    (folder / "store").mkdir()
    with duckdb.connect(str(folder / "store" / "pickfall.duckdb")) as con:
        for statement in VERSION_1.read_text(encoding="utf-8").split(";"):
            con.execute(statement)
    with store(folder) as con:
        load(con, "a", {"pick": [{"time": at(0), "machine": "M", "outcome": "placed"}]})
        assert con.execute("select attempts from tally").fetchall() == [(1,)]


def test_counts_of_version_4_come_to_stand_in_the_hour_of_their_interval(tmp_path: Path) -> None:
    """There they stood in the hour in which it ends; running totals, too."""
    from tests.unit.rollup.staged import at, digest, load, store

    count = {"machine": "M", "grain": "nozzle", "nozzle": "N1"}
    hours = [{**count, "time": at(h), "start": at(h - 1), "placed": 10 + h} for h in (1, 2, 3)]
    totals = [{**count, "machine": "R", "time": at(h), "placed": 100 * h, "running": True} for h in range(4)]
    with store(tmp_path) as con:
        load(con, "a", {"counter": [*hours, *totals], "pick": [{"time": at(9), "machine": "P", "outcome": "placed"}]})
        new = digest(con)
        con.execute("update tally set hour = hour + interval 1 hour where grain = 'nozzle'")
        con.execute("delete from schema_version where version > 4")
        assert digest(con) != new
    with store(tmp_path) as con:
        assert migrations.version(con) == migrations.CURRENT
        assert digest(con) == new
        found = con.execute("select machine, hour, placed from tally where grain = 'nozzle' order by all").fetchall()
    assert found == [("M", at(h), 11 + h) for h in range(3)] + [("R", at(h), 100) for h in range(3)]


def test_counts_of_nothing_of_version_6_go(tmp_path: Path) -> None:
    from tests.unit.rollup.staged import at, digest, load, store

    count = {"machine": "M", "grain": "nozzle", "start": at(0), "time": at(1)}
    with store(tmp_path) as con:
        load(con, "a", {"counter": [{**count, "nozzle": "N1", "placed": 5}]})
        new = digest(con)
        zeros = (
            "attempts, placed, missed, rejected, dropped, returned, unknown, first_tries, missed_runs, rejected_runs, "
        )
        zeros += "dropped_runs, lost_runs, offsets"
        con.execute(f"insert into tally (grain, hour, machine, nozzle, {zeros}) select 'feeder', hour, 'M', 'N2', "
                    f"{', '.join('0' for _ in zeros.split(', '))} from tally")  # fmt: skip
        con.execute("delete from schema_version where version > 6")
        assert digest(con) != new
    with store(tmp_path) as con:
        assert digest(con) == new


def test_what_version_6_counted_of_totals_and_of_reels_is_counted_anew(tmp_path: Path) -> None:
    """Totals of an item that go on across its other keys counted by key; stores of version 1 had no spans of reels."""
    from tests.unit.rollup.staged import at, digest, load, store

    totals = [
        {"machine": "R", "time": at(h), "grain": "nozzle", "nozzle": "N1", "recipe": f"R{h % 3}", "placed": 100 * h,
         "running": True} for h in range(12)
    ]  # fmt: skip
    reel = [{"machine": "P", "time": at(0), "event": "load", "slot": "1", "reel": "A"}]
    picks = [{"machine": "P", "time": at(9), "slot": "1", "outcome": "placed"}]
    with store(tmp_path) as con:
        load(con, "a", {"counter": totals, "pick": picks, "reel_event": reel})
        new = digest(con)
        con.execute("update tally set placed = 3 * placed, attempts = 3 * attempts where grain = 'nozzle'")
        con.execute("update tally set reel = null where grain = 'joint'")
        con.execute("delete from carrier_span")
        con.execute("delete from schema_version where version > 6")
    with store(tmp_path) as con:
        assert digest(con) == new
        assert con.execute("select reel from tally where grain = 'joint'").fetchall() == [("A",)]
