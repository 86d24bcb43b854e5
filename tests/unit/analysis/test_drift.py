"""Pick positions that walk: what uneven numbers of picks do to the slope."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.analysis.drift import drifts
from pipeline.schema.frames import OFFSETS
from pipeline.settings import Statistics
from tests.unit.analysis.days import day_name


def _steady(seed: int, busy: int, feeders: int = 60, days: int = 24) -> pl.DataFrame:
    """OFFSETS of steady feeders: `busy` days of 8 000 picks, 40 on all others; days differ by 10 µm."""
    rng = np.random.default_rng(seed)
    rows = []
    for f in range(feeders):
        many = set(rng.permutation(days)[:busy].tolist())
        for d in range(days):
            n = 8000 if d in many else 40
            sums = []
            for _ in "xy":
                mean = rng.normal(0.0, 0.01) + rng.normal(0.0, 0.03 / np.sqrt(n))
                sums += [n * mean, n * (mean**2 + 0.03**2)]
            rows.append((day_name(d), "M1", f"F{f:02d}", "1", "P1", n, *sums))
    return pl.DataFrame(rows, schema=OFFSETS, orient="row").sort(pl.all())


def test_two_busy_days_do_not_make_a_walk() -> None:
    found = drifts(_steady(1, busy=2), Statistics())
    assert len(found) == 120
    held = sum(d.low <= 0.0 <= d.high for d in found)
    assert held >= 105, "95 % intervals of 120 slopes hold 0 less often once in 3 000 (binomial)"
    assert sum(d.flagged for d in found) <= 1


def test_a_walk_is_seen_through_busy_days() -> None:
    frame = _steady(2, busy=3)
    day = pl.col("day").rank("dense").cast(pl.Float64) - 1.0
    more = pl.when(pl.col("feeder") == "F00").then(day * 0.008).otherwise(0.0)
    walked = frame.with_columns(
        dx_sum=pl.col("dx_sum") + more * pl.col("offsets"),
        dx_squares=pl.col("dx_squares") + 2 * more * pl.col("dx_sum") + more**2 * pl.col("offsets"),
    )
    first = drifts(walked, Statistics())[0]
    assert (first.feeder, first.axis, first.flagged) == ("F00", "x", True)
    assert first.low <= 0.008 <= first.high


def test_picks_without_scatter_of_their_own_weigh_all_days_alike() -> None:
    """A log that gives one offset for all picks of a day: only the days tell how far they differ."""
    rng = np.random.default_rng(3)
    rows = []
    for d in range(20):
        n, mean = int(rng.integers(1, 5000)), float(rng.normal(0.0, 0.01))
        rows.append((day_name(d), "M1", "F1", "1", "P1", n, n * mean, n * mean**2, 0.0, 0.0))
    found = drifts(pl.DataFrame(rows, schema=OFFSETS, orient="row"), Statistics())
    assert [d.axis for d in found] == ["x"], "an axis that never moves has no interval"
    x, y = np.arange(20.0), np.array([r[6] / r[5] for r in rows])
    assert np.isclose(found[0].slope, np.polyfit(x, y, 1)[0], rtol=1e-3)
