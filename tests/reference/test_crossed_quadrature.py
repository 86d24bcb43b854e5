"""The crossed model against two other ways: brute-force quadrature, and statsmodels' Bayesian mixed GLM."""

from __future__ import annotations

import itertools
import warnings

import numpy as np
import pytest
from scipy import special
from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

from pipeline.estimators.crossed_logit import fit_crossed

NOZZLE = np.array([0, 0, 0, 1, 1, 1])
FEEDER = np.array([0, 1, 2, 0, 1, 2])


def brute_force_minus2loglik(y, m, beta, sigmas, nodes=18):
    """-2 log of the integral over 2 + 3 crossed effects by a product Gauss-Hermite rule about the prior."""
    z, w = np.polynomial.hermite_e.hermegauss(nodes)
    logw = np.log(w / np.sqrt(2 * np.pi))
    constant = np.sum(special.gammaln(m + 1) - special.gammaln(y + 1) - special.gammaln(m - y + 1))
    total = -np.inf
    grid = np.array(list(itertools.product(range(nodes), repeat=3)))
    feeder = sigmas[1] * z[grid]
    feeder_weight = logw[grid].sum(axis=1)
    for a, b in itertools.product(range(nodes), repeat=2):
        nozzle = sigmas[0] * np.array([z[a], z[b]])
        eta = beta + nozzle[NOZZLE][None, :] + feeder[:, FEEDER]
        loglik = (y * eta - m * np.logaddexp(0, eta)).sum(axis=1)
        total = np.logaddexp(total, special.logsumexp(loglik + feeder_weight) + logw[a] + logw[b])
    return -2 * (total + constant)


@pytest.mark.parametrize(
    ("scale", "tolerance"),
    [(1, 0.03), (4, 0.015)],  # Laplace's error falls with the counts, about as 1 / losses
)
def test_laplace_likelihood_against_the_full_integral(scale, tolerance):
    y, m = scale * np.array([4, 6, 3, 9, 12, 5]), scale * np.full(6, 60)
    sigmas = (0.3, 0.25)
    fit = fit_crossed(y, m, np.ones((6, 1)), [NOZZLE, FEEDER], sigmas=list(sigmas), tolerance=1e-5)
    exact = brute_force_minus2loglik(y, m, float(fit.beta[0]), sigmas)
    assert fit.minus2loglik == pytest.approx(exact, abs=tolerance)
    assert abs(fit.minus2loglik - exact) > 1e-7  # the two are different sums, not one called twice


def test_posterior_mean_and_variance_against_sampling():
    """Effects at given spreads: mode and curvature against mean and sd of a plain random-walk Metropolis sample."""
    y, m, sigmas = np.array([40, 60, 30, 90, 120, 50]), np.full(6, 600), (0.3, 0.25)
    fit = fit_crossed(y, m, np.ones((6, 1)), [NOZZLE, FEEDER], sigmas=list(sigmas), beta="joint", tolerance=1e-5)
    mode = np.concatenate([fit.effects[0], fit.effects[1], fit.beta])
    spread = np.sqrt(np.concatenate([fit.variances[0], fit.variances[1], fit.se_beta**2]))

    def log_density(v):
        eta = v[5] + v[NOZZLE] + v[2 + FEEDER]
        return y @ eta - m @ np.logaddexp(0, eta) - 0.5 * (v[:2] @ v[:2] / 0.3**2 + v[2:5] @ v[2:5] / 0.25**2)

    rng = np.random.default_rng(5)
    directions = [np.array([1, 1, 0, 0, 0, -1.0]), np.array([0, 0, 1, 1, 1, -1.0]), *np.eye(6)]
    scales = [0.4, 0.3, *([0.12] * 6)]
    state, now, kept = mode.copy(), log_density(mode), []
    for _ in range(10_500):
        for direction, scale in zip(directions, scales, strict=True):
            trial = state + scale * rng.normal() * direction
            there = log_density(trial)
            if np.log(rng.random()) < there - now:
                state, now = trial, there
        kept.append(state)
    sample = np.array(kept[500:]).reshape(20, 500, 6)  # 20 batches, longer than the chain's memory
    mean, error = sample.mean(axis=(0, 1)), sample.mean(axis=1).std(axis=0, ddof=1) / np.sqrt(20)
    sd = sample.reshape(-1, 6).std(axis=0)
    # mode against mean: 0.05 sd is left for the posterior's skewness, the rest is Monte Carlo error
    assert np.all(np.abs(mode - mean) < 4 * error + 0.05 * sd)
    batch_sd = np.sqrt(((sample - mean) ** 2).mean(axis=1))
    sd_error = (batch_sd**2).std(axis=0, ddof=1) / np.sqrt(20) / (2 * sd)
    assert np.all(np.abs(spread - sd) < 4 * sd_error + 0.02 * sd)


def test_statsmodels_finds_the_same_mode_at_its_own_spreads():
    """BinomialBayesMixedGLM.fit_map maximises over effects and spreads: at its spreads our joint mode is its mode."""
    rng = np.random.default_rng(2)
    nozzle, feeder = np.repeat(np.arange(6), 40), np.tile(np.arange(8), 30)
    eta = -0.5 + rng.normal(0, 0.8, 6)[nozzle] + rng.normal(0, 0.5, 8)[feeder]
    y = rng.binomial(1, special.expit(eta))
    indicators = np.hstack([nozzle[:, None] == np.arange(6), feeder[:, None] == np.arange(8)]).astype(float)
    model = BinomialBayesMixedGLM(y, np.ones((240, 1)), indicators, [0] * 6 + [1] * 8, vcp_p=0.5, fe_p=2.0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own remarks on sparse matrices and convergence
        found = model.fit_map(minim_opts={"gtol": 1e-8})
    spreads = np.exp(found.vcp_mean)
    fit = fit_crossed(
        y, np.ones(240), np.ones((240, 1)), [nozzle, feeder], sigmas=spreads.tolist(), beta="joint", beta_sd=2.0
    )
    assert np.allclose(fit.beta, found.fe_mean, atol=1e-4)
    assert np.allclose(np.concatenate(fit.effects), found.vc_mean, atol=1e-4)
    assert np.abs(found.vc_mean).max() > 0.2
