"""Old picks go, what was counted stays; late files are refused or taken; exports are whole."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import settings
from pipeline.errors import SettingsError
from pipeline.rollup.tallies import recompute_all
from pipeline.store import retention
from pipeline.store.retention import retain
from tests.unit.rollup.staged import Row, at, digest, load, store

WEEK = 24 * 7
NOW = datetime(2027, 1, 1)  # noqa: DTZ001
KEEP_TWO = "[retention]\npick_weeks = 2\n"


def _pick(hours: float, **more: object) -> Row:
    return {"time": at(hours), "machine": "M", "nozzle": "N1", "outcome": "placed", **more}


def _plant(folder: Path) -> settings.Plant:
    return settings.load(folder)


def _counted(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    found: list[tuple[object, ...]] = []
    for name in ("tally", "reason_tally", "load"):
        found += con.execute(f"select * from {name} order by all").fetchall()
    return found


def test_old_picks_go_and_no_total_moves(tmp_path: Path) -> None:
    midnight = WEEK - 6  # two weeks before the day of the newest pick; its own picks stay
    picks = [_pick(h, outcome=o) for h in (0, 1, midnight, 3 * WEEK) for o in ("placed", "missed")]
    measured = [{"time": at(h), "machine": "M", "what": "x"} for h in (0, midnight, 3 * WEEK)]
    picks.append(_pick(0, nozzle="N2"))
    keys = "select nozzle, outcome from pick_key order by all"  # a combination goes with its last pick
    with store(tmp_path, more=KEEP_TWO) as con:
        load(con, "a", {"pick": picks, "measurement": measured})
        before = _counted(con)
        assert con.execute(keys).fetchall() == [("N1", "missed"), ("N1", "placed"), ("N2", "placed")]
        assert retain(con, _plant(tmp_path), NOW) == 5
        assert _counted(con) == before
        assert con.execute(keys).fetchall() == [("N1", "missed"), ("N1", "placed")]
        assert con.execute("select distinct time from pick order by 1").fetchall() == [(at(midnight),), (at(3 * WEEK),)]
        kept = con.execute("select time from measurement order by 1").fetchall()
        assert kept == [(at(midnight),), (at(3 * WEEK),)]
        assert con.execute("select * from closed_hour order by all").fetchall() == [("M", at(0)), ("M", at(1))]
        assert retain(con, _plant(tmp_path), NOW) == 0


def test_a_late_file_of_a_closed_hour_is_refused_and_of_a_new_one_taken(tmp_path: Path) -> None:
    with store(tmp_path, more=KEEP_TWO) as con:
        load(con, "a", {"pick": [_pick(0), _pick(3 * WEEK)]})
        retain(con, _plant(tmp_path), NOW)
        late = load(con, "b", {"pick": [_pick(0), _pick(0.5), _pick(5)], "measurement": [
            {"line": 2, "time": at(0.5), "machine": "M", "what": "x"},
            {"line": 9, "time": at(0.5), "machine": "M", "what": "y"},
        ]})  # fmt: skip
        assert (late.read, late.loaded, late.duplicate, late.refused) == (4, 1, 0, 3)
        reasons = con.execute("select line, reason from refused order by line").fetchall()
        assert [line for line, _ in reasons] == [1, 2, 9]
        assert all("2026-11-16 06:00 UTC were removed" in text for _, text in reasons)
        hours = con.execute("select hour, attempts from tally order by hour").fetchall()
        assert hours == [(at(0), 1), (at(5), 1), (at(3 * WEEK), 1)]
        assert retain(con, _plant(tmp_path), NOW) == 1
        again = load(con, "c", {"pick": [_pick(5), _pick(3 * WEEK)]})
        assert (again.duplicate, again.refused) == (1, 1)
        assert con.execute("select hour, attempts from tally order by hour").fetchall() == hours


def test_what_comes_late_leaves_closed_hours_as_they_were_counted(tmp_path: Path) -> None:
    """A recipe, a fault, a reel, a counter, an alias and a set-up list that would have touched them."""
    late: dict[str, list[Row]] = {
        "activity": [{"time": at(-1), "machine": "M", "event": "recipe", "recipe": "A"}],
        "fault": [{"time": at(0), "machine": "M", "nozzle": "N1", "fault_type": "x", "outcome": "missed",
                   "reason_group": "vacuum"}],
        "reel_event": [{"time": at(-1), "machine": "M", "event": "load", "reel": "R1", "slot": "5", "part": "P1"}],
        "counter": [{"time": at(0.9), "machine": "M", "grain": "nozzle", "placed": 70}],
    }  # fmt: skip
    masters = {"setups.csv": "machine,slot,feeder\nM,5,F1\n", "aliases.csv": "kind,alias,id\nmachine,M,N\n"}
    picks = [_pick(h, slot="5", outcome=o) for h in (0, 3 * WEEK) for o in ("placed", "missed")]
    with store(tmp_path, more=KEEP_TWO) as con:
        load(con, "a", {"pick": picks})
        old = con.execute("select * from tally where hour = ?", [at(0)]).fetchall()
        retain(con, _plant(tmp_path), NOW)
        load(con, "b", late)
        assert con.execute("select * from tally where hour = ?", [at(0)]).fetchall() == old
        assert con.execute("select reel, recipe from tally where hour = ?", [at(3 * WEEK)]).fetchall() == [("R1", "A")]
    with store(tmp_path, masters, KEEP_TWO) as con:
        assert con.execute("select * from tally where hour = ?", [at(0)]).fetchall() == old
        assert con.execute("select machine, feeder from tally where hour = ?", [at(3 * WEEK)]).fetchall() == [
            ("N", "F1")
        ]


@pytest.mark.parametrize(("weeks", "now", "kept"), [(0, NOW, 3), (1, NOW, 1), (3, NOW, 3), (1, at(WEEK), 2)])
def test_the_limit_counts_from_the_newest_pick_that_is_not_in_the_future(
    tmp_path: Path, weeks: int, now: datetime, kept: int
) -> None:
    with store(tmp_path, more=f"[retention]\npick_weeks = {weeks}\n") as con:
        load(con, "a", {"pick": [_pick(-7), _pick(0), _pick(2.5 * WEEK)]})
        retain(con, _plant(tmp_path), now)
        assert con.execute("select count(*) from pick").fetchall() == [(kept,)]


def test_picks_are_exported_whole_before_they_go(tmp_path: Path) -> None:
    odd = "../up'and/away%2F="
    first = [_pick(0, part="01005"), _pick(30, outcome="missed"), _pick(0, machine=odd), _pick(3 * WEEK)]
    with store(tmp_path, more=KEEP_TWO + 'export = "old picks"\n') as con:
        load(con, "a", {"pick": first})
        load(con, "b", {"pick": [_pick(1)]})
        gone = con.execute("select * from pick where time < ? order by all", [at(WEEK)]).fetchall()
        plant = _plant(tmp_path)
        retention.export_picks(
            con, plant.folder / "old picks", at(2 * WEEK).replace(hour=0)
        )  # a run that was killed then
        (tmp_path / "old picks" / ".export-killed" / "parts").mkdir(parents=True)
        assert retain(con, plant, NOW) == 4
        assert not [p for p in (tmp_path / "old picks").iterdir() if p.name.startswith(".")]
        files = sorted(
            p.relative_to(tmp_path / "old picks").as_posix() for p in (tmp_path / "old picks").rglob("*.parquet")
        )
        assert [f for f in files if f.startswith("machine=M/")] == [
            "machine=M/day=2026-11-16/load_1.parquet",
            "machine=M/day=2026-11-16/load_2.parquet",
            "machine=M/day=2026-11-17/load_1.parquet",
        ]
        assert len(files) == 4
        read = pl.concat([pl.read_parquet(tmp_path / "old picks" / f, hive_partitioning=False) for f in files])
        assert sorted(read.drop("day", "load").rows(), key=repr) == sorted(gone, key=repr)
        assert not list((tmp_path / "old picks").glob(".*"))
    assert sorted(p.name for p in tmp_path.parent.iterdir() if "up'and" in p.name) == []


def test_lines_taken_again_join_the_export_of_their_day(tmp_path: Path) -> None:
    with store(tmp_path, more=KEEP_TWO + 'export = "old picks"\n') as con:
        load(con, "a", {"pick": [_pick(0, line=1)]}, refused=(2,))
        load(con, "b", {"pick": [_pick(4 * WEEK)]})
        retain(con, _plant(tmp_path), NOW)
        load(con, "a", {"pick": [_pick(0, line=1), _pick(3, line=2)]}, again=True)
        limit = at(2 * WEEK).replace(hour=0)
        retention.export_picks(con, tmp_path / "old picks", limit)  # a run that was killed then
        retain(con, _plant(tmp_path), NOW)
    day = tmp_path / "old picks" / "machine=M" / "day=2026-11-16"
    held = {p.name: pl.read_parquet(p, hive_partitioning=False)["line"].to_list() for p in day.iterdir()}
    assert held == {"load_1.parquet": [1, 2]}


def test_an_export_that_cannot_be_written_keeps_the_picks(tmp_path: Path) -> None:
    with store(tmp_path, more=KEEP_TWO + 'export = "taken"\n') as con:
        (tmp_path / "taken").write_text("a file", encoding="utf-8")
        load(con, "a", {"pick": [_pick(0), _pick(3 * WEEK)]})
        with pytest.raises(OSError, match="taken"):
            retain(con, _plant(tmp_path), NOW)
        assert con.execute("select count(*) from pick").fetchall() == [(2,)]
        assert con.execute("select count(*) from closed_hour").fetchall() == [(0,)]


def test_a_failure_on_the_way_removes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with store(tmp_path, more=KEEP_TWO) as con:
        load(con, "a", {"pick": [_pick(0), _pick(3 * WEEK)]})
        one = digest(con)
        con.execute("create view other as select 1")
        con.execute("drop table measurement")
        con.execute("create view measurement as select time, machine from pick where false")
        with pytest.raises(duckdb.Error):
            retain(con, _plant(tmp_path), NOW)
        assert digest(con) == one
        assert con.execute("select count(*) from pick").fetchall() == [(2,)]


@pytest.mark.parametrize(("line", "says"), [("pick_weeks = -1", "between"), ("export = 3", "name of a folder")])
def test_settings_are_checked(tmp_path: Path, line: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says), store(tmp_path, more=f"[retention]\n{line}\n"):
        pass


def test_the_default_is_half_a_year(tmp_path: Path) -> None:
    assert dataclasses.asdict(settings.Retention()) == {"pick_weeks": 26, "export": ""}
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0), _pick(0, time=at(0) - timedelta(weeks=27))]})
        assert retain(con, _plant(tmp_path), NOW) == 1


def test_counts_of_an_hour_whose_measurements_went_are_taken(tmp_path: Path) -> None:
    """A machine that counts, and logs what recognition measured: only the measurements are removed."""
    old: list[Row] = [{"time": at(0.5), "machine": "C", "what": "width", "measured": 1.0}]
    count: Row = {"start": at(0), "time": at(1), "machine": "C", "grain": "nozzle", "nozzle": "N1", "placed": 100}
    with store(tmp_path, more=KEEP_TWO) as con:
        load(con, "a", {"measurement": old, "pick": [_pick(4 * WEEK)]})
        retain(con, _plant(tmp_path), NOW)
        assert load(con, "b", {"measurement": old}).refused == 1
        load(con, "c", {"counter": [count]})
        assert con.execute("select placed from tally where machine = 'C'").fetchall() == [(100,)]


def test_a_late_file_under_the_new_name_of_a_machine_is_refused_as_well(tmp_path: Path) -> None:
    with store(tmp_path, more=KEEP_TWO) as con:
        load(con, "a", {"pick": [_pick(0, machine="M old"), _pick(4 * WEEK)]})
        retain(con, _plant(tmp_path), NOW)
        counted = con.execute("select * from tally order by all").fetchall()
        con.execute("insert into master_alias values ('machine', 'M old', 'M', null, null)")
        recompute_all(con)
        assert load(con, "b", {"pick": [_pick(0), _pick(0.1)]}).refused == 2
        assert con.execute("select * from tally order by all").fetchall() == counted


def test_picks_that_come_to_an_exported_day_later_join_its_file(tmp_path: Path) -> None:
    """Lines of a load that were refused, of hours of which nothing was known, read again with a mended mapping."""
    picks = [{**_pick(h), "line": n} for n, h in enumerate((0, 0.5, 3 * WEEK), 1)]
    late = [{**_pick(h), "line": n} for n, h in enumerate((5, 5.5), 90)]
    with store(tmp_path, more=KEEP_TWO + 'export = "old"\n') as con:
        load(con, "a", {"pick": picks}, refused=(90, 91))
        retain(con, _plant(tmp_path), NOW)
        load(con, "a", {"pick": [*picks, *late]}, again=True, mapping="mended")
        retain(con, _plant(tmp_path), NOW)
        assert con.execute("select sum(attempts) from tally").fetchall() == [(5,)]
    (file,) = (tmp_path / "old").rglob("*.parquet")
    assert pl.read_parquet(file, hive_partitioning=False)["line"].to_list() == [1, 2, 90, 91]


def test_closed_hours_are_closed_under_a_name_that_the_machine_gets_later(tmp_path: Path) -> None:
    picks = [_pick(0), _pick(3 * WEEK)]
    with store(tmp_path, more=KEEP_TWO) as con:
        load(con, "a", {"pick": picks})
        retain(con, _plant(tmp_path), NOW)
    with store(tmp_path, {"aliases.csv": "kind,alias,id\nmachine,M,N\n"}, KEEP_TWO) as con:
        late = load(con, "b", {"pick": [{**p, "machine": "N"} for p in picks]})
        assert (late.loaded, late.duplicate, late.refused) == (0, 1, 1)
        assert con.execute("select hour, attempts from tally order by hour").fetchall() == [
            (at(0), 1), (at(3 * WEEK), 1)
        ]  # fmt: skip
