"""Kinds of loss that counters have no figure for are not known there, and not 0."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline import settings
from pipeline.store import frames, quality, quality_shares
from tests.unit.rollup.staged import Row, at, load, store

WEEK = frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))


def _counts(hours: float, machine: str, **more: object) -> Row:
    start = {"start": at(hours - 1)}
    return {"time": at(hours), **start, "machine": machine, "grain": "nozzle", "nozzle": "N1", "placed": 90, **more}


ALL = {"missed": 1, "rejected": 2, "dropped": 3}
BLANK = {"missed": 1, "rejected": None, "dropped": None}


def _told(tmp_path: Path, *files: dict[str, list[Row]]) -> dict[str, dict[str, object]]:
    """By machine what each hour leaves out, as DAYS and CELLS tell it, and the machine table's drops."""
    with store(tmp_path) as con:
        for number, rows in enumerate(files):
            load(con, f"file {number}", rows)
            con.execute("update load set mapping = ? where file = ?", [f"mapping {number}", f"file {number}"])
        frames.set_clock(con, settings.load(tmp_path), WEEK.start, WEEK.end)
        cells = frames.cells(con, WEEK)
        days = frames.days(con)
        assert sorted(cells["untold"].unique().to_list(), key=str) == sorted(days["untold"].unique().to_list(), key=str)
        found = {
            m: {"untold": "; ".join(sorted({u or "-" for u in cells.filter(machine=m)["untold"].to_list()}))}
            for m in cells["machine"].unique().to_list()
        }
        for r in quality.machines(con).iter_rows(named=True):
            found[r["machine"]] |= {"missed": r["missed"], "dropped": r["dropped"]}
        for r in quality_shares.counted_kinds(con, WEEK).iter_rows(named=True):
            found[r["machine"]] |= {"hours with drops": r["dropped"]}
        return found


def test_what_no_row_of_a_mapping_tells_is_not_known(tmp_path: Path) -> None:
    rows = [
        _counts(1.5, "A", **ALL),
        _counts(2.5, "A", **BLANK),
        _counts(1.5, "B", **BLANK),
        _counts(2.5, "B", missed=4),
    ]
    assert _told(tmp_path, {"counter": rows}) == {
        # an empty cell of a machine whose drops are counted in another row is 0
        "A": {"untold": "-", "missed": 2, "dropped": 3, "hours with drops": 2},
        "B": {"untold": "rejected, dropped", "missed": 5, "dropped": None, "hours with drops": 0},
    }


def test_a_mapping_that_gained_the_column_tells_it_from_then_on(tmp_path: Path) -> None:
    before, since = [_counts(1.5, "A", **BLANK)], [_counts(2.5, "A", **ALL)]
    assert _told(tmp_path, {"counter": before}, {"counter": since}) == {
        "A": {"untold": "-; rejected, dropped", "missed": 2, "dropped": 3, "hours with drops": 1}
    }


def test_running_totals_without_a_kind(tmp_path: Path) -> None:
    rows = [{**_counts(h, "A", missed=h), "start": None, "running": True, "placed": int(90 * h)} for h in (1, 2, 3)]
    assert _told(tmp_path, {"counter": rows}) == {
        "A": {"untold": "rejected, dropped", "missed": 2, "dropped": None, "hours with drops": 0}
    }


@pytest.mark.parametrize(("grain", "drops"), [("joint", 1), ("nozzle", None)])
def test_single_picks_tell_all_kinds(tmp_path: Path, grain: str, drops: int | None) -> None:
    """Counts of the hour of single picks are not used; those of the next one stand in the row of their grain."""
    counts = [{**_counts(h, "A", **BLANK), "grain": grain} for h in (1.5, 2.5)]
    picks: list[Row] = [{"time": at(0.7), "machine": "A", "nozzle": "N1", "outcome": o} for o in ("placed", "dropped")]
    told = _told(tmp_path, {"counter": counts}, {"pick": picks})
    assert told == {"A": {"untold": "-; rejected, dropped", "missed": 1, "dropped": drops}}
