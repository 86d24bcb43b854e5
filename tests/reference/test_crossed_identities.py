"""Exact identities of the crossed model's mode, from its score equations (u / sigma^2 = Z'(y - m mu))."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.estimators.crossed_logit import fit_crossed


@pytest.fixture(scope="module")
def plant():
    rng = np.random.default_rng(11)
    nozzle, feeder, part = rng.integers(0, 14, 600), rng.integers(0, 20, 600), rng.integers(0, 8, 600)
    effects = rng.normal(0, 0.6, 14), rng.normal(0, 0.4, 20), rng.normal(0, 0.5, 8)
    m = rng.integers(20, 400, 600)
    eta = -4 + effects[0][nozzle] + effects[1][feeder] + effects[2][part]
    return rng.binomial(m, 1 / (1 + np.exp(-eta))), m, np.ones((600, 1)), [nozzle, feeder, part]


def test_effects_of_each_factor_sum_to_zero_at_the_joint_mode(plant):
    y, m, X, factors = plant
    fit = fit_crossed(y, m, X, factors, beta="joint")
    for effects in fit.effects:
        assert abs(effects.sum()) < 1e-8
        assert np.abs(effects).max() > 0.1


def test_identical_factors_split_by_their_prior_variances(plant):
    y, m, X, factors = plant
    fit = fit_crossed(y, m, X, [factors[0], factors[0]], sigmas=[0.6, 0.2])
    assert np.allclose(fit.effects[0] / fit.effects[1], 0.6**2 / 0.2**2, rtol=1e-6)
    correlation = fit.posterior_correlation([((0, 3), (1, 3)), ((0, 3), (1, 4))])
    assert correlation[0] < -0.5
    assert abs(correlation[1]) < 0.5


def test_score_equations_hold_at_the_mode(plant):
    y, m, X, factors = plant
    fit = fit_crossed(y, m, X, factors)
    residual = y - m / (1 + np.exp(-fit.linear_predictor()))
    for k, levels in enumerate(factors):
        pull = np.bincount(levels, weights=residual, minlength=fit.effects[k].size)
        assert np.allclose(fit.effects[k], fit.sigmas[k] ** 2 * pull, atol=1e-7)


def test_relabelled_levels_and_shuffled_rows_change_nothing(plant):
    y, m, X, factors = plant
    fit = fit_crossed(y, m, X, factors, tolerance=1e-5)
    rng = np.random.default_rng(0)
    order, names = rng.permutation(y.size), rng.permutation(20)
    moved = fit_crossed(
        y[order], m[order], X, [factors[2][order], names[factors[1]][order], factors[0][order]], tolerance=1e-5
    )
    assert np.allclose(moved.sigmas[::-1], fit.sigmas, rtol=1e-4)
    assert np.allclose(moved.effects[1][names], fit.effects[1], atol=1e-4)
    assert moved.minus2loglik == pytest.approx(fit.minus2loglik, abs=1e-6)


def test_split_rows_carry_the_same_information(plant):
    """One cell of 10 picks in two halves: same estimates, another binomial constant."""
    y, m, X, factors = plant
    one, rest = y // 2, y - y // 2
    half = np.maximum(m // 2, one)
    half = np.minimum(half, m - rest)
    split = fit_crossed(
        np.concatenate([one, rest]),
        np.concatenate([half, m - half]),
        np.vstack([X, X]),
        [np.concatenate([f, f]) for f in factors],
        tolerance=1e-5,
    )
    fit = fit_crossed(y, m, X, factors, tolerance=1e-5)
    assert np.allclose(split.sigmas, fit.sigmas, rtol=1e-6)
    assert np.allclose(split.effects[0], fit.effects[0], atol=1e-8)
