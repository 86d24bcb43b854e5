"""What the data page says of counters: nothing but losses, counts without a name."""

from __future__ import annotations

from datetime import timedelta

import pytest

from pipeline.analysis import quality_content
from pipeline.store import frames, quality, quality_shares
from tests.property.test_store_rules import memory
from tests.unit.rollup.staged import Row, at, load

WEEK = frames.iso_week("2026-W47", frames.ZoneInfo("UTC"))


def _counts(hour: float, **more: object) -> Row:
    row = {"time": at(hour), "start": at(hour - 1), "machine": "M", "grain": "nozzle", "nozzle": "N1"}
    return {**row, "missed": 2, "rejected": 3, **more}


@pytest.mark.parametrize("column", ["attempts", "placed", None])
def test_counters_of_losses_without_picks_are_a_problem(column: str | None) -> None:
    """Beside a count of picks or of placed parts they are none."""
    counted = {column: 80} if column else {}
    with memory() as con:
        load(con, "a", {"counter": [_counts(hour, **counted) for hour in range(1, 13)]})
        found = quality_content.only_losses(quality_shares.loss_kinds(con, WEEK, WEEK.start - timedelta(weeks=1)))
    assert [(f.kind, f.line.level, f.line.machine) for f in found] == (
        [] if column else [("only losses", "problem", "M")]
    )
    assert all("60 of the 60 picks in its nozzle counters are losses" in f.line.text for f in found)


NO_NAME: Row = {"nozzle": None, "attempts": 100}


@pytest.mark.parametrize(
    ("grain", "name", "said"),
    [
        ("nozzle", {}, True),
        ("nozzle", {"nozzle_type": "T"}, True),
        ("nozzle", {"head": "H1"}, False),
        ("feeder", {}, True),
        ("feeder", {"recipe": "A", "lane": "1"}, True),
        ("feeder", {"reel": "R"}, False),
        ("machine", {}, False),
    ],
)
def test_counts_that_name_no_item_of_their_grain_are_said(grain: str, name: Row, said: bool) -> None:
    """One line in four names its nozzle and feeder, as where the name stands in the first line of a group."""
    named = _counts(1, attempts=100, grain=grain, feeder="F1")
    others = [_counts(hour, **{**NO_NAME, "grain": grain, **name}) for hour in (2, 3, 4)]
    with memory() as con:
        load(con, "a", {"counter": [named, *others]})
        found = quality_content.unnamed_counts(quality_shares.unnamed_counts(con, WEEK))
    assert [(f.kind, f.line.level, f.line.machine, f.line.value) for f in found] == (
        [("unnamed counts", "warning", "M", 0.75)] if said else []
    )
    assert all(f"300 of the 400 picks of its {grain} counters (75.0%)" in f.line.text for f in found)


def test_a_few_counts_without_a_name_are_not_said() -> None:
    rows = [_counts(hour, attempts=100, nozzle=None if hour == 1 else "N1") for hour in range(1, 25)]
    with memory() as con:
        load(con, "a", {"counter": rows})
        assert quality_content.unnamed_counts(quality_shares.unnamed_counts(con, WEEK)) == []


@pytest.mark.parametrize("name", [None, "N1"])
def test_totals_without_a_name_are_not_merged_in_silence(name: str | None) -> None:
    """Three nozzles, of which nobody knows whose total is whose: they stand at each of four times."""
    rows = [
        _counts(hour, start=None, running=True, nozzle=name, missed=None, rejected=None, attempts=start + 100 * hour)
        for start in (1000, 2000, 3000)
        for hour in range(1, 5)
    ]
    with memory() as con:
        load(con, "a", {"counter": rows})
        found = quality_content.unnamed_counts(quality_shares.unnamed_counts(con, WEEK))
    assert len(found) == (name is None)
    assert all("4 times running totals without a name stood at one time" in f.line.text for f in found)


@pytest.mark.parametrize("begins", [True, False])
def test_machine_totals_are_held_against_the_counts_of_their_own_windows(*, begins: bool) -> None:
    """Every ten minutes of a morning; counts that do not tell their begin stand in the hour of 35 minutes before."""
    counts: list[Row] = []
    totals: list[Row] = []
    for number in range(1, 19):
        start, end = at((number - 1) / 6), at(number / 6)
        counts.append({"time": end, "start": start if begins else None, "machine": "M", "grain": "feeder",
                       "feeder": "F1", "placed": 100 + number, "unknown": 1})  # fmt: skip
        totals.append({"time": end, "start": start, "machine": "M", "placed": 100 + number, "not_placed": 1})
    with memory() as con:
        load(con, "a", {"counter": counts, "check_total": totals})
        con.execute("create temp table finest_grain as select distinct machine, hour, grain as total from tally")
        (row,) = quality.check_totals(con, WEEK).rows(named=True)
    assert row["counted"]
    assert (row["events_placed"], row["events_not_placed"]) == (row["placed"], row["not_placed"]) == (1971, 18)
