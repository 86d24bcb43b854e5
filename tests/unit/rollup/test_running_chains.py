"""Whose total is it? Running counters of an item while other keys change, and of each combination by itself."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from tests.unit.rollup.staged import Row, at, digest, load, store


def _row(hours: float, attempts: int | None, **more: object) -> Row:
    row = {"time": at(hours), "machine": "M", "grain": "nozzle", "nozzle": "N1", "attempts": attempts, "running": True}
    return {**row, **more}


def _by(con: duckdb.DuckDBPyConnection, key: str) -> dict[str | None, int]:
    """Picks by one key, but for keys without any."""
    found = con.execute(f"select {key}, cast(sum(attempts) as BIGINT) from tally group by all order by all").fetchall()
    return {k: n for k, n in found if n}


LIFETIME = [
    (0, "A", 1000),
    (1, "A", 1100),
    (2, "B", 1210),
    (3, "B", 1290),
    (4, "A", 1400),
    (5, "A", 1500),
    (6, "B", 1600),
]
"""A total of the nozzle that goes on while recipes change."""


def _lifetime() -> list[Row]:
    return [_row(hour, total, recipe=recipe) for hour, recipe, total in LIFETIME]


def test_a_total_that_goes_on_over_recipes_is_counted_once(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": _lifetime()})
        assert _by(con, "recipe") == {"A": 100 + 110 + 100, "B": 110 + 80 + 100}


def test_a_nozzle_that_moves_between_spindles_is_counted_once(tmp_path: Path) -> None:
    rows = [_row(hour, 1000 + 100 * hour, spindle=str(1 + hour // 2 % 2)) for hour in range(8)]
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        assert _by(con, "spindle") == {"1": 100 + 200, "2": 400}


def test_nozzles_that_heads_number_alike_have_totals_of_their_own(tmp_path: Path) -> None:
    """Nozzle 1 of each of two heads, both with a recipe that changes beside the total."""
    rows = [
        _row(hour, start + 100 * hour, head=head, recipe="AB"[hour // 2 % 2])
        for hour in range(8)
        for head, start in (("H1", 5000), ("H2", 90_000))
    ]
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        assert _by(con, "head") == {"H1": 700, "H2": 700}


def test_a_total_of_the_feeder_goes_on_with_every_new_reel(tmp_path: Path) -> None:
    feeder = {"grain": "feeder", "nozzle": None, "feeder": "F1"}
    rows = [_row(hour, 100 * hour, reel=f"R{hour // 2}", **feeder) for hour in range(1, 9)]
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        assert _by(con, "reel") == {"R1": 200, "R2": 200, "R3": 200, "R4": 100}


@pytest.mark.parametrize("side_by_side", [True, False])
def test_totals_of_each_combination_go_on_by_themselves(tmp_path: Path, side_by_side: bool) -> None:
    """Nozzle and recipe each have a total: they stand beside each other, or each goes on where it left off."""
    totals, rows = {"A": 1000, "B": 1040}, []
    for hour in range(12):
        ran = "AB"[hour // 2 % 2]
        totals[ran] += 100
        rows += [_row(hour, totals[r], recipe=r) for r in ("AB" if side_by_side else ran)]
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        assert _by(con, "recipe") == ({"A": 500, "B": 600} if side_by_side else {"A": 500, "B": 500})


def test_equal_totals_side_by_side_are_no_total_of_the_item(tmp_path: Path) -> None:
    """Two lanes of a feeder that always count alike."""
    feeder = {"grain": "feeder", "nozzle": None, "feeder": "F1"}
    rows = [_row(hour, 10 * hour, lane=lane, **feeder) for hour in range(1, 9) for lane in "12"]
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        assert _by(con, "lane") == {"1": 70, "2": 70}


def test_a_total_handed_over_at_one_time_is_the_items(tmp_path: Path) -> None:
    """At each change the log writes a line under the old recipe and one under the new."""
    rows = [_row(hour, 100 * hour, recipe="AB"[hour // 3 % 2]) for hour in range(14)]
    handed = [_row(hour, 100 * hour, recipe="AB"[(hour // 3 - 1) % 2]) for hour in range(3, 14, 3)]
    ordered = sorted([*handed, *rows], key=lambda r: r["attempts"])  # type: ignore[arg-type,return-value]
    with store(tmp_path) as con:
        load(con, "a", {"counter": ordered})
        assert _by(con, "recipe") == {"A": 300 + 300 + 100, "B": 300 + 300}


def test_too_little_to_tell_leaves_each_combination_by_itself(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"counter": _lifetime()[:4]})
        assert _by(con, "recipe") == {"A": 100, "B": 80}


def test_what_later_files_tell_holds_for_the_hours_before(tmp_path: Path) -> None:
    """Until the third change nobody can tell; the hours of the first ones are counted anew then."""
    rows = _lifetime()
    with store(tmp_path / "whole") as con:
        load(con, "whole", {"counter": rows})
        whole = digest(con)
    with store(tmp_path / "parts") as con:
        for name, part in (("a", rows[:3]), ("c", rows[5:]), ("b", rows[3:5])):
            load(con, name, {"counter": part})
        assert digest(con) == whole


def test_lines_taken_later_from_a_known_file_can_tell_otherwise(tmp_path: Path) -> None:
    """Lines 4 to 6 were refused at first: with them the total is the nozzle's."""
    rows = [{**row, "line": line} for line, row in enumerate(_lifetime(), 1)]
    with store(tmp_path / "whole") as con:
        load(con, "a", {"counter": rows})
        whole = digest(con)
    with store(tmp_path / "again") as con:
        load(con, "a", {"counter": [*rows[:3], rows[6]]}, refused=(4, 5, 6))
        load(con, "a", {"counter": rows}, again=True)
        assert digest(con) == whole


# --- a reset that is written at once ----------------------------------------------------------------------------------


def test_a_reset_at_the_time_of_the_last_reading_is_one(tmp_path: Path) -> None:
    """The log writes the last reading and then 0 at the same second; the next job makes more than the one before."""
    rows = [_row(0, 100), _row(1, 500), _row(1, 0), _row(2, 700)]
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        assert _by(con, "hour(hour)") == {6: 400, 7: 700}
        assert con.execute("select hour(time), kind, before, after from counter_event").fetchall() == [
            (7, "reset", 500, 0)
        ]


def test_a_log_with_the_newest_line_first_tells_the_same_resets(tmp_path: Path) -> None:
    rows = [_row(0, 100), _row(1, 500), _row(1, 0), _row(2, 700)]
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows[::-1]})
        assert _by(con, "hour(hour)") == {6: 400, 7: 700}


@pytest.mark.parametrize("order", ["ab", "ba"])
def test_files_that_meet_in_a_reset_tell_it(tmp_path: Path, order: str) -> None:
    files = {"a": [_row(0, 100), _row(1, 500)], "b": [_row(1, 0), _row(2, 700)]}
    with store(tmp_path) as con:
        for name in order:
            load(con, name, {"counter": files[name]})
        assert _by(con, "hour(hour)") == {6: 400, 7: 700}


@pytest.mark.parametrize("order", ["ab", "ba"])
def test_exports_that_disagree_tell_no_reset(tmp_path: Path, order: str) -> None:
    """One export holds 0 where the other holds the reading, in the midst of the times of both."""
    files = {"a": [_row(0, 100), _row(1, 500), _row(2, 700)], "b": [_row(0, 100), _row(1, 0), _row(2, 700)]}
    with store(tmp_path) as con:
        for name in order:
            load(con, name, {"counter": files[name]})
        assert _by(con, "hour(hour)") == {6: 400, 7: 200}


def test_two_counters_under_one_name_are_no_resets(tmp_path: Path) -> None:
    """A second nozzle N1 that stands still: the first one goes on from reading to reading, and was never reset."""
    rows = [_row(hour, total) for hour in range(5) for total in (50_000 + 100 * hour, 0)]
    with store(tmp_path) as con:
        load(con, "a", {"counter": rows})
        assert _by(con, "nozzle") == {"N1": 400}


def test_counts_of_one_time_on_several_lines_are_one_reading(tmp_path: Path) -> None:
    rows = [_row(0, 1000), _row(1, 1100)]
    losses = [_row(hour, None, missed=missed) for hour, missed in ((0, 3), (1, 5))]
    with store(tmp_path) as con:
        load(con, "a", {"counter": [row for pair in zip(rows, losses, strict=True) for row in pair]})
        assert con.execute("select attempts, placed, missed from tally").fetchall() == [(100, 98, 2)]
