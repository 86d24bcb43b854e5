"""The Laplace objective of the crossed logistic model and its exact gradient.

In:    a `Design`, a dispersion, priors; then parameters: log sigma of each factor, and beta where it is outer.
Out:   half of -2 log L (Laplace, without binomial coefficients, plus weak priors) and its gradient.
After: the inner mode solves its score equations to a Newton decrement below 1e-7; LinAlgError where it cannot be found.

With precisions T of the effects u, H = Z'WZ/phi + T and everything at the mode,
F = -l/phi + u'Tu/2 - log|T|/2 + log|H|/2. Its gradient has an explicit part and, because W moves with the
mode, an implicit part through the third derivative of l. (Laplace: Breslow and Clayton 1993, JASA 88:9; the gradient:
Kristensen et al. 2016, J Stat Softw 70(5), derived here by hand.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from scipy import special

from pipeline.estimators.arrays import BoolArray, FloatArray, IntArray
from pipeline.estimators.crossed_design import RELEASED_SD, Design
from pipeline.estimators.crossed_large import LargeAssembler
from pipeline.estimators.crossed_result import CrossedResult
from pipeline.estimators.crossed_solver import Assembler

_INNER_STEPS = 60


AnyAssembler: TypeAlias = Assembler | LargeAssembler
"""Of either route; both give factors with `moved`, `newton_step` and `solve`."""


@dataclass(frozen=True)
class Priors:
    """What is given beforehand.

    dispersion       phi >= 1: the log-likelihood is divided by it
    fixed_precision  prior precision of each fixed effect, shape (p,); 0 for none
    log_sigma        mean and sd of a normal prior on each estimated log sigma, each of shape (K,), or None
    """

    dispersion: float
    fixed_precision: FloatArray
    log_sigma: tuple[FloatArray, FloatArray] | None


@dataclass(frozen=True)
class Mode:
    """The inner mode at given sigmas, with what was computed there; `penalised`: its penalised log-likelihood."""

    stacked: FloatArray
    penalised: float
    eta: FloatArray
    residual: FloatArray
    weights: FloatArray
    factored: Any  # a `Factored` or a `LargeFactored`: whichever the assembler gives
    precision: FloatArray


class LaplaceObjective:
    """Callable value and gradient, warm-started from one call to the next.

    outer_beta  True: beta is a parameter of the outer problem (maximum of the Laplace likelihood); False: beta is
                taken at the joint mode with the effects, which is faster and makes each factor's effects sum to 0
    """

    def __init__(
        self, design: Design, priors: Priors, *, outer_beta: bool, assembler: AnyAssembler | None = None
    ) -> None:
        self.design = design
        self.priors = priors
        self.outer_beta = outer_beta
        self.assembler: Any = Assembler(design) if assembler is None else assembler
        self.slices = self.assembler.slices()
        self.effects = int(sum(design.sizes))
        self.fixed = int(design.X.shape[1])
        self.released: BoolArray = np.zeros(self.effects, dtype=bool)
        for k, where in self.slices.items():
            self.released[where] = design.released[k]
        self.held = np.array([int((~r).sum()) for r in design.released], dtype=np.int64)
        self.stacked = np.zeros(self.effects + design.X.shape[1])
        self.stacked[self.effects :] = _start_beta(design)
        self._factored: Any = None
        self.evaluations = 0

    def begin(self, effects: Sequence[FloatArray], beta: FloatArray) -> None:
        """Start the next search for a mode at these effects, per factor, and fixed effects."""
        for k, where in self.slices.items():
            self.stacked[where] = effects[k]
        self.stacked[self.effects :] = beta

    # ---- the inner problem ---------------------------------------------------------------------------------------
    def precision(self, sigmas: FloatArray) -> FloatArray:
        """Prior precision of every effect, stacked."""
        values = np.empty(self.effects)
        for k, where in self.slices.items():
            values[where] = 1.0 / sigmas[k] ** 2
        values[self.released] = 1.0 / RELEASED_SD**2
        return values

    def mode(self, sigmas: FloatArray, beta: FloatArray | None = None, accuracy: float = 1e-7) -> Mode:
        """Penalised Newton for (beta, u), or for u alone where `beta` is given, to this Newton decrement.

        Full steps against the last factor while they contract, a fresh factor where they do not, halved when the
        objective falls.
        """
        joint = beta is None
        stacked = self.stacked.copy()
        if beta is not None:
            stacked[self.effects :] = beta
        precision = self.precision(sigmas)
        ridge = np.concatenate([precision, self.priors.fixed_precision])
        value, eta, residual, weights = self._state(stacked, ridge)
        if self._factored is None:
            self._factored = self._refactor(weights, precision)
        factored = self._factored.moved(precision, self.priors.fixed_precision)
        fresh, last = False, np.inf
        for _ in range(_INNER_STEPS):
            score = self.assembler.transpose(residual) - ridge * stacked
            if not joint:
                score[self.effects :] = 0.0
            step = factored.newton_step(score, joint, weights)
            decrement = float(step @ score)
            if decrement < accuracy**2 * max(1.0, 1e-6 * abs(value)):
                break
            if not fresh and decrement > 0.2 * last:
                factored, last, fresh = self._refactor(weights, precision), np.inf, True
                continue
            last = decrement
            length = 1.0
            while True:
                trial = stacked + length * step
                found = self._state(trial, ridge)
                if found[0] >= value - 1e-9 * max(1.0, abs(value)) * 1e-3 or length < 1e-4:
                    break
                length *= 0.5
            if length < 1e-4:
                if fresh:
                    break
                factored, last, fresh = self._refactor(weights, precision), np.inf, True
                continue
            stacked, (value, eta, residual, weights), fresh = trial, found, False
        else:
            raise np.linalg.LinAlgError("the mode was not found; a fixed effect without any loss needs beta_sd")
        self.stacked = stacked
        factored = self._refactor(weights, precision)
        return Mode(stacked, value, eta, residual, weights, factored, precision)

    def _refactor(self, weights: FloatArray, precision: FloatArray) -> Any:
        self._factored = self.assembler.factor(self.assembler.build(weights), precision, self.priors.fixed_precision)
        return self._factored

    def _state(self, stacked: FloatArray, ridge: FloatArray) -> tuple[float, FloatArray, FloatArray, FloatArray]:
        """Penalised log-likelihood, linear predictor, (y - m mu)/phi and m mu (1 - mu)/phi."""
        design, phi = self.design, self.priors.dispersion
        eta = design.offset + self.assembler.predict(stacked)
        size = np.exp(-np.abs(eta))
        mu = np.where(eta >= 0, 1.0, size) / (1.0 + size)
        loglik = design.losses @ eta - design.attempts @ (np.maximum(eta, 0.0) + np.log1p(size))
        value = float(loglik / phi - 0.5 * (ridge @ stacked**2))
        weights = design.attempts * size / (1.0 + size) ** 2 / phi
        return value, eta, (design.losses - design.attempts * mu) / phi, weights

    def without_estimates(self, sigmas: FloatArray, reason: str, route: str) -> CrossedResult:
        """Not even a start was found: no effects, prior variances, nan for what is unknown."""
        precision = self.precision(sigmas)
        factors = range(len(self.design.sizes))
        prior = tuple(1.0 / precision[self.slices[k]] for k in factors)
        nothing = self.assembler.build(np.zeros(self.design.losses.size))
        return CrossedResult(
            beta=np.full(self.fixed, np.nan),
            se_beta=np.full(self.fixed, np.nan),
            effects=tuple(np.zeros(size) for size in self.design.sizes),
            variances=prior,
            prior_variances=prior,
            sigmas=sigmas.copy(),
            se_sigmas=np.full(sigmas.size, np.nan),
            zero=np.zeros(sigmas.size, dtype=bool),
            minus2loglik=float("nan"),
            dispersion=self.priors.dispersion,
            converged=False,
            message=f"not converged, no estimates: {reason}",
            evaluations=self.evaluations,
            _design=self.design,
            _factored=self.assembler.factor(nothing, precision, np.ones(self.fixed)),
            route=route,
        )

    # ---- the outer problem ---------------------------------------------------------------------------------------
    def __call__(self, sigmas: FloatArray, beta: FloatArray | None = None) -> tuple[float, FloatArray, FloatArray]:
        """Value, gradient in all log sigmas, gradient in beta (empty unless beta is outer).

        The weak priors on log sigma are left to `log_sigma_penalty`, so that the value is the model's own.
        """
        return self.at_mode(self.mode(sigmas, beta if self.outer_beta else None))

    def at_mode(self, mode: Mode) -> tuple[float, FloatArray, FloatArray]:
        """As `__call__`, for a mode already found."""
        by_sigma, by_beta = self.gradient(mode)
        return self.value(mode), by_sigma, by_beta

    def value(self, mode: Mode, determinant: float | None = None) -> float:
        """Half of -2 log L at a mode already found: one factorisation, which the mode has, and no inverse.

        determinant  log |Z'WZ + T| where the mode's solver does not know it
        """
        if determinant is None:
            determinant = mode.factored.log_determinant()
        half = 0.5 * (determinant - float(np.sum(np.log(mode.precision))))
        return half - mode.penalised

    def minus2loglik(self, mode: Mode, determinant: float | None = None) -> float:
        """-2 log L with binomial coefficients, without the weak priors; `determinant` as for `value`."""
        ridge = self.priors.fixed_precision
        value = self.value(mode, determinant) - 0.5 * float(ridge @ mode.stacked[self.effects :] ** 2)
        return 2.0 * (value - self.design.constant / self.priors.dispersion)

    def gradient(self, mode: Mode) -> tuple[FloatArray, FloatArray]:
        """Gradient in all log sigmas, and in beta (empty unless beta is outer): one inverse of the dense block."""
        self.evaluations += 1
        design, assembler, factored = self.design, self.assembler, mode.factored
        joint = not self.outer_beta
        # third derivative: half of d log|H| / d eta, row by row
        slope = -np.tanh(0.5 * mode.eta)  # 1 - 2 mu
        third = 0.5 * mode.weights * slope * assembler.leverages(factored)
        adjoint = factored.solve(assembler.transpose(third), joint)
        variances = factored.held_variances()
        u = mode.stacked[: self.effects]
        terms = mode.precision * (2.0 * adjoint[: self.effects] * u - u**2 - variances) + 1.0
        terms[self.released] = 0.0
        by_sigma = np.zeros(len(design.sizes))
        for k, where in self.slices.items():
            by_sigma[k] = float(np.sum(terms[where]))
        if joint:
            return by_sigma, np.zeros(0)
        carried = mode.weights * assembler.predict(adjoint)
        by_beta = design.X.T @ (third - mode.residual - carried)
        by_beta = by_beta + self.priors.fixed_precision * mode.stacked[self.effects :]
        return by_sigma, by_beta

    def log_sigma_penalty(self, log_sigmas: FloatArray, which: BoolArray | IntArray) -> tuple[float, FloatArray]:
        """Minus log density (up to a constant) of the weak prior, and its gradient; which: the factors given."""
        if self.priors.log_sigma is None:
            return 0.0, np.zeros(log_sigmas.size)
        centre, spread = (values[which] for values in self.priors.log_sigma)
        away = (log_sigmas - centre) / spread
        return 0.5 * float(away @ away), away / spread

    def pql_sigmas(self, mode: Mode, sigmas: FloatArray) -> FloatArray:
        """One fixed-point step: sum of u^2 over the effective number of levels (Schall 1991, Biometrika 78:719)."""
        variances = mode.factored.held_variances()
        out = sigmas.copy()
        for k, where in self.slices.items():
            keep = ~self.released[where]
            squares = float(np.sum(mode.stacked[where][keep] ** 2))
            number = float(np.sum(1.0 - mode.precision[where][keep] * variances[where][keep]))
            if number > 1e-8:
                out[k] = np.sqrt(squares / number)
        return out

    def log_sigma_information(self, mode: Mode, use: BoolArray | None = None) -> FloatArray:
        """Expected information of the log sigmas in the working linear model at the mode, shape (K, K).

        2 sigma_k^2 sigma_l^2 |Z_k'V^-1 Z_l|^2, V the marginal variance (McCulloch and Searle 2001, chapter 6), with
        Z'V^-1 Z = T - T H^-1 T taken from the inverse at hand. `use`: factors that are wanted; 0 for the others.
        """
        factored, first = mode.factored, self.assembler.first
        S = factored.effect_inverse()
        start = self.assembler.first_size
        wanted = np.ones(len(self.design.sizes), dtype=bool) if use is None else use
        keep = {k: ~self.released[w] for k, w in self.slices.items() if wanted[k]}
        tau = {k: float(mode.precision[self.slices[k]][keep[k]][0]) if keep[k].any() else 0.0 for k in keep}
        info = np.zeros((len(self.design.sizes),) * 2)
        if first in keep:
            self._information_of_first(info, mode, tau, keep)
        places = {k: np.flatnonzero(keep[k]) + self.slices[k].start - start for k in keep if k != first}
        for k, rows in places.items():
            for other, columns in places.items():
                if other < k:
                    continue
                block = tau[other] * S[np.ix_(rows, columns)]
                if other == k:
                    block = np.eye(rows.size) - block
                elif tau[other]:
                    block *= np.sqrt(tau[k] / tau[other])
                info[k, other] = info[other, k] = 2.0 * float(np.vdot(block, block))
        return info

    def _information_of_first(
        self, info: FloatArray, mode: Mode, tau: dict[int, float], keep: dict[int, BoolArray]
    ) -> None:
        """Fill in the row and column of the eliminated factor."""
        factored, first = mode.factored, self.assembler.first
        S, start, free = factored.effect_inverse(), self.assembler.first_size, keep[self.assembler.first]
        spread = S @ factored.gram(free)
        variances = factored.held_variances()[:start][free]
        added = variances - 1.0 / factored.diagonal[free]
        own = np.sum((1.0 - tau[first] * variances) ** 2)
        crossed = float(np.sum(spread * spread.T) - np.sum(added**2))
        info[first, first] = 2.0 * float(own + tau[first] ** 2 * crossed)
        columns_squared = np.sum(spread * S, axis=1)
        for k in keep:
            if k != first:
                columns = np.flatnonzero(keep[k]) + self.slices[k].start - start
                shared = 2.0 * tau[first] * tau[k] * float(np.sum(columns_squared[columns]))
                info[first, k] = info[k, first] = shared


def _start_beta(design: Design) -> FloatArray:
    """Least squares of the overall log odds on X: where Newton begins."""
    if design.X.shape[1] == 0:
        return np.zeros(0)
    rate = (design.losses.sum() + 0.5) / (design.attempts.sum() + 1.0)
    target = special.logit(rate) - design.offset
    root = np.sqrt(design.attempts)
    found, *_ = np.linalg.lstsq(design.X * root[:, None], target * root, rcond=None)
    return np.asarray(found, dtype=float)
