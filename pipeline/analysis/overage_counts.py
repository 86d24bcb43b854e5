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
from pipeline.estimators.arrays import FloatArray
from pipeline.estimators.counted_rates import LARGEST_SCATTER, CountedRates, counted_rates, event_scatter
from pipeline.findings.buying import LossFigure, Source, Unexplained
from pipeline.schema.frames import REELS, check
from pipeline.schema.words import FEEDER_TYPES
from pipeline.settings import Plant

SHARE: Final = "share of missed picks that use a part"
PER_LOAD: Final = "parts lost per load"
PER_SPLICE: Final = "parts lost per splice"
TAIL: Final = "parts left on a reel taken for empty"
RECOVERED: Final = "share of what was left that came back"
SCATTER: Final = "scatter of what loads take, variance over mean"
LEAST_REELS: Final = 8
"""Counted reels that a figure must rest on, below which the settings stand."""
LEAST_PARTS: Final = 5
"""Parts with something left that the share of returns must rest on."""
LEAST_SCATTER: Final = 30
"""The same for the scatter: a spread takes more of them than a mean."""
NARROWED: Final = 0.5
"""A figure counts as counted when its standard error is below this share of what was doubtful before."""
STRANGE: Final = 4.0
"""Standard deviations from which on all counts of a part together say nothing about loads and misses."""
_ROUNDS: Final = 3
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
    rates: Mapping[str, CountedRates]
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
    plain = {kind: _plain(news.filter(pl.col("feeder_type") == kind), kind, plant) for kind in FEEDER_TYPES}
    rates = {kind: _rates(reels, kind, plant) for kind, reels in plain.items()}
    figures = [f for kind in FEEDER_TYPES for f in _figures(rates[kind], kind, plant)]
    figures += [_tail(news, plant), _scatter(plain, rates, plant)]
    return Counts(news, books, rates, tuple(figures), _applied(figures, plant))


def _books(reels: pl.DataFrame) -> tuple[str, ...]:
    """Machines whose counts move with their picks to the piece: they take off what was placed, or what was picked."""
    gone = pl.col("first") - pl.col("last")
    steps = (
        pl.col("placed"),
        pl.col("placed") + pl.col("lost"),
        pl.col("placed") + pl.col("lost") + pl.col("missed"),
    )
    by_machine = pl.col("machine").is_not_null() & (pl.col("lost") + pl.col("missed") > 0)
    follows = (
        reels.filter(by_machine)
        .group_by("machine")
        .agg(pl.max_horizontal(*((gone == s).mean() for s in steps)).alias("share"), pl.len().alias("reels"))
    )
    found = follows.filter((pl.col("share") >= BOOKS) & (pl.col("reels") >= 3))
    return tuple(sorted(found["machine"]))


def _fed(parts: pl.DataFrame, usage: pl.DataFrame) -> pl.DataFrame:
    told = parts.select(pl.col("part").cast(pl.String), pl.col("feeder_type").cast(pl.String))
    logged = usage.select("part", "feeder_type")
    both = pl.concat([told, logged]).drop_nulls().filter(pl.col("feeder_type").is_in(FEEDER_TYPES))
    return both.unique("part", keep="first", maintain_order=True)


def _away(reels: pl.DataFrame) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Parts gone that no log names, missed picks, and loads and splices of each reel."""
    away = (reels["gone"] - reels["placed"] - reels["lost"]).to_numpy().astype(float)
    return away, reels["missed"].to_numpy().astype(float), reels.select("loads", "splices").to_numpy().astype(float)


def _set_to(kind: str, plant: Plant) -> tuple[float, float, float]:
    """Share of misses, parts a load and parts a splice as the settings have them; only tape is spliced."""
    per_load = load_losses(plant.buying)[kind]
    return miss_shares(plant)[kind], per_load, plant.buying.splice_loss if kind == "tape" else per_load


def _doubts(kind: str, plant: Plant) -> tuple[float, float, float]:
    _, per_load, per_splice = _set_to(kind, plant)
    return SHARE_DOUBT, max(per_load, 2.0), max(per_splice, 2.0)


def _rates(reels: pl.DataFrame, kind: str, plant: Plant) -> CountedRates:
    """Fit of the reels of one feeder type."""
    return counted_rates(*_away(reels), _set_to(kind, plant), _doubts(kind, plant))


def _plain(reels: pl.DataFrame, kind: str, plant: Plant) -> pl.DataFrame:
    """The reels of parts whose counts agree with what the others say: parts that go without a log on every reel would
    be taken for what loading costs.
    """
    kept = reels
    for _ in range(_ROUNDS):
        rates = _rates(kept, kind, plant)
        each = kept.select(
            "part", "missed", "loads", "splices", away=pl.col("gone") - pl.col("placed") - pl.col("lost")
        )
        strange = []
        for part, missed, loads, splices, away, many in (
            each.group_by("part").agg(pl.col("missed", "loads", "splices", "away").sum(), pl.len()).sort("part").rows()
        ):
            expected = float(np.array([missed, loads, splices]) @ rates.values)
            if abs(away - expected) > STRANGE * np.sqrt(rates.noise(missed, (loads, splices), many)):
                strange.append(part)
        if not strange:
            break
        kept = kept.filter(~pl.col("part").is_in(strange))
    return kept


def _figures(rates: CountedRates, kind: str, plant: Plant) -> tuple[LossFigure, ...]:
    names = (SHARE, PER_LOAD, PER_SPLICE) if kind == "tape" else (SHARE, PER_LOAD)
    found = []
    for which, (what, set_to, doubt) in enumerate(zip(names, _set_to(kind, plant), _doubts(kind, plant), strict=False)):
        error = float(np.sqrt(rates.covariance[which, which]))
        # A share of misses and a load are told apart by reels of any kind; a splice only by reels that were spliced in.
        reels = rates.told[which] if what == PER_SPLICE else rates.reels
        counted = reels >= LEAST_REELS and error < NARROWED * doubt
        value = float(rates.values[which]) if counted else set_to
        span = rates.interval(which, plant.statistics.confidence) if counted else None
        found.append(_figure(what, kind, value, span, reels))
    return tuple(found)


def _tail(reels: pl.DataFrame, plant: Plant) -> LossFigure:
    """What was found on tapes that another one had been spliced to."""
    left = reels.filter(pl.col("ended") & (pl.col("feeder_type") == "tape"))["last"].to_numpy().astype(float)
    if left.size < LEAST_REELS:
        return _figure(TAIL, "tape", plant.buying.tail_loss, None, left.size)
    mean, error = float(left.mean()), float(left.std(ddof=1) / np.sqrt(left.size))
    half = float(stats.t.ppf((1 + plant.statistics.confidence) / 2, left.size - 1)) * error
    return _figure(TAIL, "tape", mean, (max(0.0, mean - half), mean + half), left.size)


def _scatter(plain: Mapping[str, pl.DataFrame], rates: Mapping[str, CountedRates], plant: Plant) -> LossFigure:
    """How much what loads take scatters: from the feeder type whose counted loads took most. Where nothing is lost in
    loading, as from trays, nothing scatters either, however many were counted.
    """
    kind = max(FEEDER_TYPES, key=lambda k: float((_away(plain[k])[2] @ rates[k].values[1:]).sum()))
    away, misses, events = _away(plain[kind])
    many = int((events.sum(axis=1) > 0).sum())
    if many < LEAST_SCATTER:
        return _figure(SCATTER, "all", plant.buying.load_scatter, None, many)
    confidence = plant.statistics.confidence
    value, low, high = event_scatter(away, misses, events, rates[kind].values, confidence)
    # Its doubt is that of its logarithm, which holds it within NARROWED at one standard error.
    narrowed = high < LARGEST_SCATTER and high <= value * np.exp(stats.norm.ppf((1 + confidence) / 2) * NARROWED)
    if not narrowed:
        return _figure(SCATTER, "all", plant.buying.load_scatter, None, many)
    return _figure(SCATTER, "all", value, (low, high), many)


def _figure(what: str, kind: str, value: float, span: tuple[float, float] | None, reels: int) -> LossFigure:
    source: Source = "setting" if span is None else "counted"
    low, high = span or (None, None)
    text = words.loss_figure(what, kind, value, low, high, reels, what in (SHARE, RECOVERED))
    return LossFigure(what, kind, value, low, high, source, reels, text)


def _applied(figures: Sequence[LossFigure], plant: Plant) -> Plant:
    value = {(f.what, f.feeder_type): f.value for f in figures}
    shares = {k: value[SHARE, k] for k in FEEDER_TYPES}
    loads: dict[str, Any] = {f"load_loss_{k}": value[PER_LOAD, k] for k in FEEDER_TYPES}
    others: dict[str, Any] = {f"miss_uses_part_{k}": shares[k] for k in FEEDER_TYPES if k != "tape"}
    others |= {
        "splice_loss": value[PER_SPLICE, "tape"],
        "tail_loss": value[TAIL, "tape"],
        "load_scatter": value[SCATTER, "all"],
    }
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
            pl.col("loads", "splices").sum(),
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
    return _by_value(_move_rows(moves, usage, loads, parts), counts, plant, reels=False)


def recovered(
    moves: pl.DataFrame, usage: pl.DataFrame, loads: pl.DataFrame, counts: Counts, parts: pl.DataFrame, plant: Plant
) -> LossFigure:
    """Share of what was left of the issued parts that came back to the store room; arguments as `moved` takes them.

    What is left is what was issued less what the logs and the loss model say was used. The interval is the jackknife's
    over parts; with fewer than LEAST_PARTS of them that had any left the setting stands.
    """
    rows = _move_rows(moves, usage, loads, parts)
    left, back = [], []
    for row in rows.iter_rows(named=True):
        share, per_load, per_splice = _set_to(str(row["feeder_type"]), counts.plant)
        expected = row["logged"] + share * row["missed"] + per_load * row["loads"] + per_splice * row["splices"]
        if row["issued"] - expected >= 1:
            left.append(row["issued"] - expected)
            back.append(min(float(row["returned"]), row["issued"] - expected))
    n = len(left)
    if n < LEAST_PARTS:
        return _figure(RECOVERED, "all", plant.buying.returns_recovered, None, n)
    one, other = np.array(left), np.array(back)
    value = float(other.sum() / one.sum())
    without = (other.sum() - other) / (one.sum() - one)
    error = float(np.sqrt((n - 1) / n * np.sum((without - without.mean()) ** 2)))
    half = float(stats.t.ppf((1 + plant.statistics.confidence) / 2, n - 1)) * error
    return _figure(RECOVERED, "all", value, (max(0.0, value - half), min(1.0, value + half)), n)


def _move_rows(moves: pl.DataFrame, usage: pl.DataFrame, loads: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Each part of the list with what the logs say of it."""
    logged = usage.group_by("part").agg(
        (pl.col("placed") + pl.col("rejected") + pl.col("dropped") + pl.col("unknown")).sum().alias("logged"),
        pl.col("missed").sum(),
    )
    times = loads.group_by("part").agg(pl.col("loads", "splices").sum())
    known = parts.select("part", "package", "unit_cost").unique("part", keep="first", maintain_order=True)
    return (
        moves.select("part", "issued", "returned", gone=pl.col("issued") - pl.col("returned"))
        .join(logged, on="part", how="left")
        .join(times, on="part", how="left")
        .join(_fed(parts, usage), on="part", how="left")
        .with_columns(
            pl.col("logged", "missed", "loads", "splices").fill_null(0), pl.col("feeder_type").fill_null("tape")
        )
        .with_columns(reels=pl.col("loads") + pl.col("splices"))
        .join(known, on="part", how="left")
        .sort("part")
    )


def _by_value(rows: pl.DataFrame, counts: Counts, plant: Plant, *, reels: bool) -> tuple[Unexplained, ...]:
    """Differences of all rows, most money first."""
    wide = float(stats.norm.ppf((1 + plant.statistics.confidence) / 2))
    found = [_difference(row, counts, plant, wide, reels=reels) for row in rows.iter_rows(named=True)]
    return tuple(sorted(found, key=_first))


def _first(found: Unexplained) -> tuple[bool, float, str]:
    """What sorts differences: most money first, then by pieces those without a price; a free part is worth nothing."""
    size = found.difference if found.value is None else found.value
    return found.value is None, -abs(size), found.part


def _difference(row: dict[str, object], counts: Counts, plant: Plant, wide: float, *, reels: bool) -> Unexplained:
    kind = str(row["feeder_type"])
    seen, gone, logged, missed, loads, splices = (
        int(str(row[c])) for c in ("reels", "gone", "logged", "missed", "loads", "splices")
    )
    share, per_load, per_splice = _set_to(kind, counts.plant)
    rates = counts.rates[kind]
    expected = share * missed + per_load * loads + per_splice * splices
    x = np.array([missed, loads, splices], dtype=float)
    spread = float(np.sqrt(rates.noise(missed, (loads, splices), max(seen, 1)) + x @ rates.covariance @ x))
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
