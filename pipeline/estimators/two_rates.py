"""What each miss and each load takes, from the parts missing on counted reels.

In:    for each reel the parts gone that no log names, its missed picks, and how often it was loaded.
Out:   parts used per missed pick and parts lost per load, with their covariance, and the spread left over.
After: the share lies in [0, 1] and the loss per load is 0 or more; without reels the result is what was assumed.

Model: gone_i = share * misses_i + per_load * loads_i + noise, noise variance = phi (share (1 - share) misses_i +
per_load * loads_i + 1): binomial and Poisson, with one part for the count itself. Weighted least squares on a normal
prior; reels far off count less (Huber 1964, Annals of Mathematical Statistics 35:73, from memory), since a reel of
which a hundred parts went astray says nothing about loading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from pipeline.estimators.arrays import FloatArray

BEND: Final = 2.0
"""Standard deviations from which on a reel counts less."""
_ROUNDS: Final = 25


@dataclass(frozen=True, slots=True)
class TwoRates:
    """Result of `two_rates`.

    share       parts used per missed pick, a fraction; per_load parts lost per load
    covariance  of the two, shape (2, 2)
    phi         noise over what chance alone would give, at least 1
    reels       reels behind it
    """

    share: float
    per_load: float
    covariance: FloatArray
    phi: float
    reels: int

    def interval(self, which: int, confidence: float) -> tuple[float, float]:
        """Interval of the share (0) or the loss per load (1), by Student's t."""
        value = (self.share, self.per_load)[which]
        half = float(stats.t.ppf((1 + confidence) / 2, max(self.reels, 3) - 2 + 1))
        half *= float(np.sqrt(self.covariance[which, which]))
        return max(0.0, value - half), min(1.0, value + half) if which == 0 else value + half

    def noise(self, misses: float, loads: float, reels: float) -> float:
        """Variance of the parts gone from reels with so many misses and loads when the two rates are known."""
        return self.phi * (self.share * (1 - self.share) * misses + self.per_load * loads + reels)


def two_rates(
    gone: ArrayLike, misses: ArrayLike, loads: ArrayLike, prior: tuple[float, float], doubt: tuple[float, float]
) -> TwoRates:
    """Parts per miss and per load from counted reels.

    gone    parts gone and neither placed nor lost by the log, by reel; may be negative; shape (reels,)
    misses  missed picks of each reel, >= 0; loads  times it was put on between the counts, >= 0
    prior   share (0 to 1) and loss per load (>= 0) that are assumed; doubt: standard deviation of each, > 0

    Raises ValueError outside these ranges. Breaks when: the counts are not counts of parts but a machine's own books.

    >>> two_rates([8, 7, 9], [0, 0, 0], [1, 1, 1], (0.3, 6.0), (0.25, 6.0)).per_load > 7
    True
    """
    y, m, o = (np.asarray(v, dtype=float) for v in (gone, misses, loads))
    if y.ndim != 1 or m.shape != y.shape or o.shape != y.shape or bool(np.any(m < 0)) or bool(np.any(o < 0)):
        raise ValueError("gone, misses and loads must be lists of the same length; misses and loads 0 or more")
    if not (0 <= prior[0] <= 1 and prior[1] >= 0 and doubt[0] > 0 and doubt[1] > 0):
        raise ValueError("prior must be a share and a loss of 0 or more, doubt above 0")
    x = np.column_stack([m, o])
    known = np.diag(1 / np.square(np.array(doubt)))
    start = np.array(prior, dtype=float)
    value, phi = start.copy(), 1.0
    weight = np.ones(y.size)
    covariance = np.diag(np.square(np.array(doubt)))
    for _ in range(_ROUNDS):
        share = float(np.clip(value[0], 0.02, 0.98))
        chance = share * (1 - share) * m + max(float(value[1]), 0.1) * o + 1.0
        away = (y - x @ value) / np.sqrt(chance)
        if y.size > 2:
            # Middle of the absolute residuals, scaled to a standard deviation: stray reels do not move it.
            phi = max(1.0, float((np.median(np.abs(away)) / stats.norm.ppf(0.75)) ** 2) * y.size / (y.size - 2))
        weight = np.minimum(1.0, BEND / np.maximum(np.abs(away) / np.sqrt(phi), 1e-12))
        w = weight / (phi * chance)
        covariance = np.linalg.inv(x.T @ (w[:, None] * x) + known)
        value = covariance @ (x.T @ (w * y) + known @ start)
        value = np.array([min(max(value[0], 0.0), 1.0), max(value[1], 0.0)])
    return TwoRates(float(value[0]), float(value[1]), covariance, phi, y.size)
