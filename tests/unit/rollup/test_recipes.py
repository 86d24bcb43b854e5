"""Which recipe a pick has: the last one switched on at or before it, whichever file told it and in whatever order.

The expected recipes are written out by hand.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline import settings
from pipeline.rollup.tallies import check, statements, touched_span
from pipeline.store.database import open_store
from tests.fixtures_ipc2591 import (
    CONSUMED,
    PLACE,
    RECIPE,
    STARTED,
    envelope,
    failed,
    installed,
    material,
    placed,
    write,
)
from tests.plants import load_here, make_plant, query, tally_digest, write_picks
from tests.plants import some_picks as mapped_picks

Message = dict[str, Any]
BY_RECIPE = "select recipe, sum(attempts) from tally where grain = 'joint' group by recipe order by recipe nulls first"


def _at(time: str) -> str:
    day, _, clock = time.rpartition(" ")
    return f"{day or '2026-11-16'}T{clock}+00:00"


def _recipe(name: str | None, time: str, source: str = "M1") -> Message:
    return envelope(RECIPE, {"RecipeName": name}, TimeStamp=_at(time), Source=source)


def _board(time: str, *, lost: bool = False, board: str = "T1", source: str = "M1") -> Message:
    """One pick."""
    good = [] if lost else [placed("C1", InstallationTime=_at(time))]
    bad = [failed("BadPressureTestAfterPickup", "C1", NonInstallationTime=_at(time))] if lost else []
    entry = material(good, bad, UnitIdentifier=board)
    return installed(entry, TimeStamp=_at(time), Source=source, UniqueID=f"{source} {time} {board}")


def _load(folder: Path, *files: list[Message]) -> Path:
    """A plant that took the files in this order."""
    make_plant(folder)
    plant = settings.load(folder)
    with open_store(plant, write=True) as con:
        for number, messages in enumerate(files):
            taken = load_here(con, plant, write(folder / "inbox" / f"{number}.ndjson", messages))
            assert taken.refused == 0
        check(con, touched_only=False)
    return folder


@pytest.mark.parametrize(
    ("told", "recipe"),
    [
        ([], None),
        ([_recipe("A", "08:59:59")], "A"),
        ([_recipe("A", "2026-09-01 00:00:00")], "A"),  # no limit of age
        ([_recipe("A", "09:00:00")], "A"),  # at the same moment
        ([_recipe("A", "09:00:01")], None),  # after the pick
        ([_recipe("A", "07:00:00"), _recipe("B", "08:00:00")], "B"),
        ([_recipe("B", "08:00:00"), _recipe("A", "07:00:00")], "B"),  # an old message comes late
        ([_recipe("A", "08:00:00"), _recipe("B", "08:00:00")], "B"),  # same time: the name that sorts last
        ([_recipe("A", "07:00:00"), _recipe("B", "08:00:00"), _recipe("A", "08:00:00")], "B"),
        ([_recipe("A", "07:00:00"), _recipe("B", "08:00:00"), _recipe("A", "08:30:00")], "A"),
        ([_recipe("A", "08:00:00"), _recipe(None, "08:30:00")], "A"),  # nothing named, nothing switched on
        ([_recipe("A", "08:00:00", source="M2")], None),  # another machine
        ([envelope(STARTED, {"TransactionID": "T1", "RecipeName": "A"}, TimeStamp=_at("08:59:00"))], "A"),
        ([_recipe("A", "08:00:00"), envelope(STARTED, {"TransactionID": "T1"}, TimeStamp=_at("08:59:00"))], "A"),
    ],
)
def test_recipe_of_a_pick(tmp_path: Path, told: list[Message], recipe: str | None) -> None:
    pick, lost = _board("09:00:00"), _board("09:00:00", lost=True, board="T2")
    before = _load(tmp_path / "before", [*told, pick, lost])
    after = _load(tmp_path / "after", [pick, lost], *([message] for message in told))
    for plant in (before, after):
        assert query(plant, BY_RECIPE) == [(recipe, 2)]
        assert query(plant, "select recipe, sum(losses) from reason_tally group by recipe") == [(recipe, 1)]
    assert tally_digest(before) == tally_digest(after)


def test_a_late_recipe_changes_the_hours_up_to_the_next_one_and_no_others(tmp_path: Path) -> None:
    boards = [_board(f"{hour:02d}:30:00") for hour in range(6, 12)]
    plant = _load(tmp_path, boards, [_recipe("B", "10:00:00")], [_recipe("A", "07:30:00")])
    hours = query(plant, "select hour(hour), recipe from tally order by hour")
    assert hours == [(6, None), (7, "A"), (8, "A"), (9, "A"), (10, "B"), (11, "B")]


def test_a_recipe_that_changes_inside_an_hour_splits_its_picks(tmp_path: Path) -> None:
    boards = [_board(f"09:{minute:02d}:00") for minute in (0, 10, 20, 30, 40)]
    plant = _load(tmp_path, boards, [_recipe("B", "09:20:00")], [_recipe("A", "08:00:00")])
    assert query(plant, BY_RECIPE) == [("A", 2), ("B", 3)]


def test_losses_of_a_run_count_once_with_a_filled_recipe(tmp_path: Path) -> None:
    jam = [
        _board(f"09:00:{second:02d}", lost=True, board=f"T{second}", source=source)
        for second in range(4)
        for source in ("M1", "M2")
    ]
    plant = _load(tmp_path, jam, [_recipe("A", "08:00:00"), _recipe("B", "08:00:00", source="M2")])
    runs = query(plant, "select recipe, machine, sum(missed), sum(missed_runs) from tally group by all order by all")
    assert runs == [("A", "M1", 4, 1), ("B", "M2", 4, 1)]


def test_counters_in_the_hours_of_a_late_recipe_stay(tmp_path: Path) -> None:
    used = envelope(
        CONSUMED, {"ConsumedMaterials": [{"MaterialLocation": PLACE, "QuantityUsed": 7}]}, TimeStamp=_at("09:10:00")
    )
    plant = _load(tmp_path, [used], [_recipe("A", "08:00:00")])
    assert query(plant, "select grain, sum(attempts), max(recipe) from tally group by grain") == [("feeder", 7, None)]


def test_a_pick_that_names_its_recipe_keeps_it(tmp_path: Path) -> None:
    make_plant(tmp_path)
    mapping = tmp_path / "mappings" / "picks.toml"
    text = mapping.read_text(encoding="utf-8").replace("[outcome]", '[constants]\nrecipe = "own"\n\n[outcome]')
    mapping.write_text(text, encoding="utf-8")
    picks = write_picks(tmp_path / "inbox" / "a_picks.csv", mapped_picks(30))
    told = write(tmp_path / "inbox" / "b.ndjson", [_recipe("A", "05:00:00")])
    plant = settings.load(tmp_path)
    with open_store(plant, write=True) as con:
        assert [load_here(con, plant, path).refused for path in (picks, told)] == [0, 0]
    assert query(tmp_path, BY_RECIPE) == [("own", 30)]


def test_spans_follow_one_another_without_overlap() -> None:
    con = duckdb.connect()
    con.execute("create table activity (machine VARCHAR, time TIMESTAMP, event VARCHAR, recipe VARCHAR)")
    con.execute(
        """insert into activity values
        ('M1', '2026-11-16 08:00', 'recipe', 'A'), ('M1', '2026-11-16 09:00', 'board_start', 'A'),
        ('M1', '2026-11-16 10:00', 'recipe', 'B'), ('M1', '2026-11-16 10:00', 'recipe', 'A'),
        ('M1', '2026-11-16 11:00', 'board_end', 'C'), ('M1', '2026-11-16 12:00', 'recipe', null),
        ('M2', '2026-11-16 09:30', 'recipe', 'A')"""
    )
    con.execute("create temp table touched as select * from (values ('M1', timestamp '2026-11-16 08:00'), "
                "('M1', timestamp '2026-11-16 13:00')) as t(machine, hour)")  # fmt: skip
    for statement in statements("recipes", touched_span(con)):
        con.execute(statement)
    spans = con.execute("select machine, hour(begin), year(end_), hour(end_), recipe from recipe_span order by begin")
    assert spans.fetchall() == [("M1", 8, 2026, 10, "A"), ("M1", 10, 9999, 0, "B")]
