"""Does a feeder's pick position walk away? Mean pick offset by day, and its slope.

In:    OFFSETS over the history: counts, sums and sums of squares by day, machine, feeder, slot and part.
Out:   findings.model.OffsetDrift for each feeder and axis with enough days, flagged ones first.
After: every slope has its interval; a step at a changeover to another part or slot is not taken for a drift.

Model: offset = mean of (slot, part) + slope x day, fitted by weighted least squares on daily means. Days differ by
more than their picks explain (tape tension, temperature): how much more is told by their scatter around the line and
is part of each day's weight, so that two busy days decide no line; the interval uses that scatter with Student's t,
never that of single picks. A feeder is flagged when the slope differs from 0 with
Benjamini-Hochberg over all feeders and axes, and the fitted walk is at least `LEAST_WALK` mm: less cannot lose a part.
Source: weighted least squares, any textbook; smallest walk: common practice, no source.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from scipy import stats

from pipeline.estimators.multiplicity import benjamini_hochberg
from pipeline.estimators.uneven_means import fit_means
from pipeline.findings.model import OffsetDrift
from pipeline.settings import Statistics

LEAST_DAYS: Final = 8
LEAST_PICKS: Final = 100
LEAST_WALK: Final = 0.02
"""Walk of the mean pick position over the history below which nothing is flagged, in mm."""


def drifts(offsets: pl.DataFrame, settings: Statistics) -> tuple[OffsetDrift, ...]:
    """Slope of the mean pick offset of each feeder (see the module's head); sorted by flag, then by size of the
    walk."""
    found: list[OffsetDrift] = []
    p_values: list[float] = []
    for (machine, feeder), frame in offsets.sort(pl.all()).group_by(["machine", "feeder"], maintain_order=True):
        for axis in ("x", "y"):
            fitted = _fit(str(machine), str(feeder), frame, axis, settings.confidence)
            if fitted is not None:
                found.append(fitted[0])
                p_values.append(fitted[1])
    adjusted = benjamini_hochberg(np.array(p_values)) if p_values else np.array([])
    flagged = [
        _flag(d, bool(q <= settings.false_discovery_rate) and abs(d.end - d.start) >= LEAST_WALK)
        for d, q in zip(found, adjusted, strict=True)
    ]
    return tuple(sorted(flagged, key=lambda d: (not d.flagged, -abs(d.end - d.start), d.machine, d.feeder, d.axis)))


def _flag(drift: OffsetDrift, flagged: bool) -> OffsetDrift:
    return OffsetDrift(**{f: getattr(drift, f) for f in OffsetDrift.__slots__ if f != "flagged"}, flagged=flagged)


def _fit(
    machine: str, feeder: str, frame: pl.DataFrame, axis: str, confidence: float
) -> tuple[OffsetDrift, float] | None:
    column = f"d{axis}_sum"
    daily = (
        frame.group_by(["day", "slot", "part"], maintain_order=True)
        .agg(pl.col("offsets", column, f"d{axis}_squares").sum())
        .sort("day", "slot", "part", nulls_last=True)
    )
    days = sorted(set(daily["day"].to_list()))
    picks = int(daily["offsets"].sum())
    if len(days) < LEAST_DAYS or picks < LEAST_PICKS:
        return None
    origin = np.datetime64(days[0])
    x = (daily["day"].to_numpy().astype("datetime64[D]") - origin).astype(float)
    weight = daily["offsets"].to_numpy().astype(float)
    mean = daily[column].to_numpy() / weight
    within = daily[f"d{axis}_squares"].to_numpy() - weight * mean**2  # of single picks, around their mean of the day
    one_pick = max(float(within.sum()), 0.0) / max(float((weight - 1.0).sum()), 1.0)
    places = daily.select(pl.struct("slot", "part").rank("dense").alias("g"))["g"].to_numpy() - 1
    design = np.column_stack([np.eye(int(places.max()) + 1)[places], x])
    fitted = fit_means(design, mean, one_pick / weight)
    if fitted is None or fitted.freedom < LEAST_DAYS - 2:
        return None
    coefficients, freedom = fitted.coefficients, fitted.freedom
    slope, error = float(coefficients[-1]), float(np.sqrt(fitted.covariance[-1, -1]))
    if error == 0.0:
        return None
    reach = float(stats.t.ppf(0.5 + confidence / 2, freedom)) * error
    p_value = float(2 * stats.t.sf(abs(slope) / error, freedom))
    level = float(np.average(coefficients[places], weights=weight))
    by_day = daily.group_by("day", maintain_order=True).agg(pl.col("offsets").sum(), pl.col(column).sum()).sort("day")
    slots = daily["slot"].drop_nulls()
    drift = OffsetDrift(
        machine=machine,
        feeder=feeder,
        slot=str(slots[-1]) if len(slots) else None,
        axis="x" if axis == "x" else "y",
        picks=picks,
        start=level + slope * float(x.min()),
        end=level + slope * float(x.max()),
        slope=slope,
        low=slope - reach,
        high=slope + reach,
        flagged=False,
        days=tuple((r[0], r[2] / r[1], int(r[1])) for r in by_day.iter_rows()),
    )
    return drift, p_value
