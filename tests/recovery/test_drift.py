"""Pick positions: a feeder that walks is found with its slope; steady feeders are left alone."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.analysis.drift import drifts
from pipeline.schema.frames import OFFSETS
from pipeline.settings import Statistics
from tests.unit.analysis.days import day_name

DAYS = 28


def _offsets(seed: int, walk: float = 0.0, feeders: int = 40, day_noise: float = 0.004) -> pl.DataFrame:
    """OFFSETS of feeders that change slot and part weekly; F0 walks by `walk` mm over the days in x."""
    rng = np.random.default_rng(seed)
    rows = []
    for f in range(feeders):
        for d in range(DAYS):
            n = int(rng.integers(20, 80))
            place = (f + d // 7) % 5
            mean = 0.01 * place + rng.normal(0, day_noise)
            x = rng.normal(mean + (walk * d / (DAYS - 1) if f == 0 else 0.0), 0.03, n)
            y = rng.normal(rng.normal(0, day_noise), 0.03, n)
            rows.append(
                (day_name(d), "M1", f"F{f}", str(place), f"P{place}", n, x.sum(), (x**2).sum(), y.sum(), (y**2).sum())
            )
    return pl.DataFrame(rows, schema=OFFSETS, orient="row").sort(pl.all())


def test_a_walk_is_found_with_its_slope() -> None:
    covered, seeds, truth = 0, 40, 0.12 / (DAYS - 1)
    for seed in range(seeds):
        first = drifts(_offsets(seed, walk=0.12), Statistics())[0]
        assert (first.feeder, first.axis, first.flagged) == ("F0", "x", True)
        covered += first.low <= truth <= first.high
    assert covered >= 34, "a 95 % interval of the slope misses this often once in 5 000 (binomial, 40 seeds)"


def test_null_weeks_flag_nothing() -> None:
    flagged = [sum(d.flagged for d in drifts(_offsets(seed), Statistics())) for seed in range(40)]
    assert sum(f > 0 for f in flagged) <= 4


def test_a_step_at_a_changeover_is_no_drift() -> None:
    frame = (
        _offsets(3)
        .with_columns(
            pl.when(pl.col("day") > day_name(13))
            .then(pl.col("dx_sum") + 0.2 * pl.col("offsets"))
            .otherwise(pl.col("dx_sum"))
            .alias("dx_sum"),
            pl.when(pl.col("day") > day_name(13)).then(pl.lit("other slot")).otherwise(pl.lit("slot")).alias("slot"),
        )
        .sort(pl.all())
    )
    assert not any(d.flagged for d in drifts(frame, Statistics()))


def test_few_days_or_picks_say_nothing() -> None:
    frame = _offsets(1, walk=0.5).filter(pl.col("day") < day_name(6))
    assert drifts(frame, Statistics()) == ()
