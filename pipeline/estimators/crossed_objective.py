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

from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.estimators.arrays import BoolArray, FloatArray
from pipeline.estimators.crossed_design import RELEASED_SD, Design
from pipeline.estimators.crossed_solver import Assembler, Factored, Information

_DECREMENT = 1e-14
_INNER_STEPS = 60


@dataclass(frozen=True)
class Priors:
    """What is given beforehand.

    dispersion       phi >= 1: the log-likelihood is divided by it
    fixed_precision  prior precision of each fixed effect, shape (p,); 0 for none
    log_sigma        mean and sd of a normal prior on each estimated log sigma, or None
    """

    dispersion: float
    fixed_precision: FloatArray
    log_sigma: tuple[float, float] | None


@dataclass(frozen=True)
class Mode:
    """The inner mode at given sigmas, with what was computed there."""

    stacked: FloatArray
    eta: FloatArray
    residual: FloatArray
    weights: FloatArray
    factored: Factored
    precision: FloatArray


class LaplaceObjective:
    """Callable value and gradient, warm-started from one call to the next.

    outer_beta  True: beta is a parameter of the outer problem (maximum of the Laplace likelihood); False: beta is
                taken at the joint mode with the effects, which is faster and makes each factor's effects sum to 0
    """

    def __init__(self, design: Design, priors: Priors, *, outer_beta: bool) -> None:
        self.design = design
        self.priors = priors
        self.outer_beta = outer_beta
        self.assembler = Assembler(design)
        self.slices = self.assembler.slices()
        self.effects = int(sum(design.sizes))
        self.released: BoolArray = np.zeros(self.effects, dtype=bool)
        for k, where in self.slices.items():
            self.released[where] = design.released[k]
        self.held = np.array([int((~r).sum()) for r in design.released], dtype=np.int64)
        self._stacked = np.zeros(self.effects + design.X.shape[1])
        self._stacked[self.effects :] = _start_beta(design)
        self._info: Information | None = None
        self.evaluations = 0

    # ---- the inner problem ---------------------------------------------------------------------------------------
    def precision(self, sigmas: FloatArray) -> FloatArray:
        """Prior precision of every effect, stacked."""
        values = np.empty(self.effects)
        for k, where in self.slices.items():
            values[where] = 1.0 / sigmas[k] ** 2
        values[self.released] = 1.0 / RELEASED_SD**2
        return values

    def mode(self, sigmas: FloatArray, beta: FloatArray | None = None) -> Mode:
        """Penalised Newton for (beta, u), or for u alone where `beta` is given.

        Full steps against the last factor while they contract, a fresh factor where they do not, halved when the
        objective falls.
        """
        joint = beta is None
        stacked = self._stacked.copy()
        if beta is not None:
            stacked[self.effects :] = beta
        precision = self.precision(sigmas)
        ridge = np.concatenate([precision, self.priors.fixed_precision])
        value, eta, residual, weights = self._state(stacked, ridge)
        if self._info is None:
            self._info = self.assembler.build(weights)
        factored = Factored(self.assembler, self._info, precision, self.priors.fixed_precision)
        fresh, last = False, np.inf
        for _ in range(_INNER_STEPS):
            score = self.assembler.transpose(residual) - ridge * stacked
            if not joint:
                score[self.effects :] = 0.0
            step = factored.solve(score, joint)
            decrement = float(step @ score)
            if decrement < _DECREMENT * max(1.0, 1e-6 * abs(value)):
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
        self._stacked = stacked
        factored = self._refactor(weights, precision)
        return Mode(stacked, eta, residual, weights, factored, precision)

    def _refactor(self, weights: FloatArray, precision: FloatArray) -> Factored:
        self._info = self.assembler.build(weights)
        return Factored(self.assembler, self._info, precision, self.priors.fixed_precision)

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

    # ---- the outer problem ---------------------------------------------------------------------------------------
    def __call__(self, sigmas: FloatArray, beta: FloatArray | None = None) -> tuple[float, FloatArray, FloatArray]:
        """Value, gradient in all log sigmas, gradient in beta (empty unless beta is outer).

        The weak priors on log sigma are left to `log_sigma_penalty`, so that the value is the model's own.
        """
        return self.at_mode(self.mode(sigmas, beta if self.outer_beta else None))

    def at_mode(self, mode: Mode) -> tuple[float, FloatArray, FloatArray]:
        """As `__call__`, for a mode already found."""
        self.evaluations += 1
        design, assembler, factored = self.design, self.assembler, mode.factored
        joint = not self.outer_beta
        ridge = np.concatenate([mode.precision, self.priors.fixed_precision])
        penalised = self._state(mode.stacked, ridge)[0]
        value = -penalised - 0.5 * float(np.sum(np.log(mode.precision))) + 0.5 * factored.log_determinant()
        # third derivative: half of d log|H| / d eta, row by row
        slope = -np.tanh(0.5 * mode.eta)  # 1 - 2 mu
        third = 0.5 * mode.weights * slope * assembler.leverages(factored)
        adjoint = factored.solve(assembler.transpose(third), joint)
        variances = factored.variances(joint=False)
        u = mode.stacked[: self.effects]
        terms = mode.precision * (2.0 * adjoint[: self.effects] * u - u**2 - variances[: self.effects]) + 1.0
        terms[self.released] = 0.0
        by_sigma = np.zeros(len(design.sizes))
        for k, where in self.slices.items():
            by_sigma[k] = float(np.sum(terms[where]))
        if joint:
            return value, by_sigma, np.zeros(0)
        carried = mode.weights * assembler.predict(adjoint)
        by_beta = design.X.T @ (third - mode.residual - carried)
        by_beta = by_beta + self.priors.fixed_precision * mode.stacked[self.effects :]
        return value, by_sigma, by_beta

    def log_sigma_penalty(self, log_sigmas: FloatArray) -> tuple[float, FloatArray]:
        """Minus log density (up to a constant) of the weak prior, and its gradient."""
        if self.priors.log_sigma is None:
            return 0.0, np.zeros(log_sigmas.size)
        centre, spread = self.priors.log_sigma
        away = (log_sigmas - centre) / spread
        return 0.5 * float(away @ away), away / spread

    def pql_sigmas(self, mode: Mode, sigmas: FloatArray) -> FloatArray:
        """One fixed-point step: sum of u^2 over the effective number of levels (Schall 1991, Biometrika 78:719)."""
        variances = mode.factored.variances(joint=False)
        out = sigmas.copy()
        for k, where in self.slices.items():
            keep = ~self.released[where]
            squares = float(np.sum(mode.stacked[where][keep] ** 2))
            number = float(np.sum(1.0 - mode.precision[where][keep] * variances[where][keep]))
            if number > 1e-8:
                out[k] = np.sqrt(squares / number)
        return out

    def log_sigma_information(self, mode: Mode) -> FloatArray:
        """Expected information of the log sigmas in the working linear model at the mode, shape (K, K).

        2 sigma_k^2 sigma_l^2 |Z_k'V^-1 Z_l|^2, V the marginal variance (McCulloch and Searle 2001, chapter 6), with
        Z'V^-1 Z = T - T H^-1 T taken from the inverse at hand.
        """
        factored, first = mode.factored, self.assembler.first
        S = factored.effect_inverse()
        start = self.assembler.first_size
        keep = {k: ~self.released[w] for k, w in self.slices.items()}
        tau = {k: float(mode.precision[w][keep[k]][0]) if keep[k].any() else 0.0 for k, w in self.slices.items()}
        places = {k: np.arange(w.start, w.stop)[keep[k]] - start for k, w in self.slices.items() if k != first}
        info = np.zeros((len(self.design.sizes),) * 2)
        for k, rows in places.items():
            for other, columns in places.items():
                block = tau[other] * S[np.ix_(rows, columns)]
                block = (
                    np.eye(rows.size) - block
                    if other == k
                    else np.sqrt(tau[k] / tau[other]) * block
                    if tau[other]
                    else block
                )
                info[k, other] = 2.0 * float(np.sum(block**2))
        if first >= 0:
            free = keep[first]
            gram = factored.gram(free)
            spread = S @ gram
            variances = factored.variances(joint=False)[:start][free]
            added = variances - 1.0 / factored.diagonal[free]
            own = np.sum((1.0 - tau[first] * variances) ** 2)
            crossed = float(np.sum(spread * spread.T) - np.sum(added**2))
            info[first, first] = 2.0 * float(own + tau[first] ** 2 * crossed)
            columns_squared = np.sum(S * (gram @ S), axis=0)
            for k, columns in places.items():
                shared = 2.0 * tau[first] * tau[k] * float(np.sum(columns_squared[columns]))
                info[first, k] = info[k, first] = shared
        return info


def _start_beta(design: Design) -> FloatArray:
    """Least squares of the overall log odds on X: where Newton begins."""
    if design.X.shape[1] == 0:
        return np.zeros(0)
    rate = (design.losses.sum() + 0.5) / (design.attempts.sum() + 1.0)
    target = special.logit(rate) - design.offset
    root = np.sqrt(design.attempts)
    found, *_ = np.linalg.lstsq(design.X * root[:, None], target * root, rcond=None)
    return np.asarray(found, dtype=float)
