"""Lines of overlapping exports that tell different ends of one pick: the first stays, the other is not counted."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipeline.store import quality_keys
from tests.unit.rollup.staged import Row, at, load, store


def _pick(minutes: float, outcome: str = "placed", **more: object) -> Row:
    return {"time": at(minutes / 60), "machine": "M", "nozzle": "N1", "feeder": "F1", "outcome": outcome, **more}


def _outcomes(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    (row,) = con.execute("select sum(attempts), sum(placed), sum(missed), sum(rejected) from tally").fetchall()
    return [int(v) for v in row]  # type: ignore[misc]


def test_the_first_stays_and_the_other_is_kept_beside_it(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0), _pick(1), _pick(2, "missed", reason="V")]})
        result = load(con, "b", {"pick": [_pick(1, "rejected"), _pick(2, "missed", reason="W"), _pick(3)]})
        assert (result.read, result.loaded, result.duplicate, result.refused) == (3, 1, 2, 0)
        assert _outcomes(con) == [4, 3, 1, 0]
        rows = quality_keys.disagreements(con).select(
            "file", "line", "outcome", "reason", "kept_file", "kept_line", "kept_outcome", "kept_reason"
        )
        assert rows.rows() == [
            ("b", 1, "rejected", None, "a", 2, "placed", None),
            ("b", 2, "missed", "W", "a", 3, "missed", "V"),
        ]
        again = load(con, "c", {"pick": [_pick(0), _pick(1, "rejected"), _pick(2, "missed", reason="V")]})
        assert again.duplicate == 3
        assert con.execute("select count(*) from disagreement").fetchall() == [(2,)]


def test_a_repeated_line_disagrees_with_nothing(tmp_path: Path) -> None:
    """A miss and its retry in the same second: the second export has both, the third only the retry."""
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0), _pick(1, "missed")]})
        load(con, "b", {"pick": [_pick(0), _pick(1, "missed"), _pick(1), _pick(2)]})
        load(con, "c", {"pick": [_pick(1), _pick(2)]})
        assert _outcomes(con) == [4, 3, 1, 0]
        assert con.execute("select count(*) from disagreement").fetchall() == [(0,)]


def test_of_two_picks_in_one_place_and_second_one_can_disagree(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0), _pick(1), _pick(1), _pick(2)]})
        load(con, "b", {"pick": [_pick(0), _pick(1), _pick(1, "missed"), _pick(2)]})
        assert _outcomes(con) == [4, 4, 0, 0]
        assert con.execute("select count(*) from disagreement").fetchall() == [(1,)]


def test_files_that_meet_in_one_instant_do_not_overlap(tmp_path: Path) -> None:
    halves = {"a": {"pick": [_pick(0), _pick(1, "missed")]}, "b": {"pick": [_pick(1), _pick(2)]}}
    for order in ("ab", "ba"):
        with store(tmp_path / order) as con:
            for name in order:
                load(con, name, halves[name])
            assert _outcomes(con) == [4, 3, 1, 0]


def test_picks_without_nozzle_and_spindle_are_not_held_against_each_other(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0, nozzle=None), _pick(1, nozzle=None)]})
        load(con, "b", {"pick": [_pick(0, nozzle=None), _pick(1, "missed", nozzle=None)]})
        assert _outcomes(con) == [3, 2, 1, 0]


def test_another_place_is_another_pick(tmp_path: Path) -> None:
    others: list[Row] = [
        {"nozzle": "N2"},
        {"feeder": "F2"},
        {"designator": "C1"},
        {"head": "H"},
        {"spindle": "1"},
        {"machine": "M2"},
    ]
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0), _pick(1), _pick(2)]})
        load(con, "b", {"pick": [_pick(0), *(_pick(1, "missed") | other for other in others), _pick(2)]})
        assert _outcomes(con) == [9, 3, 6, 0]


def test_messages_have_an_identity_of_their_own(tmp_path: Path) -> None:
    def message(identity: str, outcome: str) -> dict[str, list[Row]]:
        return {"pick": [_pick(1, outcome, line=1)], "message": [{"line": 1, "message_id": identity}]}

    lines = {"pick": [_pick(0), _pick(1, "rejected"), _pick(2)]}
    for number, files in enumerate(
        [
            [message("1", "placed"), message("2", "missed"), lines],
            [lines, message("1", "placed"), message("2", "missed")],
        ]
    ):
        with store(tmp_path / str(number)) as con:
            for name, tables in enumerate(files):
                load(con, str(name), tables)
            assert _outcomes(con) == [5, 3, 1, 1]


def test_another_message_under_an_id_that_stands_already_is_listed(tmp_path: Path) -> None:
    """As from a sender that gives every message the same id: one counts, the others are not lost without a word."""

    def message(line: int, hours: float, **more: object) -> dict[str, list[Row]]:
        pick = {"line": line, "time": at(hours), "machine": "M", "nozzle": "N1", "outcome": "placed", **more}
        return {"message": [{"line": line, "message_id": "A"}], "pick": [pick]}

    def together(*messages: dict[str, list[Row]]) -> dict[str, list[Row]]:
        return {name: [row for m in messages for row in m[name]] for name in ("message", "pick")}

    with store(tmp_path) as con:
        first = load(con, "a", together(message(1, 0), message(2, 0), message(3, 1)))
        second = load(con, "b", together(message(1, 0), message(2, 0, nozzle="N2")))
        assert (first.loaded, first.duplicate, second.loaded, second.duplicate) == (1, 2, 0, 2)
        lines = con.execute("select load_id, line, kept_load_id, kept_line from disagreement order by all").fetchall()
        assert lines == [(1, 3, 1, 1), (2, 2, 1, 1)]
        assert con.execute("select outcome, kept_outcome from disagreement where load_id = 1").fetchall() == [
            ("1 pick(s), the first at 2026-11-16 07:00:00 UTC", "1 pick(s), the first at 2026-11-16 06:00:00 UTC")
        ]
