"""The plant's week in a few figures: each kind of loss, this week, the week before, and the trend.

In:    DAYS over the history, the week's label and the dispersions.
Out:   findings.model.LossSummary for each of words.LOSSES.
After: weeks without picks are absent, never zero.
"""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from pipeline.analysis.losses import with_chances
from pipeline.analysis.rates import rate, trend
from pipeline.findings.model import LossSummary
from pipeline.schema.words import LOSSES
from pipeline.settings import Statistics


def summaries(
    days: pl.DataFrame, week: str, dispersions: dict[str, float], settings: Statistics
) -> tuple[LossSummary, ...]:
    """One summary a kind of loss; `days` may hold any number of weeks up to `week`."""
    found = []
    monday = date.fromisocalendar(int(week[:4]), int(week[6:]), 1)
    year, number, _ = (monday - timedelta(days=7)).isocalendar()
    week_before = f"{year}-W{number:02d}"
    for loss in LOSSES:
        weekly = (
            with_chances(days, loss)
            .group_by("week", maintain_order=True)
            .agg(pl.col("losses").sum(), pl.col("chances").sum())
            .sort("week")
        )
        dispersion = dispersions.get(loss, 1.0)
        this = weekly.filter(pl.col("week") == week)
        before = weekly.filter(pl.col("week") == week_before)
        found.append(
            LossSummary(
                loss=loss,
                this_week=rate(int(this["losses"].sum()), int(this["chances"].sum()), settings, dispersion),
                last_week=rate(int(before["losses"][0]), int(before["chances"][0]), settings, dispersion)
                if len(before)
                else None,
                dispersion=dispersions.get(loss) if int(this["chances"].sum()) else None,
                trend=trend(weekly, "week", settings, dispersion, expected=False),
            )
        )
    return tuple(found)
