"""The outer fit of the crossed model: spreads, and fixed effects where they are outer, by the dense route.

In:    a `LaplaceObjective`, which spreads are held, a start.
Out:   `CrossedResult`.
After: a fit that does not settle is returned with `converged` False and a message; nothing is raised for it.

Newton steps with the expected information of the log spreads as the first curvature, updated by what the gradient does
(BFGS), each step checked against the value; where that does not settle, L-BFGS-B goes on from the best point.
Source: Nocedal and Wright 2006, Numerical Optimization, chapters 3 and 6.
"""

from __future__ import annotations

import numpy as np
from scipy import linalg, optimize

from pipeline.estimators.arrays import BoolArray, FloatArray
from pipeline.estimators.crossed_objective import LaplaceObjective, Mode
from pipeline.estimators.crossed_result import ZERO_SIGMA, CrossedResult

LOWEST, HIGHEST = float(np.log(1e-3)), float(np.log(20.0))
START = 0.4
_SMALL = 0.15
"""Spreads below this are tried at zero once the fit has settled: the likelihood is flat in log sigma down there."""
_SHARPER = 0.1
"""Newton goes on to this share of the tolerance: one step more, and flat directions settle as well."""
_LONGEST = 1.0
_MOST_STEPS = 25
_RULED_OUT = 10.0
"""Log density of the prior that a spread at its lower bound may cost before it is not even tried there."""


class OuterFit:
    """One outer optimisation, from penalised quasi-likelihood to the maximum of the Laplace likelihood."""

    def __init__(
        self, objective: LaplaceObjective, held: FloatArray, tolerance: float, most: int, start: FloatArray | None
    ) -> None:
        self.objective = objective
        self.free: BoolArray = np.isnan(held) & (objective.held > 0)
        first = np.full(held.size, START) if start is None else np.clip(start, 0.02, 5.0)
        self.sigmas = np.where(np.isnan(held), first, held)
        self.tolerance = tolerance
        self.near = start is not None and objective.priors.log_sigma is not None
        self.most = most
        self.beta = objective.stacked[objective.effects :].copy()
        self.scale = np.ones(int(self.free.sum()))
        self.root = np.eye(self.beta.size)
        self._last: tuple[FloatArray, Mode] | None = None

    def run(self) -> CrossedResult:
        """The whole fit; falls back to the starting spreads when the outer part fails."""
        try:
            mode = self._start()
        except np.linalg.LinAlgError as error:
            return self.objective.without_estimates(self.sigmas, str(error), "dense")
        start = self.sigmas.copy()
        if not self.free.any() and not self.objective.outer_beta:
            self.objective.evaluations += 1
            return self._result(mode, True, "converged")
        try:
            return self._optimise(mode)
        except (np.linalg.LinAlgError, FloatingPointError) as error:
            self.sigmas = start
            self.objective.stacked[:] = mode.stacked
            return self._result(mode, False, f"not converged, spreads are the starting values: {error}")

    def _start(self) -> Mode:
        """Penalised quasi-likelihood: a few fixed-point steps, none from the spreads of a fit that is near.

        Without a prior of log sigma a spread near 0 hardly moves by its gradient, so there all starts take them.
        """
        mode = self.objective.mode(self.sigmas)
        for _ in range(4):
            if self.near or not self.free.any():
                break
            found = np.clip(self.objective.pql_sigmas(mode, self.sigmas), 0.02, 5.0)
            moved = np.max(np.abs(np.log(found / self.sigmas))[self.free])
            self.sigmas = np.where(self.free, found, self.sigmas)
            mode = self.objective.mode(self.sigmas)
            if moved < 0.05:
                break
        return mode

    def _curvature(self, mode: Mode) -> FloatArray:
        """Scale of each parameter; returns the curvature that Newton starts with, in those scales."""
        information = self.objective.log_sigma_information(mode, self.free)[np.ix_(self.free, self.free)]
        if self.objective.priors.log_sigma is not None:
            information = information + np.diag(1.0 / self.objective.priors.log_sigma[1][self.free] ** 2)
        self.scale = 1.0 / np.sqrt(np.maximum(np.diag(information), 0.5))
        self.beta = mode.stacked[self.objective.effects :].copy()
        if self.objective.outer_beta:
            columns = mode.factored.fixed_columns()[self.objective.effects :]
            self.root = np.asarray(linalg.cholesky(columns @ columns.T, lower=True), dtype=float)
        scaled = information * np.outer(self.scale, self.scale)
        outer = self.beta.size if self.objective.outer_beta else 0
        weak = np.diag(np.maximum(0.5 * self.scale**2 - np.diag(scaled), 0.0))
        return np.asarray(linalg.block_diag(scaled + weak, np.eye(outer)), dtype=float)

    # ---- value and gradient in scaled parameters ------------------------------------------------------------------
    def _unpack(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        free = self.scale.size
        sigmas = self.sigmas.copy()
        sigmas[self.free] = np.exp(np.clip(x[:free] * self.scale, LOWEST, HIGHEST))
        return sigmas, self.beta + self.root @ x[free:] if self.objective.outer_beta else self.beta

    def _value(self, x: FloatArray) -> float:
        """Half of -2 log L and the weak prior; the mode is kept for the gradient."""
        sigmas, beta = self._unpack(x)
        mode = self.objective.mode(sigmas, beta if self.objective.outer_beta else None)
        value = self.objective.value(mode) + self.objective.log_sigma_penalty(np.log(sigmas[self.free]), self.free)[0]
        if not np.isfinite(value):
            raise np.linalg.LinAlgError("the likelihood is not finite")
        self._last = x.copy(), mode
        return value

    def _gradient(self, x: FloatArray) -> FloatArray:
        if self._last is None or not np.array_equal(self._last[0], x):
            self._value(x)
        assert self._last is not None
        by_sigma, by_beta = self.objective.gradient(self._last[1])
        slope = self.objective.log_sigma_penalty(np.log(self._unpack(x)[0][self.free]), self.free)[1]
        return np.concatenate(
            [(by_sigma[self.free] + slope) * self.scale, self.root.T @ by_beta if by_beta.size else by_beta]
        )

    def _both(self, x: FloatArray) -> tuple[float, FloatArray]:
        return self._value(x), self._gradient(x)

    # ---- the search ------------------------------------------------------------------------------------------------
    def _optimise(self, mode: Mode) -> CrossedResult:
        curvature = self._curvature(mode)
        outer = self.beta.size if self.objective.outer_beta else 0
        x = np.concatenate([np.log(self.sigmas[self.free]) / self.scale, np.zeros(outer)])
        if outer == 0:
            self._last = x.copy(), mode
        x, settled = self._newton(x, curvature)
        if not settled and self.objective.evaluations < self.most:
            x = self._quasi_newton(x)
        x = self._try_zero(x)
        gradient = self._gradient(x)
        worst = float(np.max(np.abs(np.where(self._blocked(x, gradient), 0.0, gradient)), initial=0.0))
        sigmas, _ = self._unpack(x)
        assert self._last is not None
        mode = self._last[1]
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

    def _blocked(self, x: FloatArray, gradient: FloatArray) -> BoolArray:
        """Parameters at a bound that the descent direction would leave."""
        free = self.scale.size
        blocked = np.zeros(x.size, dtype=bool)
        at = x[:free] * self.scale
        blocked[:free] = ((at <= LOWEST + 1e-9) & (gradient[:free] > 0)) | (
            (at >= HIGHEST - 1e-9) & (gradient[:free] < 0)
        )
        return blocked

    def _newton(self, x: FloatArray, curvature: FloatArray) -> tuple[FloatArray, bool]:
        """Newton-like steps; False where they stop short of the tolerance."""
        free = self.scale.size
        low, high = LOWEST / self.scale, HIGHEST / self.scale
        value, gradient = self._both(x)
        for _ in range(_MOST_STEPS):
            moving = ~self._blocked(x, gradient)
            worst = float(np.max(np.abs(gradient[moving]), initial=0.0))
            if worst <= _SHARPER * self.tolerance:
                return x, True
            if self.objective.evaluations >= self.most:
                break
            step = np.zeros(x.size)
            step[moving] = -np.linalg.solve(curvature[np.ix_(moving, moving)], gradient[moving])
            longest = float(np.max(np.abs(step[:free]) * self.scale, initial=0.0))
            step *= min(1.0, _LONGEST / max(longest, 1e-300))
            length, slope = 1.0, float(step @ gradient)
            while True:
                trial = x + length * step
                trial[:free] = np.clip(trial[:free], low, high)
                found = self._value(trial)
                if found <= value + 1e-4 * length * slope + 1e-10 * max(1.0, abs(value)):
                    break
                length *= 0.4
                if length < 0.02:
                    return x, worst <= self.tolerance
            now = self._gradient(trial)
            curvature = updated(curvature, trial - x, now - gradient)
            x, value, gradient = trial, found, now
        return x, False

    def _quasi_newton(self, x: FloatArray) -> FloatArray:
        """L-BFGS-B from here on."""
        outer = x.size - self.scale.size
        found = optimize.minimize(
            self._both,
            x,
            jac=True,
            method="L-BFGS-B",
            bounds=[(LOWEST / s, HIGHEST / s) for s in self.scale] + [(None, None)] * outer,
            options={
                "maxfun": self.most,
                "maxiter": self.most,
                "gtol": self.tolerance,
                "ftol": max(0.1 * self.tolerance**2 / max(abs(self._value(x)), 1.0), 1e-15),
                "maxcor": max(10, x.size),
            },
        )
        return np.asarray(found.x, dtype=float)

    def _try_zero(self, x: FloatArray) -> FloatArray:
        """Set small spreads to their lower bound where that does not cost likelihood.

        Not where the prior of log sigma rules it out: with one the objective is not flat down there.
        """
        free = self.scale.size
        small = [i for i in np.argsort(x[:free] * self.scale) if LOWEST + 1e-9 < x[i] * self.scale[i] < np.log(_SMALL)]
        if not small:
            return x
        value = self._value(x)
        factor = np.flatnonzero(self.free)
        for i in small:
            trial = x.copy()
            trial[i] = LOWEST / self.scale[i]
            logs = [np.array([at[i] * self.scale[i]]) for at in (x, trial)]
            penalty = [self.objective.log_sigma_penalty(at, factor[[i]])[0] for at in logs]
            if penalty[1] - penalty[0] > _RULED_OUT:
                continue
            at_zero = self._value(trial)
            if at_zero <= value + 0.1 * self.tolerance**2:
                x, value = trial, at_zero
        return x

    def _result(self, mode: Mode, converged: bool, message: str) -> CrossedResult:
        objective = self.objective
        effects = objective.effects
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
            minus2loglik=objective.minus2loglik(mode),
            dispersion=objective.priors.dispersion,
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
        information = self.objective.log_sigma_information(mode, self.free & ~zero)[np.ix_(use, use)]
        if self.objective.priors.log_sigma is not None:
            information = information + np.diag(1.0 / self.objective.priors.log_sigma[1][use] ** 2)
        if np.min(np.diag(information)) < 1e-3 or np.linalg.cond(information) > 1e10:
            return errors
        with np.errstate(invalid="ignore"):
            errors[use] = self.sigmas[use] * np.sqrt(np.diag(np.linalg.inv(information)))
        return errors


def updated(curvature: FloatArray, step: FloatArray, change: FloatArray) -> FloatArray:
    """Curvature after a step and the change of gradient that it made: BFGS, damped so that it stays positive.

    Source: Powell 1978; Nocedal and Wright 2006, procedure 18.2.
    """
    bent = curvature @ step
    along = float(step @ bent)
    if along <= 0:
        return curvature
    share = float(step @ change)
    if share < 0.2 * along:
        mix = 0.8 * along / (along - share)
        change = mix * change + (1.0 - mix) * bent
        share = float(step @ change)
    return np.asarray(curvature - np.outer(bent, bent) / along + np.outer(change, change) / share)
