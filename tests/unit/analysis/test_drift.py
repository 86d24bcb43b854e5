<<<<<<< HEAD
"""Pick positions that walk: what uneven numbers of picks do to the slope."""
=======
"""Slopes of pick positions against statsmodels and by hand; what is flagged, and what the page says of it."""
>>>>>>> 884d68d93f63a1c103e488219667bf8a19761328

from __future__ import annotations

import numpy as np
import polars as pl
<<<<<<< HEAD

=======
import pytest
import statsmodels.api as sm

from pipeline.analysis.actions import actions
>>>>>>> 884d68d93f63a1c103e488219667bf8a19761328
from pipeline.analysis.drift import drifts
from pipeline.schema.frames import OFFSETS
from pipeline.settings import Statistics
from tests.unit.analysis.days import day_name
<<<<<<< HEAD


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
=======
from tests.unit.analysis.test_evidence import QUALITY

Row = tuple[int, str, str | None, int, float]
"""Day, feeder, slot, picks, mean offset in x."""


def _offsets(rows: list[Row]) -> pl.DataFrame:
    full = [(day_name(d), "M1", f, slot, "P1", n, n * x, n * x * x, 0.0, 0.0) for d, f, slot, n, x in rows]
    return pl.DataFrame(full, schema=OFFSETS, orient="row")


def _walking(feeder: str, walk: float, days: int = 10, picks: int = 50, noise: float = 0.001) -> list[Row]:
    """Means that walk by `walk` mm over the days, up and down by `noise` in turn."""
    return [(d, feeder, "1", picks, walk * d / (days - 1) + noise * (-1) ** d) for d in range(days)]


def test_slope_interval_and_ends_against_statsmodels() -> None:
    """Two slots, days of unlike size, a slot that is not named: weighted least squares with a level for each slot."""
    rng = np.random.default_rng(8)
    slots = ["1"] * 6 + ["2"] * 4 + [None] * 4 + ["3"]
    rows: list[Row] = [
        (2 * d, "F1", slot, int(rng.integers(20, 90)), float(0.002 * d + rng.normal(0, 0.004)))
        for d, slot in enumerate(slots)
    ]
    found = next(d for d in drifts(_offsets(rows[::-1]), Statistics(confidence=0.9)) if d.axis == "x")
    day, picks, mean = (np.array([r[i] for r in rows], dtype=float) for i in (0, 3, 4))
    levels = np.array([[slot == s for s in ("1", "2", None, "3")] for slot in slots], dtype=float)
    fit = sm.WLS(mean, np.column_stack([levels, day]), weights=picks).fit()
    assert found.slope == pytest.approx(fit.params[-1])
    assert (found.low, found.high) == pytest.approx(tuple(fit.conf_int(0.1)[-1]))
    level = float(picks @ (levels @ fit.params[:4]) / picks.sum())
    assert (found.start, found.end) == pytest.approx((level, level + 28 * fit.params[-1]))
    assert (found.slot, found.picks, len(found.days)) == ("3", int(picks.sum()), 15)
    p_value = fit.pvalues[-1]  # of one feeder and one axis, so that nothing is adjusted
    for limit, flagged in ((p_value * 1.001, True), (p_value * 0.999, False)):
        judged = drifts(_offsets(rows), Statistics(false_discovery_rate=limit))
        assert [d.flagged for d in judged if d.axis == "x"] == [flagged]
    assert found.days[0] == (day_name(0), pytest.approx(mean[0]), int(picks[0]))


def test_a_walk_below_what_can_lose_a_part_is_not_flagged() -> None:
    for walk, flagged in ((0.022, True), (-0.022, True), (0.018, False)):
        found = drifts(_offsets(_walking("F1", walk)), Statistics())
        assert [(d.axis, d.flagged) for d in found] == [("x", flagged)], (
            "y stood still: there is no scatter to judge by"
        )


def test_eight_days_and_a_hundred_picks_are_enough() -> None:
    few = [_walking("F1", 0.1, days=7), _walking("F1", 0.1, days=8, picks=12)]
    assert [drifts(_offsets(rows), Statistics()) for rows in few] == [(), ()]
    for rows in (_walking("F1", 0.1, days=8, picks=13), _walking("F1", 0.1, days=10, picks=10)):
        assert len(drifts(_offsets(rows), Statistics())) == 1


def test_flagged_ones_come_first_and_then_the_longest_walk() -> None:
    wild = _walking("F3", 0.05, noise=0.2)
    rows = [*_walking("F1", 0.03), *_walking("F2", -0.04), *wild]
    found = drifts(_offsets(rows), Statistics())
    assert [(d.feeder, d.flagged) for d in found] == [("F2", True), ("F1", True), ("F3", False)]


def test_the_engineer_reads_how_far_and_how_fast_it_moved() -> None:
    (found,) = (d for d in drifts(_offsets(_walking("F1", 0.045)), Statistics()) if d.flagged)
    (told,) = actions((), (), (found,), (), QUALITY, 10)
    assert (told.what, told.hands_in_machine) == ("Feeder F1 on M1: set its pick position anew.", True)
    # 5 µm a day, less 5 / 82.5 for going up and down by 1 µm in turn; scatter 9.7 / 8, t at 8 degrees 2.306:
    # 4.94 +- 2.306 * sqrt(1.21 / 82.5).
    assert told.why == "Its mean pick offset in x moved by +44 µm over 9 days (+4.9 µm a day, +4.7 to +5.2)."
>>>>>>> 884d68d93f63a1c103e488219667bf8a19761328
