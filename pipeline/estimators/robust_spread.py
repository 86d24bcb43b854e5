"""The spread between healthy peers, when a few of them are not healthy.

In:    estimates (log odds) with their standard errors.
Out:   centre and spread (sd) of the healthy ones beyond sampling error, and how far off each item lies.
After: spread >= 0; without outliers the estimate is consistent, as Paule and Mandel's is.

A few bad nozzles must not widen what counts as normal: they would hide each other and themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import integrate, optimize

from pipeline.estimators.arrays import FloatArray

_CUT = 4.685
"""Tukey's constant: items further off than this many standard deviations do not count at all."""
_FEWEST = 5


def _share_of_variance() -> float:
    """E[w(z) z^2] / E[w(z)] for a standard normal z: what makes the weighted spread consistent."""

    def weighted(z: float, power: int) -> float:
        return float((1 - (z / _CUT) ** 2) ** 2 * z**power * np.exp(-0.5 * z * z))

    return float(integrate.quad(weighted, 0, _CUT, (2,))[0] / integrate.quad(weighted, 0, _CUT, (0,))[0])


_CONSISTENT = _share_of_variance()


@dataclass(frozen=True, slots=True)
class Spread:
    """Centre and spread of healthy peers.

    center, se_center   common mean of the estimates and its standard error
    spread, se_spread   sd between healthy items beyond sampling error; se_spread is nan when the spread is 0
    z                   how far each item lies from the centre, in sd of a healthy item's estimate, shape (n,)
    weight              how far each item counts as a peer, 1 to 0, shape (n,); all 1 where outliers were not looked for
    converged           whether the iteration settled
    """

    center: float
    se_center: float
    spread: float
    se_spread: float
    z: FloatArray
    weight: FloatArray
    converged: bool


def paule_mandel(estimates: ArrayLike, errors: ArrayLike) -> Spread:
    """Moment estimate of the spread that solves sum v (x - mean)^2 = n - 1, v = 1 / (spread^2 + error^2).

    estimates, errors  shape (n,), n >= 2; errors are standard errors, > 0 and finite

    Raises ValueError otherwise.
    Breaks when: some items are outliers; each widens the spread. Use `robust_spread`.
    Source: Paule and Mandel 1982, J Res Nat Bur Stand 87:377; DerSimonian and Kacker 2007.

    >>> s = paule_mandel([0.0, 1.0, 2.0, 3.0], [0.1] * 4)
    >>> round(s.center, 3), round(s.spread, 3)
    (1.5, 1.287)
    """
    x, s = _checked(estimates, errors)
    ones = np.ones(x.size)
    return _summary(x, s, ones, _moment_spread(x, s, ones, 1.0), True)


def robust_spread(estimates: ArrayLike, errors: ArrayLike, *, iterations: int = 1000) -> Spread:
    """Centre and spread of the healthy majority; what lies far off does not count.

    estimates, errors  shape (n,), n >= 2, as `paule_mandel`; with fewer than 5 items it is `paule_mandel`
    iterations         most steps of the iteration

    Paule and Mandel's equation with Tukey's biweight: sum w v (x - center)^2 = c (n - 1)/n sum w, with
    w = (1 - (z/4.685)^2)^2 and 0 beyond, and c such that the spread is consistent for normal peers. It starts from the
    median and the median deviation, which a third of outliers cannot carry away.
    Breaks when: more than about a quarter are bad, or bad ones lie only 2 or 3 sd off: no method tells those from a
    wide healthy spread.
    Source: Beaton and Tukey 1974, Technometrics 16:147 (biweight); Huber 1981, chapters 6 and 7 (location and scale);
    Paule and Mandel 1982.

    >>> x = [0.1, -0.2, 0.3, 0.0, -0.1, 0.2, -0.3, 0.1, 4.0]
    >>> s = robust_spread(x, [0.1] * 9)
    >>> s.spread < 0.4, bool(s.weight[-1] == 0.0)
    (True, True)
    """
    x, s = _checked(estimates, errors)
    if x.size < _FEWEST or float(np.ptp(x)) == 0.0:
        return paule_mandel(x, s)
    center = float(np.median(x))
    tau2 = _median_spread(x - center, s)
    converged = False
    weight = np.ones(x.size)
    for _ in range(iterations):
        weight = np.maximum(1.0 - (x - center) ** 2 / (tau2 + s**2) / _CUT**2, 0.0) ** 2
        before = (center, np.sqrt(tau2))
        tau2 = _moment_spread(x, s, weight, _CONSISTENT)
        shares = weight / (tau2 + s**2)
        center = float(shares @ x / shares.sum())
        if abs(center - before[0]) + abs(np.sqrt(tau2) - before[1]) < 1e-9 * (1.0 + abs(center)):
            converged = True
            break
    return _summary(x, s, weight, tau2, converged)


def _checked(estimates: ArrayLike, errors: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, s = np.asarray(estimates, dtype=float), np.asarray(errors, dtype=float)
    if x.ndim != 1 or x.size < 2 or x.shape != s.shape:
        raise ValueError(f"estimates have shape {x.shape}, errors {s.shape}; both must be (n,) with n >= 2")
    if not bool(np.all(np.isfinite(x)) and np.all(np.isfinite(s)) and np.all(s > 0)):
        raise ValueError("estimates and errors must be finite and errors above 0; leave out items that say nothing")
    return x, s


def _median_spread(away: FloatArray, s: FloatArray) -> float:
    """Squared spread at which the median of |z| is that of a standard normal: the start."""

    def excess(tau2: float) -> float:
        return float(np.median(np.abs(away) / np.sqrt(tau2 + s**2))) - 0.6744897501960817

    if excess(0.0) <= 0.0:
        return 0.0
    return float(optimize.brentq(excess, 0.0, 4.0 * float(np.max(away**2)) + 1e-12, xtol=1e-12))


def _moment_spread(x: FloatArray, s: FloatArray, weight: FloatArray, consistent: float) -> float:
    """Squared spread from the weighted moment equation; falling in the spread, so one root at most."""
    wanted = consistent * float(weight.sum()) * (x.size - 1) / x.size

    def excess(tau2: float) -> float:
        shares = weight / (tau2 + s**2)
        mean = float(shares @ x / shares.sum())
        return float(shares @ (x - mean) ** 2) - wanted

    if excess(0.0) <= 0.0:
        return 0.0
    high = float(np.ptp(x)) ** 2 + 1e-12
    while excess(high) > 0.0:
        high *= 4.0
    return float(optimize.brentq(excess, 0.0, high, xtol=1e-14, rtol=1e-12))


def _summary(x: FloatArray, s: FloatArray, weight: FloatArray, tau2: float, converged: bool) -> Spread:
    variance = tau2 + s**2
    shares = weight / variance
    center = float(shares @ x / shares.sum())
    information = 0.5 * float(weight @ (2.0 * tau2 / variance) ** 2)
    spread = float(np.sqrt(tau2))
    return Spread(
        center=center,
        se_center=float(np.sqrt(np.sum(shares**2 * variance)) / shares.sum()),
        spread=spread,
        se_spread=float(spread / np.sqrt(information)) if information > 0 else float("nan"),
        z=(x - center) / np.sqrt(variance),
        weight=weight,
        converged=converged,
    )
