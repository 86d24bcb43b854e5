"""The fitted crossed model: estimates, their uncertainty, and what can be asked of them.

In:    a `Mode` of the effects and the outcome of the outer fit (crossed_logit.py).
Out:   `CrossedResult`.
After: effects are modes on the logit scale; variances allow for estimated fixed effects, not for estimated sigmas.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray
from pipeline.estimators.crossed_design import Design
from pipeline.estimators.crossed_large import LargeFactored
from pipeline.estimators.crossed_solver import Factored

ZERO_SIGMA = 0.01
"""A spread below this (1 % in the odds) is reported as zero."""


@dataclass(frozen=True)
class CrossedResult:
    """A fitted crossed logistic model.

    beta, se_beta       fixed effects, logit scale, shape (p,)
    effects             per factor: mode of each level's effect, logit scale, shape (L_k,); 0 for a level without cells
    variances           per factor: posterior variance of each effect, shape (L_k,)
    prior_variances     per factor: prior variance of each effect (sigma^2, or 25 for a released level)
    sigmas, se_sigmas   spread of each factor, sd in log odds, shape (K,); the error is nan where it is fixed or 0
    zero                per factor: the spread came out as zero
    minus2loglik        Laplace, with binomial coefficients; at dispersion 1 comparable with other programs' Laplace
    dispersion          phi that the log-likelihood was divided by
    converged, message  whether the outer fit settled, and in words what happened
    evaluations         how often the objective was computed
    route               "dense": exact; "iterative": for many effects, with sampled traces and variances
    loglik_error        standard error of minus2loglik from sampling its determinant; 0 where that is exact
    loglik_shortfall    by how much minus2loglik is expected to lie above its minimum because the gradient was sampled
    sigma_noise         Monte Carlo error of each sigma (beside se_sigmas, which is about the data); 0 where exact
    variance_noise      typical relative Monte Carlo error of `variances`, per factor; 0 where exact
    """

    beta: FloatArray
    se_beta: FloatArray
    effects: tuple[FloatArray, ...]
    variances: tuple[FloatArray, ...]
    prior_variances: tuple[FloatArray, ...]
    sigmas: FloatArray
    se_sigmas: FloatArray
    zero: BoolArray
    minus2loglik: float
    dispersion: float
    converged: bool
    message: str
    evaluations: int
    _design: Design = field(repr=False)
    _factored: Factored | LargeFactored = field(repr=False)
    route: str = "dense"
    loglik_error: float = 0.0
    loglik_shortfall: float = 0.0
    sigma_noise: FloatArray = field(default_factory=lambda: np.zeros(0))
    variance_noise: FloatArray = field(default_factory=lambda: np.zeros(0))

    @property
    def approximate(self) -> bool:
        """True where anything in the result was sampled."""
        return self.route != "dense"

    def likelihood_only(self, factor: int, level: int | None = None) -> tuple[FloatArray, FloatArray]:
        """What the cells alone say of an effect: its own prior is taken out again, the others' stay.

        factor  number of the factor
        level   number of the level, or None for all

        Returns (estimate, variance) on the logit scale, shape (L_k,) or (): 1/vL = 1/v - 1/s2 and uL = vL m / v, for a
        posterior mean m, variance v and prior variance s2. Where the cells say nothing: nan and inf.
        Breaks when: the level has no loss at all. Its true estimate is minus infinity, the figure a parabola's.

        Source: the product of normal densities, read backwards (cavity of expectation propagation, Minka 2001).
        """
        v, s2, m = self.variances[factor], self.prior_variances[factor], self.effects[factor]
        with np.errstate(divide="ignore", invalid="ignore"):
            information = 1.0 / v - 1.0 / s2
            says = information > 1e-9 / s2
            variance = np.where(says, 1.0 / np.where(says, information, 1.0), np.inf)
            estimate = np.where(says, np.where(says, variance, 1.0) * m / v, np.nan)
        if level is None:
            return estimate, variance
        return np.asarray(estimate[level]), np.asarray(variance[level])

    def full_variances(self, factor: int) -> FloatArray:
        """Posterior variances with what is unsure about the factor's own spread added, shape (L_k,).

        To first order v + (dm / d log sigma)^2 var(log sigma). A level's mean m is its estimate times s2 / (s2 + vL),
        so that dm / d log sigma = 2 m v / s2. Released levels, and a spread that is held or 0, get nothing added.

        Breaks when: the spread is so unsure that its logarithm is far from normal (a factor of two or three levels).
        Source: Kackar and Harville 1984, JASA 79:853 (from memory).
        """
        v, s2, m = self.variances[factor], self.prior_variances[factor], self.effects[factor]
        sigma, error = self.sigmas[factor], self.se_sigmas[factor]
        if not np.isfinite(error):
            return v
        slope = np.where(np.isclose(s2, sigma**2), 2.0 * m * v / s2, 0.0)
        return np.asarray(v + slope**2 * (error / sigma) ** 2)

    def posterior_correlation(self, pairs: Sequence[tuple[tuple[int, int], tuple[int, int]]]) -> FloatArray:
        """Posterior correlation of pairs of effects, each (factor, level); near -1: the data cannot tell them apart.

        Returns shape (len(pairs),).
        """
        left = np.array([self._place(*a) for a, _ in pairs], dtype=np.int64)
        right = np.array([self._place(*b) for _, b in pairs], dtype=np.int64)
        shared = self._factored.covariances(left, right, joint=True)
        if self.approximate:  # not by the sampled variances, whose error would be the correlation's
            each = (self._factored.covariances(side, side, joint=True) for side in (left, right))
        else:
            each = (np.array([self.variances[k][level] for k, level in side]) for side in zip(*pairs, strict=True))
        squares = np.prod(list(each), axis=0) if len(pairs) else np.zeros(0)
        return np.asarray(shared / np.sqrt(squares), dtype=float)

    def linear_predictor(self, without: tuple[int, int | None] | None = None) -> FloatArray:
        """Log odds of every cell that was given, shape (n,).

        without  (factor, level): as if that one effect were 0; (factor, None): as if all effects of the factor were
        """
        design = self._design
        eta = design.given_offset + design.given_fixed @ self.beta
        for k, levels in enumerate(design.given_levels):
            effects = np.append(self.effects[k], 0.0)
            if without is not None and without[0] == k:
                effects = effects.copy()
                effects[slice(None) if without[1] is None else without[1]] = 0.0
            eta = eta + effects[levels]
        return np.asarray(eta, dtype=float)

    def _place(self, factor: int, level: int) -> int:
        where = self._factored.assembler.slices()[factor]
        if not 0 <= level < where.stop - where.start:
            raise ValueError(f"factor {factor} has no level {level}")
        return int(where.start) + level

    def levels_with_cells(self, factor: int) -> IntArray:
        """Levels that occur in at least one cell with attempts."""
        levels = self._design.levels[factor]
        return np.unique(levels[levels >= 0])
