"""Slopes of pick positions against statsmodels and by hand; what is flagged, and what the page says of it."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm

from pipeline.analysis.actions import actions
from pipeline.analysis.drift import drifts
from pipeline.schema.frames import OFFSETS
from pipeline.settings import Statistics
from tests.unit.analysis.days import day_name
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
    """Two slots, and one that is not named, have a level each; picks that do not scatter: all days weigh alike."""
    rng = np.random.default_rng(8)
    slots = ["1"] * 6 + ["2"] * 4 + [None] * 4 + ["3"]
    rows: list[Row] = [
        (2 * d, "F1", slot, int(rng.integers(20, 90)), float(0.002 * d + rng.normal(0, 0.004)))
        for d, slot in enumerate(slots)
    ]
    found = next(d for d in drifts(_offsets(rows[::-1]), Statistics(confidence=0.9)) if d.axis == "x")
    day, picks, mean = (np.array([r[i] for r in rows], dtype=float) for i in (0, 3, 4))
    levels = np.array([[slot == s for s in ("1", "2", None, "3")] for slot in slots], dtype=float)
    fit = sm.OLS(mean, np.column_stack([levels, day])).fit()
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
