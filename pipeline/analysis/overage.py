"""What to kit and to buy of every part of every planned build.

In:    USAGE and LOADS over the weeks of history, the part table, the planned builds, the plant's settings.
Out:   one `Overage` a build line, sorted by due date, build and part.
After: with `extra` parts above the need, each line by itself suffices with the plant's service level, if the coming
       weeks are like those of the history. Whole kits are less sure: the lines' probabilities multiply.

The rate comes from overage_pooling.py. All weeks of the history weigh the same: what has changed since is for
`leave_out_lots` and for a shorter history to say. Load losses are Poisson with the mean that the settings give each
feeder type; they come on top of what the logs count.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from pipeline.analysis import overage_words as words
from pipeline.analysis.overage_builds import check_builds, clean_parts
from pipeline.analysis.overage_pooling import OWN_ENOUGH, Rates, fit, losses
from pipeline.analysis.overage_rounding import kit_pieces, loads_of_build, orders
from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray
from pipeline.estimators.predictive import predictive_extra
from pipeline.findings.model import Overage
from pipeline.schema.frames import LOADS, USAGE, check
from pipeline.settings import Buying, Plant

__all__ = ["Lines", "check_builds", "prepare", "recommend"]

HOPELESS = 0.5
"""Predicted loss rate above which a part is not to be bought for but to be mended: extra is cut at the need."""
_FAR = 5e5


@dataclass(frozen=True, slots=True)
class Lines:
    """Build lines with all that their figures rest on; arrays have one entry a line, `part` points into the parts.

    builds      good build lines (overage_builds.GOOD), in due order
    parts       one row a part of the builds, in the order that `part` points to: part table and what the logs add
    rates       loss rates of these parts
    left_out    lots left out, by part
    weeks       weeks of the history in which anything ran
    good, bad   beta parameters of the build's mean rate of good and of lost parts
    loads       loads of the machines; per_load: parts lost in each
    """

    builds: pl.DataFrame
    parts: pl.DataFrame
    rates: Rates
    left_out: dict[str, tuple[str, ...]]
    weeks: int
    part: IntArray
    need: IntArray
    good: FloatArray
    bad: FloatArray
    loads: IntArray
    per_load: FloatArray

    def extra(self, level: float) -> tuple[IntArray, BoolArray]:
        """Extra parts of each line at the service level, and where they were cut because the part is hopeless."""
        return extra_parts(self.need, self.good, self.bad, self.loads * self.per_load, level)


def recommend(
    usage: pl.DataFrame,
    loads: pl.DataFrame,
    parts: pl.DataFrame,
    builds: pl.DataFrame,
    plant: Plant,
    *,
    leave_out_lots: Sequence[str] = (),
) -> tuple[Overage, ...]:
    """What to kit and buy for every good line of `builds`, sorted by due date, build and part.

    usage, loads    USAGE and LOADS (schema/frames.py) over `plant.buying.history_weeks`
    parts, builds   the tables master_part and master_build; `check_builds` says what is wrong with them
    leave_out_lots  lots known to be bad: what they lost says nothing about the next lot

    Empty when there is no good line, or when the logs know no part at all. Raises ValueError when usage or loads do
    not follow their schema. Breaks when: lots, feeders or suppliers change; when bad luck is shared by many parts.
    """
    lines = prepare(usage, loads, parts, builds, plant, leave_out_lots=leave_out_lots)
    if lines is None:
        return ()
    with _no_collection():
        return _findings(lines, plant)


def prepare(
    usage: pl.DataFrame,
    loads: pl.DataFrame,
    parts: pl.DataFrame,
    builds: pl.DataFrame,
    plant: Plant,
    *,
    leave_out_lots: Sequence[str] = (),
) -> Lines | None:
    """All that `recommend` and the whole-kit figures rest on; None when there is nothing to say. Arguments as there."""
    check(usage, USAGE)
    check(loads, LOADS)
    good, _ = check_builds(builds, parts)
    if good.is_empty():
        return None
    named = usage.filter(pl.col("part").is_not_null())
    bad_lot = pl.col("lot").is_in(list(leave_out_lots)).fill_null(False)
    dropped = named.filter(bad_lot).group_by("part").agg(pl.col("lot").unique().sort())
    left_out = {part: tuple(lots) for part, lots in dropped.iter_rows()}
    table = _parts_of(good, named, loads, parts, plant)
    packages = dict(clean_parts(parts)[0].select("part", "package").iter_rows())
    for part, package in table.select("part", "package").iter_rows():
        packages.setdefault(part, package)
    wanted = table["part"].to_list()
    rates = fit(named.filter(~bad_lot), packages, wanted, plant.costs.miss_uses_part)
    if rates is None:
        return None
    number = {p: i for i, p in enumerate(wanted)}
    part = np.array([number[p] for p in good["part"]], dtype=np.int64)
    need = good["need"].to_numpy().astype(np.int64)
    a, b = rates.for_build(part, need.astype(float))
    per_load = table["per_load"].to_numpy().astype(float)[part]
    pack = table["pack"].fill_null(np.inf).to_numpy().astype(float)[part]
    machines = table["machines"].to_numpy().astype(np.int64)[part]
    times = loads_of_build(need.astype(float), b / (a + b), per_load, pack, machines)
    return Lines(good, table, rates, left_out, named["week"].n_unique(), part, need, a, b, times, per_load)


def _parts_of(
    good: pl.DataFrame, usage: pl.DataFrame, loads: pl.DataFrame, parts: pl.DataFrame, plant: Plant
) -> pl.DataFrame:
    """One row a part of the builds: the part table's columns, filled up from the logs.

    feeder_type  part table, else what the logs fed it on most, else tape (`feeder_known` is then false)
    pack         pack size, else the parts used per load in the logs, else null
    machines     machines that it ran on in the same shift, middle over shifts, at least 1
    """
    table = good.select("part").unique().join(clean_parts(parts)[0], on="part", how="left").sort("part")
    used = losses(usage, plant.costs.miss_uses_part)
    logged = used.group_by("part").agg(
        pl.col("package").drop_nulls().min().alias("logged_package"), pl.col("used").sum()
    )
    fed = (
        used.filter(pl.col("feeder_type").is_in(list(_load_losses(plant.buying))))
        .group_by("part", "feeder_type")
        .agg(pl.col("used").sum().alias("fed"))
        .sort(["part", "fed", "feeder_type"], descending=[False, True, False])
        .unique("part", keep="first", maintain_order=True)
        .select("part", pl.col("feeder_type").alias("logged_feeder"))
    )
    side_by_side = (
        usage.filter(pl.col("machine").is_not_null())
        .group_by("part", "shift")
        .agg(pl.col("machine").n_unique())
        .group_by("part")
        .agg(pl.col("machine").median().round().clip(1).alias("machines"))
    )
    times = loads.group_by("part").agg((pl.col("loads") + pl.col("splices")).sum().alias("times"))
    table = table.join(logged, on="part", how="left").join(fed, on="part", how="left")
    table = table.join(side_by_side, on="part", how="left").join(times, on="part", how="left")
    feeder = pl.coalesce("feeder_type", "logged_feeder")
    per_time = pl.when(pl.col("times") > 0).then((pl.col("used") / pl.col("times")).ceil().clip(1))
    return (
        table.with_columns(
            package=pl.coalesce("package", "logged_package"),
            feeder_type=feeder.fill_null("tape"),
            feeder_known=feeder.is_not_null(),
            pack=pl.coalesce(pl.col("pack_size").cast(pl.Float64), per_time),
            machines=pl.col("machines").fill_null(1).cast(pl.Int64),
        )
        .with_columns(
            per_load=pl.col("feeder_type").replace_strict(_load_losses(plant.buying), return_dtype=pl.Float64)
        )
        .sort("part")
    )


def _load_losses(buying: Buying) -> dict[str, float]:
    return {
        "tape": float(buying.load_loss_tape),
        "tube": float(buying.load_loss_tube),
        "tray": float(buying.load_loss_tray),
        "bulk": float(buying.load_loss_bulk),
    }


def extra_parts(
    need: IntArray, good: FloatArray, bad: FloatArray, load_mean: FloatArray, level: float
) -> tuple[IntArray, BoolArray]:
    """Extra parts of each line and where they were cut at the need (predicted loss rate above `HOPELESS`).

    need, good, bad, load_mean  as `predictive_extra` takes them, shape (lines,)

    Where half a million extra parts are in question, chance within the build hardly matters: the quantile of the rate
    itself is taken, and a margin for chance (below 0.4 %) added.
    """
    mean = bad / (good + bad)
    spread = np.sqrt(mean * (1 - mean) / (good + bad + 1))
    # Cantelli's inequality: no quantile at (1 + level) / 2 lies beyond this.
    doubt = mean + spread * np.sqrt(2 / (1 - level))
    watch = (doubt > HOPELESS) | (need * doubt > _FAR)
    out = np.zeros(need.size, dtype=np.int64)
    cut = np.zeros(need.size, dtype=bool)
    direct = ~watch
    if bool(watch.any()):
        rate = np.zeros(need.size)
        rate[watch] = special.betaincinv(bad[watch], good[watch], level)
        cut = rate > HOPELESS
        # The exact sum is looked for below the quantile at (1 + level) / 2, which must lie within reach.
        upper = np.zeros(need.size)
        upper[watch] = np.minimum(special.betaincinv(bad[watch], good[watch], (1 + level) / 2), 1 - 1e-12)
        far = watch & ~cut & ((need * rate > _FAR) | (need * upper / (1 - upper) > _FAR))
        direct = ~cut & ~far
        losing = np.where(cut, need, np.ceil(need * rate / (1 - np.minimum(rate, HOPELESS))))
        tail = load_mean + 3 * np.sqrt(load_mean) + np.where(far, special.ndtri(level) * np.sqrt(2 * losing), 0.0)
        out[cut | far] = np.ceil(losing + tail).astype(np.int64)[cut | far]
    out[direct] = predictive_extra(need[direct], good[direct], bad[direct], load_mean[direct], level)
    return out, cut


@contextmanager
def _no_collection() -> Iterator[None]:
    """Hold the cycle collector: findings have no cycles, and walking half a million of them takes half the time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _findings(lines: Lines, plant: Plant) -> tuple[Overage, ...]:
    level, confidence = plant.buying.service_level, plant.statistics.confidence
    extra, cut = lines.extra(level)
    rates, table = lines.rates, lines.parts
    tails = ((1 - confidence) / 2, (1 + confidence) / 2)
    low, high = (special.betaincinv(rates.a, rates.b, t) for t in tails)
    mean = rates.a / (rates.a + rates.b)
    ran = rates.used > 0
    column = {c: table[c].to_list() for c in table.columns}
    basis, past = [], []
    for i, part in enumerate(rates.part):
        left_out = lines.left_out.get(part, ())
        peers = int(rates.borrowed[i])
        package = column["package"][i]
        basis.append(words.basis(float(rates.own[i]), bool(ran[i]), package, peers, OWN_ENOUGH, left_out))
        past.append(
            words.history(
                float(rates.used[i]),
                float(rates.lost[i]),
                lines.weeks,
                (float(mean[i]), float(low[i]), float(high[i])),
                bool(rates.own[i] >= OWN_ENOUGH),
                f"package {package}" if package is not None and peers > 0 else "the plant",
                bool(column["feeder_known"][i]),
            )
        )
    kits = lines.need + extra
    stocks, coming = column["stock"], column["on_order"]
    available = [(s or 0) + (o or 0) for s, o in zip(stocks, coming, strict=True)]
    buys = orders(lines.part, kits, available, column["pack_size"], column["minimum_order"])
    sure = words.sure(level)
    used, lost = (np.rint(x).astype(np.int64).tolist() for x in (rates.used, rates.lost))
    rate, least, most = mean.tolist(), low.tolist(), high.tolist()
    loading: dict[tuple[str, int, float], str] = {}
    found = []
    rows = zip(
        lines.builds.iter_rows(),
        lines.part.tolist(),
        extra.tolist(),
        cut.tolist(),
        lines.loads.tolist(),
        lines.per_load.tolist(),
        buys,
        strict=True,
    )
    for (build, part, quantity, boards, due, need), i, more, hopeless, times, per_load, buy in rows:
        key = (column["feeder_type"][i], times, per_load)
        load = loading.get(key) or loading.setdefault(key, words.load(*key))
        reason = f"{past[i]}; {load}; {sure}."
        if hopeless:
            reason = f"{past[i]}; more than half may be lost: extra cut at the need, mend the cause before buying."
        price = column["unit_cost"][i]
        found.append(
            Overage(
                part=part,
                build=build,
                need=need,
                extra=more,
                buy=buy,
                service_level=level,
                loss_rate=rate[i],
                loss_low=least[i],
                loss_high=most[i],
                basis=basis[i],
                package=column["package"][i],
                boards=boards,
                quantity_per_board=quantity,
                loads=times,
                per_load=per_load,
                kit=kit_pieces(need, more),
                stock=stocks[i],
                on_order=coming[i],
                pack_size=column["pack_size"][i],
                unit_cost=price,
                extra_cost=None if price is None else more * price,
                buy_cost=None if price is None else buy * price,
                due=due,
                used=used[i],
                lost=lost[i],
                reason=reason,
            )
        )
    return tuple(found)
