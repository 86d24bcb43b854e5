"""When did it begin: one step in a series, with the set of dates that the data allow.

In:    losses and expected losses by period, in order of time (or plain values).
Out:   `Change`: the likeliest place of a step, the places that cannot be excluded, its size, p-value, rival trend.
After: the same seed gives the same p-value; nan, never a guess, where there are too few losses or periods.

A step at place t means: periods before t have one level, period t and later ones another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypedDict

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.estimators.arrays import FloatArray, as_dispersion, check_confidence


@dataclass(frozen=True, slots=True)
class Change:
    """One step in a series.

    at            first period after the step; None where no step can be looked for
    places        all places that the confidence set holds, rising
    before, after losses over expected losses on each side (rates of expectation), or means for plain values
    effect        after / before (counts) or after - before (values); with the interval low, high at the likeliest place
    statistic     likelihood ratio statistic of the step, -2 log lambda
    p             chance of so large a statistic without any step
    trend         likelihood ratio statistic of a steady drift in place of the step (one parameter)
    gradual       log odds of a steady drift the same way from some place on against a step at some place, all places
                  equally likely beforehand (plain values: of a drift over all periods, either way)
    begins        places at which that drift may begin, the likeliest first; empty for plain values
    rise          after the drift from its likeliest begin: last period over what was before
    """

    at: int | None
    places: tuple[int, ...]
    before: float
    after: float
    effect: float
    low: float
    high: float
    statistic: float
    p: float
    trend: float
    gradual: float = float("nan")
    begins: tuple[int, ...] = ()
    rise: float = float("nan")

    @property
    def better_as_drift(self) -> bool:
        """A drift explains the series clearly better than a step does."""
        return bool(self.gradual > SURE)

    @property
    def better_as_step(self) -> bool:
        """A step explains the series clearly better than a drift does."""
        return bool(self.gradual < -SURE)


SURE: Final = float(np.log(20.0))
"""Log odds beyond which it is said that a change was a step, or a drift. Common practice, no source."""
_STEEPEST: Final = 60.0
"""Slopes per length of the series beyond which a drift is a step anyway."""

_NAN: Final = float("nan")
_NOTHING = Change(None, (), _NAN, _NAN, _NAN, _NAN, _NAN, _NAN, _NAN, _NAN)


def single_change(
    losses: ArrayLike,
    expected: ArrayLike,
    dispersion: float = 1.0,
    *,
    confidence: float = 0.95,
    least_periods: int = 1,
    draws: int = 1999,
    seed: int = 0,
) -> Change:
    """Look for one step in the ratio of losses to expected losses.

    losses         counts by period, shape (n,)
    expected       losses expected on the same work if nothing changed, shape (n,), any common factor; a period with 0
                   must have 0 losses
    dispersion     phi >= 1, variance over Poisson variance of a period's count (bursts)
    confidence     of the set of places and of the interval of the effect
    least_periods  periods with expectation that each side must have
    draws, seed    of the Monte Carlo p-value

    Quasi-Poisson likelihood scan. The set of places holds all whose statistic is within -2 log(1 - sqrt(confidence)) of
    the best: the limit law of the maximum of a two-sided random walk, conservative for few, large steps (Siegmund
    1988, International Statistical Review 56:31). The p-value draws series without a step that have the same total:
    multinomial, or Dirichlet-multinomial with variance phi times as large, so no asymptotics enter it.
    Raises ValueError when shapes or signs do not fit.
    Step or drift: both have a level and a size; the step's likelihood averaged over its places is held against that of
    a rise by the same factor each period from some place on, averaged over its places. The best step alone would win
    over most drifts, since its place is chosen by the data.
    Breaks when: a burst lasts over several periods (they are taken as independent given phi), or there were two steps.
    Source: Hinkley and Hinkley 1970, Biometrika 57:477 (binomial); Worsley 1983, Biometrika 70:455.

    >>> c = single_change([2, 1, 3, 2, 1, 9, 11, 8, 10], [2.0] * 9)
    >>> c.at, c.places, round(c.effect, 2), c.p < 0.01
    (5, (5,), 5.28, True)
    """
    y, e = np.asarray(losses, dtype=float), np.asarray(expected, dtype=float)
    phi = float(as_dispersion(dispersion))
    check_confidence(confidence)
    if y.ndim != 1 or y.shape != e.shape:
        raise ValueError(f"losses have shape {y.shape}, expected {e.shape}; both must be (n,)")
    if bool(np.any(y < 0) or np.any(e < 0) or np.any((e == 0) & (y > 0)) or not np.all(np.isfinite(y + e))):
        raise ValueError("losses and expected must be finite and not negative, and 0 expected means 0 losses")
    total = float(y.sum())
    if y.size < 2:
        return _NOTHING
    carries = np.cumsum(e > 0)
    allowed = (carries[:-1] >= least_periods) & (carries[-1] - carries[:-1] >= least_periods) & (e[1:] > 0)
    if total <= phi or not bool(allowed.any()):
        return _NOTHING
    share = np.cumsum(e)[:-1] / e.sum()
    profile = np.where(allowed, _step_statistic(y[None, :], share, phi)[0], -np.inf)
    best = int(np.argmax(profile))
    statistic = float(profile[best])
    places = np.flatnonzero(profile >= statistic - _depth(confidence)) + 1
    drawn = _without_step(np.random.default_rng(seed), total, e / e.sum(), phi, draws)
    null = np.max(np.where(allowed, _step_statistic(drawn, share, phi), -np.inf), axis=1)
    p = (1.0 + float(np.sum(null >= statistic - 1e-9))) / (draws + 1.0)
    at = best + 1
    y1, y2, e1, e2 = float(y[:at].sum()), float(y[at:].sum()), float(e[:at].sum()), float(e[at:].sum())
    ratio, low, high = _ratio(y1, y2, e1, e2, phi, confidence)
    return Change(
        at=at,
        places=tuple(int(t) for t in places),
        before=y1 / e1,
        after=y2 / e2,
        effect=ratio,
        low=low,
        high=high,
        statistic=statistic,
        p=p,
        trend=_trend_statistic(y, e, phi),
        **_gradual(y, e, phi, profile, confidence, rises=ratio >= 1.0),
    )


def single_change_normal(
    values: ArrayLike, *, confidence: float = 0.95, least_periods: int = 2, draws: int = 1999, seed: int = 0
) -> Change:
    """Look for one step in the mean of plain values with one common, unknown standard deviation.

    values  by period, shape (n,); other arguments as `single_change`

    The p-value permutes the values; so it needs no normal law, but independent values.
    Source: Worsley 1979, JASA 74:365; the set of places as in `single_change`.

    >>> c = single_change_normal([1.0, 1.2, 0.9, 1.1, 3.0, 3.2, 2.9, 3.1])
    >>> c.at, c.places, round(c.effect, 2)
    (4, (4,), 2.0)
    """
    x = np.asarray(values, dtype=float)
    check_confidence(confidence)
    if x.ndim != 1 or not bool(np.all(np.isfinite(x))):
        raise ValueError("values must be finite, shape (n,)")
    n = x.size
    places = np.arange(least_periods, n - least_periods + 1)
    if n < 4 or places.size == 0 or float(np.ptp(x)) == 0.0:
        return _NOTHING
    explained = _explained(x[None, :], places)[0]
    total = float(np.sum((x - x.mean()) ** 2))
    profile = -n * np.log(np.maximum(1.0 - explained / total, 1e-300))
    best = int(np.argmax(profile))
    statistic, at = float(profile[best]), int(places[best])
    inside = places[profile >= statistic - _depth(confidence)]
    rng = np.random.default_rng(seed)
    null = np.max(_explained(rng.permuted(np.tile(x, (draws, 1)), axis=1), places), axis=1)
    p = (1.0 + float(np.sum(null >= explained[best] - 1e-12 * total))) / (draws + 1.0)
    before, after = float(x[:at].mean()), float(x[at:].mean())
    variance = max(total - float(explained[best]), 0.0) / (n - 2)
    half = float(special.stdtrit(n - 2, 0.5 + 0.5 * confidence)) * np.sqrt(variance * (1 / at + 1 / (n - at)))
    step = after - before
    correlation = float(np.corrcoef(np.arange(n), x)[0, 1])
    trend = float(-n * np.log(max(1.0 - correlation**2, 1e-300)))
    gradual = 0.5 * trend - _mean_likelihood(profile)
    may = tuple(int(t) for t in inside)
    return Change(at, may, before, after, step, step - half, step + half, statistic, p, trend, gradual)


def _depth(confidence: float) -> float:
    """How far below the best a place may lie: quantile of the maximum of a two-sided random walk with drift."""
    return float(-2.0 * np.log1p(-np.sqrt(confidence)))


def _step_statistic(y: FloatArray, share: FloatArray, phi: float) -> FloatArray:
    """-2 log lambda of a step after each of the first n - 1 periods, rows of `y` on their own."""
    left = np.cumsum(y, axis=1)[:, :-1]
    total = y.sum(axis=1, keepdims=True)
    right = total - left
    with np.errstate(divide="ignore", invalid="ignore"):
        value = special.xlogy(left, left / (total * share)) + special.xlogy(right, right / (total * (1.0 - share)))
    return np.asarray(2.0 / phi * np.nan_to_num(value, nan=0.0), dtype=float)


def _without_step(rng: np.random.Generator, total: float, share: FloatArray, phi: float, draws: int) -> FloatArray:
    """Series with the same total and no step, each count with phi times the multinomial variance."""
    count = round(total)
    size = (total - phi) / (phi - 1.0) if phi > 1.0 + 1e-9 else np.inf
    if not np.isfinite(size) or size > 1e9:
        return rng.multinomial(count, share, size=draws).astype(float)
    weights = rng.standard_gamma(np.maximum(size * share, 1e-12), size=(draws, share.size))
    weights = np.where(share > 0, weights, 0.0)
    sums = weights.sum(axis=1, keepdims=True)
    weights = np.where(sums > 0, weights / np.where(sums > 0, sums, 1.0), share)
    return rng.multinomial(count, weights).astype(float)


def _ratio(y1: float, y2: float, e1: float, e2: float, phi: float, confidence: float) -> tuple[float, float, float]:
    """Rate ratio after / before; interval from the binomial share of the losses that fall after (Jeffreys, x / phi)."""
    tail = 0.5 * (1.0 - confidence)
    a, b = y2 / phi + 0.5, y1 / phi + 0.5
    low = float(special.betaincinv(a, b, tail)) if y2 > 0 else 0.0
    high = float(special.betaincinv(a, b, 1.0 - tail)) if y1 > 0 else 1.0
    ratio = (y2 / e2) / (y1 / e1) if y1 > 0 else np.inf
    return ratio, low / (1.0 - low) * e1 / e2, (high / (1.0 - high) * e1 / e2 if high < 1.0 else np.inf)


class _Gradual(TypedDict):
    gradual: float
    begins: tuple[int, ...]
    rise: float


def _mean_likelihood(statistics: FloatArray) -> float:
    """Log of the likelihood ratio, averaged over the places that are allowed (finite)."""
    some = statistics[np.isfinite(statistics)]
    return float(special.logsumexp(0.5 * some) - np.log(some.size))


def _gradual(
    y: FloatArray, e: FloatArray, phi: float, steps: FloatArray, confidence: float, *, rises: bool
) -> _Gradual:
    """How much better a drift from some place on explains the series than a step: fields of `Change`.

    rises  whether the best step goes up: what drifts the other way explains no such change
    losses = expected * exp(a + b max(0, t - begin)), by Newton on b for all begins at once, with a profiled out.
    """
    use = np.flatnonzero(e > 0)
    z, share = y[use], e[use] / e.sum()
    begins = use[: max(use.size - 2, 1)]  # the last two periods make no slope
    t = np.maximum(0.0, use[None, :] + 1.0 - begins[:, None]) / y.size
    total, slope, up = float(z.sum()), np.zeros(begins.size), t @ z
    for _ in range(60):
        weight = share * np.exp(slope[:, None] * (t - t.max(axis=1, keepdims=True) * (slope > 0)[:, None]))
        weight /= weight.sum(axis=1, keepdims=True)
        mean = (weight * t).sum(axis=1)
        curvature = total * (weight * (t - mean[:, None]) ** 2).sum(axis=1)
        step = np.clip((up - total * mean) / np.maximum(curvature, 1e-9), -2.0, 2.0)
        slope = np.clip(slope + step, -_STEEPEST, _STEEPEST)
        if float(np.abs(step).max()) < 1e-8:
            break
    slope = np.where((slope > 0) == rises, slope, 0.0)
    level = special.logsumexp(slope[:, None] * t, b=share[None, :], axis=1)
    drifts = np.maximum(2.0 / phi * (slope * up - total * level), 0.0)
    order = np.argsort(-drifts, kind="stable")
    inside = [int(begins[i]) for i in order if drifts[i] >= drifts[order[0]] - _depth(confidence)]
    rise = float(np.exp(slope[order[0]] * t[order[0], -1]))
    return {"gradual": _mean_likelihood(drifts) - _mean_likelihood(steps), "begins": tuple(inside), "rise": rise}


def _trend_statistic(y: FloatArray, e: FloatArray, phi: float) -> float:
    """-2 log lambda of losses = expected * exp(a + b t) against b = 0, by Newton on b with a profiled out."""
    use = e > 0
    y, e = y[use], e[use]
    t = np.linspace(-1.0, 1.0, y.size)
    total, slope = float(y.sum()), 0.0

    def loglik(b: float) -> float:
        return float(b * (y @ t) - total * special.logsumexp(b * t, b=e / e.sum()))

    for _ in range(60):
        weight = e * np.exp(slope * t - np.max(slope * t))
        weight = weight / weight.sum()
        mean = float(weight @ t)
        gradient = float(y @ t) - total * mean
        curvature = total * float(weight @ (t - mean) ** 2)
        if curvature < 1e-12:
            break
        step = float(np.clip(gradient / curvature, -2.0, 2.0))
        slope += step
        if abs(step) < 1e-10:
            break
    return max(0.0, 2.0 / phi * loglik(slope))


def _explained(x: FloatArray, places: np.ndarray[tuple[int], np.dtype[np.int64]]) -> FloatArray:
    """Sum of squares that a step at each place takes away, rows of `x` on their own."""
    n = x.shape[1]
    centred = x - x.mean(axis=1, keepdims=True)
    left = np.cumsum(centred, axis=1)[:, places - 1]
    return np.asarray(left**2 * n / (places * (n - places)), dtype=float)
