"""Expected losses of an item are those of its peers on the same work; worked by hand."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.analysis.standardise import all_item_weeks, item_days
from pipeline.schema.frames import COUNTS, DAYS
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


CELLS = {
    ("2026-W46", "N0", "A"): (40, 1000),
    ("2026-W46", "N1", "A"): (12, 1000),
    ("2026-W46", "N1", "B"): (3, 2000),
    ("2026-W46", "N2", "C"): (9, 500),
    ("2026-W47", "N0", "A"): (10, 300),
    ("2026-W47", "N0", "B"): (2, 400),
    ("2026-W47", "N0", "C"): (1, 100),
    ("2026-W47", "N1", "A"): (2, 100),
    ("2026-W47", "N2", "B"): (4, 3000),
}
"""Week, nozzle, part: missed picks and picks. A and B are of one package, C of another, on which N2 worked before."""
PACKAGE = {"A": "0402", "B": "0402", "C": "QFP"}


def _others(week: str | None, parts: str) -> tuple[float, float]:
    """Losses and picks of N1 and N2."""
    found = [v for (w, n, p), v in CELLS.items() if n != "N0" and p in parts and week in (None, w)]
    return sum(x for x, _ in found), sum(n for _, n in found)


def _towards(counts: tuple[float, float], rate: float, losses: float) -> float:
    """Mean of a rate with a gamma prior of so many losses at `rate` that saw these counts."""
    return (counts[0] + losses) / (counts[1] + losses / rate)


def _peers_would_lose(week: str, part: str) -> float:
    """The model of docs/statistics.md, a part at a time: plant, package, the part against its package, the week."""
    alike = "".join(p for p in PACKAGE if PACKAGE[p] == PACKAGE[part])
    lost, picks = _others(None, "ABC")
    plant = lost / picks
    package_week = _towards(_others(week, alike), plant, 5) if _others(week, alike)[1] else plant
    package = _towards(_others(None, alike), plant, 5)
    against = _towards(_others(None, part), package, 5) / package
    now = package_week * against
    own = _others(week, part)
    return CELLS[week, "N0", part][1] * (_towards(own, now, 25) if own[1] else now)


def test_expected_losses_lean_on_the_part_its_package_and_the_plant() -> None:
    """Part A loses ten times as much as B: the week's rate of the package alone would be wrong for both."""
    place = {"machine": "M1", "head": "H1", "spindle": "1", "method": "laser"}
    rows = [
        {**dict.fromkeys(DAYS), **dict.fromkeys(COUNTS, 0), **place, "week": week, "nozzle": nozzle, "part": part,
         "package": PACKAGE[part], "attempts": picks, "placed": picks - missed, "missed": missed}
        for (week, nozzle, part), (missed, picks) in CELLS.items()
    ]  # fmt: skip
    weekly = item_days(pl.DataFrame(rows, schema=DAYS), "nozzle", "N0", "missed", "week")
    assert weekly.select("week", "losses", "chances").rows() == [("2026-W46", 40, 1000), ("2026-W47", 13, 800)]
    assert weekly["expected"].to_list() == pytest.approx(
        [_peers_would_lose("2026-W46", "A"), sum(_peers_would_lose("2026-W47", p) for p in "ABC")]
    )
    assert all_item_weeks(pl.DataFrame(rows, schema=DAYS), "nozzle", "missed")["N0"].equals(weekly)
