"""Which reel, lot, part and feeder a pick had when its line does not say. The expected keys are written out by hand."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.errors import SettingsError
from tests.unit.rollup.staged import Row, at, digest, load, store


def _event(hours: float, event: str, reel: str, **more: object) -> Row:
    return {"time": at(hours), "event": event, "machine": "M", "reel": reel, **more}


def _pick(hours: float, **more: object) -> Row:
    return {"time": at(hours), "machine": "M", "nozzle": "N1", "outcome": "placed", **more}


def _keys(con: duckdb.DuckDBPyConnection, what: str = "reel, lot, part") -> list[tuple[object, ...]]:
    return [
        row[1:] for row in con.execute(f"select hour, {what} from tally where grain = 'joint' order by all").fetchall()
    ]


def _fills(con: duckdb.DuckDBPyConnection, key: str) -> tuple[int, int, int]:
    sql = "select sum(told), sum(filled), sum(unknown) from fill_tally where key = ?"
    told, filled, unknown = con.execute(sql, [key]).fetchall()[0]
    return int(told), int(filled), int(unknown)


def test_a_pick_has_the_reel_that_sat_in_its_slot(tmp_path: Path) -> None:
    events = [
        _event(1, "load", "R1", slot="5", part="P1", lot="L1"),
        _event(3, "splice", "R2", slot="5", previous_reel="R1", part="P1", lot="L2"),
        _event(5, "unload", "R2", slot="5"),
    ]
    picks = [_pick(h + 0.5, slot="5") for h in range(6)] + [_pick(2.5, slot="6")]
    with store(tmp_path) as con:
        load(con, "a", {"pick": picks, "reel_event": events})
        known = con.execute("select hour(hour), reel, lot, part from tally where slot = '5' order by hour").fetchall()
        assert known == [
            (6, None, None, None),
            (7, "R1", "L1", "P1"),
            (8, "R1", "L1", "P1"),
            (9, "R2", "L2", "P1"),
            (10, "R2", "L2", "P1"),
            (11, None, None, None),
        ]
        assert _keys(con, "slot, reel")[3] == ("6", None)
        assert _fills(con, "reel") == (0, 4, 3)
        assert con.execute("select count(*) from pick where coalesce(reel, lot, part) is not null").fetchall() == [(0,)]


def test_a_feeder_carries_its_reel_to_another_machine(tmp_path: Path) -> None:
    events = [{"time": at(0), "event": "load", "reel": "R1", "feeder": "F9", "lot": "L1"}]
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(1, feeder="F9"), _pick(2, feeder="F9", machine="M2")], "reel_event": events})
        assert _keys(con, "machine, reel, lot") == [("M", "R1", "L1"), ("M2", "R1", "L1")]


def test_what_the_line_says_stays(tmp_path: Path) -> None:
    events = [_event(0, "load", "R1", slot="5", part="P1", lot="L1")]
    picks = [_pick(1, slot="5", reel="R7"), _pick(2, slot="5", part="P1"), _pick(3, slot="5", part="P8")]
    with store(tmp_path) as con:
        load(con, "a", {"pick": picks, "reel_event": events})
        assert _keys(con) == [("R7", None, None), ("R1", "L1", "P1"), (None, None, "P8")]  # P8 is not on R1
        assert _fills(con, "reel") == (1, 1, 1)


def test_a_reel_that_is_told_gives_its_lot_and_part(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(1, reel="R1"), _pick(2, reel="R2")]})
        load(con, "b", {"reel_event": [_event(9, "count", "R1", part="P1", lot="L1")]})
        assert _keys(con) == [("R1", "L1", "P1"), ("R2", None, None)]
        # Two parts told of one reel: it is not known which. Its lot is.
        load(con, "c", {"reel_event": [_event(10, "count", "R1", part="P2", lot="L1")]})
        assert _keys(con) == [("R1", "L1", None), ("R2", None, None)]


@pytest.mark.parametrize(
    ("events", "why"),
    [
        ([_event(0, "load", "R1", slot="5"), _event(0, "load", "R2", slot="5")], "two reels at once"),
        ([_event(0, "load", "R1", slot="5"), _event(4, "unload", "R2", slot="5")], "another was taken off"),
        (
            [_event(0, "load", "R1", slot="5"), _event(4, "splice", "R3", slot="5", previous_reel="R2")],
            "another ran out",
        ),
        (
            [_event(0, "load", "R1", slot="5", feeder="F1"), _event(0.5, "load", "R2", feeder="F2"),
             _event(0.7, "load", "R1", slot="8")],
            "it was loaded elsewhere since",
        ),
        ([_event(0, "load", "R1", slot="5"), {"time": at(0.5), "event": "unload", "reel": "R1"}], "taken off"),
        ([_event(0, "load", "R2", slot="5", previous_reel="R1")], "spliced behind another, which is used first"),
    ],
)  # fmt: skip
def test_what_is_contradictory_stays_unknown(tmp_path: Path, events: list[Row], why: str) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(1, slot="5")], "reel_event": events})
        assert _keys(con, "reel") == [(None,)], why


def test_slot_and_feeder_that_tell_different_reels_tell_none(tmp_path: Path) -> None:
    events = [_event(0, "load", "R1", slot="5"), _event(0, "load", "R2", feeder="F1")]
    picks = [_pick(1, slot="5", feeder="F1"), _pick(2, slot="5"), _pick(3, feeder="F1")]
    with store(tmp_path) as con:
        load(con, "a", {"pick": picks, "reel_event": events})
        assert _keys(con, "reel") == [(None,), ("R1",), ("R2",)]


def test_a_set_up_list_gives_feeder_and_part_while_it_holds(tmp_path: Path) -> None:
    setups = (
        "machine,slot,feeder,part,valid_from,valid_to\n"
        "M,5,F1,P1,2026-11-16T07:00,2026-11-16T09:00\nM,5,F1,P2,2026-11-16T08:00,\nM,6,,P6,,\n"
    )
    picks = [_pick(h + 0.5, slot="5") for h in range(4)] + [_pick(0.5, slot="6")]
    with store(tmp_path, {"setups.csv": setups}) as con:
        load(con, "a", {"pick": picks})
        found = con.execute("select slot, hour(hour), feeder, part from tally order by all").fetchall()
        assert found == [
            ("5", 6, None, None),
            ("5", 7, "F1", "P1"),
            ("5", 8, "F1", None),  # both lists hold then
            ("5", 9, "F1", "P2"),
            ("6", 6, None, "P6"),
        ]


def test_a_reel_of_another_part_than_the_set_up_list_is_not_believed(tmp_path: Path) -> None:
    with store(tmp_path, {"setups.csv": "machine,slot,part\nM,5,P1\n"}) as con:
        events = [_event(0, "load", "R1", slot="5", part="P2", lot="L2")]
        load(con, "a", {"pick": [_pick(1, slot="5")], "reel_event": events})
        assert _keys(con) == [(None, None, None)]


def test_a_filled_feeder_makes_runs_of_losses(tmp_path: Path) -> None:
    """Two misses in a row on one feeder are one event, also when the set-up list tells the feeder."""
    picks = [_pick(1 + i / 3600, slot="5", nozzle=f"N{i}") | {"outcome": "missed"} for i in range(2)]
    with store(tmp_path, {"setups.csv": "machine,slot,feeder\nM,5,F1\n"}) as con:
        load(con, "a", {"pick": picks})
        assert con.execute("select sum(missed), sum(missed_runs) from tally").fetchall() == [(2, 1)]


def test_new_masters_count_the_stored_picks_anew(tmp_path: Path) -> None:
    with store(tmp_path / "a") as con:
        load(con, "a", {"pick": [_pick(1, slot="5"), _pick(1.1, slot="5", machine="old M")]})
        assert _keys(con, "machine, part") == [("M", None), ("old M", None)]
    masters = {"setups.csv": "machine,slot,part\nM,5,P1\n", "aliases.csv": "kind,alias,id\nmachine,old M,M\n"}
    with store(tmp_path / "a", masters) as con:
        assert _keys(con, "machine, part, attempts") == [("M", "P1", 2)]
        one = digest(con)
    with store(tmp_path / "b", masters) as con:
        load(con, "a", {"pick": [_pick(1, slot="5"), _pick(1.1, slot="5", machine="old M")]})
        assert digest(con) == one
    with store(tmp_path / "a", {"setups.csv": "machine,slot\n", "aliases.csv": "kind,alias,id\n"}) as con:
        assert _keys(con, "machine, part") == [("M", None), ("old M", None)]
        assert _fills(con, "part") == (0, 0, 2)


def test_an_alias_holds_in_its_time_for_every_kind_of_log(tmp_path: Path) -> None:
    aliases = (
        "kind,alias,id,valid_from,valid_to\n"
        "machine,line 1 left,M,,2026-11-16T08:00\npart,P1-ALT,P1,,\npart,P1-NEW,P1,2026-11-16T07:30,\n"
    )
    fault = {"time": at(1.25), "machine": "line 1 left", "nozzle": "N1", "fault_type": "x", "outcome": "missed"}
    files: list[dict[str, list[Row]]] = [
        {"pick": [
            _pick(1.25, machine="line 1 left", part="P1-ALT") | {"outcome": "missed"},
            _pick(2.5, machine="line 1 left", part="P1-NEW"),
            _pick(1.25, part="P1-NEW"),
        ]},
        {"activity": [{"time": at(0.5), "machine": "line 1 left", "event": "recipe", "recipe": "A"}]},
        {"fault": [{**fault, "reason_group": "vacuum"}]},
        {"counter": [{"time": at(1.5), "machine": "line 1 left", "grain": "nozzle", "placed": 99}]},
    ]  # fmt: skip
    for order in ([0, 1, 2, 3], [3, 2, 1, 0]):
        with store(tmp_path / str(order[0]), {"aliases.csv": aliases}) as con:
            for number in order:
                load(con, str(number), files[number])
            found = con.execute("select machine, hour(hour), part, recipe, attempts from tally order by all").fetchall()
            assert found == [
                ("M", 7, "P1", "A", 1),
                ("M", 7, "P1-NEW", "A", 1),
                ("line 1 left", 8, "P1", None, 1),
            ]
            assert con.execute("select machine, reason_group from reason_tally").fetchall() == [("M", "vacuum")]
            assert con.execute("select count(*) from pick where machine = 'line 1 left'").fetchall() == [(2,)]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("kind,alias,id\nmachines,a,b\n", "line 2: \"kind\" is 'machines'"),
        ("kind,alias,id\nmachine,a,a\n", "alias of itself"),
        ("kind,alias,id,valid_from\npart,a,b,\npart,a,c,2026-01-01\n", "at the same time"),
        ("kind,alias,id,valid_from,valid_to\npart,a,b,2026-01-02,2026-01-01\n", "not after"),
        ("kind,alias,id,valid_from\npart,a,b,soon\n", "expected a date"),
    ],
)
def test_a_wrong_alias_is_refused(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says), store(tmp_path, {"aliases.csv": text}):
        pass
