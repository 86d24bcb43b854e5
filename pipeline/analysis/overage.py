"""How many extra parts every line of the planned builds takes.

In:    USAGE and LOADS over the weeks of history, the part table, the planned builds, the plant's settings.
Out:   `Lines`: the build lines with the distribution of what each will use up; extra parts at a service level.
After: with `extra` parts above the need, each line by itself suffices with its service level, if the coming weeks are
       like those of the history. Whole kits are less sure: the lines' probabilities multiply.

The rate comes from overage_pooling.py; old weeks count less. Load losses have the mean that the settings, or reel
counts, give each feeder type, and scatter more than Poisson counts do; they come on top of what the logs count.
overage_lines.py makes findings of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from pipeline.analysis.overage_builds import check_builds, clean_parts
from pipeline.analysis.overage_parts import miss_shares, parts_of
from pipeline.analysis.overage_pooling import Rates, fit
from pipeline.analysis.overage_rounding import loads_of_build
from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray
from pipeline.estimators.predictive import LoadLoss, predictive_extra
from pipeline.schema.frames import LOADS, USAGE, check
from pipeline.settings import Plant

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
    loads       loads of the machines, of which `splices` join one reel to the next
    load_mean   parts lost in all of them together, with a variance `scatter` times as large
    level       service level of the line, by the class of its part
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
    splices: IntArray
    load_mean: FloatArray
    scatter: float
    level: FloatArray

    def extra(self, level: float | None = None) -> tuple[IntArray, BoolArray]:
        """Extra parts of each line at its own service level, or at one level for all; and where they were cut because
        the part is hopeless.
        """
        sure = self.level if level is None else level
        return extra_parts(self.need, self.good, self.bad, self.load_mean, sure, self.scatter)

    def load_losses(self, line: int) -> FloatArray:
        """Probabilities of 0, 1, 2, ... parts lost in all loads of one line."""
        return LoadLoss.scattered(float(self.load_mean[line]), self.scatter).pmf(1)


def prepare(
    usage: pl.DataFrame,
    loads: pl.DataFrame,
    parts: pl.DataFrame,
    builds: pl.DataFrame,
    plant: Plant,
    *,
    leave_out_lots: Sequence[str] = (),
) -> Lines | None:
    """All that the figures rest on; None when there is no good line, or when the logs know no part at all.

    usage, loads    USAGE and LOADS (schema/frames.py) over `plant.buying.history_weeks`
    parts, builds   the tables master_part and master_build; `check_builds` says what is wrong with them
    leave_out_lots  lots known to be bad, besides those of the settings; where parts share the names of lots, "part/lot"
                    for one part's, or the name alone for that of each

    Raises ValueError when usage or loads do not follow their schema.
    """
    check(usage, USAGE)
    check(loads, LOADS)
    good, _ = check_builds(builds, parts)
    if good.is_empty():
        return None
    named = usage.filter(pl.col("part").is_not_null())
    bad = [*leave_out_lots, *plant.buying.leave_out_lots]
    own_name = pl.col("lot").str.strip_prefix(pl.concat_str("part", pl.lit("/")))  # of a lot that several parts have
    bad_lot = (pl.col("lot").is_in(bad) | own_name.is_in(bad)).fill_null(False)
    dropped = named.filter(bad_lot).group_by("part").agg(pl.col("lot").unique().sort())
    left_out = {part: tuple(lots) for part, lots in dropped.iter_rows()}
    table = parts_of(good, named, loads, parts, plant)
    packages = dict(clean_parts(parts)[0].select("part", "package").iter_rows())
    for part, package in table.select("part", "package").iter_rows():
        packages.setdefault(part, package)
    wanted = table["part"].to_list()
    rates = fit(named.filter(~bad_lot), packages, wanted, miss_shares(plant), plant.buying.half_life_weeks)
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
    further = np.maximum(times - np.maximum(machines, 1), 0)
    spliced = table["spliced"].to_numpy()[part]
    load_mean = (times - further) * per_load + further * table["per_splice"].to_numpy().astype(float)[part]
    levels = [plant.buying.service_level, *(c.service_level or plant.buying.service_level for c in plant.part_class)]
    level = np.array(levels)[table["part_class"].to_numpy()[part] + 1]
    splices = np.where(spliced, further, 0)
    scatter = plant.buying.load_scatter
    weeks = named["week"].n_unique()
    return Lines(
        good, table, rates, left_out, weeks, part, need, a, b, times - splices, splices, load_mean, scatter, level
    )


def extra_parts(
    need: IntArray,
    good: FloatArray,
    bad: FloatArray,
    load_mean: FloatArray,
    level: float | FloatArray,
    scatter: float = 1.0,
) -> tuple[IntArray, BoolArray]:
    """Extra parts of each line and where they were cut at the need (predicted loss rate above `HOPELESS`).

    need, good, bad, load_mean, scatter  as `predictive_extra` takes them, shape (lines,); level the same or one for all

    Where half a million extra parts are in question, chance within the build hardly matters: the quantile of the rate
    itself is taken, and a margin for chance (below 0.4 %) added.
    """
    mean, level = bad / (good + bad), np.broadcast_to(np.asarray(level, dtype=float), need.shape)
    spread = np.sqrt(mean * (1 - mean) / (good + bad + 1))
    # Cantelli's inequality: no quantile at (1 + level) / 2 lies beyond this.
    doubt = mean + spread * np.sqrt(2 / (1 - level))
    watch = (doubt > HOPELESS) | (need * doubt > _FAR)
    out = np.zeros(need.size, dtype=np.int64)
    cut = np.zeros(need.size, dtype=bool)
    direct = ~watch
    if bool(watch.any()):
        rate = np.zeros(need.size)
        rate[watch] = special.betaincinv(bad[watch], good[watch], level[watch])
        cut = rate > HOPELESS
        # The exact sum is looked for below the quantile at (1 + level) / 2, which must lie within reach.
        upper = np.zeros(need.size)
        upper[watch] = np.minimum(special.betaincinv(bad[watch], good[watch], (1 + level[watch]) / 2), 1 - 1e-12)
        far = watch & ~cut & ((need * rate > _FAR) | (need * upper / (1 - upper) > _FAR))
        direct = ~cut & ~far
        losing = np.where(cut, need, np.ceil(need * rate / (1 - np.minimum(rate, HOPELESS))))
        tail = (
            load_mean
            + 3 * np.sqrt(scatter * load_mean)
            + np.where(far, special.ndtri(level) * np.sqrt(2 * losing), 0.0)
        )
        out[cut | far] = np.ceil(losing + tail).astype(np.int64)[cut | far]
    out[direct] = predictive_extra(need[direct], good[direct], bad[direct], load_mean[direct], level[direct], scatter)
    return out, cut
