"""What the data page says of counters: nothing but losses."""

from __future__ import annotations

from datetime import timedelta

import pytest

from pipeline.analysis import quality_content
from pipeline.store import frames, quality_shares
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
