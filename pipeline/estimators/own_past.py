"""Does an item lose more than it did itself? What its own earlier weeks say of this one, were it healthy now.

In:    unshrunken estimates of the items' effects in earlier weeks, their variances, and what the peers say of how far
       healthy items differ and which share of that stays from week to week (spread_over_weeks.py).
Out:   p-values: how likely an item that is healthy this week loses so much, given its own past; and how likely it was
       bad when it was last seen.
After: 0 < p <= 1, nan for an item that was seen in fewer than `LEAST_WEEKS` weeks and in kinds of fewer than
       `LEAST_ITEMS` such items. A fault that lasts is not learnt as healthy.

Model: a healthy item's effect is a part u that stays plus a part that is new each week. In its past it may have been
healthy throughout; bad from some week on, or up to some week; or bad now and then (as in spread_over_weeks.py). Each of
these has its probability from the item's own estimates, and says of u what the healthy weeks in it say; the last one
nothing. So the effect to come is a mixture of normals, and the p-value the average of `excess_tail` over it. Errors
that come from what the item worked with are taken for the same in all its weeks: they do not average out. At least a
tenth of the healthy variance is new each week (`LEAST_NEW`), and where all items of the kind moved further than was
foreseen, each of them may have.
Breaks when an item's work changed in a way that the model of the week does not know.
Source: prediction in a one-way layout, Searle, Casella and McCulloch (1992), Variance Components, chapter 3; the
mixture: our own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.estimators.healthy_spread import SHARE_PRIOR, log_normal, log_outlier
from pipeline.estimators.spread_over_weeks import OFTEN, STAYS
from pipeline.estimators.tail import excess_tail

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

LEAST_WEEKS: Final = 2
"""Earlier weeks that an item must have been seen in."""
LEAST_ITEMS: Final = 8
"""Items of a kind from which on they tell together whether all moved further than was foreseen."""
LEAST_NEW: Final = 0.1
"""Share of the healthy variance that is new each week at least. Common practice, no source."""
MAD_ERROR: Final = 1.17
"""Relative standard error of the median absolute deviation of a normal sample, times the root of its size: Rousseeuw
and Croux (1993), J Am Stat Assoc 88:1273, efficiency 37 %."""
CLOSE: Final = 0.05
"""An item whose losses are likelier than this after the most harmless begin of its past needs no closer look: p = 1."""
POINTS: Final = np.linspace(-4.0, 4.0, 321)
"""Effects in log odds at which the mixture is summed."""
_NO_WEIGHT: Final = 1e-7
_NO_CHANCE: Final = 1e-10


@dataclass(frozen=True)
class OwnPast:
    """What the items of one kind were like in earlier weeks.

    estimates, variances  shape (n, weeks), log odds, oldest week first; nan: not there
    shared                part of the variances that comes from what the items worked with, shape (n, weeks)
    joint                 weights of each share that stays (`STAYS`) and spread, from the peers, shape (n, stays, g)
    grid                  the spreads, shape (g,)
    """

    estimates: FloatArray
    variances: FloatArray
    shared: FloatArray
    joint: FloatArray
    grid: FloatArray
    _mixtures: dict[int, FloatArray] = field(default_factory=dict)

    def p_values(
        self, losses: IntArray, expected: FloatArray, unsure: FloatArray, dispersion: float, only: slice = slice(None)
    ) -> FloatArray:
        """P(at least so many losses) for each item were it healthy this week, given its own past; of all or of some.

        losses      of this week, shape (n,)
        expected    losses of the median healthy item on the same work, shape (n,)
        unsure      variance of the log of `expected`, shape (n,)
        dispersion  see `tail.excess_tail`

        Returns shape (n,), or that of `only`; 1 where no closer look is needed (`CLOSE`).
        """
        known = self._known()
        p = np.where(known, 1.0, np.nan)
        if known.any():
            middle, variance, lowest = self._if_healthy()
            more = _moved(losses, expected, unsure, dispersion, known, middle, variance)
            wide = np.sqrt(variance + unsure + more)
            p[known] = excess_tail(losses[known], (expected * np.exp(lowest))[known], wide[known], dispersion)
            p[p >= CLOSE] = 1.0
            for i in np.flatnonzero(p < CLOSE):
                if i in range(p.size)[only]:
                    mixture = self._mixture(int(i))
                    use = mixture > _NO_CHANCE
                    effects, left = np.exp(POINTS[use]), np.sqrt(unsure[i] + more)
                    tails = excess_tail(losses[i], expected[i] * effects, left, dispersion)
                    p[i] = np.clip(tails @ mixture[use], np.finfo(float).tiny, 1.0)
        return p[only]

    def bad_before(self) -> FloatArray:
        """Probability that each item was bad when it was last seen, shape (n,); 0 where there is no p-value.

        At the middle of the spreads and of the shares that stay: it serves to weigh, not to judge.
        """
        stays, square = self._middle()
        seen, found = self._seen(), np.zeros(self.estimates.shape[0])
        for weeks in np.unique(seen[self._known()]):
            at = np.flatnonzero(self._known() & (seen == weeks))
            x, v, shared = self._of(at, int(weeks))
            logs = _patterns(x, v, shared, stays[at], square[at])[0]
            found[at] = np.exp(logs - special.logsumexp(logs, axis=0))[1 : weeks + 1].sum(axis=0)
        return found

    def _says(self) -> BoolArray:
        return np.asarray(np.isfinite(self.estimates) & np.isfinite(self.variances))

    def _seen(self) -> IntArray:
        return np.asarray(self._says().sum(axis=1))

    def _known(self) -> BoolArray:
        enough = self._seen() >= LEAST_WEEKS
        return np.asarray(enough & (np.count_nonzero(enough) >= LEAST_ITEMS))

    def _middle(self) -> tuple[FloatArray, FloatArray]:
        """Mean share that stays and mean squared spread of each item."""
        return self.joint.sum(axis=2) @ STAYS, self.joint.sum(axis=1) @ self.grid**2

    def _of(self, items: IntArray, weeks: int) -> tuple[FloatArray, ...]:
        """Estimates, variances and their shared parts of items that were seen in so many weeks, shape (k, weeks)."""
        says = self._says()[items]
        return tuple(a[items][says].reshape(-1, weeks) for a in (self.estimates, self.variances, self.shared))

    def _if_healthy(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Mean and variance of the effect to come if the item was healthy throughout, at the middle of the spreads; and
        the lowest mean that any begin of its past gives, 0 at most. Shape (n,) each."""
        stays, square = self._middle()
        new, for_good = _parts(stays, square)
        says = self._says()
        week = new[:, None] + _own(self.variances, self.shared)
        precision = np.cumsum(np.where(says, 1.0 / np.where(says, week, 1.0), 0.0), axis=1)
        weighted = np.cumsum(np.where(says, self.estimates / np.where(says, week, 1.0), 0.0), axis=1)
        shared = np.where(says, self.shared, 0.0).sum(axis=1) / np.maximum(says.sum(axis=1), 1)
        least = np.maximum(precision, 1e-9)
        part = for_good[:, None] / (for_good[:, None] + 1.0 / least + shared[:, None])
        means = part * weighted / least
        return means[:, -1], for_good * (1.0 - part[:, -1]) + new, np.minimum(means.min(axis=1), 0.0)

    def _mixture(self, item: int) -> FloatArray:
        """Probability of the effect to come at each of `POINTS`, were the item healthy; kept once it was worked out."""
        if item not in self._mixtures:
            weight = self.joint[item].ravel()
            use = weight > _NO_WEIGHT
            stays, square = np.repeat(STAYS, self.grid.size)[use], np.tile(self.grid**2, STAYS.size)[use]
            x, v, shared = self._of(np.array([item]), int(self._seen()[item]))
            logs, means, variances = _patterns(x, v, shared, stays, square)
            chance = np.exp(logs - special.logsumexp(logs, axis=0)) * weight[use]
            kept = chance > _NO_CHANCE
            off = (POINTS[None, :] - means[kept][:, None]) / np.sqrt(variances[kept])[:, None]
            each = np.exp(-0.5 * off**2)
            each /= each.sum(axis=1, keepdims=True)
            self._mixtures[item] = np.asarray(chance[kept] @ each / chance[kept].sum())
        return self._mixtures[item]


def _moved(
    losses: IntArray,
    expected: FloatArray,
    unsure: FloatArray,
    dispersion: float,
    known: BoolArray,
    middle: FloatArray,
    variance: FloatArray,
) -> float:
    """By how much more than foreseen the items of a kind moved: a variance, 0 within what chance gives."""
    use = known & (expected > 1.0)
    if np.count_nonzero(use) < LEAST_ITEMS:
        return 0.0
    off = np.log((losses[use] + 0.5) / (expected[use] + 0.5)) - middle[use]
    foreseen = variance[use] + unsure[use] + dispersion / np.maximum(losses[use], 1.0)
    far = np.median(np.abs(off - np.median(off)) / np.sqrt(foreseen)) / stats.norm.ppf(0.75)
    far = max(far / (1.0 + MAD_ERROR / np.sqrt(off.size)), 1.0)
    return float((far**2 - 1.0) * np.median(foreseen))


def _parts(stays: FloatArray, square: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Healthy variance that is new each week, and that stays."""
    return np.maximum(1.0 - stays, LEAST_NEW) * square, np.minimum(stays, 1.0 - LEAST_NEW) * square


def _own(variances: FloatArray, shared: FloatArray) -> FloatArray:
    """Part of the variances that comes from the chance of the items' own losses."""
    return np.asarray(np.maximum(variances - shared, 1e-6))


def _patterns(
    x: FloatArray, v: FloatArray, shared: FloatArray, stays: FloatArray, square: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What the past may have been: log probability of each pattern, mean and variance of the effect to come.

    x, v, shared   estimates of k items, shape (k, w); or of one, shape (1, w)
    stays, square  share that stays and squared spread, shape (k,)

    Returns shape (patterns, k) each. First comes the item that was healthy throughout, then those that were bad from
    week 0, 1, ... on, those that were bad up to some week, and the one that was bad now and then.
    """
    weeks = x.shape[1]
    new, for_good = _parts(stays, square)
    week = new[:, None] + _own(v, shared)
    terms = np.stack([1.0 / week, x / week, x**2 / week, np.log(week)])
    sums = np.concatenate([np.zeros_like(terms[:, :, :1]), np.cumsum(terms, axis=2)], axis=2)

    def stretch(begin: int, end: int, *, bad: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log density of some weeks; mean and variance of what stays, were they healthy."""
        if begin == end:
            return np.zeros(stays.size), np.zeros(stays.size), for_good
        precision, weighted, squares, logs = sums[:, :, end] - sums[:, :, begin]
        effect, error = weighted / precision, 1.0 / precision + shared[:, begin:end].mean(axis=1)
        density = log_outlier(effect, for_good + error) if bad else log_normal(effect, for_good + error)
        left = squares - weighted * effect + logs + np.log(precision) + (end - begin - 1) * np.log(2.0 * np.pi)
        part = for_good / (for_good + error)
        return density - 0.5 * left, part * effect, for_good * (1.0 - part)

    def pattern(healthy: tuple[int, int], bad: tuple[int, int], chance: float) -> tuple[FloatArray, ...]:
        log, mean, variance = stretch(*healthy, bad=False)
        return log + stretch(*bad, bad=True)[0] + np.log(chance), mean, variance

    suspect = SHARE_PRIOR[0] / sum(SHARE_PRIOR)
    lasting = 0.5 * suspect / (2 * weeks - 1)
    found = [pattern((0, weeks), (0, 0), 1.0 - suspect)]
    found += [pattern((0, k), (k, weeks), lasting) for k in range(weeks)]
    found += [pattern((k, weeks), (0, k), lasting) for k in range(1, weeks)]
    single = square[:, None] + v
    often = OFTEN[:, None, None]
    each = np.logaddexp(np.log1p(-often) + log_normal(x, single), np.log(often) + log_outlier(x, single)).sum(axis=2)
    log = special.logsumexp(each, axis=0) - np.log(OFTEN.size) + np.log(0.5 * suspect)
    found.append((log, np.zeros(stays.size), for_good))
    logs, means, variances = (np.stack(part) for part in zip(*found, strict=True))
    return logs, means, variances + new
