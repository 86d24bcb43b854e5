"""How many parts more than `k` are used up until `k` are placed.

In:    parts to place, a loss rate (known, or as a beta distribution of the rate of good parts), losses per load.
Out:   probabilities of 0, 1, 2, ... extra parts, and the smallest number that suffices with a given probability.
After: a quantile is the smallest whole number whose cumulative probability reaches `level` (less 1e-12 for rounding).

Every part used is lost or placed. With a known rate the extra parts are negative binomial; with a rate that is itself
uncertain, or differs from build to build, they are beta-negative-binomial. Source: Johnson, Kemp and Kotz 2005,
Univariate Discrete Distributions, chapters 5 and 6.2.3 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from pipeline.estimators.arrays import FloatArray, IntArray

SLACK = 1e-12
"""What a cumulative probability may fall short of the level: the rounding error of the sums here."""
LARGEST = 20_000_000
"""Extra parts beyond which no quantile is looked for."""
_TAIL = 1e-13
_STEPS = 3000
_LOWEST_LOG = -650.0
_CELLS = 2_000_000
_POISSON = 1.0 + 1e-6


def negative_binomial_extra(k: ArrayLike, p_good: ArrayLike, level: ArrayLike) -> IntArray:
    """Extra parts so that `k` are placed with probability `level`, when each part is good with probability `p_good`.

    k       parts to place, whole numbers >= 0
    p_good  share of good parts among the used, 0 < p_good <= 1
    level   probability that the parts suffice, 0 < level < 1; the three are broadcast

    Raises ValueError outside these ranges. Breaks when: the rate is not known or not the same all through the build.
    Source: the sum of k geometric waiting times; cdf as an incomplete beta function, NIST DLMF 8.17.24 (from memory).

    >>> negative_binomial_extra([100, 1000, 10000], [0.99, 0.995, 0.999], [0.95, 0.99, 0.995])
    array([ 3, 11, 19])
    """
    n, p, q = np.broadcast_arrays(_whole(k), np.asarray(p_good, dtype=float), _levels(level))
    if not bool(np.all((p > 0) & (p <= 1))):
        raise ValueError("p_good must be above 0 and at most 1")
    mean = n * (1 - p) / p
    high = np.ceil(mean + 4 * np.sqrt(mean / p) + 4)
    for _ in range(60):
        short = _nb_cdf(n, p, high) < q - SLACK
        if not bool(short.any()):
            break
        high = np.where(short, 2 * high, high)
    low = np.full(high.shape, -1.0)
    while bool(np.any(high - low > 1)):
        middle = np.floor((low + high) / 2)
        enough = _nb_cdf(n, p, middle) >= q - SLACK
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return np.asarray(high, dtype=np.int64)


def _nb_cdf(k: FloatArray, p: FloatArray, extra: FloatArray) -> FloatArray:
    inside = special.betainc(np.maximum(k, 1.0), np.maximum(extra, 0.0) + 1.0, p)
    return np.asarray(np.where(extra < 0, 0.0, np.where(k == 0, 1.0, inside)), dtype=float)


def beta_negative_binomial_pmf(k: float, a: float, b: float, length: int) -> FloatArray:
    """Probabilities of 0 .. length - 1 extra parts; the share of good parts is beta(a, b). Shape (length,).

    k, a, b  parts to place, whole and >= 0; a, b > 0

    Built from the ratio of neighbours, (k + e)(b + e) / ((e + 1)(a + b + k + e)), which loses no digits however
    large a and b are. Raises ValueError outside these ranges.

    >>> float(round(beta_negative_binomial_pmf(1, 2, 1, 3).sum(), 12))  # 2/3 + 1/6 + 1/15
    0.9
    """
    n, good, bad = _shapes(k, a, b)
    e = np.arange(max(length, 1) - 1, dtype=float)
    with np.errstate(divide="ignore"):
        steps = np.log((n + e) * (bad + e)) - np.log((e + 1) * (good + bad + n + e))
    logs = np.concatenate([[float(log_none_lost(n, good, bad))], steps])
    return np.asarray(np.exp(np.cumsum(logs))[:length], dtype=float)


def beta_negative_binomial_cdf(k: float, a: float, b: float, extra: int) -> float:
    """Probability that `extra` parts more than `k` suffice; see `beta_negative_binomial_pmf`.

    >>> round(beta_negative_binomial_cdf(100, 297, 3, 3), 6) >= 0.95
    True
    """
    return min(1.0, float(beta_negative_binomial_pmf(k, a, b, extra + 1).sum())) if extra >= 0 else 0.0


def beta_negative_binomial_extra(k: ArrayLike, a: ArrayLike, b: ArrayLike, level: ArrayLike) -> IntArray:
    """Extra parts so that `k` are placed with probability `level`, when the share of good parts is beta(a, b).

    k      parts to place, whole numbers >= 0
    a, b   parameters of the beta distribution of the share of good parts, > 0 (a - b posterior of placed - lost)
    level  probability that the parts suffice, 0 < level < 1; all four are broadcast

    Raises ValueError outside these ranges, or when more than 2e7 extra parts would be needed.
    Breaks when: the build's rate is not drawn from that beta distribution: a new bad lot, another machine.
    Source: Johnson, Kemp and Kotz 2005, chapter 6 (from memory).

    >>> beta_negative_binomial_extra([100, 1000, 1000], [297, 995.5, 9950.5], [3, 5.5, 50.5], 0.95)
    array([ 3, 12,  9])
    """
    n, good, bad = _shapes(k, a, b)
    n, good, bad, q = np.broadcast_arrays(n, good, bad, _levels(level))
    shape = n.shape
    n, good, bad, target = n.ravel(), good.ravel(), bad.ravel(), q.ravel() - SLACK
    out = np.full(n.size, -1, dtype=np.int64)
    log0 = log_none_lost(n, good, bad)
    at = np.flatnonzero(log0 > _LOWEST_LOG)
    # The cumulative sum is walked up for all lines at once; lines that are done leave the arrays now and then.
    size, worse, total = n[at], bad[at], (good + bad + n)[at]
    pmf = np.exp(log0[at])
    cdf, goal = pmf.copy(), target[at]
    for e in range(_STEPS):
        done = (cdf >= goal) & (out[at] < 0)
        out[at[done]] = e
        if e % 8 == 0:
            keep = out[at] < 0
            if not bool(keep.any()):
                break
            at, size, worse, total = at[keep], size[keep], worse[keep], total[keep]
            pmf, cdf, goal = pmf[keep], cdf[keep], goal[keep]
        pmf = pmf * ((size + e) * (worse + e) / ((e + 1.0) * (total + e)))
        cdf = cdf + pmf
    for i in np.flatnonzero(out < 0):
        out[i] = _walk_far(float(n[i]), float(good[i]), float(bad[i]), float(target[i]))
    return out.reshape(shape)


def _walk_far(n: float, a: float, b: float, target: float) -> int:
    """The same for one line with many extra parts: logarithms, in blocks."""
    log, total, start, block = float(log_none_lost(n, a, b)), 0.0, 0, 1 << 16
    while start < LARGEST:
        e = np.arange(start, start + block, dtype=float)
        with np.errstate(divide="ignore"):
            steps = np.log((n + e) * (b + e)) - np.log((e + 1) * (a + b + n + e))
        logs = log + np.concatenate([[0.0], np.cumsum(steps)])
        cdf = total + np.cumsum(np.exp(logs[:-1]))
        if cdf[-1] >= target:
            return start + int(np.searchsorted(cdf, target))
        if logs[-1] < -41.0 and cdf[-1] > target - 1e-9:  # what is left is below rounding: the sum has come to its end
            return start + int(np.searchsorted(cdf, cdf[-1]))
        log, total, start = float(logs[-1]), float(cdf[-1]), start + block
    raise ValueError(f"more than {LARGEST} extra parts for {n:g} at beta({a:g}, {b:g}): no such kit can be made")


def log_none_lost(k: ArrayLike, a: ArrayLike, b: ArrayLike) -> FloatArray:
    """Logarithm of the probability that none of `k` parts is lost, log B(a + k, b) / B(a, b).

    Differences of log-gammas of 1e7 keep only 7 digits; here Stirling's series is subtracted term by term first, with
    the smaller of k and b as the step, so that the error stays near min(k, b) 1e-16.
    """
    n, good, bad = (np.asarray(x, dtype=float) for x in (k, a, b))
    small, large = np.minimum(n, bad), np.maximum(n, bad)
    return np.asarray(_log_rise(good, small) - _log_rise(good + large, small) - small * np.log1p(large / good))


def _log_rise(x: FloatArray, step: FloatArray) -> FloatArray:
    """log gamma(x + step) - log gamma(x) - step log x, by Stirling's formula and its exact remainder."""
    y = x + step
    return np.asarray((y - 0.5) * np.log1p(step / x) - step + _stirling(y) - _stirling(x), dtype=float)


def _stirling(x: FloatArray) -> FloatArray:
    """Remainder of Stirling's formula for log gamma; NIST DLMF 5.11.1 (from memory)."""
    z = np.maximum(x, 10.0)
    series = (1 / 12 - (1 / 360 - (1 / 1260 - (1 / 1680 - 1 / 1188 / z**2) / z**2) / z**2) / z**2) / z
    y = np.minimum(x, 10.0)
    direct = special.gammaln(y) - ((y - 0.5) * np.log(y) - y + 0.5 * np.log(2 * np.pi))
    return np.asarray(np.where(x >= 10.0, series, direct), dtype=float)


@dataclass(frozen=True, slots=True)
class LoadLoss:
    """Parts lost each time a part is loaded (set-up, splice, tail), loads independent.

    kind  poisson, negative_binomial or fixed
    mean  parts lost per load, >= 0; a whole number for `fixed`
    size  negative binomial only: variance is mean + mean^2 / size
    """

    kind: Literal["poisson", "negative_binomial", "fixed"]
    mean: float
    size: float = 1.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.mean) and self.mean >= 0 and self.size > 0):
            raise ValueError(f"a load loses {self.mean:g} parts (size {self.size:g}); expected 0 or more, size above 0")
        if self.kind == "fixed" and self.mean != int(self.mean):
            raise ValueError(f"a fixed loss is a whole number of parts, found {self.mean:g}")

    @classmethod
    def scattered(cls, mean: float, scatter: float) -> LoadLoss:
        """Loss with this mean, whose variance is `scatter` times as large: negative binomial, Poisson at 1.

        Sums of independent ones with one scatter have that scatter again.

        >>> LoadLoss.scattered(6.0, 3.0)
        LoadLoss(kind='negative_binomial', mean=6.0, size=3.0)
        """
        if not scatter >= 1:
            raise ValueError(f"scatter is {scatter:g}; the variance must be the mean at least")
        if scatter <= _POISSON or mean == 0:
            return cls("poisson", mean)
        return cls("negative_binomial", mean, mean / (scatter - 1.0))

    def pmf(self, loads: int | ArrayLike) -> FloatArray:
        """Probabilities of 0, 1, ... parts lost over all loads, cut where less than 1e-13 is left.

        loads  how many loads, or an array of the probabilities of 0, 1, 2, ... loads when the number is not known

        >>> LoadLoss("fixed", 2).pmf(2)
        array([0., 0., 0., 0., 1.])
        >>> LoadLoss("fixed", 1).pmf([0.25, 0.75])
        array([0.25, 0.75])
        """
        chances = np.asarray(loads, dtype=float)
        if chances.ndim == 0:
            if chances != np.floor(chances) or chances < 0:
                raise ValueError(f"loads is {chances:g}; expected a whole number, or an array of probabilities")
            return self._one(int(chances))
        if bool(np.any(chances < 0)) or abs(float(chances.sum()) - 1) > 1e-9:
            raise ValueError("the probabilities of the number of loads must add up to 1")
        parts = [(w, self._one(n)) for n, w in enumerate(chances) if w > 0]
        out = np.zeros(max(p.size for _, p in parts))
        for weight, part in parts:
            out[: part.size] += weight * part
        return out

    def _one(self, loads: int) -> FloatArray:
        mean = self.mean * loads
        if mean == 0:
            return np.ones(1)
        if self.kind == "fixed":
            return np.asarray(np.eye(1, int(mean) + 1, int(mean))[0], dtype=float)
        if self.kind == "poisson":
            lost = np.arange(int(stats.poisson.isf(_TAIL, mean)) + 2)
            return np.asarray(stats.poisson.pmf(lost, mean), dtype=float)
        size, good = self.size * loads, self.size / (self.size + self.mean)
        lost = np.arange(int(stats.nbinom.isf(_TAIL, size, good)) + 2)
        return np.asarray(stats.nbinom.pmf(lost, size, good), dtype=float)


def predictive_pmf(k: float, a: float, b: float, load_losses: ArrayLike | None = None) -> FloatArray:
    """Probabilities of 0, 1, 2, ... extra parts for one line: running losses and load losses together.

    k, a, b      as in `beta_negative_binomial_extra`
    load_losses  probabilities of 0, 1, ... parts lost in loading (`LoadLoss.pmf`); None: none are lost

    Cut where less than 1e-12 is left. Breaks when: load losses are also counted in the running loss rate.

    >>> p = predictive_pmf(100, 297, 3, LoadLoss("poisson", 6).pmf(1))
    >>> quantile(p, 0.95)
    12
    """
    length = int(beta_negative_binomial_extra(k, a, b, 1 - 2e-12)) + 1
    running = beta_negative_binomial_pmf(k, a, b, length)
    if load_losses is None:
        return running
    return _convolved(running, np.asarray(load_losses, dtype=float))


def predictive_cdf(k: float, a: float, b: float, extra: int, load_losses: ArrayLike) -> float:
    """Probability that `extra` parts more than `k` suffice for running losses and load losses together.

    k, a, b, load_losses  as in `predictive_pmf`

    No probability beyond `extra` is needed, so that it is found however long the tail is: time and memory grow with
    `extra` alone.

    >>> losses = LoadLoss("poisson", 6).pmf(1)
    >>> predictive_cdf(100, 297, 3, 11, losses) < 0.95 <= predictive_cdf(100, 297, 3, 12, losses)
    True
    >>> round(predictive_cdf(1, 1, 1, 2, [1.0]), 6)  # any rate: 1/2 + 1/6 + 1/12, and a mean without end
    0.75
    """
    if extra < 0:
        return 0.0
    loads = np.asarray(load_losses, dtype=float)[: extra + 1]
    running = np.cumsum(beta_negative_binomial_pmf(k, a, b, extra + 1))
    return min(1.0, float(loads @ running[extra - np.arange(loads.size)]))


def _convolved(running: FloatArray, loads: FloatArray) -> FloatArray:
    """Probabilities of the sum of two independent numbers."""
    if running.size * loads.size < 5_000_000:
        return np.asarray(np.convolve(running, loads), dtype=float)
    size = running.size + loads.size - 1
    mixed = np.fft.irfft(np.fft.rfft(running, size) * np.fft.rfft(loads, size), size)
    return np.asarray(np.maximum(mixed, 0.0), dtype=float)


def quantile(pmf: ArrayLike, level: float) -> int:
    """Smallest number whose cumulative probability reaches `level`; the last one of the array if none does.

    >>> quantile([0.5, 0.25, 0.25], 0.75)
    1
    """
    cdf = np.cumsum(np.asarray(pmf, dtype=float))
    return min(int(np.searchsorted(cdf, float(_levels(level)) - SLACK)), cdf.size - 1)


def predictive_extra(
    k: ArrayLike, a: ArrayLike, b: ArrayLike, load_mean: ArrayLike, level: ArrayLike, scatter: float = 1.0
) -> IntArray:
    """Extra parts that suffice with probability `level` for running losses and load losses together.

    k, a, b, level  as in `beta_negative_binomial_extra`
    load_mean       parts lost in all loads of the line together, >= 0; all five are broadcast
    scatter         their variance over their mean, >= 1: Poisson at 1, else negative binomial

    Running losses are beta-negative-binomial. The same as `quantile(predictive_pmf(...), level)`, for many lines
    at once. Raises ValueError outside the ranges.

    >>> predictive_extra([100, 100], 297, 3, [0, 6], 0.95)
    array([ 3, 12])
    >>> int(predictive_extra(100, 297, 3, 6, 0.95, 2.0))
    14
    """
    n, good, bad = _shapes(k, a, b)
    n, good, bad, mean, q = np.broadcast_arrays(n, good, bad, np.asarray(load_mean, dtype=float), _levels(level))
    shape = n.shape
    n, good, bad, mean, q = (x.ravel() for x in (n, good, bad, mean, q))
    if not bool(np.all(np.isfinite(mean) & (mean >= 0))):
        raise ValueError("load_mean must be 0 or more")
    halves = 1 - (1 - q) / 2
    low = beta_negative_binomial_extra(n, good, bad, q)
    means, of = np.unique(mean, return_inverse=True)
    low = np.maximum(low, _load_quantile(means, of, q - SLACK, scatter))
    loaded = np.flatnonzero(mean > 0)
    out = low.copy()
    # Both losses stay below their own quantile at (1 + level) / 2 with probability `level` at least: an upper end.
    high = beta_negative_binomial_extra(n[loaded], good[loaded], bad[loaded], halves[loaded])
    high = high + _load_quantile(means, of, halves, scatter)[loaded] + 1
    log0 = log_none_lost(n[loaded], good[loaded], bad[loaded])
    far = (high >= _STEPS) | (log0 <= _LOWEST_LOG)
    ends = np.zeros(n.size, dtype=np.int64)
    ends[loaded] = high
    for i in loaded[far]:
        losses = LoadLoss.scattered(float(mean[i]), scatter).pmf(1)
        running = beta_negative_binomial_pmf(float(n[i]), float(good[i]), float(bad[i]), int(ends[i]) + 1)
        out[i] = quantile(_convolved(running, losses), float(q[i]))
    near, high, log0, group = loaded[~far], high[~far], log0[~far], of[loaded[~far]]
    order = np.lexsort((high, group))
    near, high, log0, group = near[order], high[order], log0[order], group[order]
    start = 0
    while start < near.size:
        # Lines of one chunk share their load losses and need tables of about the same width.
        end = min(int(np.searchsorted(group, group[start], side="right")), start + 1 + _CELLS // int(high[start] + 1))
        end = start + int(np.searchsorted(high[start:end], 1.3 * high[start] + 16, side="right"))
        i = near[start:end]
        pmf = _pmf_table(n[i], good[i], bad[i], log0[start:end], int(high[end - 1]) + 1)
        out[i] = _first_enough(pmf, float(means[group[start]]), scatter, int(low[i].min()), q[i] - SLACK)
        start = end
    return out.reshape(shape)


def _pmf_table(n: FloatArray, a: FloatArray, b: FloatArray, log0: FloatArray, width: int) -> FloatArray:
    """Probabilities of 0 .. width - 1 extra parts, one column a line."""
    table = np.empty((width, n.size))
    table[0] = np.exp(log0)
    total = a + b + n
    for e in range(width - 1):
        table[e + 1] = table[e] * ((n + e) * (b + e) / ((e + 1.0) * (total + e)))
    return table


def _load_quantile(means: FloatArray, of: IntArray, level: FloatArray, scatter: float) -> IntArray:
    """Quantile at `level` of the load losses with mean `means[of]`, each mean looked up once where all levels agree."""
    same = level.size > 0 and level.min() == level.max()
    mean, at = (means, level[0]) if same else (means[of], level)
    if scatter <= _POISSON:
        found = stats.poisson.ppf(at, mean)
    else:
        found = stats.nbinom.ppf(at, np.maximum(mean, 1e-9) / (scatter - 1.0), 1.0 / scatter)
    found = np.where(mean > 0, found, 0.0)
    return np.asarray(found[of] if same else found, dtype=np.int64)


def _first_enough(pmf: FloatArray, mean: float, scatter: float, low: int, target: FloatArray) -> IntArray:
    """Smallest x >= low with P(running + load losses <= x) >= target, for each column of `pmf`."""
    width = pmf.shape[0]
    each = np.arange(width, dtype=float)
    if scatter <= _POISSON:
        below = special.pdtr(each, mean)
    else:
        below = special.betainc(mean / (scatter - 1.0), each + 1.0, 1.0 / scatter)
    steps = np.arange(low, width)[:, None] - np.arange(width)
    loads = np.where(steps >= 0, below[np.maximum(steps, 0)], 0.0)
    enough = loads @ pmf >= target
    enough[-1] = True
    return np.asarray(low + enough.argmax(axis=0), dtype=np.int64)


def _whole(k: ArrayLike) -> FloatArray:
    n = np.asarray(k, dtype=float)
    if not bool(np.all(np.isfinite(n) & (n >= 0) & (n == np.floor(n)))):
        raise ValueError("k must be whole numbers of 0 or more")
    return n


def _levels(level: ArrayLike) -> FloatArray:
    q = np.asarray(level, dtype=float)
    if not bool(np.all((q > 0) & (q < 1))):
        raise ValueError("level must lie between 0 and 1, such as 0.95")
    return q


def _shapes(k: ArrayLike, a: ArrayLike, b: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    n, good, bad = _whole(k), np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    if not bool(np.all(np.isfinite(good) & (good > 0)) and np.all(np.isfinite(bad) & (bad > 0))):
        raise ValueError("a and b must be finite and above 0")
    return n, good, bad
