"""Machines that are too fast, that work little, or that are silent: frames written out by hand."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.analysis.quality_flow import little_work, silent, too_fast
from pipeline.findings.model import QualityLine

BEGIN = datetime(2026, 11, 16, 6)  # noqa: DTZ001
NO_PASSAGES = pl.DataFrame(
    schema={"line": pl.String, "machine": pl.String, "board": pl.String, "first": pl.Datetime, "recipe": pl.String}
)


def _too_fast(picks: int, hours: float = 1.0, rated: float | None = None, spindles: int | None = None) -> Any:
    rows = [{"machine": "M1", "rated": rated, "spindles": spindles, "hours": hours, "picks": picks, "begin": BEGIN}]
    types = {"rated": pl.Float64, "spindles": pl.Int64, "hours": pl.Float64}
    return [
        (f.line.level, f.line.value, f.line.expected)
        for f in too_fast(pl.DataFrame(rows, schema_overrides=types), "UTC")
    ]


def test_a_rated_speed_may_be_passed_by_a_twentieth() -> None:
    assert _too_fast(21_000, rated=20_000.0) == []
    assert _too_fast(21_001, rated=20_000.0) == [("problem", 21_001.0, 20_000.0)]
    assert _too_fast(10_501, hours=0.5, rated=20_000.0) == [("problem", 21_002.0, 20_000.0)]
    assert _too_fast(99_999, hours=0.49, rated=20_000.0) == [], "short intervals say nothing of an hour"


def test_an_assumed_speed_may_be_passed_by_half() -> None:
    """Six spindles make 16 000 an hour: twelve of them 32 000, and 48 000 are looked at."""
    assert _too_fast(48_000, spindles=12) == []
    assert _too_fast(48_001, spindles=12) == [("warning", 48_001.0, pytest.approx(32_000.0))]
    assert _too_fast(10**6) == [], "neither speed nor spindles are known"


def _days(weeks: dict[int, int], machine: str = "M1") -> pl.DataFrame:
    rows = [(machine, back, days) for back, days in weeks.items()]
    return pl.DataFrame(rows, schema=["machine", "back", "days"], orient="row")


@pytest.mark.parametrize(
    ("weeks", "told"),
    [
        ({0: 2, 1: 5, 2: 4, 3: 4}, "M1 on 2 of 4"),
        ({0: 3, 1: 5, 2: 4, 3: 4}, None),  # more than half
        ({1: 5, 2: 5, 3: 5}, "M1 on 0 of 5"),
        ({0: 1, 1: 2, 2: 2, 3: 2}, None),  # one day fewer
        ({0: 2, 1: 5, 2: 5}, None),  # two weeks do not tell what is usual
        ({0: 0, 2: 5, 3: 5, 4: 5}, None),  # gone since last week
    ],
)
def test_half_of_the_usual_days_are_little_work(weeks: dict[int, int], told: str | None) -> None:
    found = little_work(_days(weeks))
    assert [told in line.text for line in found] == ([True] if told else [])


def _silent(hours: dict[str, str], passages: pl.DataFrame = NO_PASSAGES, line: str | None = "L1") -> list[QualityLine]:
    """hours: by machine a letter an hour: w works, c is counted, r logs something else, . nothing."""
    rows = [
        {"machine": m, "line": line, "hour": BEGIN + timedelta(hours=h), "working": c == "w", "covered": c == "c",
         "records": c != "."}
        for m, letters in hours.items() for h, c in enumerate(letters)
    ]  # fmt: skip
    return [f.line for f in silent(pl.DataFrame(rows, schema_overrides={"line": pl.String}), passages, "UTC")]


@pytest.mark.parametrize(
    ("mine", "others", "hours"),
    [
        ("w..w", ("wwww", "wwww"), 2.0),
        ("w.ww", ("wwww", "wwww"), None),  # an hour is nothing
        ("w.w.", ("wwww", "wwww"), None),  # nor are two that do not follow each other
        ("wc.w", ("wwww", "wwww"), None),  # counters tell of it
        ("w..w", ("wwww", "w..w"), 2.0),  # half of the others worked
        ("w..w", ("wwww", "w..w", "w..w"), None),
        ("..w..", ("wwwww", "wwwww"), 4.0),
    ],
)
def test_silent_for_two_hours_while_half_of_the_others_work(
    mine: str, others: tuple[str, ...], hours: float | None
) -> None:
    found = [q for q in _silent({"M1": mine, **{f"M{i + 2}": o for i, o in enumerate(others)}}) if q.machine == "M1"]
    assert [q.value for q in found] == ([] if hours is None else [hours])
    assert all(q.level == "note" and q.text.endswith("cannot be told.") for q in found)


def test_several_gaps_are_one_line_with_the_longest() -> None:
    """Six hours in all: two from 06:00 and four from 09:00."""
    (found,) = (q for q in _silent({"M1": "..w....w", "M2": "w" * 8}, line=None) if q.machine == "M1")
    assert found.text.startswith(
        "No picks for 6 h while other machines ran, in 2 gaps, the longest 4 h from 2026-11-16 09:00 to "
    )
    (alone,) = (q for q in _silent({"M1": "w....rrw", "M2": "w" * 8}) if q.machine == "M1")
    assert alone.text.startswith("No picks for 6 h while its line ran, from 2026-11-16 07:00 to ")
    assert alone.text.endswith("it stood still.")


def _passages(during: int, own: int, own_recipe_share: int = 10) -> pl.DataFrame:
    """Ten boards before the gap (07:00 to 09:00), of which M1 saw some; then some in the gap, of which it saw `own`."""
    rows = []
    for i in range(10 + during):
        when = BEGIN + timedelta(minutes=i if i < 10 else 60 + i)
        seen = i < own_recipe_share if i < 10 else i - 10 < own
        rows += [("L1", m, f"B{i}", when, "R") for m in ("M1", "M2") if m == "M2" or seen]
    return pl.DataFrame(rows, schema=NO_PASSAGES.schema, orient="row")


@pytest.mark.parametrize(
    ("passages", "level", "told"),
    [
        (_passages(5, 0), "warning", "5 board(s) passed the line then"),
        (_passages(4, 0), "note", "cannot be told"),
        (_passages(10, 2), "warning", "8 board(s) passed the line then"),
        (_passages(10, 3), "note", "cannot be told"),
        (_passages(10, 8), "note", "its clock may be off"),
        (_passages(10, 0, own_recipe_share=7), "note", "cannot be told"),
        (_passages(10, 0, own_recipe_share=2), None, ""),
        (_passages(10, 0, own_recipe_share=3), "note", "cannot be told"),
    ],
)
def test_boards_tell_a_missing_log_from_a_machine_that_was_not_needed(
    passages: pl.DataFrame, level: str | None, told: str
) -> None:
    """Four fifths are "nearly all" and a fifth "hardly any"; fewer than five boards tell nothing."""
    found = [q for q in _silent({"M1": "w..w", "M2": "wwww"}, passages) if q.machine == "M1"]
    assert [(q.level, told in q.text) for q in found] == ([] if level is None else [(level, True)])
