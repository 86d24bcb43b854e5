"""Reel counts against the logs: what loads and misses really take, and parts gone that nobody logged.

In:    REELS (schema/frames.py), the part table, how each part is fed, the plant's settings.
Out:   figures of the loss model, counted or as set; the plant with the counted ones in place; differences by part.
After: a figure is `counted` only if the counts narrowed it down to half of what was doubtful before. Machines whose
       counts are their own books are left out: a count that follows the picks cannot check them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import polars as pl
from scipy import stats

from pipeline.analysis import overage_words as words
from pipeline.analysis.overage_parts import load_losses, miss_shares
from pipeline.estimators.two_rates import TwoRates, two_rates
from pipeline.findings.buying import LossFigure, Source, Unexplained
from pipeline.schema.frames import REELS, check
from pipeline.schema.words import FEEDER_TYPES
from pipeline.settings import Plant

SHARE: Final = "share of missed picks that use a part"
PER_LOAD: Final = "parts lost per load"
LEAST_REELS: Final = 8
"""Counted reels of a feeder type below which the settings stand."""
NARROWED: Final = 0.5
"""A figure counts as counted when its standard error is below this share of what was doubtful before."""
SHARE_DOUBT: Final = 0.25
"""Standard deviation of the share of misses before anything was counted. Our assumption, no source."""
BOOKS: Final = 0.9
"""Share of a machine's reels whose count follows its own picks to the piece, from which on it is its own book."""


@dataclass(frozen=True, slots=True)
class Counts:
    """What the reel counts say.

    reels    the counts that are news: physical ones
    books    machines whose counts are their own books
    rates    what misses and loads take, by feeder type
    figures  the same as findings
    plant    settings with the counted figures in place
    """

    reels: pl.DataFrame
    books: tuple[str, ...]
    rates: Mapping[str, TwoRates]
    figures: tuple[LossFigure, ...]
    plant: Plant


def read_counts(reels: pl.DataFrame, parts: pl.DataFrame, usage: pl.DataFrame, plant: Plant) -> Counts:
    """Judge the counts and estimate what loads and misses take.

    reels   REELS; parts: master_part; usage: USAGE, for the feeder of parts that the part table does not know

    Raises ValueError when `reels` does not follow its schema.
    """
    check(reels, REELS)
    books = _books(reels)
    news = reels.filter(~pl.col("machine").is_in(list(books)).fill_null(False))
    fed = _fed(parts, usage)
    news = news.join(fed, on="part", how="left").with_columns(
        pl.col("feeder_type").fill_null("tape"), gone=pl.col("first") - pl.col("last")
    )
    rates = {kind: _rates(news.filter(pl.col("feeder_type") == kind), kind, plant) for kind in FEEDER_TYPES}
    figures = tuple(f for kind in FEEDER_TYPES for f in _figures(rates[kind], kind, plant))
    return Counts(news, books, rates, figures, _applied(figures, plant))


def _books(reels: pl.DataFrame) -> tuple[str, ...]:
    """Machines whose counts move with their picks to the piece: they take off what was placed, or what was picked."""
    gone = pl.col("first") - pl.col("last")
    steps = (
        pl.col("placed"),
        pl.col("placed") + pl.col("lost"),
        pl.col("placed") + pl.col("lost") + pl.col("missed"),
    )
    told = reels.filter((pl.col("lost") + pl.col("missed") > 0) & pl.col("machine").is_not_null())
    follows = told.group_by("machine").agg(
        pl.max_horizontal(*((gone == s).mean() for s in steps)).alias("share"), pl.len().alias("reels")
    )
    found = follows.filter((pl.col("share") >= BOOKS) & (pl.col("reels") >= 3))
    return tuple(sorted(found["machine"]))


def _fed(parts: pl.DataFrame, usage: pl.DataFrame) -> pl.DataFrame:
    told = parts.select(pl.col("part").cast(pl.String), pl.col("feeder_type").cast(pl.String))
    logged = usage.select("part", "feeder_type")
    both = pl.concat([told, logged]).drop_nulls().filter(pl.col("feeder_type").is_in(FEEDER_TYPES))
    return both.unique("part", keep="first", maintain_order=True)


def _rates(reels: pl.DataFrame, kind: str, plant: Plant) -> TwoRates:
    per_load = load_losses(plant.buying)[kind]
    away = (reels["gone"] - reels["placed"] - reels["lost"]).to_numpy()
    return two_rates(
        away,
        reels["missed"].to_numpy(),
        reels["opened"].to_numpy().astype(float),
        (miss_shares(plant)[kind], per_load),
        (SHARE_DOUBT, max(per_load, 2.0)),
    )


def _figures(rates: TwoRates, kind: str, plant: Plant) -> tuple[LossFigure, LossFigure]:
    set_share, set_load = miss_shares(plant)[kind], load_losses(plant.buying)[kind]
    doubts = (SHARE_DOUBT, max(set_load, 2.0))
    found = []
    for which, (what, set_to) in enumerate(((SHARE, set_share), (PER_LOAD, set_load))):
        error = float(np.sqrt(rates.covariance[which, which]))
        counted = rates.reels >= LEAST_REELS and error < NARROWED * doubts[which]
        value = (rates.share, rates.per_load)[which] if counted else set_to
        low, high = rates.interval(which, plant.statistics.confidence) if counted else (None, None)
        source: Source = "counted" if counted else "setting"
        text = words.loss_figure(what, kind, value, low, high, rates.reels, which == 0)
        found.append(LossFigure(what, kind, value, low, high, source, rates.reels, text))
    return found[0], found[1]


def _applied(figures: Sequence[LossFigure], plant: Plant) -> Plant:
    value = {(f.what, f.feeder_type): f.value for f in figures}
    shares = {k: value[SHARE, k] for k in FEEDER_TYPES}
    loads: dict[str, Any] = {f"load_loss_{k}": value[PER_LOAD, k] for k in FEEDER_TYPES}
    others: dict[str, Any] = {f"miss_uses_part_{k}": shares[k] for k in FEEDER_TYPES if k != "tape"}
    return replace(
        plant,
        costs=replace(plant.costs, miss_uses_part=shares["tape"]),
        buying=replace(plant.buying, **loads, **others),
    )


def unexplained(counts: Counts, parts: pl.DataFrame, plant: Plant) -> tuple[Unexplained, ...]:
    """Parts gone by the counts and not by the logs, most money first; parts without a price by pieces, at the end.

    The interval holds the chance of misses and loads, one part of counting error a reel, what the reels of this plant
    scatter on top, and the doubt about what a load and a miss take.
    """
    known = parts.select("part", "package", "unit_cost").unique("part", keep="first", maintain_order=True)
    rows = (
        counts.reels.group_by("part", "feeder_type")
        .agg(
            pl.len().alias("reels"),
            pl.col("gone").sum(),
            (pl.col("placed") + pl.col("lost")).sum().alias("logged"),
            pl.col("missed").sum(),
            pl.col("opened").cast(pl.Int64).sum(),
        )
        .join(known, on="part", how="left")
        .sort("part")
    )
    return _by_value(rows, counts, plant, reels=True)


def moved(
    moves: pl.DataFrame, usage: pl.DataFrame, loads: pl.DataFrame, counts: Counts, parts: pl.DataFrame, plant: Plant
) -> tuple[Unexplained, ...]:
    """The same for what the store room issued and got back in the weeks of history.

    moves  columns part, issued, returned: pieces, one row a part; usage, loads: USAGE and LOADS of the same weeks

    What still lies on the line counts as gone. A part that no log of loads knows is taken as never loaded.
    """
    logged = usage.group_by("part").agg(
        (pl.col("placed") + pl.col("rejected") + pl.col("dropped") + pl.col("unknown")).sum().alias("logged"),
        pl.col("missed").sum(),
    )
    times = loads.group_by("part").agg((pl.col("loads") + pl.col("splices")).sum().alias("opened"))
    known = parts.select("part", "package", "unit_cost").unique("part", keep="first", maintain_order=True)
    rows = (
        moves.select("part", gone=pl.col("issued") - pl.col("returned"))
        .join(logged, on="part", how="left")
        .join(times, on="part", how="left")
        .join(_fed(parts, usage), on="part", how="left")
        .with_columns(pl.col("logged", "missed", "opened").fill_null(0), pl.col("feeder_type").fill_null("tape"))
        .with_columns(reels=pl.col("opened"))
        .join(known, on="part", how="left")
        .sort("part")
    )
    return _by_value(rows, counts, plant, reels=False)


def _by_value(rows: pl.DataFrame, counts: Counts, plant: Plant, *, reels: bool) -> tuple[Unexplained, ...]:
    """Differences of all rows, most money first."""
    wide = float(stats.norm.ppf((1 + plant.statistics.confidence) / 2))
    found = [_difference(row, counts, plant, wide, reels=reels) for row in rows.iter_rows(named=True)]
    return tuple(sorted(found, key=lambda u: (u.value is None, -abs(u.value or u.difference), u.part)))


def _difference(row: dict[str, object], counts: Counts, plant: Plant, wide: float, *, reels: bool) -> Unexplained:
    kind = str(row["feeder_type"])
    seen, gone, logged, missed, opened = (int(str(row[c])) for c in ("reels", "gone", "logged", "missed", "opened"))
    share = miss_shares(counts.plant)[kind]
    per_load = load_losses(counts.plant.buying)[kind]
    rates = counts.rates[kind]
    expected = share * missed + per_load * opened
    x = np.array([missed, opened], dtype=float)
    spread = float(np.sqrt(rates.noise(missed, opened, max(seen, 1)) + x @ rates.covariance @ x))
    difference = gone - logged - expected
    low, high = difference - wide * spread, difference + wide * spread
    price = row["unit_cost"]
    worth = float(str(price)) if price is not None else None
    value, least, most = (None if worth is None else v * worth for v in (difference, low, high))
    return Unexplained(
        part=str(row["part"]),
        package=None if row["package"] is None else str(row["package"]),
        reels=seen,
        gone=gone,
        logged=logged,
        expected=expected,
        difference=difference,
        low=low,
        high=high,
        value=value,
        value_low=least,
        value_high=most,
        text=words.difference(
            gone, logged, expected, (difference, low, high), seen if reels else None, value, plant.currency
        ),
    )
