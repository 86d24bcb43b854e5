"""Rates and trend points with the interval that the plant's settings ask for.

In:    counts, and the dispersion of their kind of loss.
Out:   findings.model.Rate and TrendPoint.
After: no rate without its interval; no rate at all where there was no chance.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.estimators.intervals import interval
from pipeline.findings.model import Rate, TrendPoint
from pipeline.settings import Statistics


def rate(losses: int, chances: int, settings: Statistics, dispersion: float = 1.0) -> Rate:
    """`losses` of `chances` with its interval, widened by the dispersion."""
    if chances <= 0:
        return Rate(max(chances, 0), losses, None, None, None)
    low, high = interval(
        np.array([losses]),
        np.array([chances]),
        method=settings.interval,
        confidence=settings.confidence,
        dispersion=dispersion,
    )
    return Rate(chances, losses, losses / chances, float(low[0]), float(high[0]))


def trend(
    frame: pl.DataFrame, period: str, settings: Statistics, dispersion: float, *, expected: bool
) -> tuple[TrendPoint, ...]:
    """Points of a frame with columns `period`, losses, chances and, if asked for, expected losses."""
    points = []
    for row in frame.sort(period).iter_rows(named=True):
        r = rate(int(row["losses"]), int(row["chances"]), settings, dispersion)
        healthy = row["expected"] / row["chances"] if expected and row["chances"] else None
        points.append(TrendPoint(str(row[period]), r.attempts, r.losses, r.rate, r.low, r.high, healthy))
    return tuple(points)
