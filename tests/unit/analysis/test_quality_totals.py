"""Two counts of the same parts: from which difference on it is said, in frames of a few rows."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.analysis.quality_totals import balance, consumption, reel_counts, totals
from pipeline.settings import Buying


@pytest.mark.parametrize(("ours", "level"), [(9950, "note"), (9949, "warning"), (10_051, "warning")])
def test_totals_may_differ_by_half_a_per_cent(ours: int, level: str) -> None:
    row = {"machine": "M1", "windows": 3, "placed": 9900, "not_placed": 100, "counted": False}
    ((found,),) = (
        [f.line for f in totals(pl.DataFrame([row | {"events_placed": ours - 90, "events_not_placed": 90}]))],
    )
    assert (found.level, found.value, found.expected) == (level, ours, 10_000)


def test_counters_beside_picks_are_named_where_they_differ() -> None:
    plain = {"machine": "M1", "grain": "feeder", "placed": 9900, "lost": 100, "events_lost": 0}
    rows = [plain | {"events_placed": n} for n in (9950, 10_050, 9949)]
    (found,) = consumption(pl.DataFrame(rows))
    assert (found.line.level, found.line.value, found.line.expected) == ("warning", 9949, 10_000)


def test_picks_that_are_not_the_sum_of_their_outcomes() -> None:
    plain = {"machine": "M1", "grain": "nozzle", "rows": 9, "uneven": 1, "attempts": 10_000, "outcomes": 8000}
    rows = [plain | more for more in ({"apart": 50}, {"apart": 51}, {"apart": 99, "uneven": 0})]
    assert [f.line.level for f in balance(pl.DataFrame(rows))] == ["note", "warning"]


def _reels(*gone: int, opened: bool = True, reels: int = 0) -> list[tuple[Any, ...]]:
    """Reels with 1000 placed, 50 missed and 10 lost, and others that agree."""
    plain = {"machine": "M1", "first": 5000, "placed": 1000, "missed": 50, "lost": 10, "opened": opened}
    rows = [plain | {"reel": f"R{i}", "last": 5000 - n} for i, n in enumerate([*gone, *[1010] * reels])]
    return [(f.line.level, f.line.expected, f.line.text) for f in reel_counts(pl.DataFrame(rows), Buying())]


def test_a_reel_may_hold_all_between_parts_placed_and_all_picks_with_its_loading() -> None:
    """Twenty pieces and a fiftieth off: 1000 - 41.2, and 1060 + 6 + 20 over 0.98, or without a load 1080 over 0.98."""
    assert [bool(_reels(n)) for n in (958, 959, 1108, 1109)] == [True, False, False, True]
    assert [bool(_reels(n, opened=False)) for n in (1102, 1103)] == [False, True]
    assert reel_counts(pl.DataFrame(), Buying()) == []


def test_three_reels_and_a_tenth_of_them_are_a_warning() -> None:
    for gone, others, level in (((900,) * 3, 27, "warning"), ((900,) * 3, 28, "note"), ((900,) * 2, 0, "note")):
        ((found, parts, _),) = _reels(*gone, reels=others)
        assert (found, parts) == (level, sum(gone))
    ((_, _, text),) = _reels(900, 1300, 800)
    assert "The worst is reel R1: 1300 gone, 1000 placed and 60 lost." in text
