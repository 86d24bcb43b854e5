"""How far do healthy peers differ in one week, told from several weeks before: effects that stay, and what is new.

In:    estimates of the items' effects week by week, with their variances, none of them shrunken.
Out:   `PastSpread`: for every item, weights over a grid of spreads: what its peers showed of the spread within a week.
After: an item takes no part in the spread that it is held against, in no week; an item that is bad for weeks on end
       hardly widens it.

Model: in week w a healthy item is off by u + d_w, u ~ N(0, stays * spread^2) for good and d_w ~ N(0, (1 - stays) *
spread^2) anew each week; its estimate adds a known error. So the chance in the estimates averages out over weeks as far
as effects stay, and where they do not, the weeks count as so many more items: `spread` is that of a single week in
either case. An item is suspect with a probability that is itself unknown (healthy_spread.SHARE_PRIOR). A suspect item
has the excess of healthy_spread.py: the same one from some week on, or up to some week; or, as likely, another one in
single weeks (a share `OFTEN` of them).
The spread of one week is that of the plant up to a normal factor of sd `WEEKLY` in its log.
Breaks when the spread has grown since (other work, another climate) by much more than `WEEKLY`; when healthy effects
are strongly skewed; when a large part of the items is bad.
Source: variance components of a one-way layout, Searle, Casella and McCulloch (1992), Variance Components, chapter 3;
outliers as in healthy_spread.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special, stats

from pipeline.estimators.healthy_spread import SHARES, log_normal, log_outlier, log_share_prior, log_with_outliers

FloatArray = NDArray[np.float64]

FINE_GRID: Final = np.exp(np.linspace(np.log(0.02), np.log(2.0), 47))
"""Spreads that are weighed, sd in log odds, a tenth apart in their log: several weeks tell more than one."""
STAYS: Final = np.array([0.0, 0.25, 0.5, 0.75, 0.9, 1.0])
"""Shares of the variance between healthy items that stay from week to week; each as likely as the other beforehand."""
OFTEN: Final = np.array([0.05, 0.15, 0.35, 0.65, 0.95])
"""Shares of weeks in which an item is bad that is bad now and then; each as likely as the other beforehand."""
WEEKLY: Final = 0.1
"""Standard deviation, between weeks, of the log of the spread. Common practice, no source."""
_TOGETHER: Final = 500
"""Items whose likelihood is worked out at a time, which bounds the memory."""


@dataclass(frozen=True)
class PastSpread:
    """What earlier weeks say of the healthy spread of one kind of item in a week to come.

    grid       spreads, sd in log odds, shape (g,)
    weights    of each spread, shape (n, g), each row from the peers of one item; rows sum to 1
    mean, sd   of the log spread, from all items
    fresh      share of the variance between healthy items that is new each week: expected, from 0 to 1
    fixed      spread to go by where the items of the week are too few to tell it; None: the week tells as well
    joint      weights of each share that stays and each spread, shape (n, stays, g), each item from its peers; sum 1;
               None where only items together with others were seen
    """

    grid: FloatArray
    weights: FloatArray
    mean: float
    sd: float
    fresh: float
    fixed: float | None = None
    joint: FloatArray | None = None


def past_spread(
    estimates: ArrayLike,
    variances: ArrayLike,
    judged: int,
    prior: tuple[float, float],
    grid: FloatArray = FINE_GRID,
) -> PastSpread:
    """Weigh the spreads of one kind of item by what was seen of its items in earlier weeks.

    estimates, variances  shape (n, weeks), log odds, oldest week first; estimate nan or variance inf: says nothing
    judged                the first so many items get weights of their own, from all others
    prior                 (mean, sd) of the log spread before anything was seen
    grid                  spreads > 0, shape (g,), evenly spaced in their logarithm

    Raises ValueError when shapes differ.

    >>> rng = np.random.default_rng(3)
    >>> u = rng.normal(0, 0.3, (40, 1)) + rng.normal(0, 0.2, (40, 8))  # effects that stay, eight weeks of chance
    >>> past = past_spread(u, np.full((40, 8), 0.04), 40, (np.log(0.2), 0.5))
    >>> bool(0.22 < np.exp(past.mean) < 0.4), bool(past.sd < 0.2), bool(past.fresh < 0.3)
    (True, True, True)
    """
    u, v = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    if u.ndim != 2 or u.shape != v.shape:
        raise ValueError("estimates and variances must have the same shape (items, weeks)")
    logs = np.log(grid)
    total = np.repeat((log_share_prior()[:, None] + stats.norm.logpdf(logs, *prior))[None], STAYS.size, axis=0)
    own = np.zeros((judged, *total.shape))
    says = np.isfinite(u) & np.isfinite(v)
    seen = says.sum(axis=1)
    for weeks in range(1, u.shape[1] + 1):
        where = np.flatnonzero(seen == weeks)
        for places in np.array_split(where, -(-where.size // _TOGETHER)) if where.size else []:
            x, variance = (a[places][says[places]].reshape(-1, weeks) for a in (u, v))
            each = _log_likelihood(x, variance, grid)
            total = total + each.sum(axis=0)
            mine = places < judged
            own[places[mine]] = each[mine]
    by_stay = special.logsumexp(total[None] - own, axis=2) if judged else np.zeros((0, STAYS.size, grid.size))
    log_weights = special.logsumexp(by_stay, axis=1)
    all_items = special.logsumexp(total, axis=1)
    overall = _of_one_week(special.logsumexp(all_items, axis=0)[None, :], logs)[0]
    mean = float(overall @ logs)
    by_stays = np.exp(special.logsumexp(all_items, axis=1) - special.logsumexp(all_items))
    return PastSpread(
        grid=grid,
        weights=_of_one_week(log_weights, logs),
        mean=mean,
        sd=float(np.sqrt(overall @ (logs - mean) ** 2)),
        fresh=float(by_stays @ (1.0 - STAYS)),
        joint=np.exp(by_stay - special.logsumexp(by_stay, axis=(1, 2), keepdims=True)) if judged else by_stay,
    )


def share_of_past(whole: PastSpread, kinds: int, own: int = 1) -> PastSpread:
    """The spread of `own` kinds of item together, of which only that of more kinds together was seen.

    whole  of effects that are sums of one of each of `kinds` kinds, more than `own`

    Variances of independent effects add up. Which share of the sum is this kind's is not known: all are equally likely
    (flat Dirichlet, a share is then Beta(own, kinds - own)). So a kind never differs by more than all of them together;
    `fixed` is an equal share for each. Breaks when the kinds' effects depend on each other.

    >>> seen = past_spread(np.full((40, 2), np.nan), np.full((40, 2), np.nan), 1, (np.log(0.2), 0.05))
    >>> one = share_of_past(seen, 2)
    >>> [round(float(np.exp(seen.mean)), 2), round(float(np.exp(one.mean)), 2), round(one.fixed or 0, 2)]
    [0.2, 0.12, 0.14]
    """
    logs = np.log(whole.grid)
    edges = np.append(0.5 * (logs[1:] + logs[:-1]), np.inf)
    below = np.exp(2.0 * np.minimum(edges[None, :] - logs[:, None], 0.0))  # shares that take one spread below an edge
    part = np.diff(special.betainc(own, kinds - own, below), axis=1, prepend=0.0)
    weights = whole.weights @ part
    middle = stats.norm.pdf(logs, whole.mean, max(whole.sd, WEEKLY))
    overall = (middle / middle.sum()) @ part
    mean = float(overall @ logs)
    sd = float(np.sqrt(overall @ (logs - mean) ** 2))
    equal = float(np.exp(whole.mean) * np.sqrt(own / kinds))
    return PastSpread(whole.grid, weights, mean, sd, whole.fresh, equal)


def _of_one_week(log_weights: FloatArray, logs: FloatArray) -> FloatArray:
    """Normalised weights, spread out by how much a single week may differ from the plant's spread."""
    weights = np.exp(log_weights - log_weights.max(axis=1, keepdims=True))
    kernel = stats.norm.pdf(logs[:, None], logs[None, :], WEEKLY)
    weights = weights @ (kernel / kernel.sum(axis=1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def _log_likelihood(x: FloatArray, v: FloatArray, grid: FloatArray) -> FloatArray:
    """Of each item at each share that stays, share of suspects and spread: shape (n, stays, shares, g).

    x, v  estimates and variances of items that were seen in the same number of weeks, shape (n, weeks)
    """
    found = np.empty((x.shape[0], STAYS.size, SHARES.size, grid.size))
    now_and_then = _now_and_then(x, v, grid)
    for i, stays in enumerate(STAYS):
        if i and x.shape[1] == 1:
            found[:, i] = found[:, 0]  # one week does not tell what stays
            continue
        healthy, suspect = _healthy_and_suspect(x, v, grid, float(stays), now_and_then)
        found[:, i] = np.moveaxis(log_with_outliers(healthy, suspect), 0, 1)
    return found


def _now_and_then(x: FloatArray, v: FloatArray, grid: FloatArray) -> FloatArray:
    """Log likelihood of items that are bad in single weeks, in each by another excess; shape (n, g)."""
    variance = grid**2 + v[:, :, None]
    good = log_normal(x[:, :, None], variance)
    bad = log_outlier(x[:, :, None], variance)
    each = [np.logaddexp(np.log1p(-often) + good, np.log(often) + bad).sum(axis=1) for often in OFTEN]
    return np.asarray(special.logsumexp(each, axis=0) - np.log(OFTEN.size))


def _healthy_and_suspect(
    x: FloatArray, v: FloatArray, grid: FloatArray, stays: float, now_and_then: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Log likelihood of each item if it is healthy, and if it is suspect: shape (n, g) each.

    Weeks a to b with a common normal effect: given it, estimates are independent, and its own estimate B / A has the
    variance 1 / A; A, B: sums of 1 / D and x / D, D the variance of one week. A bad stretch has an effect of its own.
    """
    variance = (1.0 - stays) * grid**2 + v[:, :, None]
    terms = np.stack([1.0 / variance, x[:, :, None] / variance, x[:, :, None] ** 2 / variance, np.log(variance)])
    sums = np.concatenate([np.zeros_like(terms[:, :, :1]), np.cumsum(terms, axis=2)], axis=2)
    for_good, weeks = stays * grid**2, x.shape[1]

    def stretch(begin: int, end: int, *, bad: bool) -> FloatArray:
        if begin == end:
            return np.zeros(now_and_then.shape)
        precision, weighted, squares, logs = sums[:, :, end] - sums[:, :, begin]
        effect, spread = weighted / precision, for_good + 1.0 / precision
        density = log_outlier(effect, spread) if bad else log_normal(effect, spread)
        left = squares - weighted * effect + logs + np.log(precision) + (end - begin - 1) * np.log(2.0 * np.pi)
        return np.asarray(density - 0.5 * left)

    since = [stretch(0, k, bad=False) + stretch(k, weeks, bad=True) for k in range(weeks)]
    until = [stretch(0, k, bad=True) + stretch(k, weeks, bad=False) for k in range(1, weeks)]
    lasting = special.logsumexp(since + until, axis=0) - np.log(2 * weeks - 1)
    return stretch(0, weeks, bad=False), np.logaddexp(lasting, now_and_then) - np.log(2.0)
