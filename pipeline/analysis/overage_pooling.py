"""The loss rate of every part, with what it borrows from its package and from the plant.

In:    USAGE (schema/frames.py), the package of each part, and the parts that somebody wants to know about.
Out:   one row a wanted part: the beta distribution of its long-run loss rate, and how much its rate varies between
       shifts and between batches (lots, else reels, else weeks).
After: a part with much history keeps its own rate; one that never ran has that of its package, or of the plant.
       No part's own counts enter what it borrows.

The model, from the inside out. Picks of one part in one shift and machine share a rate (bursts): intraclass
correlation rho. Batches of a part differ by a factor with a relative variance c2, so their correlation is c2 times
the rate. Parts of a package and packages of a plant differ by factors too. All four are estimated from the data,
pooled part -> package -> plant, with weak assumptions (overage_levels.py) where there is too little. Source: moments
as in nested analysis of variance (Searle, Casella and McCulloch 1992, Variance Components, from memory); gamma-Poisson
marginal likelihood and posterior (estimators/noisy_rate.py).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
import polars as pl

from pipeline.analysis.overage_levels import (
    DEFAULT_VARIATION,
    MOST_APART,
    NO_PEER,
    NOTHING,
    Levels,
    alone,
    beyond,
    left,
    left_of_cut,
    shrink,
    sums,
)
from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray
from pipeline.estimators.noisy_rate import noisy_rate

OWN_ENOUGH: Final = 0.9
"""Weight of a part's own history from which on it is called `own history` alone."""
_LOOKS: Final = 3
_LARGEST: Final = 0.99
_LEAST_SIZE: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Rates:
    """One entry a wanted part, all arrays of the same length.

    part, package        which; package None where it is not known
    used, lost           parts used up and lost in the history, lots left out not counted; not whole numbers
    a, b                 the long-run loss rate is beta(a, b); its mean is a / (a + b)
    own                  weight of the part's own history in it, 0 to 1
    borrowed             other parts of the package that ran; 0 means that the rest comes from the plant
    apart                parts that lost far more than others allow: their own history alone counts
    pool                 mean rate of what is borrowed
    set_aside            such parts that are left out of what the others borrow
    rho_shift, rho_batch intraclass correlation between shifts, between batches
    per_shift, per_batch parts used in the shift, of the batch, in which a part typically finds itself: large ones count
                         more, as they do in what is left of the variation of a mean
    cut                  no batch of the plant was seen to end: per_batch is what was seen of one
    """

    part: tuple[str, ...]
    package: tuple[str | None, ...]
    used: FloatArray
    lost: FloatArray
    a: FloatArray
    b: FloatArray
    own: FloatArray
    borrowed: IntArray
    apart: BoolArray
    pool: FloatArray
    set_aside: int
    rho_shift: FloatArray
    rho_batch: FloatArray
    per_shift: FloatArray
    per_batch: FloatArray
    cut: bool

    def for_build(self, at: IntArray, need: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Beta parameters (good, lost) of the mean rate over a build of `need` parts of the parts `at`.

        A build begins with a fresh shift and a fresh batch; what is left of their variation after averaging over those
        that it spans is added to the uncertainty of the long-run rate.
        """
        a, b = self.a[at], self.b[at]
        mean = a / (a + b)
        spread = self.rho_shift[at] * left(need, self.per_shift[at])
        spread = spread + self.rho_batch[at] * (left_of_cut if self.cut else left)(need, self.per_batch[at])
        size = np.maximum(1.0 / (1.0 / (a + b + 1.0) + spread) - 1.0, 1e-3)
        return (1.0 - mean) * size, mean * size


@dataclass(frozen=True, slots=True)
class _History:
    """Sums over the usage: index of part and package, and per part what the two inner levels say."""

    parts: tuple[str, ...]
    packages: tuple[str | None, ...]
    package_of: IntArray
    used: FloatArray
    lost: FloatArray
    thinning: float
    shift_ss: FloatArray
    shift_df: FloatArray
    shift_size: FloatArray
    shift_share: FloatArray
    batch_ss: FloatArray
    batch_df: FloatArray
    batch_size: FloatArray
    batch_share: FloatArray
    batch_shift_size: FloatArray
    recent: _Recent


@dataclass(frozen=True, slots=True)
class _Recent:
    """The same history with old weeks counting less, for the rate alone: how far rates vary does not age.

    rate         lost / used, weighted
    size         independent picks that would tell the rate as well, bursts and batches left aside
    shift_share  sum of squared shares of the shifts in the weighted use; batch_share the same of the batches
    """

    rate: FloatArray
    size: FloatArray
    shift_share: FloatArray
    batch_share: FloatArray


def fit(
    usage: pl.DataFrame,
    packages: dict[str, str | None],
    wanted: Sequence[str],
    miss_share: float | Mapping[str, float],
    half_life: float = 0.0,
) -> Rates | None:
    """Rates of all `wanted` parts; None when no part of the plant has any history.

    usage       USAGE, lots to be left out already left out
    packages    package of each part, where the part table knows it; else the log's
    wanted      part numbers, each once
    miss_share  share of missed picks that use up a part, a fraction; by feeder type, or one for all
    half_life   age in weeks, from the newest week of `usage`, at which history counts half; 0: all weeks the same

    Breaks when: next weeks are not like the weeks of history (new supplier, moved line), or when lots reach over
    parts, so that their bad luck is shared.
    """
    history = _read(usage, packages, miss_share, half_life)
    if history is None:
        return None
    rho_shift, relative, pools = _variation(history)
    far = _strange(history, *_worth(history, rho_shift, relative))
    if bool(far.any()):
        rho_shift, relative, pools = _variation(_parted(history, far))
    return _pool(history, packages, wanted, rho_shift, relative, pools)


def _worth(h: _History, shift: FloatArray, c2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Independent picks behind the rate of each part, and 1 / relative variance of the luck of its batches."""
    now = h.recent
    return 1.0 / (h.thinning / now.size + shift * now.shift_share), 1.0 / (c2 * now.batch_share)


def _strange(h: _History, count: FloatArray, shape: FloatArray) -> BoolArray:
    """Parts far beyond what their peers allow."""
    peers = _Peers.of(h, count, shape)
    return beyond(h.recent.rate, count, shape, *peers.prior(np.arange(count.size), h.package_of))


def _parted(h: _History, out: BoolArray) -> _History:
    """The same with each part of `out` in a package of its own. How far shifts and batches vary is reckoned in units of
    the package's rate, which such a part would raise for all, and of which it would be many times.
    """
    package = h.package_of.copy()
    package[out] = len(h.packages) + np.arange(int(out.sum()))
    return replace(h, package_of=package, packages=h.packages + (None,) * int(out.sum()))


def losses(usage: pl.DataFrame, miss_share: float | Mapping[str, float]) -> pl.DataFrame:
    """`usage` with `lost` and `used` parts. A part put back on its carrier is neither; a missed pick loses a share.

    miss_share  one share for all, or by feeder type; a feeder that is not known is taken as tape
    """
    sure = pl.col("rejected") + pl.col("dropped") + pl.col("unknown")
    share: pl.Expr = pl.lit(miss_share) if isinstance(miss_share, (int, float)) else share_of(miss_share)
    return usage.with_columns(
        lost=sure + share * pl.col("missed"),
        used=pl.col("placed") + sure + share * pl.col("missed"),
        noise=sure + share**2 * pl.col("missed"),
    )


def share_of(by_feeder: Mapping[str, float]) -> pl.Expr:
    """Share of a row's missed picks that use up a part, by its `feeder_type`; not known: as tape."""
    return pl.col("feeder_type").replace_strict(
        list(by_feeder), list(by_feeder.values()), default=by_feeder["tape"], return_dtype=pl.Float64
    )


def _weights(week: pl.Series, half_life: float) -> FloatArray:
    """Weight of each row by the age of its ISO week, 1 for the newest."""
    labels = {
        w: date.fromisocalendar(int(w[:4]), 1, 1).toordinal() + 7 * int(w[6:]) for w in week.unique().drop_nulls()
    }
    if half_life <= 0 or not labels:
        return np.ones(week.len())
    age = (max(labels.values()) - np.array([labels.get(w, max(labels.values())) for w in week], dtype=float)) / 7
    return np.asarray(0.5 ** (age / half_life), dtype=float)


def _read(
    usage: pl.DataFrame, packages: dict[str, str | None], miss_share: float | Mapping[str, float], half_life: float
) -> _History | None:
    counted = losses(usage.filter(pl.col("part").is_not_null()), miss_share).filter(pl.col("used") > 0)
    if counted.is_empty():
        return None
    cells = (
        counted.with_columns(batch=pl.coalesce(pl.concat_str(pl.lit("lot "), "lot"), "reel", "week"))
        .group_by("part", "batch", "shift", "machine")
        .agg(pl.col("lost", "used", "noise").sum(), pl.col("week").max(), pl.col("package").drop_nulls().min())
        .sort("part", "batch", "shift", "machine", nulls_last=True)
    )
    batches = cells.group_by("part", "batch", maintain_order=True).agg(pl.col("used").sum())
    named = cells.group_by("part", maintain_order=True).agg(pl.col("package").drop_nulls().min())
    parts = tuple(named["part"])
    labels = [packages.get(p) or logged for p, logged in zip(parts, named["package"], strict=True)]
    # A part without a known package stands alone: it learns from the plant only.
    keys = [("package", x) if x is not None else ("part", p) for p, x in zip(parts, labels, strict=True)]
    number = {key: i for i, key in enumerate(dict.fromkeys(keys))}
    of_part = {p: i for i, p in enumerate(parts)}
    count = len(parts)
    part = np.array([of_part[p] for p in batches["part"]], dtype=np.int64)
    lengths = cells.group_by("part", "batch", maintain_order=True).len()["len"].to_numpy()
    batch = np.repeat(np.arange(part.size), lengths)
    n, y = cells["used"].to_numpy().astype(float), cells["lost"].to_numpy().astype(float)
    n_batch, y_batch = sums(batch, n, part.size), sums(batch, y, part.size)
    n_part, y_part = sums(part, n_batch, count), sums(part, y_batch, count)
    squares = sums(batch, n**2, part.size)
    within = n * (y / n - (y_batch / n_batch)[batch]) ** 2
    between = n_batch * (y_batch / n_batch - (y_part / n_part)[part]) ** 2
    weight = 1.0 - n_batch / n_part[part]
    aged = _weights(cells["week"], half_life)
    old_batch = sums(batch, aged * n, part.size)
    old = sums(part, old_batch, count)
    recent = _Recent(
        rate=sums(part, sums(batch, aged * y, part.size), count) / old,
        size=old**2 / sums(part, sums(batch, aged**2 * n, part.size), count),
        shift_share=sums(part, sums(batch, (aged * n) ** 2, part.size), count) / old**2,
        batch_share=sums(part, old_batch**2, count) / old**2,
    )
    return _History(
        parts=parts,
        packages=tuple(key[1] if key[0] == "package" else None for key in number),
        package_of=np.array([number[k] for k in keys], dtype=np.int64),
        used=n_part,
        lost=y_part,
        thinning=min(1.0, float(cells["noise"].sum()) / max(float(y.sum()), 1e-12)) if y.sum() > 0 else 1.0,
        shift_ss=sums(part, sums(batch, within, part.size), count),
        shift_df=sums(part, lengths - 1.0, count),
        shift_size=sums(part, n_batch - squares / n_batch, count),
        shift_share=sums(part, squares, count) / n_part**2,
        batch_ss=sums(part, between, count),
        batch_df=sums(part, np.ones(part.size), count) - 1.0,
        batch_size=n_part - sums(part, n_batch**2, count) / n_part,
        batch_share=sums(part, n_batch**2, count) / n_part**2,
        batch_shift_size=sums(part, squares / n_batch * weight, count),
        recent=recent,
    )


def _variation(h: _History) -> tuple[FloatArray, FloatArray, tuple[FloatArray, FloatArray]]:
    """Correlation within shifts and relative variance between batches of each part; the pools by package.

    Sums of squares are compared with what binomial noise alone would give; `thinning` is the noise of a count in which
    a missed pick stands for a share of a part. All are in units of the binomial variance at the package's rate.
    """
    groups = len(h.packages)
    plant = (h.lost.sum() + 0.5) / (h.used.sum() + 1.0)
    pooled = (sums(h.package_of, h.lost, groups) + 1.0) / (sums(h.package_of, h.used, groups) + 1.0 / plant)
    peers = np.minimum(pooled, 0.5)[h.package_of]
    rate = h.lost / h.used
    told = rate * (1.0 - rate) / (peers * (1.0 - peers))
    shift_ss, batch_ss = (ss / (peers * (1.0 - peers)) for ss in (h.shift_ss, h.batch_ss))
    excess = shift_ss - h.thinning * h.shift_df * told
    shift, shift_pool = shrink(excess, h.shift_df, h.shift_size, h.package_of, DEFAULT_VARIATION * plant, told)
    # Where a batch lasts one shift, the two cannot be told apart; shifts then vary at most as all cells do.
    df = h.shift_df + h.batch_df
    excess, size = shift_ss + batch_ss - h.thinning * df * told, h.used * (1 - h.shift_share)
    every, every_pool = shrink(excess, df, size, h.package_of, 2 * DEFAULT_VARIATION * plant, told)
    shift, shift_pool = np.minimum(shift, every), np.minimum(shift_pool, every_pool)
    excess = batch_ss - (h.thinning * h.batch_df + shift * h.batch_shift_size) * told
    # The square of the rate, less what chance, shifts and the batches themselves add to it on average.
    square = np.maximum(rate**2 - rate * (h.thinning / h.used + shift * h.shift_share), 0.0) / peers**2
    c2 = np.full(rate.size, DEFAULT_VARIATION)
    for _ in range(3):
        told = square / (1.0 + c2 * h.batch_share)
        c2, c2_pool = shrink(excess, h.batch_df, h.batch_size * peers, h.package_of, DEFAULT_VARIATION, told)
    return shift, c2, (shift_pool, c2_pool)


def _pool(
    h: _History,
    packages: dict[str, str | None],
    wanted: Sequence[str],
    shift: FloatArray,
    c2: FloatArray,
    pools: tuple[FloatArray, FloatArray],
) -> Rates:
    """Beta posterior of each wanted part: own counts on a prior from the other parts.

    The beta has the mean and the variance of the posterior, which is none.
    """
    groups = len(h.packages)
    now = h.recent
    count, shape = _worth(h, shift, c2)
    peers = _Peers.of(h, count, shape)

    of_part = {p: i for i, p in enumerate(h.parts)}
    of_package = {x: i for i, x in enumerate(h.packages) if x is not None}
    at = np.array([of_part.get(p, -1) for p in wanted], dtype=np.int64)
    ran = at >= 0
    group = np.array(
        [
            h.package_of[i] if i >= 0 else of_package.get(packages.get(p) or "", -1)
            for p, i in zip(wanted, at, strict=True)
        ],
        dtype=np.int64,
    )
    prior_shape, prior_mean = peers.prior(at, group)
    picks = np.where(ran, count[at], 0.0)
    factor = np.where(ran, shape[at], 1.0)
    # With no other part in the plant, Jeffreys' prior is all that is left: half a loss more than was seen.
    half = np.where(ran & (prior_shape <= NOTHING), 0.5 / np.maximum(picks, 1e-12), 0.0)
    seen = np.where(ran, now.rate[at], 0.0) + half
    mean, doubt = noisy_rate(seen, picks, factor, prior_shape, prior_mean)
    apart = ran & beyond(seen, picks, factor, prior_shape, prior_mean)
    mean[apart], doubt[apart] = alone(seen[apart], picks[apart], factor[apart])
    mean = np.minimum(mean, _LARGEST)
    size = np.maximum((1.0 - mean) / (mean * doubt) - 1.0, _LEAST_SIZE)
    a = mean * size
    # What the part's own history is worth beside the prior, both as 1 / relative variance.
    worth = np.where(ran, 1.0 / (1.0 / np.maximum(picks * mean, 1e-12) + 1.0 / factor), 0.0)
    own = worth / (worth + prior_shape)
    # Where the two differ by more than the doubt that is left, the share of the way that the mean has gone says it.
    way = np.abs(seen - prior_mean)
    gone = np.abs(mean - prior_mean) / np.maximum(way, 1e-12)
    own = np.where(apart, 1.0, np.where(ran & (way > mean * np.sqrt(doubt)), np.minimum(own, gone), own))
    rho_shift = np.where(ran, shift[at], pools[0][group])
    relative = np.where(ran, c2[at], pools[1][group])
    per_batch, cut = _batches(h)
    members = np.append(np.bincount(h.package_of, minlength=groups), 0)
    return Rates(
        part=tuple(wanted),
        package=tuple(h.packages[g] if g >= 0 else packages.get(p) for p, g in zip(wanted, group, strict=True)),
        used=np.where(ran, h.used[at], 0.0),
        lost=np.where(ran, h.lost[at], 0.0),
        a=a,
        b=size - a,
        own=own,
        borrowed=members[group] - ran.astype(np.int64),
        apart=apart,
        pool=prior_mean,
        set_aside=peers.set_aside,
        rho_shift=np.minimum(rho_shift, 0.5),
        rho_batch=np.minimum(relative * mean, 0.5),
        per_shift=_typical(h.used * h.shift_share, h.package_of, at, group, ran),
        per_batch=_typical(per_batch, h.package_of, at, group, ran),
        cut=cut,
    )


@dataclass(frozen=True, slots=True)
class _Peers:
    """What the others of each part say. Parts that lie far beyond their own peers are left out of it, if they are few:
    one of them would make the packages look so different that nobody could borrow anything.

    place, place_of_package  of parts and packages in `levels`, -1 for those left out; a last -1 for "none"
    """

    levels: Levels
    place: IntArray
    place_of_package: IntArray
    set_aside: int

    @classmethod
    def of(cls, h: _History, count: FloatArray, shape: FloatArray) -> _Peers:
        out = np.zeros(count.size, dtype=bool)
        found, every = cls._without(h, count, shape, out), np.arange(count.size)
        for _ in range(_LOOKS):
            strange = out | beyond(h.recent.rate, count, shape, *found.prior(every, h.package_of))
            if not bool((strange & ~out).any()) or strange.sum() > MOST_APART * strange.size:
                break
            prior = cls._without(h, count, shape, strange).prior(every, h.package_of)
            surely = strange & beyond(h.recent.rate, count, shape, *prior, NO_PEER)
            if surely.sum() <= out.sum():
                break
            out = surely
            found = cls._without(h, count, shape, out)
        return found

    @classmethod
    def _without(cls, h: _History, count: FloatArray, shape: FloatArray, out: BoolArray) -> _Peers:
        kept = ~out
        package = h.package_of[kept]
        names = np.unique(package)
        place = np.full(out.size + 1, -1, dtype=np.int64)
        place[:-1][kept] = np.arange(package.size)
        of_package = np.full(len(h.packages) + 1, -1, dtype=np.int64)
        of_package[names] = np.arange(names.size)
        levels = Levels.of(h.recent.rate[kept], count[kept], shape[kept], of_package[package], names.size)
        return cls(levels, place, of_package, int(out.sum()))

    def prior(self, at: IntArray, group: IntArray) -> tuple[FloatArray, FloatArray]:
        """As `Levels.prior`, with places in the history."""
        return self.levels.prior(self.place[at], self.place_of_package[group])


def _batches(h: _History) -> tuple[FloatArray, bool]:
    """Parts of the batch in which each part typically finds itself; and whether no batch of the plant was seen to end.

    A part with a single batch has not seen its end: it takes the size of its peers, where theirs is larger.
    """
    amount, ended = h.used * h.batch_share, h.batch_df > 0
    if not bool(ended.any()):
        return amount, True
    found = np.full(amount.size, float(np.median(amount[ended])))
    for g in np.unique(h.package_of[~ended]):
        of = ended & (h.package_of == g)
        if bool(of.any()):
            found[h.package_of == g] = float(np.median(amount[of]))
    return np.where(ended, amount, np.maximum(amount, found)), False


def _typical(amount: FloatArray, package: IntArray, at: IntArray, group: IntArray, ran: BoolArray) -> FloatArray:
    """The part's own amount where it ran, else the median of its package, else of the plant."""
    found = np.full(at.size, float(np.median(amount)))
    for g in np.unique(group[~ran & (group >= 0)]):
        found[~ran & (group == g)] = float(np.median(amount[package == g]))
    return np.asarray(np.where(ran, amount[at], found), dtype=float)
