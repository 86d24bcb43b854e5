"""Logistic model with crossed random effects: whose fault is a loss, when everything works with everything.

In:    losses and attempts of cells, fixed-effect columns, factors (nozzle, feeder, part ...) as level numbers.
Out:   `CrossedResult`: effects with variances, spreads per factor, Laplace log-likelihood.
After: never raises for a fit that does not settle: `converged` is False, `message` says why, and the estimates are
       those at the starting spreads (penalised quasi-likelihood).

logit P(loss) = offset + X beta + sum over factors of u_k[level], u_k ~ N(0, sigma_k^2), summed by Laplace's method.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import linalg, optimize

from pipeline.estimators.arrays import BoolArray, FloatArray, as_dispersion
from pipeline.estimators.crossed_design import RELEASED_SD, make_design
from pipeline.estimators.crossed_objective import LaplaceObjective, Mode, Priors
from pipeline.estimators.crossed_result import ZERO_SIGMA, CrossedResult
from pipeline.estimators.crossed_solver import Factored

__all__ = ["RELEASED_SD", "ZERO_SIGMA", "CrossedResult", "fit_crossed"]

_LOWEST, _HIGHEST = float(np.log(1e-3)), float(np.log(20.0))
_START = 0.4
_SMALL = 0.15
"""Spreads below this are tried at zero once the fit has settled: the likelihood is flat in log sigma down there."""


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
    log_sigma_prior: tuple[float, float] | None = None,
    tolerance: float = 1e-3,
    max_evaluations: int = 150,
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
    log_sigma_prior   (mean, sd) of a normal prior on each estimated log sigma, not in minus2loglik. Default: none
    tolerance         largest gradient at the end, per standard error of the parameter

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
    phi = float(as_dispersion(dispersion))
    design = make_design(losses, attempts, X, factors, sizes, offset, released)
    p, count = design.X.shape[1], len(design.sizes)
    fixed_precision = np.zeros(p)
    if beta_sd is not None:
        spread = np.broadcast_to(np.asarray(beta_sd, dtype=float), (p,))
        if not bool(np.all(spread > 0)):
            raise ValueError("beta_sd must be above 0")
        fixed_precision = 1.0 / spread**2
    elif p and np.linalg.matrix_rank(design.X) < p:
        raise ValueError("the columns of X are linearly dependent; leave one out or give beta_sd")
    held = _held(sigmas, count)
    objective = LaplaceObjective(
        design, Priors(phi, fixed_precision, log_sigma_prior), outer_beta=beta == "outer" and p > 0
    )
    fit = _Fit(objective, held, tolerance, max_evaluations)
    return fit.run()


def _held(sigmas: Sequence[float | None] | None, count: int) -> FloatArray:
    """Fixed spreads, nan where they are to be estimated."""
    if sigmas is None:
        return np.full(count, np.nan)
    if len(sigmas) != count:
        raise ValueError(f"{len(sigmas)} sigmas for {count} factors")
    held = np.array([np.nan if s is None else float(s) for s in sigmas])
    if bool(np.any(held <= 0)):
        raise ValueError("a fixed sigma must be above 0; leave the factor out instead")
    return np.asarray(np.maximum(held, 1e-3), dtype=float)


class _Fit:
    """One outer optimisation, from penalised quasi-likelihood to the maximum of the Laplace likelihood."""

    def __init__(self, objective: LaplaceObjective, held: FloatArray, tolerance: float, most: int) -> None:
        self.objective = objective
        self.free: BoolArray = np.isnan(held) & (objective.held > 0)
        self.sigmas = np.where(np.isnan(held), _START, held)
        self.tolerance = tolerance
        self.most = most
        self.beta = objective._stacked[objective.effects :].copy()
        self.scale = np.ones(int(self.free.sum()))
        self.root = np.eye(self.beta.size)

    def run(self) -> CrossedResult:
        """The whole fit; falls back to the starting spreads when the outer part fails."""
        try:
            mode = self._start()
        except np.linalg.LinAlgError as error:
            return self._hopeless(str(error))
        start = self.sigmas.copy()
        free = int(self.free.sum())
        if not free and not self.objective.outer_beta:
            return self._result(mode, True, "converged")
        try:
            return self._optimise()
        except (np.linalg.LinAlgError, FloatingPointError) as error:
            self.sigmas = start
            self.objective._stacked[:] = mode.stacked
            return self._result(mode, False, f"not converged, spreads are the starting values: {error}")

    def _start(self) -> Mode:
        """Penalised quasi-likelihood: a few fixed-point steps, then the scale of each parameter."""
        mode = self.objective.mode(self.sigmas)
        for _ in range(4):
            if not self.free.any():
                break
            found = np.clip(self.objective.pql_sigmas(mode, self.sigmas), 0.02, 5.0)
            moved = np.max(np.abs(np.log(found / self.sigmas))[self.free])
            self.sigmas = np.where(self.free, found, self.sigmas)
            mode = self.objective.mode(self.sigmas)
            if moved < 0.05:
                break
        if not self.free.any() and not self.objective.outer_beta:
            return mode
        information = np.diag(self.objective.log_sigma_information(mode))[self.free]
        self.scale = 1.0 / np.sqrt(np.maximum(information, 0.5))
        self.beta = mode.stacked[self.objective.effects :].copy()
        if self.objective.outer_beta:
            covariance = self._beta_covariance(mode)
            self.root = np.asarray(linalg.cholesky(covariance, lower=True), dtype=float)
        return mode

    def _beta_covariance(self, mode: Mode) -> FloatArray:
        effects = self.objective.assembler.rest_effects
        return mode.factored.effect_inverse(joint=True)[effects:, effects:]

    def _unpack(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        free = self.scale.size
        sigmas = self.sigmas.copy()
        sigmas[self.free] = np.exp(np.clip(x[:free] * self.scale, _LOWEST, _HIGHEST))
        return sigmas, self.beta + self.root @ x[free:] if self.objective.outer_beta else self.beta

    def _value(self, x: FloatArray) -> tuple[float, FloatArray]:
        sigmas, beta = self._unpack(x)
        value, by_sigma, by_beta = self.objective(sigmas, beta)
        penalty, slope = self.objective.log_sigma_penalty(np.log(sigmas[self.free]))
        gradient = np.concatenate(
            [(by_sigma[self.free] + slope) * self.scale, self.root.T @ by_beta if by_beta.size else by_beta]
        )
        if not np.isfinite(value):
            raise np.linalg.LinAlgError("the likelihood is not finite")
        return value + penalty, gradient

    def _optimise(self) -> CrossedResult:
        free = self.scale.size
        outer = self.beta.size if self.objective.outer_beta else 0
        x = np.concatenate([np.log(self.sigmas[self.free]) / self.scale, np.zeros(outer)])
        bounds = [(_LOWEST / s, _HIGHEST / s) for s in self.scale] + [(None, None)] * outer
        value = abs(self._value(x)[0])
        found = optimize.minimize(
            self._value,
            x,
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={
                "maxfun": self.most,
                "maxiter": self.most,
                "gtol": self.tolerance,
                "ftol": max(0.1 * self.tolerance**2 / max(value, 1.0), 1e-15),
                "maxcor": max(10, x.size),
            },
        )
        x = self._try_zero(np.asarray(found.x, dtype=float), float(found.fun))
        _, gradient = self._value(x)
        low, high = x[:free] * self.scale <= _LOWEST + 1e-9, x[:free] * self.scale >= _HIGHEST - 1e-9
        gradient[:free] = np.where(
            low, np.minimum(gradient[:free], 0), np.where(high, np.maximum(gradient[:free], 0), gradient[:free])
        )
        worst = float(np.max(np.abs(gradient), initial=0.0))
        sigmas, beta = self._unpack(x)
        mode = self.objective.mode(sigmas, beta if self.objective.outer_beta else None)
        self.sigmas = sigmas
        converged = worst <= 10 * self.tolerance
        message = (
            "converged"
            if converged
            else f"not converged: gradient {worst:.2g} after {self.objective.evaluations} evaluations"
        )
        if np.any(np.abs(mode.stacked[self.objective.effects :]) > 25):
            converged, message = False, "not converged: a fixed effect ran away; give beta_sd"
        return self._result(mode, converged, message)

    def _try_zero(self, x: FloatArray, value: float) -> FloatArray:
        """Set small spreads to their lower bound where that does not cost likelihood."""
        free = self.scale.size
        for i in np.argsort(x[:free] * self.scale):
            if _LOWEST + 1e-9 < x[i] * self.scale[i] < np.log(_SMALL):
                trial = x.copy()
                trial[i] = _LOWEST / self.scale[i]
                at_zero = self._value(trial)[0]
                if at_zero <= value + 0.1 * self.tolerance**2:
                    x, value = trial, at_zero
        return x

    def _result(self, mode: Mode, converged: bool, message: str) -> CrossedResult:
        objective = self.objective
        effects = objective.effects
        value = objective.at_mode(mode)[0]
        ridge = objective.priors.fixed_precision
        value -= 0.5 * float(ridge @ mode.stacked[effects:] ** 2)
        phi = objective.priors.dispersion
        variances = mode.factored.variances(joint=True)
        zero = self.free & (self.sigmas < ZERO_SIGMA)
        if zero.any() and converged:
            message = f"converged; no spread in factor {', '.join(str(k) for k in np.flatnonzero(zero))}"
        factors = range(len(objective.design.sizes))
        prior = 1.0 / mode.precision
        return CrossedResult(
            beta=mode.stacked[effects:].copy(),
            se_beta=np.sqrt(variances[effects:]),
            effects=tuple(mode.stacked[objective.slices[k]].copy() for k in factors),
            variances=tuple(variances[objective.slices[k]].copy() for k in factors),
            prior_variances=tuple(prior[objective.slices[k]].copy() for k in factors),
            sigmas=self.sigmas.copy(),
            se_sigmas=self._sigma_errors(mode, zero),
            zero=zero,
            minus2loglik=2.0 * (value - objective.design.constant / phi),
            dispersion=phi,
            converged=converged,
            message=message,
            evaluations=objective.evaluations,
            _design=objective.design,
            _factored=mode.factored,
        )

    def _sigma_errors(self, mode: Mode, zero: BoolArray) -> FloatArray:
        """From the expected information of log sigma, times sigma; nan where fixed, zero or not identified."""
        errors = np.full(self.sigmas.size, np.nan)
        use = np.flatnonzero(self.free & ~zero)
        if use.size == 0:
            return errors
        information = self.objective.log_sigma_information(mode)[np.ix_(use, use)]
        if self.objective.priors.log_sigma is not None:
            information = information + np.eye(use.size) / self.objective.priors.log_sigma[1] ** 2
        if np.min(np.diag(information)) < 1e-3 or np.linalg.cond(information) > 1e10:
            return errors
        with np.errstate(invalid="ignore"):
            errors[use] = self.sigmas[use] * np.sqrt(np.diag(np.linalg.inv(information)))
        return errors

    def _hopeless(self, reason: str) -> CrossedResult:
        """Not even the start was found: no effects, prior variances, nan for what is unknown."""
        objective = self.objective
        precision = objective.precision(self.sigmas)
        factors = range(len(objective.design.sizes))
        prior = tuple(1.0 / precision[objective.slices[k]] for k in factors)
        nothing = objective.assembler.build(np.zeros(objective.design.losses.size))
        return CrossedResult(
            beta=np.full(self.beta.size, np.nan),
            se_beta=np.full(self.beta.size, np.nan),
            effects=tuple(np.zeros(size) for size in objective.design.sizes),
            variances=prior,
            prior_variances=prior,
            sigmas=self.sigmas.copy(),
            se_sigmas=np.full(self.sigmas.size, np.nan),
            zero=np.zeros(self.sigmas.size, dtype=bool),
            minus2loglik=float("nan"),
            dispersion=objective.priors.dispersion,
            converged=False,
            message=f"not converged, no estimates: {reason}",
            evaluations=objective.evaluations,
            _design=objective.design,
            _factored=Factored(objective.assembler, nothing, precision, np.ones(self.beta.size)),
        )
