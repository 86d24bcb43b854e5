"""What each miss and each load or splice takes, from the parts missing on counted reels.

In:    for each reel the parts gone that no log names, its missed picks, and how often it was loaded and spliced in.
Out:   parts used per missed pick and parts lost per event of each kind, with their covariance; the spread left over.
After: the share lies in [0, 1] and no loss is below 0; without reels the result is what was assumed.

Model: gone_i = share * misses_i + sum of per_event_k * events_ik + noise, with a noise variance of
phi (share (1 - share) misses_i + sum of per_event_k * events_ik + 1): binomial and Poisson, with one part for the count
itself. Weighted least squares on a normal prior; reels far off count less (Huber 1964, Annals of Mathematical
Statistics 35:73, from memory), since a reel of which a hundred parts went astray says nothing about loading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from pipeline.estimators.arrays import FloatArray

BEND: Final = 3.0
"""Standard deviations from which on a reel counts less."""
LARGEST_SCATTER: Final = 1000.0
_ROUNDS: Final = 25
_KEPT: Final = float(1 - 2 * stats.norm.sf(BEND) - 2 * BEND * stats.norm.pdf(BEND) + 2 * BEND**2 * stats.norm.sf(BEND))
"""Mean of the square of a standard normal deviate cut at BEND."""
_STRAY: Final = 5.0
"""Standard deviations from which on a reel says nothing about the scatter."""


@dataclass(frozen=True, slots=True)
class CountedRates:
    """Result of `counted_rates`.

    values      parts used per missed pick, a fraction; then parts lost per event of each kind; shape (1 + kinds,)
    covariance  of them, shape (1 + kinds, 1 + kinds)
    phi         noise over what chance alone would give, at least 1
    reels       reels behind it; told: those of them that had a missed pick, an event of each kind, shape (1 + kinds,)
    """

    values: FloatArray
    covariance: FloatArray
    phi: float
    reels: int
    told: tuple[int, ...]

    def interval(self, which: int, confidence: float) -> tuple[float, float]:
        """Interval of the share (0) or of the loss per event (1, ...), by Student's t."""
        value = float(self.values[which])
        half = float(stats.t.ppf((1 + confidence) / 2, max(self.reels, 3) - 2 + 1))
        half *= float(np.sqrt(self.covariance[which, which]))
        return max(0.0, value - half), min(1.0, value + half) if which == 0 else value + half

    def noise(self, misses: float, events: ArrayLike, reels: float) -> float:
        """Variance of the parts gone from reels with so many misses and events when the rates are known."""
        share, each = float(self.values[0]), self.values[1:]
        taken = float(np.asarray(events, dtype=float) @ each)
        return self.phi * (share * (1 - share) * misses + taken + reels)


def counted_rates(
    gone: ArrayLike, misses: ArrayLike, events: ArrayLike, prior: ArrayLike, doubt: ArrayLike
) -> CountedRates:
    """Parts per miss and per event from counted reels.

    gone    parts gone and neither placed nor lost by the log, by reel; may be negative; shape (reels,)
    misses  missed picks of each reel, >= 0
    events  times each reel was loaded, spliced in, ... between the counts, >= 0; shape (reels, kinds)
    prior   share (0 to 1) and losses per event (>= 0) that are assumed; doubt: standard deviation of each, > 0

    Raises ValueError outside these ranges. Breaks when: the counts are not counts of parts but a machine's own books.

    >>> bool(counted_rates([8, 7, 9], [0, 0, 0], [[1], [1], [1]], (0.3, 6.0), (0.25, 6.0)).values[1] > 7)
    True
    """
    y, m, start, wide = (np.asarray(v, dtype=float) for v in (gone, misses, prior, doubt))
    o = np.asarray(events, dtype=float)
    if y.ndim != 1 or m.shape != y.shape or o.ndim != 2 or len(o) != y.size or bool(np.any(m < 0) or np.any(o < 0)):
        raise ValueError("give gone, misses and events of the same reels; misses and events 0 or more")
    if start.shape != (1 + o.shape[1],) or wide.shape != start.shape or bool(np.any(start < 0) or np.any(wide <= 0)):
        raise ValueError("prior must be a share and a loss of 0 or more of each kind of event, doubt above 0")
    if start[0] > 1:
        raise ValueError(f"the prior's share is {start[0]:g}; it must be 1 at most")
    x = np.column_stack([m, o])
    known = np.diag(1 / np.square(wide))
    value, phi = start.copy(), 1.0
    covariance = np.diag(np.square(wide))
    for _ in range(_ROUNDS):
        chance = _chance(value, m, o)
        away = (y - x @ value) / np.sqrt(chance)
        if y.size > 2:
            # Squares are cut where a reel begins to count less: stray ones move it little.
            cut = np.minimum(np.square(away), BEND**2 * phi)
            phi = max(1.0, float(cut.mean()) / _KEPT * y.size / (y.size - 2))
        weight = np.minimum(1.0, BEND / np.maximum(np.abs(away) / np.sqrt(phi), 1e-12))
        w = weight / (phi * chance)
        covariance = np.linalg.inv(x.T @ (w[:, None] * x) + known)
        value = np.maximum(covariance @ (x.T @ (w * y) + known @ start), 0.0)
        value[0] = min(float(value[0]), 1.0)
    return CountedRates(value, covariance, phi, y.size, tuple(int(n) for n in (x > 0).sum(axis=0)))


def _chance(value: FloatArray, misses: FloatArray, events: FloatArray) -> FloatArray:
    """Variance of the parts gone by chance alone."""
    share = float(np.clip(value[0], 0.02, 0.98))
    return np.asarray(share * (1 - share) * misses + events @ np.maximum(value[1:], 0.1) + 1.0, dtype=float)


def event_scatter(
    gone: ArrayLike, misses: ArrayLike, events: ArrayLike, values: ArrayLike, confidence: float
) -> tuple[float, float, float]:
    """Variance over mean of the parts that events take, with its interval; each at least 1, at most 1000.

    gone, misses, events  as `counted_rates` takes them; values: its result; confidence between 0 and 1

    Squares of what no rate explains, less the binomial noise of the misses and one part for the count, per part taken;
    reels far off are passed over. The interval is the normal one of its logarithm. Only reels with an event are looked
    at; with none of them it is (1, 1, 1000). Breaks when: single loads take very many parts now and then.
    """
    y, m, o, v = (np.asarray(x, dtype=float) for x in (gone, misses, events, values))
    of = o.sum(axis=1) > 0 if o.size else np.zeros(0, dtype=bool)
    y, m, o = y[of], m[of], o[of]
    taken = o @ v[1:] if o.size else np.zeros(0)
    if not bool(np.any(taken > 0)):
        return 1.0, 1.0, LARGEST_SCATTER
    square = np.square(y - v[0] * m - taken)
    rest = v[0] * (1 - v[0]) * m + 1.0
    scatter, error = 2.0, 1.0
    for _ in range(_ROUNDS):
        expected = rest + scatter * taken
        weight = np.where(square <= _STRAY**2 * expected, 1 / np.square(expected), 0.0) * taken
        if not bool(np.any(weight > 0)):
            return 1.0, 1.0, LARGEST_SCATTER
        scatter = max(1.0, float(weight @ (square - rest)) / float(weight @ taken))
        error = float(np.sqrt(np.sum(np.square(weight * (square - rest - scatter * taken))))) / float(weight @ taken)
    wide = float(np.exp(stats.norm.ppf((1 + confidence) / 2) * error / scatter))
    return min(scatter, LARGEST_SCATTER), max(1.0, scatter / wide), min(scatter * wide, LARGEST_SCATTER)
