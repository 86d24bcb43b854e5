"""Bursts: how much more the counts scatter than independent picks would.

In:    losses and attempts of cells (item x shift), and what a model expects of each.
Out:   a dispersion factor phi: variance over binomial variance.
After: phi >= 0 as estimated; `at_least_one` is what intervals take. nan where nothing tells it.

The beta-binomial fit, the other way to the same answer, lies in beta_binomial.py and is offered here too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.estimators.arrays import as_counts
from pipeline.estimators.beta_binomial import BetaBinomialFit, beta_binomial_fit

__all__ = ["BetaBinomialFit", "Dispersion", "beta_binomial_fit", "of_runs", "pearson_dispersion"]


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Result of `pearson_dispersion`.

    phi         estimate with Fletcher's correction; nan when df < 1 or all counts are 0
    pearson     the plain X2 / df
    chi2, df    Pearson's statistic and its degrees of freedom
    cells       cells that carried information (attempts > 0 and 0 < fitted < 1)
    """

    phi: float
    pearson: float
    chi2: float
    df: int
    cells: int

    @property
    def at_least_one(self) -> float:
        """`phi`, not below 1, and 1 where it could not be estimated: bursts widen, luck never narrows."""
        return max(1.0, self.phi) if np.isfinite(self.phi) else 1.0


def pearson_dispersion(losses: ArrayLike, attempts: ArrayLike, fitted: ArrayLike, parameters: int = 1) -> Dispersion:
    """Dispersion from Pearson's statistic, corrected for sparse cells.

    losses, attempts  counts, shape (n,)
    fitted            loss rate that the model gives each cell, shape (n,), fractions; 0 and 1 carry no information
    parameters        how many parameters were fitted to these cells; df = cells - parameters

    With mostly empty cells X2 / df is skewed and swings with the few cells that have a loss. Fletcher's estimator
    divides it by 1 + s, s = mean of V'(mu) (y - mu) / V(mu): what the same cells drift off in the first moment, they
    drift off in the second. Its bias and variance are then small down to expected counts well below 1.
    Without a single loss, or with nothing but losses, 1 + s is about 0 and the counts say nothing of how they scatter.
    Raises ValueError for impossible counts.
    Breaks when: the model's mean is wrong; what it misses is taken for bursts.
    Source: Fletcher 2012, Biometrika 99:230; McCullagh and Nelder 1989, chapter 4.5.

    >>> d = pearson_dispersion([2, 0, 5, 1], [20, 20, 20, 20], [0.1, 0.1, 0.1, 0.1])
    >>> round(d.pearson, 4), d.df
    (2.5926, 3)
    """
    y, m = as_counts(losses, attempts)
    rate = np.broadcast_to(np.asarray(fitted, dtype=float), y.shape)
    use = (m > 0) & (rate > 0) & (rate < 1)
    y, m, rate = y[use], m[use], rate[use]
    cells = int(y.size)
    df = cells - int(parameters)
    if df < 1 or y.sum() in (0, m.sum()):
        return Dispersion(float("nan"), float("nan"), float("nan"), df, cells)
    mean = m * rate
    variance = mean * (1 - rate)
    chi2 = float(np.sum((y - mean) ** 2 / variance))
    drift = float(np.mean((1 - 2 * rate) * (y - mean) / variance))
    plain = chi2 / df
    return Dispersion(plain / (1 + drift), plain, chi2, df, cells)


def of_runs(dispersion: float, length: float) -> float:
    """Dispersion of losses that come in runs: variance over mean of their number.

    dispersion  that of the runs themselves, 1 or more
    length      mean losses in a run, 1 or more

    Of n runs of lengths with mean m and variance v the losses vary by var(n) m^2 + mean(n) v. Lengths are taken for
    geometric, v = m (m - 1): a run goes on with the same chance after every loss.
    Breaks when: lengths scatter more than that; intervals are then too narrow.
    Source: compound sums, Feller 1968, An Introduction to Probability Theory, chapter XII (from memory).

    >>> of_runs(1.0, 1.0), of_runs(1.5, 4.0)
    (1.0, 9.0)
    """
    return dispersion * length + length - 1.0
