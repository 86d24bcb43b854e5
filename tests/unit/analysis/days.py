"""Made-up DAYS and OFFSETS frames for tests."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.schema.frames import COUNTS, DAYS

FIRST = date(2026, 10, 26)


def day_name(index: int) -> str:
    """ISO date of day `index` of the made-up history."""
    return (FIRST + timedelta(days=index)).isoformat()


def days(
    rates: dict[str, list[float]], picks: int = 2000, seed: int = 1, *, exact: bool = False, mix: bool = False
) -> pl.DataFrame:
    """DAYS of nozzles with a missed rate per day each; parts P0 and P1 in equal shares, or P1 mostly for N0 if
    `mix`."""
    rng = np.random.default_rng(seed)
    rows = []
    for nozzle, series in rates.items():
        for index, rate in enumerate(series):
            day = FIRST + timedelta(days=index)
            week = f"{day.isocalendar().year}-W{day.isocalendar().week:02d}"
            for part, share in (
                ("P0", 0.1 if mix and nozzle == "N0" else 0.5),
                ("P1", 0.9 if mix and nozzle == "N0" else 0.5),
            ):
                attempts = int(picks * share)
                factor = 5.0 if mix and part == "P1" else 1.0
                missed = round(attempts * rate * factor) if exact else int(rng.binomial(attempts, rate * factor))
                rows.append(
                    {
                        "day": day.isoformat(),
                        "week": week,
                        "machine": "M1",
                        "head": "H1",
                        "spindle": "1",
                        "nozzle": nozzle,
                        "feeder": f"F{part}",
                        "slot": "1",
                        "part": part,
                        "package": "0402",
                        "method": "laser",
                        "lighting": None,
                        "lot": "L1",
                        "untold": None,
                        "attempts": attempts,
                        "placed": attempts - missed,
                        "missed": missed,
                        "missed_runs": missed,
                        "lost_runs": missed,
                    }
                )
    frame = pl.DataFrame(rows)
    absent = [pl.lit(0, dtype=pl.Int64).alias(c) for c in COUNTS if c not in frame.columns]
    return frame.with_columns(absent).select([pl.col(c).cast(t) for c, t in DAYS.items()]).sort(pl.all())
