"""Run charts: limits and running sums that tell a change from chance.

In:    counts or values by period, in order of time; design figures of a chart.
Out:   limits, running sums, places of signals, average run lengths.
After: a signal is a place (from 0) in the input, None where there is none; limits of a rate lie between 0 and 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse, special
from scipy.sparse.linalg import spsolve

from pipeline.estimators.arrays import BoolArray, FloatArray, as_counts

_MEAN_RANGE_OF_TWO = (
    1.128  # expected range of two standard normal values, 2 / sqrt(pi), as control chart tables round it
)
_NODES = 60


@dataclass(frozen=True, slots=True)
class RateChart:
    """Limits of a chart of loss rates; all rates are fractions.

    center       mean rate; nan when nothing was attempted
    low, high    limits per period, shape (n,); nan where a period has no attempts
    out          periods beyond a limit
    sigma_z      factor that widened the limits; 1 for a plain p chart
    """

    center: float
    low: FloatArray
    high: FloatArray
    out: BoolArray
    sigma_z: float


def p_chart(losses: ArrayLike, attempts: ArrayLike, width: float = 3.0, sigma_z: float = 1.0) -> RateChart:
    """Limits of a p chart: mean rate +- width binomial standard errors, times sigma_z.

    losses, attempts  counts by period, shape (n,)
    width             limits in standard errors, usually 3
    sigma_z           1 for the plain chart; `laney_sigma_z` for Laney's p' chart, which allows for bursts

    Raises ValueError for impossible counts.
    Breaks when: losses come in bursts or n is large, and sigma_z is left at 1: nearly every point is then out.
    Source: Shewhart's p chart, NIST/SEMATECH e-Handbook 6.3.3.2; Laney 2002, Quality Engineering 14:531.

    >>> chart = p_chart([12, 15, 8, 10, 30], [50] * 5)
    >>> round(chart.center, 2), chart.out.tolist()
    (0.3, [False, False, False, False, True])
    """
    x, n = as_counts(losses, attempts)
    total = float(n.sum())
    center = float(x.sum()) / total if total else float("nan")
    with np.errstate(divide="ignore", invalid="ignore"):
        half = width * sigma_z * np.sqrt(center * (1 - center) / n)
        rate = x / n
    half = np.where(n > 0, half, np.nan)
    low, high = np.maximum(center - half, 0.0), np.minimum(center + half, 1.0)
    return RateChart(center, low, high, (rate < low) | (rate > high), sigma_z)


def laney_sigma_z(losses: ArrayLike, attempts: ArrayLike) -> float:
    """How much more neighbouring periods differ than binomial counts would: the mean moving range of z over 1.128.

    Periods without attempts are left out. Returns nan with fewer than two periods or no loss at all.
    Breaks when: the periods are not in order of time, or a trend runs through them (it is then partly taken in).
    Source: Laney 2002, Quality Engineering 14:531.

    >>> round(laney_sigma_z([12, 15, 8, 10, 4, 7], [50] * 6), 3)
    1.351
    """
    x, n = as_counts(losses, attempts)
    x, n = x[n > 0], n[n > 0]
    if x.size < 2 or x.sum() == 0 or x.sum() == n.sum():
        return float("nan")
    center = x.sum() / n.sum()
    z = (x / n - center) / np.sqrt(center * (1 - center) / n)
    return float(np.mean(np.abs(np.diff(z))) / _MEAN_RANGE_OF_TWO)


@dataclass(frozen=True, slots=True)
class Cusum:
    """Running sums of a tabular CUSUM; `first` is the first place where a sum exceeds h, None without one."""

    upper: FloatArray
    lower: FloatArray
    first: int | None


def tabular_cusum(values: ArrayLike, target: float, k: float, h: float) -> Cusum:
    """Two-sided tabular CUSUM: sums of what goes beyond target +- k; a signal is a sum > h.

    values        by period, shape (n,); target, k (allowance) and h (decision interval) in the same unit

    Breaks when: neighbouring values depend on each other; it then signals too often.
    Source: Page 1954, Biometrika 41:100; NIST/SEMATECH e-Handbook 6.3.2.3.

    >>> tabular_cusum([0.0, 1.0, 2.0, 2.0], target=0.0, k=0.5, h=2.5).first
    3
    """
    x = np.asarray(values, dtype=float)
    upper, lower = np.zeros(x.size), np.zeros(x.size)
    up = down = 0.0
    for i, value in enumerate(x.tolist()):
        up = max(0.0, up + value - target - k)
        down = max(0.0, down + target - value - k)
        upper[i], lower[i] = up, down
    beyond = np.flatnonzero((upper > h) | (lower > h))
    return Cusum(upper, lower, int(beyond[0]) if beyond.size else None)


def normal_cusum_arl(shift: float, k: float, h: float) -> float:
    """Mean number of values until a two-sided tabular CUSUM of independent normal values signals.

    shift, k, h  in standard deviations of the values; h > 0

    Solves Page's integral equation at Gauss-Legendre nodes; the two sides combine as 1/L = 1/L+ + 1/L-.
    Breaks when: values depend on each other, or their standard deviation was estimated from few of them.
    Source: Page 1954; van Dobben de Bruyn 1968; values in Lucas and Crosier 1982, Technometrics 24:199.

    >>> round(normal_cusum_arl(0.0, 0.5, 4.0), 2)
    167.68
    """
    if h <= 0:
        raise ValueError("h must be above 0")
    return 1.0 / (1.0 / _one_sided_arl(shift, k, h) + 1.0 / _one_sided_arl(-shift, k, h))


def _one_sided_arl(shift: float, k: float, h: float) -> float:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    s, w = 0.5 * h * (nodes + 1.0), 0.5 * h * weights
    # L(x) = 1 + L(0) Phi(k - shift - x) + integral of L(s) phi(s + k - shift - x); unknowns L(0), L(s)
    points = np.concatenate([[0.0], s])
    density = np.exp(-0.5 * (s[None, :] + k - shift - points[:, None]) ** 2) / np.sqrt(2 * np.pi)
    kernel = np.column_stack([special.ndtr(k - shift - points), density * w])
    return float(np.linalg.solve(np.eye(points.size) - kernel, np.ones(points.size))[0])


def bernoulli_step(healthy: float, bad: float) -> int:
    """The m of the integer Bernoulli CUSUM that tells rate `bad` from rate `healthy` soonest.

    healthy, bad  loss rates, fractions, 0 < healthy < bad < 1
    m is the likelihood ratio's own 1/gamma, to the nearest whole number, as the integer form needs it.
    Source: Reynolds and Stoumbos 1999, J Quality Technology 31:87.

    >>> bernoulli_step(0.01, 0.025)
    61
    """
    if not 0.0 < healthy < bad < 1.0:
        raise ValueError("rates must satisfy 0 < healthy < bad < 1")
    per_good = -np.log((1 - bad) / (1 - healthy))
    per_loss = np.log(bad * (1 - healthy) / (healthy * (1 - bad)))
    return max(2, round(float(per_loss / per_good)))


def bernoulli_cusum(outcomes: ArrayLike, m: int, threshold: int) -> tuple[FloatArray, int | None]:
    """Running sum over single picks: + (m - 1) on a loss, - 1 otherwise, not below 0; a signal is a sum >= threshold.

    outcomes      1 for a loss, 0 otherwise, in order of time, shape (n,)
    m, threshold  whole numbers, m >= 2, threshold >= 1

    Returns (sums, place of the first signal or None); the sum runs on after a signal.
    Breaks when: losses come in bursts; each burst then looks like a change.
    Source: Reynolds and Stoumbos 1999, J Quality Technology 31:87.

    >>> sums, first = bernoulli_cusum([0, 1, 0, 1], m=5, threshold=6)
    >>> sums.tolist(), first
    ([0.0, 4.0, 3.0, 7.0], 3)
    """
    _check_bernoulli(m, threshold)
    x = np.asarray(outcomes)
    if not bool(np.all((x == 0) | (x == 1))):
        raise ValueError("outcomes must be 0 or 1")
    # the sum floored at 0 is the free sum minus its running minimum (Page)
    free = np.cumsum(np.where(x == 1, m - 1, -1)).astype(float)
    sums = free - np.minimum(np.minimum.accumulate(free), 0.0) if free.size else free
    reached = np.flatnonzero(sums >= threshold)
    return sums, int(reached[0]) if reached.size else None


def bernoulli_cusum_arl(rate: float, m: int, threshold: int) -> float:
    """Exact mean number of picks until the integer Bernoulli CUSUM signals, from a sum of 0.

    rate          loss rate of independent picks, 0 < rate <= 1
    m, threshold  as `bernoulli_cusum`; the signal is >= threshold: with > the run can be several times longer

    Solves the Markov chain over the sums 0 ... threshold - 1.
    Source: Reynolds and Stoumbos 1999; Brook and Evans 1972, Biometrika 59:539.

    >>> round(bernoulli_cusum_arl(0.01, 57, 100), 4)
    673.133
    """
    _check_bernoulli(m, threshold)
    if not 0.0 < rate <= 1.0:
        raise ValueError("rate must lie above 0 and not above 1")
    state = np.arange(threshold)
    down = np.maximum(state - 1, 0)
    up = state + m - 1
    inside = up < threshold
    rows = np.concatenate([state, state, state[inside]])
    columns = np.concatenate([state, down, up[inside]])
    values = np.concatenate([np.ones(threshold), np.full(threshold, rate - 1.0), np.full(int(inside.sum()), -rate)])
    matrix = sparse.csc_array(sparse.coo_array((values, (rows, columns)), shape=(threshold, threshold)))
    return float(np.atleast_1d(spsolve(matrix, np.ones(threshold)))[0])


def bernoulli_threshold(rate: float, m: int, picks_between_false_alarms: float) -> int:
    """Smallest threshold whose mean run at the healthy `rate` is at least the given number of picks.

    >>> bernoulli_threshold(0.01, 57, 600)
    96
    """
    if picks_between_false_alarms < 1:
        raise ValueError("picks_between_false_alarms must be at least 1")
    high = m
    while bernoulli_cusum_arl(rate, m, high) < picks_between_false_alarms:
        high *= 2
        if high > 10_000_000:
            raise ValueError("no threshold below ten million reaches that run length")
    low = 0
    while high - low > 1:
        middle = (low + high) // 2
        if bernoulli_cusum_arl(rate, m, middle) < picks_between_false_alarms:
            low = middle
        else:
            high = middle
    return high


def _check_bernoulli(m: int, threshold: int) -> None:
    if m < 2 or threshold < 1:
        raise ValueError("m must be at least 2 and threshold at least 1")
