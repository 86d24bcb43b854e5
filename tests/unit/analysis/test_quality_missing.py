"""Days that a week lacks: files of a series that stopped, and machines that worked less than they do."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.analysis.quality_flow import little_work
from pipeline.analysis.quality_sources import missing_files
from pipeline.store import frames
from pipeline.store.quality_sources import days_worked
from tests.unit.rollup.staged import at, load, store

WEEK = "2026-W47"
MONDAY = date(2026, 11, 16)


def _missing(days: list[int], *, over: bool = True, runs: int = 7) -> list[str]:
    """The days told of the files of M1, which has one on these days from Monday on; M2 runs on `runs` days."""
    logged = [MONDAY + timedelta(days=n) for n in days]
    files = pl.DataFrame({"file": [f"M1_{d}.csv" for d in logged], "machine": "M1", "machines": [["M1"]] * len(days)})
    ran = [("M1", d) for d in logged] + [("M2", MONDAY + timedelta(days=n)) for n in range(runs)]
    worked = pl.DataFrame([(d.isoformat(), m, 100) for m, d in ran], schema=["day", "machine", "picks"], orient="row")
    found = missing_files(files, worked, WEEK, over=over)
    return [f.line.text.split(" for ")[1].split(", although")[0] for f in found]


def test_the_newest_file_of_a_series_is_missed_once_the_week_is_over() -> None:
    """Monday to Friday for four weeks; of the last one Thursday and Friday were not loaded, and nothing after them."""
    before = [n for n in range(-28, 0) if n % 7 < 5]
    assert _missing([*before, 0, 1, 2]) == ["2026-11-19, 2026-11-20"]
    assert _missing([*before, 0, 1, 2], over=False) == []
    assert _missing([*before, 0, 1, 2], runs=4) == ["2026-11-19"], "on Friday nobody ran"
    assert _missing([*before, 0, 1, 2, 3, 4]) == []
    assert _missing(before[-9:]) == [], "two weeks do not tell what is usual"
    assert _missing([n - 14 for n in before]) == [], "its last file is too old: the machine is gone"


@pytest.mark.parametrize(
    ("weeks", "told"),
    [
        ({0: 2, 1: 5, 2: 5, 3: 5}, "M1 on 2 of 5"),
        ({1: 5, 2: 5, 3: 5}, "M1 on 0 of 5"),
        ({0: 3, 1: 5, 2: 5, 3: 5}, ""),
        ({0: 1, 1: 2, 2: 2, 3: 2}, ""),
        ({0: 0, 1: 5, 2: 5}, ""),
        ({0: 0, 2: 5, 3: 5, 4: 5}, ""),
        ({0: 2, 1: 0, 2: 5, 3: 5, 4: 5}, "M1 on 2 of 5"),
    ],
)
def test_far_fewer_days_than_usual_are_told(weeks: dict[int, int], told: str) -> None:
    frame = pl.DataFrame(
        [("M1", back, n) for back, n in weeks.items()], schema=["machine", "back", "days"], orient="row"
    )
    found = little_work(frame)
    assert [told in q.text and (q.level, q.machine) == ("warning", None) for q in found] == ([True] if told else [])


def test_machines_alike_have_one_line() -> None:
    rows = [(f"M{m}", back, 6) for m in range(1, 6) for back in (1, 2, 3)]
    (line,) = little_work(pl.DataFrame(rows, schema=["machine", "back", "days"], orient="row"))
    assert "M1 on 0 of 6, M2 on 0 of 6, M3 on 0 of 6 and 2 more" in line.text
    assert (line.value, line.expected) == (0.0, 30.0)


def test_days_are_counted_by_week_of_the_plants_clock(tmp_path: Path) -> None:
    """In Berlin Monday begins at 23:00 UTC; the clock change of October lies between."""
    week = frames.iso_week(WEEK, frames.ZoneInfo("Europe/Berlin"))
    times = [week.start, week.start - timedelta(hours=1), datetime(2026, 10, 20, 12), datetime(2026, 10, 21, 12)]  # noqa: DTZ001
    with store(tmp_path) as con:
        load(con, "a", {"pick": [{"time": t, "machine": "M", "outcome": "placed"} for t in [*times, at(2), at(30)]]})
        found = days_worked(con, week, datetime(2026, 9, 28))  # noqa: DTZ001
    assert found.rows() == [("M", 0, 2), ("M", 1, 1), ("M", 4, 2)]
