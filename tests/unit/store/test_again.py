"""Refused lines that can be read after the mapping was mended: taken once, and the file goes on to balance."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from pipeline.errors import FileRefused
from tests.unit.rollup.staged import Row, at, digest, load, store


def _pick(minutes: float, outcome: str = "placed", **more: object) -> Row:
    return {"time": at(minutes / 60), "machine": "M", "nozzle": "N1", "outcome": outcome, **more}


def _account(con: duckdb.DuckDBPyConnection) -> list[tuple[object, ...]]:
    rows = con.execute(
        "select file, mapping, rows_read, rows_loaded, rows_duplicate, rows_refused from load order by load_id"
    ).fetchall()
    for row in rows:
        assert row[2] == row[3] + row[4] + row[5]
    return rows


def test_lines_that_can_be_read_now_are_taken_and_no_other(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0, line=1), _pick(1, line=2)]}, refused=(3, 4, 5), mapping="m 1")
        # The mended mapping reads line 2 otherwise; that must not count it twice.
        mended = [_pick(0, line=1), _pick(1, line=2, part="P1"), _pick(2, "missed", line=3), _pick(-3, line=4)]
        result = load(con, "a", {"pick": mended}, refused=(5,), mapping="m 2", again=True)
        assert (result.read, result.loaded, result.duplicate, result.refused) == (5, 2, 2, 1)
        assert _account(con) == [("a", "m 2", 5, 4, 0, 1)]
        assert con.execute("select first_time, last_time from load").fetchall() == [(at(-3 / 60), at(2 / 60))]
        assert con.execute("select line from refused").fetchall() == [(5,)]
        assert con.execute("select sum(attempts), sum(missed) from tally").fetchall() == [(4, 1)]
        assert load(con, "a", {"pick": mended}, refused=(5,), mapping="m 2", again=True).loaded == 0
        assert _account(con) == [("a", "m 2", 5, 4, 0, 1)]
        one = digest(con)
    with store(tmp_path / "fresh") as con:
        load(con, "a", {"pick": [_pick(0, line=1), _pick(1, line=2), *mended[2:]]}, refused=(5,), mapping="m 2")
        assert digest(con) == one


def test_a_line_that_another_file_brought_meanwhile_is_a_duplicate(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0, line=1)]}, refused=(2, 3))
        load(con, "b", {"pick": [_pick(1)]})
        load(con, "a", {"pick": [_pick(n, line=n + 1) for n in range(3)]}, again=True)
        assert [r[2:] for r in _account(con)] == [(3, 2, 1, 0), (1, 1, 0, 0)]
        assert con.execute("select sum(attempts) from tally").fetchall() == [(3,)]


def test_a_line_that_the_mapping_leaves_out_now_is_no_longer_refused(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0, line=1)]}, refused=(2,))
        again = {"pick": [_pick(0, line=1)]}
        from tests.unit.rollup.staged import load_again, stage

        staging = stage(con, again)
        staging.records_read, staging.records_ignored = 2, 1
        result = load_again(con, staging, "hash of a", "m 2")
        assert (result.loaded, result.ignored, result.refused) == (1, 1, 0)
        assert [r[2:] for r in _account(con)] == [(2, 2, 0, 0)]


def test_a_mapping_that_cuts_the_file_otherwise_changes_nothing(tmp_path: Path) -> None:
    with store(tmp_path) as con:
        load(con, "a", {"pick": [_pick(0, line=1)]}, refused=(2, 3))
        one = (digest(con), _account(con))
        with pytest.raises(FileRefused, match="has 2 lines by the mapping of now and had 3"):
            load(con, "a", {"pick": [_pick(0, line=1), _pick(1, line=2)]}, again=True)
        assert (digest(con), _account(con)) == one
        assert con.execute("select count(*) from refused").fetchall() == [(2,)]


def test_a_file_that_was_never_loaded_is_no_again(tmp_path: Path) -> None:
    with store(tmp_path) as con, pytest.raises(KeyError):
        load(con, "a", {"pick": [_pick(0)]}, again=True)


@pytest.mark.parametrize("elsewhere", [1, 2])
def test_two_equal_lines_stay_two_where_one_was_refused_at_first(tmp_path: Path, elsewhere: int) -> None:
    """Another file may have as many of them; then they are known."""
    lines = [_pick(0, line=1), _pick(0, line=2), _pick(1, line=3)]
    with store(tmp_path) as con:
        load(con, "a", {"pick": lines[:1]}, refused=(2, 3))
        load(con, "b", {"pick": [_pick(0)] * elsewhere})
        result = load(con, "a", {"pick": lines}, again=True)
        assert result.loaded == 3 - elsewhere
        assert con.execute("select sum(attempts) from tally").fetchall() == [(3,)]
        _account(con)
