"""Expected losses of an item are those of its peers on the same work; worked by hand."""

from __future__ import annotations

import pytest

from pipeline.analysis.standardise import item_days
from tests.unit.analysis.days import days


def test_expected_follows_the_mix_of_parts() -> None:
    """N0 runs the part with five times the rate for nine tenths: 2000 x (0.1 x 0.002 + 0.9 x 0.01) = 18.4 a day."""
    frame = days({f"N{i}": [0.002] * 7 for i in range(30)}, picks=2000, exact=True, mix=True)
    mine = item_days(frame, "nozzle", "N0", "missed")
    assert len(mine) == 7
    assert mine["losses"].to_list() == [18] * 7
    assert mine["expected"].mean() == pytest.approx(18.4, rel=0.02)


def test_the_item_itself_is_left_out() -> None:
    frame = days({"N0": [0.2] * 7, **{f"N{i}": [0.002] * 7 for i in range(1, 30)}}, exact=True)
    mine = item_days(frame, "nozzle", "N0", "missed")
    assert mine["expected"].mean() == pytest.approx(2000 * 0.002, rel=0.02)


def test_by_week_adds_up_to_the_days() -> None:
    frame = days({f"N{i}": [0.004] * 14 for i in range(10)})
    daily = item_days(frame, "nozzle", "N3", "missed")
    weekly = item_days(frame, "nozzle", "N3", "missed", "week")
    assert len(weekly) == 2
    assert weekly["losses"].sum() == daily["losses"].sum()
    assert weekly["expected"].sum() == pytest.approx(daily["expected"].sum())


def test_an_item_without_peers_gets_the_wider_groups_rate() -> None:
    frame = days({"N0": [0.01] * 3}, exact=True)
    assert item_days(frame, "nozzle", "N0", "missed")["expected"].to_list() == [0.0, 0.0, 0.0]
