"""Expected losses of an item are those of its peers on the same work; worked by hand."""

from __future__ import annotations

import polars as pl
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


def test_the_luck_of_a_peer_in_one_week_is_no_rise() -> None:
    """Feeder F0 shares its part with F1 alone, which loses three times as much in the last week by a few jams."""
    frame = days({f"N{i}": [0.003] * 28 for i in range(2)}, picks=600, exact=True).with_columns(
        pl.col("nozzle").str.replace("N", "F").alias("feeder"), part=pl.lit("P0")
    )
    other = days({f"N{i}": [0.003] * 28 for i in range(2, 12)}, picks=600, exact=True).with_columns(
        pl.col("nozzle").str.replace("N", "F").alias("feeder"), part=pl.lit("P1")
    )
    unlucky = (pl.col("feeder") == "F1") & (pl.col("week") == frame["week"].max())
    frame = pl.concat(
        [
            frame.with_columns(pl.when(unlucky).then(3).otherwise(1).alias("_times")),
            other.with_columns(_times=pl.lit(1)),
        ]
    )
    frame = frame.with_columns((pl.col("missed") * pl.col("_times")).cast(pl.Int64)).drop("_times")
    weekly = item_days(frame, "feeder", "F0", "missed", "week")["expected"].to_list()
    assert weekly[0] == pytest.approx(weekly[1], rel=0.01)
    assert 1.1 < weekly[-1] / weekly[0] < 2.1, "three times as much in 14 losses is mostly luck"
