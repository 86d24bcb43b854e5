"""DuckDB runs `a; b` in one call: no text of a log, a mapping, a name or a master file may end a statement.

Every connection is watched while hostile texts go all the way: each call must hold one statement by DuckDB's own parser.
"""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline import settings
from pipeline.again import take_again
from pipeline.connections import connect
from pipeline.intake import find_files, take_in
from pipeline.settings import Plant
from pipeline.store import migrations
from pipeline.store.database import open_store
from pipeline.store.masters import load_masters
from pipeline.store.retention import retain
from tests.plants import load_here, make_plant

HOSTILE = (
    "x'; drop table pick; --",
    'x"; drop table pick; --',
    "x; select 1; ",
    "x*/; select 2; /*",
    "$1; x",
    "{x};{0}",
)
"""Ends of a text, of a name, of nothing, of a remark; a parameter; a place to fill in."""


def _mapping(hostile: str) -> str:
    """A mapping with the text wherever a text can stand; JSON's quoting is TOML's."""
    pattern = re.sub(r"([*$(){}])", r"[\1]", hostile)
    return f"""format = 1
name = {json.dumps(hostile)}
table = "pick"
files = ["*.csv"]
[text]
delimiter = "|"
null = [{json.dumps(hostile + " nothing")}]
[time]
columns = [{json.dumps("T " + hostile)}]
format = "%Y-%m-%d %H:%M:%S"
zone = "UTC"
[columns]
machine = {json.dumps("M " + hostile)}
nozzle = {json.dumps("N " + hostile)}
part = "P"
outcome = {json.dumps("R " + hostile)}
reason = "E"
[constants]
lot = {json.dumps(hostile)}
[outcome]
{json.dumps(hostile + " OK")} = "placed"
{json.dumps(hostile + " NG")} = "missed"
[reason]
{json.dumps(hostile + " V")} = "vacuum"
[file_name]
pattern = "(?P<board>.*)[.]"
[[filter]]
column = {json.dumps("N " + hostile)}
not_equals = [{json.dumps(hostile + " none")}]
[[filter]]
column = "P"
matches = {json.dumps(f".*{pattern}.*")}
"""


class Watched:
    """A connection that counts what it is given and fails when one call holds other than one statement."""

    calls = 0

    def __init__(self, con: Any) -> None:
        self._con = con

    def execute(self, sql: Any, *more: Any, **named: Any) -> Any:
        return self._one(self._con.execute, sql, *more, **named)

    def executemany(self, sql: Any, *more: Any, **named: Any) -> Any:
        return self._one(self._con.executemany, sql, *more, **named)

    def sql(self, sql: Any, *more: Any, **named: Any) -> Any:
        return self._one(self._con.sql, sql, *more, **named)

    def _one(self, call: Any, sql: Any, *more: Any, **named: Any) -> Any:
        found = self._con.extract_statements(sql)
        assert len(found) == 1, f"{len(found)} statements in one call: {sql}"
        Watched.calls += 1
        return call(sql, *more, **named)

    def cursor(self) -> Any:
        return Watched(self._con.cursor())

    def __enter__(self) -> Watched:
        return self

    def __exit__(self, *_: object) -> None:
        self._con.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._con, name)


@pytest.fixture(autouse=True)
def watched(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every connection made from now on is watched."""
    real = duckdb.connect
    monkeypatch.setattr(duckdb, "connect", lambda *a, **k: Watched(real(*a, **k)))
    Watched.calls = 0


def _plant(folder: Path, hostile: str) -> Plant:
    make_plant(folder, settings='[retention]\npick_weeks = 1\nexport = "it\'s; kept"\n')
    (folder / "mappings" / "picks.toml").write_text(_mapping(hostile), encoding="utf-8")
    with (folder / "masters" / "aliases.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["kind", "alias", "id"])
        rows.writerow(["part", hostile, f"{hostile} new"])
    return settings.load(folder)


def _cells(hostile: str, weeks: int, word: str) -> list[str]:
    day = 2 + 7 * weeks
    return [f"2026-11-{day:02} 06:00:00", hostile, hostile, hostile, f"{hostile} {word}", f"{hostile} V"]


def _names(hostile: str) -> list[str]:
    return [f"T {hostile}", f"M {hostile}", f"N {hostile}", "P", f"R {hostile}", "E"]


def _csv(hostile: str, words: tuple[str, ...]) -> str:
    rows = [_names(hostile), *(_cells(hostile, i % 3, w) for i, w in enumerate(words))]
    return "\n".join("|".join('"' + c.replace('"', '""') + '"' for c in row) for row in rows) + "\n"


def test_the_watch_sees_two_statements() -> None:
    with connect(memory_mb=100) as con, pytest.raises(AssertionError, match="2 statements"):
        con.execute("select 1; select 2")


@pytest.mark.parametrize("hostile", HOSTILE)
def test_hostile_texts_in_logs_mappings_masters_and_names(tmp_path: Path, hostile: str) -> None:
    plant = _plant(tmp_path / "plant", hostile)
    log = plant.inbox / f"{hostile.replace('/', '|')}.csv"
    log.write_text(_csv(hostile, ("OK", "NG", "OK", "odd")), encoding="utf-8")
    with connect(tmp_path / "x.duckdb", memory_mb=500) as con:
        migrations.migrate(con, None)
        result = load_here(con, plant, log)
        assert (result.read, result.loaded, result.refused) == (4, 3, 1)
    with open_store(plant, write=True) as con:
        load_masters(con, plant)
        assert [r.loaded for r in take_in(con, plant, find_files(plant, [])).loaded] == [3]
        stored = con.execute("select distinct machine, nozzle, part, lot, board from pick").fetchall()
        assert stored == [(hostile, hostile, hostile, hostile, log.stem)]
        tallies = con.execute("select machine, part, sum(attempts) from tally group by all").fetchall()
        assert tallies == [(hostile, f"{hostile} new", 3)]
        mapping = plant.folder / "mappings" / "picks.toml"
        mapping.write_text(mapping.read_text(encoding="utf-8") + "# mended\n", encoding="utf-8")
        take_again(con, plant, ())
        assert retain(con, plant) == 1
        assert con.execute("select count(*) from pick").fetchall() == [(2,)]
    assert Watched.calls > 100
