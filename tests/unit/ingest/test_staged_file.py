"""A regular log goes on as a file: its lines, its times, and the way from the view to a table."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.schema.tables import table
from tests.fixtures_delimited import GOOD, HEAD, stage

COLUMNS = "line, machine, nozzle, outcome, reason, dx, strftime(time, '%m-%d %H:%M:%S')"


def test_lines_keep_their_numbers_in_a_large_file_that_two_threads_convert(tmp_path: Path) -> None:
    """The line is where a row stands in the file that was written: it must stand where it stood in the log."""
    count = 400_000
    body = "".join(f"2026-11-16 06:00:00;M1;N{i};OK;;\n" for i in range(count))
    found = stage(tmp_path, HEAD + body)
    ((rows, wrong),) = found.con.execute(
        "select count(*), count(*) filter (nozzle <> 'N' || (line - 2)) from staged_pick"
    ).fetchall()
    assert (rows, wrong) == (count, 0)
    assert set(found.staging.attached) == {"pick"}


@pytest.mark.parametrize(
    ("zone", "day", "utc"),
    [
        ("UTC", "2026-11-16 06:00:00", "11-16 06:00:00"),
        ("Europe/Berlin", "2026-11-16 06:00:00", "11-16 05:00:00"),
        ("Europe/Berlin", "2026-07-16 06:00:00", "07-16 04:00:00"),
        ("+05:30", "2026-11-16 06:00:00", "11-16 00:30:00"),
        ("America/New_York", "2026-11-16 22:00:00", "11-17 03:00:00"),
    ],
)
def test_wall_times_of_one_offset(tmp_path: Path, zone: str, day: str, utc: str) -> None:
    found = stage(tmp_path, HEAD + f"{day};M1;N1;OK;;0.5\n", zone=zone)
    assert "pick" in found.staging.attached
    assert found.one("strftime(time, '%m-%d %H:%M:%S')") == [utc]


def test_a_change_of_the_clocks_in_the_file_makes_a_table(tmp_path: Path) -> None:
    """Berlin set its clocks back on 2026-10-25: +02:00 the evening before, +01:00 in the morning."""
    lines = "2026-10-24 23:00:00;M1;N1;OK;;\n2026-10-25 06:00:00;M1;N1;OK;;\n"
    found = stage(tmp_path, HEAD + lines, zone="Europe/Berlin")
    assert not found.staging.attached
    assert found.rows("line, strftime(time, '%m-%d %H:%M')") == [(2, "10-24 21:00"), (3, "10-25 05:00")]


def test_the_view_and_the_table_hold_the_same(tmp_path: Path) -> None:
    bad = "2026-11-16 06:00:00;M1;N1;what;;0.5\n"
    found = stage(tmp_path, HEAD + GOOD + bad + "2026-11-16 06:00:01;M1;N2;NG;17;-1\n", transaction=False)
    assert set(found.staging.attached) == {"pick"}
    as_view = found.rows("*")
    assert found.rows(COLUMNS) == [
        (2, "M1", "N1", "placed", None, 0.5, "11-16 06:00:00"),
        (4, "M1", "N2", "rejected", "17", -1.0, "11-16 06:00:01"),
    ]
    assert found.one("reason_group") == [None, "vacuum"]
    assert [line for line, _, _ in found.refused] == [3]
    described = found.con.execute("describe staged_pick").fetchall()
    assert [d[0] for d in described] == [c.name for c in table("pick").columns if c.name != "load_id"]
    found.staging.settle()
    assert found.rows("*") == as_view
    assert found.con.execute("describe staged_pick").fetchall() == described
    found.con.execute("delete from staged_pick where line = 2")
    assert found.one("line") == [4]


def test_what_is_released_is_empty_and_can_be_filled_again(tmp_path: Path) -> None:
    found = stage(tmp_path, HEAD + GOOD, transaction=False)
    found.staging.release()
    assert found.rows("line") == []
    found.staging.add("pick", [{"line": 7, "machine": "M1", "outcome": "placed"}])
    assert found.one("line") == [7]
