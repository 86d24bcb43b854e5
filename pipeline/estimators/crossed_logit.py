"""Logistic model with crossed random effects: whose fault is a loss, when everything works with everything.

In:    losses and attempts of cells, fixed-effect columns, factors (nozzle, feeder, part ...) as level numbers.
Out:   `CrossedResult`: effects with variances, spreads per factor, Laplace log-likelihood.
After: never raises for a fit that does not settle: `converged` is False, `message` says why, and the estimates are
       those at the starting spreads (penalised quasi-likelihood).

logit P(loss) = offset + X beta + sum over factors of u_k[level], u_k ~ N(0, sigma_k^2), summed by Laplace's method.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from pipeline.estimators.arrays import FloatArray, as_dispersion
from pipeline.estimators.crossed_design import RELEASED_SD, checked_released, make_design
from pipeline.estimators.crossed_determinant import log_determinant
from pipeline.estimators.crossed_large import LargeAssembler, LargeFactored
from pipeline.estimators.crossed_large_fit import LargeFit
from pipeline.estimators.crossed_objective import AnyAssembler, LaplaceObjective, Priors
from pipeline.estimators.crossed_outer import OuterFit
from pipeline.estimators.crossed_result import ZERO_SIGMA, CrossedResult
from pipeline.estimators.crossed_solver import Assembler

__all__ = ["RELEASED_SD", "ZERO_SIGMA", "CrossedModel", "CrossedResult", "fit_crossed"]

DENSE_LIMIT = 2000
"""Effects besides the largest factor up to which everything is exact; a step takes a second there, and grows with the
cube."""


def fit_crossed(
    losses: ArrayLike,
    attempts: ArrayLike,
    X: ArrayLike,
    factors: Sequence[ArrayLike],
    *,
    sizes: Sequence[int] | None = None,
    offset: ArrayLike | None = None,
    released: Sequence[ArrayLike | None] | None = None,
    sigmas: Sequence[float | None] | None = None,
    dispersion: float = 1.0,
    beta: Literal["outer", "joint"] = "outer",
    beta_sd: ArrayLike | None = None,
    log_sigma_prior: tuple[ArrayLike, ArrayLike] | None = None,
    tolerance: float = 1e-3,
    max_evaluations: int = 150,
    route: Literal["auto", "dense", "iterative"] = "auto",
) -> CrossedResult:
    """Fit the crossed logistic model by Laplace's method.

    losses, attempts  counts, shape (n,); cells without attempts are predicted but not used
    X                 fixed effects, shape (n, p), with a column of ones for the intercept; columns must be independent
    factors           per factor: level of each cell, integers, shape (n,), 0 to L-1; -1: unknown, no effect
    sizes             per factor: number of levels L; default: highest level + 1
    offset            known part of the log odds, shape (n,)
    released          per factor: levels (boolean, shape (L,)) whose effect is as good as free (sd 5) and does not
                      count for the spread: known outliers, so that they do not widen what "healthy" means
    sigmas            per factor: spread to hold fixed, sd in log odds, or None to estimate it
    dispersion        phi >= 1; the log-likelihood is divided by it (bursts)
    beta              "outer": fixed effects maximise the Laplace likelihood, as other programs do by default;
                      "joint": they are taken at the joint mode with the effects: fewer dimensions, faster, and the
                      effects of every factor sum to 0
    beta_sd           prior sd of each fixed effect (scalar or shape (p,)), centred at 0; keeps a method without a
                      single loss from running away. Default: none
    log_sigma_prior   (mean, sd) of a normal prior on each estimated log sigma, scalars or shape (K,); not in
                      minus2loglik. Default: none
    tolerance         largest gradient at the end, per standard error of the parameter; the iterative route stops at
                      0.02 or at this, whichever is larger
    max_evaluations   most gradients of the dense route; the iterative one takes at most 15 Newton steps
    route             "dense": exact; "iterative": for thousands of effects, with sampled traces (see
                      `CrossedResult.approximate`); "auto": by the number of effects besides the largest factor

    Raises ValueError for inputs that do not fit together. Never raises for a fit that does not settle.
    Breaks when: bad items are many and not released (they widen the spread and shrink each other); effects are not
    normal on the logit scale; expected losses per level are far below 1 (Laplace then understates spreads: on binary
    data with few cells a level by 15 % and more).
    Source: Breslow and Clayton 1993, JASA 88:9; Bates et al. 2015, J Stat Softw 67(1), for the objective.

    >>> rng = np.random.default_rng(1)
    >>> nozzle, feeder = np.repeat(np.arange(12), 15), np.tile(np.arange(15), 12)
    >>> truth = rng.normal(0, 0.8, 12)
    >>> losses = rng.binomial(400, 1 / (1 + np.exp(4 - truth[nozzle])))
    >>> fit = fit_crossed(losses, np.full(180, 400), np.ones((180, 1)), [nozzle, feeder])
    >>> fit.converged, bool(abs(np.corrcoef(fit.effects[0], truth)[0, 1]) > 0.95)
    (True, True)
    """
    model = CrossedModel(
        losses,
        attempts,
        X,
        factors,
        sizes=sizes,
        offset=offset,
        beta=beta,
        beta_sd=beta_sd,
        log_sigma_prior=log_sigma_prior,
        tolerance=tolerance,
        max_evaluations=max_evaluations,
        route=route,
    )
    return model.fit(released=released, sigmas=sigmas, dispersion=dispersion)


class CrossedModel:
    """The same cells fitted several times: with other items released, other spreads held, another dispersion.

    Cells are checked and merged once, and what depends on their pattern alone is worked out once. Arguments as for
    `fit_crossed`; ValueError as there.

    >>> model = CrossedModel([3, 40, 4, 2], [100] * 4, np.ones((4, 1)), [[0, 1, 2, 3]])
    >>> fit = model.fit(sigmas=[0.3])
    >>> one = model.minus2loglik(sigmas=fit.sigmas, released=[[False, True, False, False]], start=fit)
    >>> bool(one < fit.minus2loglik)
    True
    """

    def __init__(
        self,
        losses: ArrayLike,
        attempts: ArrayLike,
        X: ArrayLike,
        factors: Sequence[ArrayLike],
        *,
        sizes: Sequence[int] | None = None,
        offset: ArrayLike | None = None,
        beta: Literal["outer", "joint"] = "outer",
        beta_sd: ArrayLike | None = None,
        log_sigma_prior: tuple[ArrayLike, ArrayLike] | None = None,
        tolerance: float = 1e-3,
        max_evaluations: int = 150,
        route: Literal["auto", "dense", "iterative"] = "auto",
    ) -> None:
        self.design = make_design(losses, attempts, X, factors, sizes, offset)
        p = self.design.X.shape[1]
        self._fixed_precision = np.zeros(p)
        if beta_sd is not None:
            spread = np.broadcast_to(np.asarray(beta_sd, dtype=float), (p,))
            if not bool(np.all(spread > 0)):
                raise ValueError("beta_sd must be above 0")
            self._fixed_precision = 1.0 / spread**2
        elif p and np.linalg.matrix_rank(self.design.X) < p:
            raise ValueError("the columns of X are linearly dependent; leave one out or give beta_sd")
        self._outer_beta = beta == "outer" and p > 0
        self.prior_sigmas(log_sigma_prior)
        self._tolerance = tolerance
        self._most = max_evaluations
        self.route = route if route != "auto" else self._route()
        self._assembler: AnyAssembler
        self._assembler = LargeAssembler(self.design) if self.route == "iterative" else Assembler(self.design)

    def prior_sigmas(self, log_sigma_prior: tuple[ArrayLike, ArrayLike] | None) -> None:
        """Take another prior on the log sigmas for the fits to come; ValueError for a sd that is not above 0."""
        self._log_sigma_prior = None
        if log_sigma_prior is not None:
            count = len(self.design.sizes)
            mean, sd = (np.broadcast_to(np.asarray(p, dtype=float), (count,)).copy() for p in log_sigma_prior)
            if not bool(np.all(np.isfinite(mean)) and np.all(sd > 0)):
                raise ValueError("log_sigma_prior needs finite means and sds above 0")
            self._log_sigma_prior = mean, sd

    def _route(self) -> str:
        """By the number of effects besides the largest factor."""
        sizes = self.design.sizes
        return "iterative" if sum(sizes) - max(sizes, default=0) > DENSE_LIMIT else "dense"

    def fit(
        self,
        *,
        released: Sequence[ArrayLike | None] | None = None,
        sigmas: Sequence[float | None] | FloatArray | None = None,
        dispersion: float = 1.0,
        start: CrossedResult | None = None,
    ) -> CrossedResult:
        """Fit; `start`: an earlier fit of this model to begin at, which saves time and changes nothing else."""
        held = _held(sigmas, len(self.design.sizes))
        objective = self._objective(released, dispersion, start)
        begin = start.sigmas if start is not None and start.converged else None
        if isinstance(self._assembler, LargeAssembler):
            return LargeFit(objective, self._assembler, held, self._tolerance, begin).run()
        return OuterFit(objective, held, self._tolerance, self._most, begin).run()

    def minus2loglik(
        self,
        *,
        sigmas: Sequence[float] | FloatArray,
        released: Sequence[ArrayLike | None] | None = None,
        dispersion: float = 1.0,
        start: CrossedResult | None = None,
    ) -> float:
        """-2 log likelihood at given spreads, fixed effects at the joint mode; nan where no mode is found.

        Cheaper than `fit`, which gives the same figure there: nothing is inverted.
        """
        held = _held(sigmas, len(self.design.sizes))
        if bool(np.isnan(held).any()):
            raise ValueError("minus2loglik needs a spread for every factor")
        objective = self._objective(released, dispersion, start)
        try:
            mode = objective.mode(held)
            if isinstance(mode.factored, LargeFactored):
                return objective.minus2loglik(mode, log_determinant(mode.factored)[0])
            return objective.minus2loglik(mode)
        except np.linalg.LinAlgError:
            return float("nan")

    def _objective(
        self, released: Sequence[ArrayLike | None] | None, dispersion: float, start: CrossedResult | None
    ) -> LaplaceObjective:
        phi = float(as_dispersion(dispersion))
        design = replace(self.design, released=tuple(checked_released(list(self.design.sizes), released)))
        priors = Priors(phi, self._fixed_precision, self._log_sigma_prior)
        objective = LaplaceObjective(design, priors, outer_beta=self._outer_beta, assembler=self._assembler)
        if start is not None and start.converged:
            objective.begin(start.effects, start.beta)
        return objective


def _held(sigmas: Sequence[float | None] | FloatArray | None, count: int) -> FloatArray:
    """Fixed spreads, nan where they are to be estimated."""
    if sigmas is None:
        return np.full(count, np.nan)
    if len(sigmas) != count:
        raise ValueError(f"{len(sigmas)} sigmas for {count} factors")
    held = np.array([np.nan if s is None else float(s) for s in sigmas])
    if bool(np.any(held <= 0)):
        raise ValueError("a fixed sigma must be above 0; leave the factor out instead")
    return np.asarray(np.maximum(held, 1e-3), dtype=float)
