"""The arithmetic of borrowing: how far parts, packages, shifts and batches differ, and what a part's peers are worth.

In:    rates seen with what each is worth, as arrays, with the index of the package of each part.
Out:   variance components by part and package; a prior for the loss rate of each part.
After: every component is above 0; a prior never holds counts of the part that it is for.

Weights are reckoned at the mean of those that are compared, never at what was seen of each: noise grows with the rate
and with the component itself, so that weights by what was seen would favour the low ones, and every mean would come out
too low. overage_pooling.py describes the model.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray
from pipeline.estimators.noisy_rate import noisy_rate

DEFAULT_VARIATION: Final = 0.25
"""Relative variance between shifts and between batches that is assumed until the data say otherwise: a spread of a
half of the rate. Our assumption, no source."""
PRIOR_DF: Final = 8.0
"""Weight of that assumption, and of the pool against a part's own variation, in degrees of freedom."""
LEAST_DOUBT: Final = 0.25
"""A pool near 0 is not taken as known: its doubt is that of this share of the assumed variation at least."""
NOTHING: Final = 1e-6
"""Shape of a prior that says nothing."""
PART_SHAPE: Final = 2.0
"""Middle of the prior of 1 / relative variance between parts of a package (a spread of 0.7 times the rate)."""
PACKAGE_SHAPE: Final = 1.0
"""The same between packages (a spread as large as the rate)."""

STRANGE: Final = 0.001
"""Chance of seeing so many losses, by its peers, below which a part is judged by its own history alone."""
LEAST_LOST: Final = 10.0
"""Losses that this takes, bursts counted once: of many healthy parts some lose four of their first eighty, which is too
little to believe against all peers."""
NO_PEER: Final = 1e-6
"""The same, with these parts themselves left out of the peers, below which one is left out of what the others borrow.
Far lower, so that parts which differ by another law than the gamma one are not called exceptions."""
MOST_APART: Final = 0.1
"""Share of the parts up to which such parts are left out of what the others borrow: more of them are no exception."""

_SOFTEST: Final = 1.5
_FEWEST: Final = 3.0
_SHAPES: Final = np.exp(np.linspace(np.log(0.05), np.log(50.0), 33))
_FLOOR: Final = 0.02
_ROUNDS: Final = 8
_NONE: Final = 1e-9


def sums(index: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sum of `values` for each index 0 .. size - 1."""
    return np.bincount(index, weights=values, minlength=size).astype(float)


def shrink(
    excess: FloatArray,
    df: FloatArray,
    size: FloatArray,
    package: IntArray,
    assumed: float,
    told: FloatArray | float = 1.0,
) -> tuple[FloatArray, FloatArray]:
    """A variance component of each part, drawn to its package's, that to the plant's, that to the assumed one.

    excess   of a part's sum of squares over its noise, in units of its peers' rate (it may be negative); shape (parts,)
    df       its degrees of freedom
    size     what the component is multiplied with in it, at the rate of its peers
    package  of each part, as a number; assumed: the component where no data are
    told     what `size` is multiplied with at the part's own rate, 0 or more

    excess / (size told) would be a part's own estimate. It comes out too low on average: what raises the sum of squares
    raises the part's rate too, by which it is divided. So numerators and denominators are summed up apart, with weights
    that rest on the peers' rate alone. The variance of an estimate is 2 (component + noise)^2 / df, and that of what
    it is drawn to 2 pool^2 / PRIOR_DF; both are taken at the component of the pool. A component of nearly nothing is
    so told by the data as well as a large one.
    Returns the values by part, and by package with the plant's as last entry.
    """
    groups = int(package.max()) + 1
    known = (df > 0) & (size > 0)
    estimate = np.where(known, excess / np.where(known, size, 1.0), 0.0)
    mean_size = np.where(known, size / np.where(known, df, 1.0), 0.0)

    def weight(pool: FloatArray) -> FloatArray:
        """Degrees of freedom that each part's estimate is worth, PRIOR_DF being what its pool is worth."""
        doubt = np.maximum(pool, LEAST_DOUBT * assumed)
        return np.asarray(df * (mean_size * doubt / (1.0 + pool * mean_size)) ** 2, dtype=float)

    plant = np.array([assumed])
    for _ in range(_ROUNDS):
        w = weight(plant)
        plant = np.array([(float(w @ estimate) + PRIOR_DF * assumed) / (float((w * told).sum()) + PRIOR_DF)])
        plant = np.maximum(plant, _FLOOR * assumed)
    own = np.repeat(plant, groups)
    for _ in range(_ROUNDS):
        w = weight(own[package])
        own = (sums(package, w * estimate, groups) + PRIOR_DF * plant) / (sums(package, w * told, groups) + PRIOR_DF)
        own = np.maximum(own, _FLOOR * assumed)
    w = weight(own[package])
    value = np.maximum((w * estimate + PRIOR_DF * own[package]) / (w * told + PRIOR_DF), _FLOOR * assumed)
    return value, np.append(own, plant)


def left(need: FloatArray, size: FloatArray) -> FloatArray:
    """Share of the variation between blocks of `size` that is left in a build of `need`: sum of squared shares.

    The build begins with a fresh block and ends with what remains: (whole size^2 + rest^2) / need^2.
    """
    whole = np.floor(need / size)
    rest = need - whole * size
    return np.asarray((whole * size**2 + rest**2) / need**2)


def left_of_cut(need: FloatArray, seen: FloatArray) -> FloatArray:
    """The same where `seen` is what the history holds of a block that was not seen to end.

    Any share of the block is as likely to have been seen: its size is seen / u with u uniform between 0 and 1. A build
    of y times what was seen lies within one block with probability 1 / y; else 1 / (u y) of the variation is left.
    Together this is (1 + log y) / y. Our assumption, no source.
    """
    times = np.maximum(need / seen, 1.0)
    return np.asarray((1.0 + np.log(times)) / times)


@dataclass(frozen=True, slots=True)
class _Means:
    """Weighted means of rates, one entry a group, from four sums: weight, weight * seen, weight^2 / count and
    weight^2 (1 / shape + 1 / shape between members).
    """

    weight: FloatArray
    seen: FloatArray
    counting: FloatArray
    factors: FloatArray

    @classmethod
    def of(cls, seen: FloatArray, count: FloatArray, shape: FloatArray, mean: FloatArray, between: float) -> _Means:
        """Each member as a group of its own; weights are inverse relative variances at `mean`."""
        factor = 1.0 / shape + 1.0 / between
        weight = 1.0 / (1.0 / (count * mean) + factor)
        return cls(weight, weight * seen, weight**2 / count, weight**2 * factor)

    def four(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        return self.weight, self.seen, self.counting, self.factors

    def rates(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The mean of each group, the picks it is worth, and 1 / relative variance of the factor on it."""
        return self.seen / self.weight, self.weight**2 / self.counting, self.weight**2 / self.factors


@dataclass(frozen=True, slots=True)
class Levels:
    """Parts in packages in the plant: 1 / relative variance between them, and the parts' share in the means."""

    part_shape: float
    package_shape: float
    plant: float
    parts: _Means
    packages: _Means
    count: FloatArray

    @classmethod
    def of(cls, seen: FloatArray, count: FloatArray, shape: FloatArray, package_of: IntArray, groups: int) -> Levels:
        """Fit by alternating means and shapes; six rounds settle it far below what the data can tell.

        seen, count, shape  of each part, as `noisy_rate` takes them; every package has a part
        """
        plant = (float(seen @ count) + 0.5) / (float(count.sum()) + 1.0)
        part_shape, package_shape = PART_SHAPE, PACKAGE_SHAPE
        mean = np.full(groups, plant)
        for _ in range(6):
            parts = _Means.of(seen, count, shape, mean[package_of], part_shape)
            packages = _Means(*(sums(package_of, v, groups) for v in parts.four()))
            rate, n, k = packages.rates()
            weight = _Means.of(rate, n, k, np.full(groups, plant), package_shape).weight
            plant = float(weight @ rate / weight.sum()) + 0.5 / (float(count.sum()) + 1.0)
            mean, _ = noisy_rate(rate, n, k, package_shape, plant)
            part_shape = _shape(seen, count, shape, mean[package_of], PART_SHAPE)
            package_shape = _shape(rate, n, k, np.full(groups, plant), PACKAGE_SHAPE)
        return cls(part_shape, package_shape, plant, parts, packages, count)

    def prior(self, at: IntArray, group: IntArray) -> tuple[FloatArray, FloatArray]:
        """1 / relative variance and mean of the prior of each wanted part, its own counts left out everywhere.

        at, group  places of the part and of its package, -1 where there is none

        Where no other part of the plant has run, the shape is NOTHING.
        """
        ran, in_package = at >= 0, group >= 0
        others = [
            np.where(in_package, whole[group], 0.0) - np.where(ran, own[at], 0.0)
            for whole, own in zip(self.packages.four(), self.parts.four(), strict=True)
        ]
        alone = others[0] <= _NONE * np.where(in_package, self.packages.weight[group], 1.0)
        peers = _Means(*(np.where(alone, 1.0, np.maximum(v, 0.0)) for v in others))
        rate, n, k = peers.rates()
        every, its = (
            _Means.of(*rates, np.full(rates[0].size, self.plant), self.package_shape)
            for rates in (self.packages.rates(), (rate, n, k))
        )
        total = every.weight.sum() + np.where(alone, 0.0, its.weight) - np.where(in_package, every.weight[group], 0.0)
        seen = every.seen.sum() + np.where(alone, 0.0, its.seen) - np.where(in_package, every.seen[group], 0.0)
        nothing = total <= _NONE * every.weight.sum()
        worth = np.where(nothing, 1.0, total)
        picks = np.maximum(self.count.sum() - np.where(ran, self.count[at], 0.0), 0.0)
        # Half a loss among all other parts, so that a plant without losses is not taken for perfect.
        plant = np.maximum(seen, 0.0) / worth + 0.5 / (picks + 1.0)
        around = _both(1.0 / worth, 1.0 / self.package_shape)
        mean, doubt = noisy_rate(np.where(alone, 0.0, rate), np.where(alone, 0.0, n), k, 1.0 / around, plant)
        mean, doubt = np.where(alone, plant, mean), np.where(alone, around, doubt)
        shape = 1.0 / _both(doubt, 1.0 / self.part_shape)
        return np.where(nothing, NOTHING, shape), np.where(nothing, 0.5, mean)


def beyond(
    seen: FloatArray,
    count: FloatArray,
    shape: FloatArray,
    prior_shape: FloatArray,
    prior_mean: FloatArray,
    chance: float = STRANGE,
) -> BoolArray:
    """Parts that lost far more than their peers allow: as much is seen of less than the share `chance` of such parts.

    seen, count, shape, prior_shape, prior_mean  as `noisy_rate` takes them

    A gamma prior falls off as an exponential, and what was seen of few lots only as a power of the rate: far out such
    a prior wins over any history, and would give a part that loses a fifth of itself half of that. There the peers are
    no prior for it. What was seen is taken as negative binomial with both factors in one, as in `_shape`.
    """
    losses, expected = count * seen, count * prior_mean
    k = 1.0 / _both(1.0 / prior_shape, 1.0 / shape)
    tail = special.betainc(np.maximum(losses, 1e-9), k, expected / (expected + k))
    return np.asarray((losses >= LEAST_LOST) & (prior_shape > NOTHING) & (seen > prior_mean) & (tail < chance))


def alone(seen: FloatArray, count: FloatArray, shape: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and relative variance of the rate of a part by its own history alone; arguments as `noisy_rate` takes them.

    The prior falls with the square of the rate: twice as bad is half as common. With it the rate of a Poisson count
    with a gamma factor is beta-prime (Johnson, Kotz and Balakrishnan 1995, chapter 27, from memory), and its mean is
    what was seen, less one loss. At rates that are not small both kinds of noise are (1 - rate) times as large.
    Only where `count * seen` is 3 at least.
    """
    good = np.clip(1.0 - seen, 0.01, 1.0)
    losses, k = np.maximum(count * seen / good, _FEWEST), np.maximum(shape / good, _SOFTEST)
    mean = (losses - 1.0) * good / count
    return mean, (losses + k - 1.0) / ((losses - 1.0) * (k - 1.0))


def _both(one: FloatArray | float, other: FloatArray | float) -> FloatArray:
    """Relative variance of a product of two independent factors."""
    return np.asarray((1.0 + one) * (1.0 + other) - 1.0, dtype=float)


def _shape(seen: FloatArray, count: FloatArray, shape: FloatArray, mean: FloatArray, middle: float) -> float:
    """1 / relative variance of gamma rates around `mean`, by marginal likelihood, with what is seen taken as negative
    binomial, and a log-normal prior of log sd 1 of the shape.

    The relative variance is the mean of its posterior, not the likeliest one: a rate whose spread is in doubt varies by
    the mean of the variances in question.
    """
    losses, expected, inner = count * seen, count * mean, 1.0 / shape
    logs = np.empty(_SHAPES.size)
    for i, between in enumerate(_SHAPES.tolist()):
        k = 1.0 / _both(1.0 / between, inner)
        value = np.sum(
            special.gammaln(k + losses)
            - special.gammaln(k)
            - k * np.log1p(expected / k)
            + losses * np.log(expected / (k + expected))
        )
        logs[i] = float(value) - 0.5 * float(np.log(between / middle)) ** 2
    weight = np.exp(logs - logs.max())
    return float(weight.sum() / (weight @ (1.0 / _SHAPES)))
