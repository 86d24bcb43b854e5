"""Beta-binomial regression: counts whose rate itself varies from cell to cell.

In:    losses and attempts of cells, and optionally a matrix of covariates.
Out:   coefficients on the logit scale, the intra-cell correlation rho, log-likelihood, standard errors.
After: the gradient at the result is 0 within tolerance, or `converged` is False and `message` says why.

Variance of a count is m mu (1 - mu) (1 + (m - 1) rho).
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from pipeline.estimators.arrays import FloatArray, as_counts

SMALLEST_RHO = 1e-7
"""Below this the counts cannot be told from plain binomial ones; a fit that ends here says so."""
_LARGEST_LOGIT_RHO = 6.0


@dataclass(frozen=True, slots=True)
class BetaBinomialFit:
    """Maximum likelihood fit.

    coefficients, se  logit scale, shape (p,); without covariates p = 1 and mu is its expit
    rho, se_rho       intra-cell correlation, 0 to 1; se_rho is nan at the boundary
    loglik            with binomial coefficients
    at_boundary       rho went to 0: no bursts beyond chance
    converged         whether the gradient vanished; `message` says what happened
    """

    coefficients: FloatArray
    se: FloatArray
    rho: float
    se_rho: float
    loglik: float
    at_boundary: bool
    converged: bool
    message: str

    @property
    def mu(self) -> float:
        """Mean rate at the first coefficient alone: the overall mean where there are no covariates."""
        return float(special.expit(self.coefficients[0]))

    @property
    def shape(self) -> tuple[float, float]:
        """The two parameters of the beta distribution of rates, for the mean `mu`."""
        size = (1 - self.rho) / self.rho
        return self.mu * size, (1 - self.mu) * size

    def variance_inflation(self, attempts: ArrayLike) -> FloatArray:
        """Variance of a count over its binomial variance, 1 + (m - 1) rho, for cells of `attempts`."""
        return np.asarray(1.0 + (np.asarray(attempts, dtype=float) - 1.0) * self.rho, dtype=float)


def beta_binomial_fit(losses: ArrayLike, attempts: ArrayLike, X: ArrayLike | None = None) -> BetaBinomialFit:
    """Fit a beta-binomial model by maximum likelihood.

    losses, attempts  counts, shape (n,); cells without attempts are left out
    X                 covariates, shape (n, p), with a column of ones if an intercept is wanted; None: intercept only

    Raises ValueError when nothing is left to fit or the shapes differ.
    Breaks when: one burst spans several cells (they are taken as independent), or a covariate foretells losses
    perfectly (its coefficient runs away; `converged` is then False or its standard error huge).
    Source: Williams 1975, Biometrics 31:949; Crowder 1978, Applied Statistics 27:34.

    >>> fit = beta_binomial_fit([0, 3, 1, 9, 2, 0, 5, 1], [20] * 8)
    >>> fit.converged, round(fit.mu, 3), 0 < fit.rho < 1
    (True, 0.131, True)
    """
    y, m = as_counts(losses, attempts)
    design = np.ones((y.size, 1)) if X is None else np.asarray(X, dtype=float)
    if y.ndim != 1 or design.ndim != 2 or design.shape[0] != y.size:
        raise ValueError(f"losses have shape {y.shape}, X has shape {design.shape}; expected (n,) and (n, p)")
    use = m > 0
    y, m, design = y[use], m[use], design[use]
    if y.size == 0:
        raise ValueError("no cell has attempts")
    constant = float(np.sum(_log_choose(m, y)))
    floor = float(special.logit(SMALLEST_RHO))

    def objective(parameters: FloatArray) -> tuple[float, FloatArray]:
        value, gradient = _loglik(parameters, y, m, design)
        return -value, -gradient

    bounds = [(-40.0, 40.0)] * design.shape[1] + [(floor, _LARGEST_LOGIT_RHO)]
    centre = _binomial_start(y, m, design)
    tries = [
        optimize.minimize(
            objective,
            np.append(centre, special.logit(rho)),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": 500, "ftol": 1e-14},
        )
        for rho in (0.01, 0.2, 1e-4)
    ]
    parameters = np.asarray(min(tries, key=lambda t: float(t.fun)).x, dtype=float)
    boundary = bool(parameters[-1] <= floor + 1.0)
    free = slice(0, design.shape[1]) if boundary else slice(0, parameters.size)
    low, high = np.array(bounds).T
    for _ in range(20):
        hessian = _hessian(objective, parameters)[free, free]
        gradient = objective(parameters)[1][free]
        try:
            step = np.linalg.solve(hessian, gradient)
        except np.linalg.LinAlgError:
            break
        trial = parameters.copy()
        trial[free] -= step
        # Without a loss the likelihood is flat, and a step leads anywhere.
        if not np.all((trial >= low) & (trial <= high)):
            break
        if objective(trial)[0] > objective(parameters)[0] + _rounding(parameters, y.size):
            break
        parameters = trial
        if float(np.max(np.abs(step))) < 1e-10:
            break
    value, gradient = objective(parameters)
    errors = np.full(parameters.size, np.nan)
    hessian = _hessian(objective, parameters)[free, free]
    with np.errstate(invalid="ignore"), suppress(np.linalg.LinAlgError):
        errors[free] = np.sqrt(np.diag(np.linalg.inv(hessian)))
    scaled = float(np.max(np.abs(gradient[free]) * np.nan_to_num(errors[free], nan=1.0)))
    converged = bool(scaled < 1e-4 and np.all(np.isfinite(errors[free])))
    rho = float(special.expit(parameters[-1]))
    if not converged:
        message = f"the fit did not settle (gradient {scaled:.2g} standard errors)"
    elif boundary:
        message = "rho is 0: no bursts beyond chance"
    else:
        message = "converged"
    return BetaBinomialFit(
        coefficients=parameters[:-1],
        se=errors[:-1],
        rho=rho,
        se_rho=float(errors[-1] * rho * (1 - rho)),
        loglik=constant - value,
        at_boundary=boundary,
        converged=converged,
        message=message,
    )


def _rounding(parameters: FloatArray, cells: int) -> float:
    """What rounding may change in the log-likelihood: terms are as large as size x log size, size = (1 - rho) / rho."""
    size = float(np.exp(-parameters[-1]))
    return 1e-10 + 4 * float(np.finfo(float).eps) * cells * size * float(np.log1p(size))


def _log_choose(m: FloatArray, y: FloatArray) -> FloatArray:
    return np.asarray(special.gammaln(m + 1) - special.gammaln(y + 1) - special.gammaln(m - y + 1), dtype=float)


def _binomial_start(y: FloatArray, m: FloatArray, design: FloatArray) -> FloatArray:
    """Least squares on empirical logits: a start, not an estimate."""
    logits = np.log((y + 0.5) / (m - y + 0.5))
    weight = np.sqrt(m / (m + 50.0))
    start, *_ = np.linalg.lstsq(design * weight[:, None], logits * weight, rcond=None)
    return np.asarray(np.clip(start, -30, 30), dtype=float)


def _loglik(parameters: FloatArray, y: FloatArray, m: FloatArray, design: FloatArray) -> tuple[float, FloatArray]:
    """Log-likelihood without binomial coefficients and its gradient in (coefficients, logit rho)."""
    eta = np.clip(design @ parameters[:-1], -40.0, 40.0)
    mu, nu = special.expit(eta), special.expit(-eta)
    size = float(np.exp(-parameters[-1]))  # (1 - rho) / rho
    a, b = mu * size, nu * size
    value = np.sum(
        special.gammaln(a + y)
        - special.gammaln(a)
        + special.gammaln(b + m - y)
        - special.gammaln(b)
        - special.gammaln(size + m)
        + special.gammaln(size)
    )
    da = special.digamma(a + y) - special.digamma(a)
    db = special.digamma(b + m - y) - special.digamma(b)
    ds = special.digamma(size) - special.digamma(size + m)
    by_eta = (da - db) * size * mu * nu
    by_size = float(np.sum(da * mu + db * nu + ds))
    return float(value), np.append(design.T @ by_eta, -size * by_size)


def _hessian(objective: Callable[[FloatArray], tuple[float, FloatArray]], parameters: FloatArray) -> FloatArray:
    """Central differences of the exact gradient, made symmetric."""
    count = parameters.size
    rows = np.empty((count, count))
    for i in range(count):
        h = 1e-4 * max(1.0, abs(float(parameters[i])) * 0.1)
        up, down = parameters.copy(), parameters.copy()
        up[i] += h
        down[i] -= h
        rows[i] = (objective(up)[1] - objective(down)[1]) / (2 * h)
    return np.asarray(0.5 * (rows + rows.T), dtype=float)
