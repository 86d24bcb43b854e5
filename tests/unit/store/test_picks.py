"""Picks are stored by what they have in common, and read as one row each: nothing is lost, moved or mixed up by it."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest

from pipeline import settings
from pipeline.intake import take_in
from pipeline.rollup import tallies
from pipeline.rollup.tallies import recompute_all
from pipeline.schema.pick_view import KEY_COLUMNS
from pipeline.schema.tables import PICK
from pipeline.store import migrations
from pipeline.store.database import open_store
from tests.plants import load_here, make_plant, query, some_picks, write_picks
from tests.unit.rollup.staged import Row, at, digest, load, store

REST = ("nozzle", "feeder", "part", "lot", "recipe", "reason", "work_order", "board")


def _some(count: int, seed: int) -> list[Row]:
    """Picks of three hours with gaps in all columns, offsets, tries, and runs of losses."""
    rng = random.Random(seed)
    rows: list[Row] = []
    for i in range(count):
        row: Row = {"time": at(3 * i / count), "machine": rng.choice("MN"), "designator": f"C{i}"}
        row |= {c: rng.choice([None, f"{c}1", f"{c}2"]) for c in REST}
        row["outcome"] = rng.choice(["placed", "placed", "missed", "rejected", "dropped", "returned", "unknown"])
        row |= {"try_number": rng.choice([None, 1, 2]), "spindle": "1"}
        if rng.random() < 0.5:
            row |= {"dx": rng.gauss(0, 0.02), "dy": rng.gauss(0, 0.02), "dangle": rng.gauss(0, 1)}
        rows.append(row)
    return rows


def _keys(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    return con.execute(f"select {', '.join(KEY_COLUMNS)}, key_id from pick_key order by key_id").fetchall()


def test_each_combination_stands_once_whatever_files_it_came_in(tmp_path: Path) -> None:
    rows = _some(400, seed=1)
    with store(tmp_path) as con:
        for name, part in (("a", rows[:100]), ("b", rows[100:300]), ("c", rows[300:])):
            load(con, name, {"pick": part})
        keys = _keys(con)
        wanted = {tuple(row.get(c) for c in KEY_COLUMNS if c != "reason_group") for row in rows}
        found = [tuple(v for c, v in zip(KEY_COLUMNS, key, strict=False) if c != "reason_group") for key in keys]
        assert sorted(map(str, found)) == sorted(map(str, wanted))
        assert [key[-1] for key in keys] == list(range(1, len(wanted) + 1))
        told = con.execute(
            f"select time, machine, designator, outcome, try_number, dx, dy, dangle, {', '.join(REST)} "
            "from pick order by time"
        ).fetchall()
    first = ("time", "machine", "designator", "outcome", "try_number", "dx", "dy", "dangle")
    assert told == [tuple(row.get(c) for c in (*first, *REST)) for row in rows]


@pytest.mark.parametrize("seed", range(3))
def test_hours_are_counted_alike_by_pick_and_by_combination(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": _some(500, seed)})
        by_combination = con.execute("select * from tally order by all").fetchall()
        assert len(by_combination) > 100
        text = tallies._text
        wanted = "counted_combinations"
        con.execute("create or replace temp table recipe_span (machine VARCHAR)")
        assert tallies._counted(con, known=False) == text(wanted).strip()
        monkeypatch.setattr(tallies, "_counted", lambda *_, **__: text("counted_picks").strip())
        con.execute("update tally set attempts = -1")
        con.execute("begin")
        recompute_all(con)
        con.execute("commit")
        assert con.execute("select * from tally order by all").fetchall() == by_combination


def test_a_recipe_that_a_pick_does_not_name_counts_it_by_itself(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        picks = [{"time": at(h), "machine": "M", "outcome": "placed"} for h in (0.25, 0.75)]
        load(con, "a", {"pick": picks, "activity": [
            {"time": at(0.1), "machine": "M", "event": "recipe", "recipe": "A"},
            {"time": at(0.5), "machine": "M", "event": "recipe", "recipe": "B"},
        ]})  # fmt: skip
        assert con.execute("select key_id from pick_row").fetchall() == [(1,), (1,)]
        assert con.execute("select recipe, attempts from tally order by all").fetchall() == [("A", 1), ("B", 1)]


def test_a_log_of_many_row_groups_keeps_the_number_of_each_line(tmp_path: Path) -> None:
    """They are written by two threads, and numbered by their place in the file."""
    count = 400_000
    plant = make_plant(tmp_path)
    mapping = plant / "mappings" / "picks.toml"
    mapping.write_text(mapping.read_text().replace("[outcome]", 'board = "board"\n[outcome]', 1))
    head, line = write_picks(tmp_path / "one.csv", some_picks(1)).read_text().splitlines()
    log = plant / "inbox" / "many_picks.csv"
    nozzles = [line.replace(";N10;", f";N{i};") for i in range(7)]
    assert len(set(nozzles)) == 7
    log.write_text("\n".join([head + ";board", *(f"{nozzles[i % 7]};{i}" for i in range(count))]) + "\n")
    with open_store(settings.load(plant), write=True) as con:
        taken = take_in(con, settings.load(plant), (log,))
        assert [r.loaded for r in taken.loaded] == [count]
        assert con.execute("select count(distinct key_id), count(*) from pick_row").fetchall() == [(7, count)]
        wrong = con.execute(
            "select count(*) from pick where cast(board as int) <> line - 2 or nozzle <> 'N' || ((line - 2) % 7)"
        ).fetchall()
        assert wrong == [(0,)]


@pytest.mark.parametrize("odd", ["P\x1f9", "\x1f", "\x1f\x1f\x1f"])
def test_the_sign_between_packed_values_may_stand_in_a_value(tmp_path: Path, odd: str) -> None:
    """Such a file is not packed: `P<sign>9` beside nothing is not `P` beside `9`."""
    plant = make_plant(tmp_path)
    lines = some_picks(4)
    lines[1], lines[2] = replace(lines[1], part=odd), replace(lines[2], lot=odd)
    log = write_picks(plant / "inbox" / "a_picks.csv", lines)
    with open_store(settings.load(plant), write=True) as con:
        load_here(con, settings.load(plant), log)
        found = con.execute("select part, lot, reel, nozzle, outcome from pick order by line").fetchall()
    assert found == [(n.part, n.lot, n.reel, n.nozzle, "placed") for n in lines]


def test_what_one_file_leaves_open_goes_to_its_pick_alone(tmp_path: Path) -> None:
    """The second export tells the lot of one of two picks that had their combination in common."""
    pick: Row = {"machine": "M", "nozzle": "N", "outcome": "placed", "part": "P"}
    with store(tmp_path) as con:
        load(con, "a", {"pick": [{**pick, "time": at(0), "dx": 0.25}, {**pick, "time": at(0.5)}]})
        assert len(_keys(con)) == 1
        again = load(con, "b", {"pick": [{**pick, "time": at(0), "lot": "L"}, {**pick, "time": at(0.5)}]})
        assert (again.loaded, again.duplicate) == (0, 2)
        assert con.execute("select time, lot, part, dx, load_id, line from pick order by time").fetchall() == [
            (at(0), "L", "P", 0.25, 1, 1),
            (at(0.5), None, "P", None, 1, 2),
        ]
        assert con.execute("select lot, attempts from tally order by all").fetchall() == [("L", 1), (None, 1)]


def test_a_store_of_version_7_has_its_picks_split(tmp_path: Path) -> None:
    rows = _some(300, seed=5)
    with store(tmp_path) as con:
        load(con, "a", {"pick": rows[:200]})
        load(con, "b", {"pick": rows[200:]})
        new, picks, keys = digest(con), con.execute("select * from pick order by all").fetchall(), _keys(con)
        con.execute("create table whole as select * from pick")
        con.execute("drop view pick")
        for name in ("pick_key", "pick_row"):
            con.execute(f"drop table {name}")
        con.execute("alter table whole rename to pick")
        con.execute("delete from schema_version where version > 7")
    with store(tmp_path) as con:
        assert migrations.version(con) == migrations.CURRENT
        assert con.execute("select * from pick order by all").fetchall() == picks
        assert [key[:-1] for key in sorted(_keys(con), key=str)] == [key[:-1] for key in sorted(keys, key=str)]
        assert digest(con) == new
        assert load(con, "c", {"pick": rows[:50]}).duplicate == 50


def test_the_view_has_the_columns_of_a_pick(tmp_path: Path) -> None:
    plant = make_plant(tmp_path)
    with open_store(settings.load(plant), write=True):
        pass
    names = query(plant, "select column_name, column_type from (describe pick)")
    assert names == [(c.name, c.type) for c in PICK.columns]
