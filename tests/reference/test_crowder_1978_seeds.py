"""Germination of seeds on 21 plates: Crowder 1978, Applied Statistics 27:34, table 3.

The data are the published ones (data frame `orob2` of the R package aod). Values: binomial GLM and beta-binomial
maximum likelihood with two programs; the intercept-only fit with one.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from pipeline.estimators.dispersion import beta_binomial_fit, pearson_dispersion

GERMINATED = [10, 23, 23, 26, 17, 5, 53, 55, 32, 46, 10, 8, 10, 8, 23, 0, 3, 22, 15, 32, 3]
SEEDS = [39, 62, 81, 51, 39, 6, 74, 72, 51, 79, 13, 16, 30, 28, 45, 4, 12, 41, 30, 51, 7]
KIND_73 = np.array([0] * 11 + [1] * 10, dtype=float)
CUCUMBER = np.array([0] * 5 + [1] * 6 + [0] * 5 + [1] * 5, dtype=float)
X = np.column_stack([np.ones(21), KIND_73, CUCUMBER, KIND_73 * CUCUMBER])


def test_pearson_phi_of_the_binomial_fit():
    r, n = np.array(GERMINATED), np.array(SEEDS)
    glm = sm.GLM(np.column_stack([r, n - r]), X, family=sm.families.Binomial()).fit()
    assert np.allclose(glm.params, [-0.558172, 0.145927, 1.318182, -0.778104], atol=5.1e-7)
    found = pearson_dispersion(r, n, glm.fittedvalues, parameters=4)
    assert found.df == 17
    assert found.pearson == pytest.approx(1.861832, abs=5.1e-7)


def test_beta_binomial_regression():
    fit = beta_binomial_fit(GERMINATED, SEEDS, X)
    assert fit.converged
    assert np.allclose(fit.coefficients, [-0.541951, 0.097390, 1.320068, -0.797925], atol=1e-6)
    assert fit.rho == pytest.approx(0.0123609, abs=1e-7)
    assert fit.loglik == pytest.approx(-53.766763, abs=1e-6)


def test_beta_binomial_intercept_only():
    fit = beta_binomial_fit(GERMINATED, SEEDS)
    assert fit.mu == pytest.approx(0.493572, abs=1e-6)
    assert fit.rho == pytest.approx(0.0815724, abs=1e-7)
    assert fit.loglik == pytest.approx(-64.516283, abs=1e-6)


def test_scipy_gives_the_same_likelihood_and_no_better_point_nearby():
    fit = beta_binomial_fit(GERMINATED, SEEDS)

    def loglik(mu: float, rho: float) -> float:
        size = (1 - rho) / rho
        return float(stats.betabinom(SEEDS, mu * size, (1 - mu) * size).logpmf(GERMINATED).sum())

    assert fit.loglik == pytest.approx(loglik(fit.mu, fit.rho), abs=1e-8)
    for dm, dr in [(1e-3, 0), (-1e-3, 0), (0, 1e-3), (0, -1e-3)]:
        assert loglik(fit.mu + dm, fit.rho + dr) < fit.loglik
    # standard errors from the curvature of scipy's likelihood in (mu, rho), by second differences
    h = 1e-4
    second = np.empty((2, 2))
    steps = np.eye(2) * h
    at = np.array([fit.mu, fit.rho])
    for i in range(2):
        for j in range(2):
            second[i, j] = (
                loglik(*(at + steps[i] + steps[j]))
                - loglik(*(at + steps[i] - steps[j]))
                - loglik(*(at - steps[i] + steps[j]))
                + loglik(*(at - steps[i] - steps[j]))
            ) / (4 * h * h)
    covariance = np.linalg.inv(-second)
    assert fit.se_rho == pytest.approx(float(np.sqrt(covariance[1, 1])), rel=1e-3)
    assert fit.se[0] * fit.mu * (1 - fit.mu) == pytest.approx(float(np.sqrt(covariance[0, 0])), rel=1e-3)
